"""`fairhearing settings`, and the defaults of options from the settings file and the environment.

`settings.toml` in the user's configuration folder holds a table for all commands and one for each command:

    device = "USB Audio" profile = ["minus14-headroom", "untouched"]

    [check] ceiling = -1.0

A key is the long name of an option. FAIRHEARING_DEVICE (for all commands) and FAIRHEARING_LISTEN_DEVICE
override the file; the command line overrides both. A playlist's own players override all but the command
line.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from simulator.common.errors import UsageError

FILE = "settings.toml"
KEYS = ("profile", "for", "target", "ceiling", "device", "rate", "workers")
"""Options that may have a standing choice."""


@dataclass(frozen=True, slots=True)
class Setting:
    """A value and where it is from."""

    value: Any
    origin: str


def settings_path() -> Path:
    """The user's settings file, which need not exist."""
    from simulator.storage.folders import config_folder

    return config_folder() / FILE


def settings_for(command: str) -> dict[str, Setting]:
    """The settings that hold for a command, by key. Raises UsageError naming a wrong line of the file."""
    path = settings_path()
    table = _read(path)
    general = {key: Setting(value, str(path)) for key, value in table.items() if key in KEYS}
    own = {key: Setting(value, f"{path} [{command}]") for key, value in table.get(command, {}).items()}
    settings = general | own
    for key in KEYS:
        for name in (f"FAIRHEARING_{key.upper()}", f"FAIRHEARING_{command.upper()}_{key.upper()}"):
            if os.environ.get(name):
                settings[key] = Setting(os.environ[name], name)
    return settings


def option_defaults(command: click.Command) -> dict[str, Any]:
    """The settings as click's defaults for one command, by parameter; without the players, which `prepare`
    resolves, since a playlist's own override them."""
    settings = settings_for(command.name or "")
    defaults = {}
    for parameter in command.params:
        if not isinstance(parameter, click.Option) or parameter.hidden:
            continue
        for key in (option.removeprefix("--") for option in parameter.opts):
            if key in settings and key != "profile":
                value = settings[key].value
                one_of_many = parameter.multiple and isinstance(value, str)
                defaults[parameter.name or key] = [value] if one_of_many else value
    return defaults


def default_profiles() -> tuple[str, ...]:
    """The players that the settings name for the running command; none where they name none."""
    context = click.get_current_context(silent=True)
    setting = settings_for((context.info_name if context else "") or "").get("profile")
    if setting is None:
        return ()
    return (setting.value,) if isinstance(setting.value, str) else tuple(setting.value)


def _read(path: Path) -> dict[str, Any]:
    import difflib
    import tomllib

    from simulator.cli.app import COMMANDS
    from simulator.storage.small_files import MEBIBYTE, read_small

    try:
        table = tomllib.loads(read_small(path, MEBIBYTE).decode("utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        return {}
    except (OSError, ValueError) as problem:
        raise UsageError(f"{path}: cannot be read: {problem}.", "Correct the file, or remove it.") from None
    for where, level in (("", table), *((name, one) for name, one in table.items() if isinstance(one, dict))):
        known = (*KEYS, *COMMANDS) if not where else KEYS
        for key, value in level.items():
            name = f"{where}.{key}" if where else key
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                hint = f"Did you mean {near[0]}?" if near else f"Known keys: {', '.join(KEYS)}."
                raise UsageError(f"{path}: unknown key {name}.", hint)
            if not _fits(value, list_too=key in ("profile", "for"), table_too=not where and key in COMMANDS):
                raise UsageError(f"{path}: {name} must be a number or a text, got {value!r}.")
    return table


def _fits(value: Any, *, list_too: bool, table_too: bool) -> bool:
    if isinstance(value, list):
        return list_too and all(isinstance(one, str) for one in value)
    return isinstance(value, (str, int, float)) or (table_too and isinstance(value, dict))


@click.command("settings")
def command() -> None:
    """Shows the standing choices (players, target, ceiling, device …) and where each is from.

    They are kept in one file, which you write yourself; environment variables (FAIRHEARING_CEILING) go before
    it, and options on the command line before both.
    """
    from simulator.cli.app import COMMANDS

    path = settings_path()
    shown = []
    general = settings_for("")
    for name in ("", *COMMANDS):
        for key, setting in settings_for(name).items():
            if not name or setting != general.get(key):
                value = ", ".join(setting.value) if isinstance(setting.value, list) else setting.value
                shown.append(f"  {f'{name} {key}'.strip():<18}{value}  ({setting.origin})")
    click.echo("\n".join(["Set:", *shown]) if shown else "Nothing is set; every option has its own default.")
    click.echo(f"\nSettings file: {path}{'' if path.exists() else ' (not there yet)'}")
    click.echo(f"Keys: {', '.join(KEYS)}; for one command in a table of its name, such as [check].")
    click.echo('Example: profile = ["minus14-headroom", "untouched"]')

"""`fairhearing settings`: standing choices, and where each is from."""

from __future__ import annotations

import click


@click.command("settings")
def command() -> None:
    """Shows the standing choices (players, target, ceiling, device …) and where each is from.

    They are kept in one file, which you write yourself; environment variables (FAIRHEARING_CEILING) go before
    it, and options on the command line before both.
    """
    from simulator.cli.app import COMMANDS
    from simulator.cli.user_settings import KEYS, settings_for, settings_path

    path = settings_path()
    shown = []
    general = settings_for("")
    for name in ("", *COMMANDS):
        for key, found in settings_for(name).items():
            if not name or found != general.get(key):
                value = ", ".join(found.value) if isinstance(found.value, list) else found.value
                shown.append(f"  {f'{name} {key}'.strip():<18}{value}  ({found.origin})")
    click.echo("\n".join(["Set:", *shown]) if shown else "Nothing is set; every option has its own default.")
    click.echo(f"\nSettings file: {path}{'' if path.exists() else ' (not there yet)'}")
    click.echo(f"Keys: {', '.join(KEYS)}; for one command in a table of its name, such as [check].")
    click.echo('Example: profile = ["minus14-headroom", "untouched"]')

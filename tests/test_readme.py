"""The README names everything that a user can type."""

from __future__ import annotations

from pathlib import Path

import click
import pytest

from simulator.cli.app import COMMANDS, cli
from simulator.normalizer.profile import PROFILE_KEYS

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def options() -> list[tuple[str, str]]:
    found = []
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        parts = list(command.commands.values()) if isinstance(command, click.Group) else [command]
        for part in parts:
            for parameter in part.params:
                if isinstance(parameter, click.Option) and not parameter.hidden:
                    found += [(f"{name} {part.name}", option) for option in parameter.opts]
    return found


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_stands_in_the_readme(command: str) -> None:
    assert f"fairhearing {command}" in README


@pytest.mark.parametrize(("command", "option"), options())
def test_every_option_stands_in_the_readme(command: str, option: str) -> None:
    assert f"`{option}" in README, command


@pytest.mark.parametrize("key", sorted({key.split(".")[-1] for key in PROFILE_KEYS}))
def test_every_key_of_a_profile_stands_in_the_readme(key: str) -> None:
    assert key in README

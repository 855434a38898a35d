"""`fairhearing completion`: the script that teaches a shell to complete the program's words."""

from __future__ import annotations

import click
from click.shell_completion import BashComplete, FishComplete, ShellComplete, ZshComplete


class _FishWithCommas(FishComplete):
    """The library's script for fish cuts a word and its description at every comma."""

    source_template = FishComplete.source_template.replace('split ","', 'split -m 1 ","')


SHELLS: dict[str, type[ShellComplete]] = {"bash": BashComplete, "zsh": ZshComplete, "fish": _FishWithCommas}


@click.command("completion")
@click.argument("shell", type=click.Choice(list(SHELLS)))
@click.pass_context
def command(ctx: click.Context, shell: str) -> None:
    """Prints the completion script for SHELL: bash, zsh or fish.

    Load it when the shell starts: `eval "$(fairhearing completion bash)"` in ~/.bashrc, the same with zsh in
    ~/.zshrc. In ~/.config/fish/config.fish, pipe `fairhearing completion fish` into source.
    """
    whole = ctx.find_root().command
    click.echo(SHELLS[shell](whole, {}, "fairhearing", "_FAIRHEARING_COMPLETE").source(), nl=False)

"""`fairhearing completion`, and what the shell completes beyond commands and options: files, profiles, topics
of the guide."""

from __future__ import annotations

import glob
from collections.abc import Callable

import click
from click.shell_completion import BashComplete, CompletionItem, FishComplete, ShellComplete, ZshComplete

Complete = Callable[[str], list[CompletionItem[str]]]


class _Completed(click.types.StringParamType):
    """A parameter that `complete` completes."""

    def __init__(self, complete: Complete) -> None:
        self._complete = complete

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002
        param: click.Parameter,  # noqa: ARG002
        incomplete: str,
    ) -> list[CompletionItem[str]]:
        return self._complete(incomplete)


def add_completion(command: click.Command) -> None:
    """Lets every plain word of the command complete: as a profile, a topic, or else a file."""
    for part in command.commands.values() if isinstance(command, click.Group) else [command]:
        for parameter in part.params:
            complete = _of(parameter)
            if complete is not None and isinstance(parameter.type, click.types.StringParamType):
                parameter.type = _Completed(complete)


def _of(parameter: click.Parameter) -> Complete | None:
    """What completes a parameter, by its name and metavar; None for nothing."""
    form = parameter.metavar or ""
    if form.startswith("ID|"):
        return _profiles if form.endswith("|all") else _profile
    if parameter.name == "topic":
        return _topics
    if isinstance(parameter, click.Argument):
        return _files_or_demo
    return _files if "FILE" in form or parameter.name == "decision" else None


def _files(incomplete: str) -> list[CompletionItem[str]]:
    return [CompletionItem(incomplete, type="file")]


def _files_or_demo(incomplete: str) -> list[CompletionItem[str]]:
    """Shells complete files or words, not both: the word where no file matches."""
    if incomplete and "demo".startswith(incomplete) and not glob.glob(f"{glob.escape(incomplete)}*"):
        return [CompletionItem("demo", help="The demo's playlist.")]
    return _files(incomplete)


def _profile(incomplete: str) -> list[CompletionItem[str]]:
    return _beginning(_profile_titles(), incomplete) or _files(incomplete)


def _profiles(incomplete: str) -> list[CompletionItem[str]]:
    """The last of several, comma-separated, without those before it."""
    before, comma, last = incomplete.rpartition(",")
    named = before.split(",")
    known = {"all": "Every bundled profile."} if not comma else {}
    known |= {name: title for name, title in _profile_titles().items() if name not in named}
    return _beginning({f"{before}{comma}{name}": title for name, title in known.items()}, incomplete) or (
        _files(incomplete) if last else []
    )


def _topics(incomplete: str) -> list[CompletionItem[str]]:
    from simulator.cli.commands.guide import headings

    return _beginning(headings(), incomplete)


def _profile_titles() -> dict[str, str]:
    from simulator.storage.bundled import bundled_profile_ids, load_profile

    return {name: load_profile(name).title for name in bundled_profile_ids()}


def _beginning(known: dict[str, str], incomplete: str) -> list[CompletionItem[str]]:
    return [CompletionItem(word, help=help_) for word, help_ in known.items() if word.startswith(incomplete)]


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
    completer = SHELLS[shell](ctx.find_root().command, {}, "fairhearing", "_FAIRHEARING_COMPLETE")
    click.echo(completer.source(), nl=False)

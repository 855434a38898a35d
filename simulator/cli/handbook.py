"""Handbook topics, one Markdown file each, and the manual page made from --help (man macros of groff)."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import click

from simulator import __version__
from simulator.cli.examples import EXAMPLES

FOLDER = Path(__file__).resolve().parent.parent / "handbook"
TOPICS = (
    "artist",
    "compare",
    "target",
    "listen",
    "page",
    "check",
    "profiles",
    "playlists",
    "numbers",
    "files",
    "python",
    "glossary",
    "limits",
)
"""In the order of the work."""


def topic_text(topic: str) -> str:
    """Markdown of one of TOPICS."""
    return (FOLDER / f"{topic}.md").read_text(encoding="utf-8")


def headings() -> dict[str, str]:
    """The heading of every topic, which says what it is about, by the topic's name."""
    return {topic: topic_text(topic).partition("\n")[0].removeprefix("# ") for topic in TOPICS}


def man_page(whole: click.Group) -> str:
    """The page of the whole program, as roff."""
    ctx = click.Context(whole, info_name="fairhearing")
    first, _, rest = inspect.cleandoc(whole.help or "").partition("\n\n")
    parts = [
        _command(name, part, ctx) for name in whole.list_commands(ctx) for part in _parts(name, whole, ctx)
    ]
    codes = re.findall(r"^\| (\d+) \| (.+) \|$", topic_text("files"), re.MULTILINE)
    return "\n".join(
        (
            f'.TH FAIRHEARING 1 "" "fairhearing {__version__}" "User commands"',
            ".SH NAME",
            f"fairhearing \\- {_roff(first.rstrip('.'))}",
            ".SH SYNOPSIS",
            ".B fairhearing",
            " ".join(whole.collect_usage_pieces(ctx)),
            ".SH DESCRIPTION",
            _paragraphs(rest),
            ".SH COMMANDS",
            *parts,
            ".SH EXIT STATUS",
            *(f".TP\n.B {code}\n{_roff(meaning)}" for code, meaning in codes),
            ".SH SEE ALSO",
            "The handbook:",
            ".B fairhearing guide",
        )
    )


def _parts(name: str, whole: click.Group, ctx: click.Context) -> list[click.Command]:
    command = whole.get_command(ctx, name)
    assert command is not None
    return [*command.commands.values()] if isinstance(command, click.Group) else [command]


def _command(name: str, command: click.Command, ctx: click.Context) -> str:
    words = name if command.name == name else f"{name} {command.name}"
    own = click.Context(command, info_name=words, parent=ctx)
    usage = " ".join(command.collect_usage_pieces(own))
    lines = [f".SS fairhearing {words} {_roff(usage)}", _paragraphs(inspect.cleandoc(command.help or ""))]
    for parameter in command.get_params(own):
        record = parameter.get_help_record(own)
        if record is not None and isinstance(parameter, click.Option):
            lines += [".TP", f".B {_roff(record[0])}", _roff(" ".join(record[1].split()))]
    examples = [line for line in EXAMPLES[name] if f"fairhearing {words}" in line]
    return "\n".join([*lines, ".PP", ".nf", *(f"    {_roff(line)}" for line in examples), ".fi"])


def _paragraphs(text: str) -> str:
    return "\n".join(f".PP\n{_roff(' '.join(part.split()))}" for part in text.split("\n\n"))


def _roff(text: str) -> str:
    """Text with what roff would take for its own: backslashes, hyphens of options, dots that begin a line;
    letters beyond ASCII by their numbers."""
    marked = re.sub(r"^([.'])", r"\\&\1", text.replace("\\", "\\e").replace("-", "\\-"))
    return re.sub(r"[^\x00-\x7f]", lambda letter: f"\\[u{ord(letter[0]):04X}]", marked)

"""`fairhearing guide`: the handbook on the screen, one Markdown file a topic, and the manual page made from
--help (man macros of groff).
"""

from __future__ import annotations

import difflib
import inspect
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator import __version__
from simulator.cli.app import EXAMPLES
from simulator.cli.output import Readout
from simulator.common.errors import UsageError

if TYPE_CHECKING:
    from rich.markdown import Markdown

FOLDER = Path(__file__).resolve().parents[2] / "handbook"
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


@click.command("guide")
@click.argument("topic", required=False)
@click.option("--man", is_flag=True, help="Print the manual page of every command, for man.")
@click.pass_context
def command(ctx: click.Context, topic: str | None, man: bool) -> None:
    """Shows the handbook's page on TOPIC, or the list of topics."""
    if man:
        whole = ctx.find_root().command
        assert isinstance(whole, click.Group)
        click.echo(man_page(whole))
        return
    readout = Readout()
    if topic is not None:
        readout.page(_page(topic_text(_known(topic))))
        return
    readout.answer("The handbook, a page for each topic: fairhearing guide TOPIC")
    width = max(map(len, TOPICS))
    for name, heading in headings().items():
        readout.line(f"  {name:<{width}}  {heading}")


def _known(topic: str) -> str:
    """The topic that is meant; the beginning of its name is enough. Raises UsageError with near names."""
    begins = [name for name in TOPICS if name.startswith(topic.casefold())]
    if topic.casefold() in begins or len(begins) == 1:
        return topic.casefold() if topic.casefold() in begins else begins[0]
    near = begins or difflib.get_close_matches(topic.casefold(), TOPICS)
    cure = f"Did you mean {' or '.join(near)}?" if near else f"Topics: {', '.join(TOPICS)}."
    raise UsageError(f"The guide has no topic “{topic}”.", cure)


def _page(text: str) -> Markdown:
    """A topic as rich draws it: headings at the left margin, code indented in the terminal's own colours, so
    that it can be read and copied on any background, and words in code in their quotes, so that `.` and `-`
    can be read without colours too."""
    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.markdown import CodeBlock, Heading, Markdown
    from rich.padding import Padding
    from rich.text import Text
    from rich.theme import Theme

    class LeftHeading(Heading):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            yield Text(self.text.plain, style="bold")

    class PlainCode(CodeBlock):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            yield Padding(Text(str(self.text).rstrip(), style="bold"), (0, 0, 0, 4), expand=False)

    class Page(Markdown):
        elements = {**Markdown.elements, "heading_open": LeftHeading, "fence": PlainCode}  # noqa: RUF012

        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            with console.use_theme(Theme({"markdown.code": "bold"})):
                yield from super().__rich_console__(console, options)

    parts = text.split("```")
    parts[::2] = [re.sub(r"`([^`\n]+)`", r"`` `\1` ``", prose) for prose in parts[::2]]
    return Page("```".join(parts))


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

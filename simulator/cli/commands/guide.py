"""`fairhearing guide`: the handbook on the screen."""

from __future__ import annotations

import difflib
import re

import click
from rich.console import Console, ConsoleOptions, RenderResult
from rich.markdown import CodeBlock, Heading, Markdown
from rich.padding import Padding
from rich.text import Text
from rich.theme import Theme

from simulator.cli.handbook import TOPICS, headings, man_page, topic_text
from simulator.cli.readout import Readout
from simulator.common.errors import UsageError


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
        readout.page(_Page(topic_text(_known(topic))))
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


class _LeftHeading(Heading):
    """A heading in bold at the left margin, where other versions of the library centre or frame it."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Text(self.text.plain, style="bold")


class _PlainCode(CodeBlock):
    """Commands and files indented, in the terminal's own colours, so that they can be read and copied on any
    background."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield Padding(Text(str(self.text).rstrip(), style="bold"), (0, 0, 0, 4), expand=False)


class _Page(Markdown):
    """Words in code keep their quotes, so that `.` and `-` can be read without colours too."""

    elements = {**Markdown.elements, "heading_open": _LeftHeading, "fence": _PlainCode}  # noqa: RUF012

    def __init__(self, text: str) -> None:
        parts = text.split("```")
        parts[::2] = [re.sub(r"`([^`\n]+)`", r"`` `\1` ``", prose) for prose in parts[::2]]
        super().__init__("```".join(parts))

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        with console.use_theme(Theme({"markdown.code": "bold"})):
            yield from super().__rich_console__(console, options)

"""`fairhearing schema`: the JSON Schemas of what --json prints."""

from __future__ import annotations

from importlib import resources

import click

NAMES = ("measure", "predict", "compare", "ladder", "check", "sheet")


@click.command("schema")
@click.argument("name", required=False, type=click.Choice(NAMES))
def command(name: str | None) -> None:
    """Prints the JSON Schema (draft 2020-12) of what NAME --json prints; without NAME, lists them.

    sheet: the file that check --sheet writes, and what check --against prints.
    Keys are only ever added, so what a script reads today it can read tomorrow.
    """
    folder = resources.files("simulator") / "schemas"
    if name is not None:
        click.echo((folder / f"{name}.json").read_text(encoding="utf-8"), nl=False)
        return
    for one in NAMES:
        click.echo(f"{one:<8} urn:fairhearing:schema:{one}")
    click.echo("\nPrint one: fairhearing schema measure")

"""How `compare` shows two versions: as delivered with the residual, then through each player, in tables and
sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.cli.steps.predict import console, paragraph, show_heading
from simulator.common.text import capital
from simulator.comparison.versions import Comparison
from simulator.text.comparison.table import (
    Row,
    delivered_rows,
    place_text,
    played_rows,
    residual_rows,
    tonal_text,
)
from simulator.text.comparison.terms import Names, Said
from simulator.text.tables import grid, shortened

if TYPE_CHECKING:
    from rich.console import Console

LONGEST_COLUMN = 14
PLACES = ("alignment", "no_difference", "mono", "passages")


def show_comparison(
    found: Comparison, names: Names, overall: Sequence[Said], by_player: Sequence[Sequence[Said]]
) -> None:
    """The whole screen: `overall` and `by_player` are the sentences."""
    out = console()
    out.print(f"■ {capital(names.loud)}, against {names.open}", style="bold")
    _say(out, overall, PLACES)
    out.print("\nAs delivered", style="bold")
    _show_rows(out, delivered_rows(found.delivered), names)
    difference = found.difference
    if difference is not None and difference.gain_riding_lu is not None:
        out.print("The residual of the two, LU against the open one", style="bold")
        table = grid(["band", "all of it", "gain riding", "waveform change"], [False, True, True, True])
        for row in residual_rows(difference):
            table.add_row(*row)
        out.print(table)
        for text in (place_text(found.alignment), tonal_text(difference)):
            if text:
                paragraph(out, text, bullet="• ")
    shown = (*PLACES, "open_quiet", "caution")
    _say(out, [one for one in overall if one.rule not in shown])
    for played, said in zip(found.played, by_player, strict=True):
        out.print()
        show_heading(out, played.profile)
        _show_rows(out, played_rows(played.side), names)
        _say(out, said)
    out.print()
    _say(out, overall, ("open_quiet", "caution"))
    if len(found.played) == 1:
        paragraph(out, "Other players: --profile all. A picture: --figure FILE.svg. Under noise: --noise 12.")


def _show_rows(out: Console, rows: Sequence[Row], names: Names) -> None:
    columns = [
        shortened(name.removeprefix("the ").strip("“”"), LONGEST_COLUMN) for name in (names.loud, names.open)
    ]
    headings = ["", "", *columns, "difference"]
    table = grid(headings, [False, False, True, True, True])
    for row in rows:
        table.add_row(*row)
    out.print(table)


def _say(out: Console, said: Sequence[Said], rules: tuple[str, ...] | None = None) -> None:
    for one in said:
        if rules is None or one.rule in rules:
            paragraph(out, one.text, bullet="• ")

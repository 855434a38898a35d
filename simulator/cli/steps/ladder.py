"""How `ladder` shows its decision: which rung suffices where, one table, a few sentences."""

from __future__ import annotations

from collections.abc import Sequence

from simulator.cli.readout import Readout
from simulator.metering.measurement import Measurement
from simulator.rungs.advice import Destination
from simulator.rungs.rung import Ladder
from simulator.text import ladder


def show_ladder(
    out: Readout,
    found: Ladder,
    beside: Ladder | None,
    mix: Measurement,
    destinations: Sequence[Destination],
) -> None:
    """The whole screen; `beside` is the ladder of sample-peak limiting where both were asked for."""
    out.answer(*ladder.answer(found.rungs, destinations))
    if out.quiet:
        return
    table = ladder.decision_table(found.rungs, destinations, out.width)
    out.table(table)
    out.paragraph(ladder.table_key(found.rungs, destinations, table), style="soft")
    out.line()
    out.sentences(ladder.sentences(found, destinations, mix))
    if beside is not None:
        out.table(ladder.beside_table(found.rungs, beside.rungs))
        out.sentences(ladder.beside_sentences(found.rungs, beside.rungs))
    if not out.detail:
        out.line("Every player, and how each rung was made: --detail. Hear them: --out DIR", "soft")
        return
    out.line()
    out.table(ladder.detail_table(found.rungs))
    for one in destinations:
        out.table(ladder.played_table(found.rungs, one))
        if (after := ladder.decoded_table(found.rungs, one)) is not None:
            out.table(after)
        if said := ladder.closed_form(one.profile):
            out.paragraph(said)
    out.line()
    out.sentences([ladder.LEGEND, ladder.OUTPUT, ladder.starting_points()])

"""How `ladder` shows its decision: which rung suffices where, one table, a few sentences."""

from __future__ import annotations

from collections.abc import Sequence

from simulator.cli.output import Readout
from simulator.common.text import typed_command
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
    again: Sequence[str],
) -> None:
    """The whole screen; `beside` is the ladder of sample-peak limiting where both were asked for, `again` the
    command that opens the rungs at the listening prompt (empty where they were written anyway)."""
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
    more = "" if out.detail else "Every figure: --detail."
    if more or again:
        out.line(typed_command(f"{more} Hear the rungs:".lstrip(), again) if again else more, "soft")
    if not out.detail:
        return
    out.line()
    out.table(ladder.detail_table(found.rungs))
    for destination in destinations:
        out.table(ladder.played_table(found.rungs, destination))
        if (after := ladder.decoded_table(found.rungs, destination)) is not None:
            out.table(after)
        if said := ladder.closed_form(destination.profile):
            out.paragraph(said)
    out.line()
    out.sentences([ladder.LEGEND, ladder.OUTPUT, ladder.starting_points()])

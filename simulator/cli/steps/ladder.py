"""What `ladder` shows: each rung as it is finished, then which suffices where, a table, a few sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager

from simulator.cli.output import Readout, steps
from simulator.common.errors import SimulatorError
from simulator.common.text import typed_command
from simulator.engine.ladder import Finished
from simulator.metering.measurement import Measurement
from simulator.rungs.advice import Destination
from simulator.rungs.rung import Ladder, Rung
from simulator.text import ladder


@contextmanager
def rungs_shown(
    out: Readout | None, mix: Measurement, levels: Sequence[float], count: int, kept: str
) -> Iterator[Finished]:
    """Takes each rung as it is finished, of `count`: a terminal shows its row, those of the first kind of
    detection alone; elsewhere (and with `out` None) the progress is reported. `kept`: as in `steps`."""
    out = out if out is not None and out.redraws else None
    made: dict[int, Rung] = {}
    with ExitStack() as shown:
        step = shown.enter_context(steps("Making rungs", count, kept, shown=out is None))
        show = out and shown.enter_context(out.live(ladder.first_table(mix, levels, made, out.width)))

        def finished(place: int, rung: Rung | SimulatorError) -> None:
            step()
            if out and show and isinstance(rung, Rung) and place < len(levels):
                made[place] = rung
                show(ladder.first_table(mix, levels, made, out.width))

        yield finished


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
    out.sentences([*ladder.reasons(found.rungs), ladder.LEGEND, ladder.OUTPUT, ladder.starting_points()])

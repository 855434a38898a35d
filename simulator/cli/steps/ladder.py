"""How `ladder` shows its rungs: what each costs, then what it gains through each player."""

from __future__ import annotations

from collections.abc import Sequence

from simulator.cli.steps.predict import console, paragraph, show_heading
from simulator.ladder.rungs import Ladder
from simulator.metering.measurement import Measurement
from simulator.normalizer.profile import Profile
from simulator.text import ladder


def show_ladder(
    found: Ladder, beside: Ladder | None, mix: Measurement, title: str, profiles: Sequence[Profile]
) -> None:
    """The whole screen; `beside` is the ladder of sample-peak limiting where both were asked for."""
    out = console()
    out.print(f"■ {title}: a ladder of loudness", style="bold")
    paragraph(out, ladder.opening(found, mix))
    paragraph(out, ladder.STAND_IN)
    out.print()
    out.print(ladder.action_table(found.rungs))
    out.print(ladder.left_table(found.rungs))
    for text in (*ladder.unreached(found.rungs, found.style), ladder.LEGEND):
        paragraph(out, text, bullet="• ")
    if beside is not None:
        out.print()
        out.print(ladder.beside_table(found.rungs, beside.rungs))
        for text in ladder.beside_sentences(found.rungs, beside.rungs):
            paragraph(out, text, bullet="• ")
    for profile in profiles:
        out.print()
        show_heading(out, profile)
        out.print(ladder.played_table(found.rungs, profile))
        for text in ladder.played_sentences(found.rungs, profile):
            paragraph(out, text, bullet="• ")
    out.print()
    paragraph(out, "Gained: the change from the lowest rung, as played.", bullet="• ")
    paragraph(out, ladder.OUTPUT, bullet="• ")
    paragraph(out, ladder.starting_points(), bullet="• ")

"""How `predict` and `demo` show what players do: two versions side by side, then the sentences, then
every track."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.common.numbers import level, signed
from simulator.text.comparison.pair import choose_pair, pair_rows, short_names
from simulator.text.findings_peaks import NOTE, limiter_acts, peak_cells, peak_columns
from simulator.text.sentences import Version, pair_sentences
from simulator.text.tables import grid, shortened

if TYPE_CHECKING:
    from rich.console import Console

    from simulator.cli.steps.prepare import Predictions
    from simulator.engine.predict import Delivered
    from simulator.normalizer.decision import LimitedBy
    from simulator.normalizer.profile import Profile

WIDTH = 79
LONGEST_TITLE = 40
SHORT_TITLE = 18
LIMITED_WORDS: dict[LimitedBy, str] = {
    "nothing": "",
    "no_upward_gain": "not raised",
    "headroom": "headroom",
    "ceiling": "its peak",
    "max_boost": "max boost",
    "max_cut": "max cut",
    "unmeasurable": "unmeasured",
    "no_target": "no target",
}


def console() -> Console:
    """Plain tables: as wide as the terminal, 80 columns where there is none."""
    from rich.console import Console

    made = Console(highlight=False, markup=False)
    return made if made.is_terminal else Console(highlight=False, markup=False, width=WIDTH + 1)


def show_heading(out: Console, profile: Profile) -> None:
    """What the player is, in a sentence."""
    out.print(f"■ {profile.title} ({profile.id})", style="bold")
    paragraph(out, profile.sentence)


def show_pair(out: Console, profile: Profile, tracks: Sequence[Delivered], predictions: Predictions) -> bool:
    """The side-by-side with its sentences; False where there is no pair to show."""
    from simulator.normalizer.prediction import Prediction

    pair = choose_pair([(one.track, one.measurement) for one in tracks])
    if pair is None:
        return False
    names = short_names(tracks[pair[0]].track, tracks[pair[1]].track)
    versions = []
    for place, name in zip(pair, names, strict=True):
        found, measured = predictions[place], tracks[place].measurement
        if not isinstance(found, Prediction) or measured is None:
            return False
        versions.append(Version(name, measured, found))
    first, second = versions
    table = grid(["", "", first.name, second.name, "difference"], [False, False, True, True, True])
    for row in pair_rows(first, second):
        table.add_row(*row)
    out.print(table)
    for sentence in pair_sentences(first, second, profile):
        paragraph(out, sentence, bullet="• ")
    return True


def show_tracks(out: Console, tracks: Sequence[Delivered], predictions: Predictions) -> None:
    """Every track through one player."""
    from simulator.normalizer.prediction import Prediction

    table = grid(
        [
            "#",
            "Track",
            "delivered\nLUFS",
            "gain\ndB",
            "played\nLUFS",
            "loudest\nLUFS",
            "headroom\ndB",
            "limited",
        ],
        [True, False, True, True, True, True, True, False],
    )
    for number, (one, found) in enumerate(zip(tracks, predictions, strict=True), 1):
        title = shortened(one.track.title, LONGEST_TITLE)
        if not isinstance(found, Prediction) or one.measurement is None:
            delivered = level(one.measurement.integrated_lufs) if one.measurement is not None else "–"
            why = "not readable" if one.measurement is None else "not played"
            table.add_row(str(number), title, delivered, "–", "–", "–", "–", why)
            continue
        table.add_row(
            str(number),
            title,
            level(one.measurement.integrated_lufs),
            signed(found.decision.gain_db),
            level(found.played.integrated_lufs),
            level(found.played.max_short_term_lufs),
            level(found.unused_headroom_db),
            LIMITED_WORDS[found.decision.limited_by]
            + (" limiter" if limiter_acts(found.limiter.max_reduction_db) else ""),
        )
    out.print(table)


def show_delivery(out: Console, tracks: Sequence[Delivered], predictions: Predictions) -> None:
    """The peaks after each step of a delivery; nothing where the profile delivers the master itself."""
    from simulator.normalizer.prediction import Prediction

    good = [found if isinstance(found, Prediction) else None for found in predictions]
    columns = peak_columns(good)
    if not columns:
        return
    names = ["master", *(name.replace(" at ", "\nat ") for name in columns), "as played"]
    table = grid(["#", "Track", *names], [True, False, *[True] * len(names)])
    for number, (one, found) in enumerate(zip(tracks, good, strict=True), 1):
        if found is None or one.measurement is None:
            continue
        table.add_row(
            str(number),
            shortened(one.track.title, SHORT_TITLE),
            *peak_cells(columns, one.measurement, found),
        )
    out.print(table)
    paragraph(out, NOTE)


def paragraph(out: Console, text: str, bullet: str = "") -> None:
    """Wrapped to the reading width, whatever the terminal's."""
    lines = textwrap.wrap(
        text,
        min(out.width, WIDTH),
        initial_indent=bullet,
        subsequent_indent=" " * len(bullet),
        break_on_hyphens=False,
    )
    out.print("\n".join(lines), soft_wrap=True)

"""Findings on peaks after conversions and codecs, and the one move that brings all under their limits.

A step's peak is held against full scale and against the decided ceiling where there is one. After a codec a
peak above full scale is to be fixed only where the destination's own decoder cuts it: before the player's
gain, or after a gain that does not bring it down. After an encoder peaks do not fall dB for dB, so the move
is not computed: the output is turned down, everything is done again, and the new peaks are the proof.
Arithmetic: the first try goes down by the largest excess, each further one by what is still missing and a
little more, in whole tenths of a dB.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simulator.delivery.finding import Decided, Finding, Move, db_words
from simulator.delivery.level_findings import (
    CUSTOMARY_CEILING_DBTP,
    FULL_SCALE_DBTP,
    FULL_SCALE_SOURCE,
    MET_LU,
    NEAR_LU,
    READING_DB,
    SHOWN_DB,
    over_places,
    overs_words,
    room_db,
    samples_over,
    upward,
    worst_overs,
)
from simulator.metering.measurement import Measurement

MOST_TRIES = 6
MORE_DB = 0.05
LOWERED_DB = 0.1
"""From here on an encoder's own level change is reported."""
TENTHS = 10.0
PEAK_CHECKS = frozenset({"true_peak", "sample_peak", "overs", "true_peak_after"})
"""Checks of peaks, which one plain gain answers together."""


@dataclass(frozen=True, slots=True)
class Playback:
    """What one destination does with a decoded peak: where its decoder cuts at full scale ("before_gain",
    "after_gain", "none"), and the player's gain in dB."""

    player: str
    full_scale: str
    gain_db: float

    def cuts(self, peak_dbtp: float) -> bool:
        """True where a part of the peak is lost there."""
        if self.full_scale == "none":
            return False
        level = peak_dbtp + (self.gain_db if self.full_scale == "after_gain" else 0.0)
        return level > FULL_SCALE_DBTP + READING_DB


@dataclass(frozen=True, slots=True)
class Step:
    """A master after one step of a delivery, whose encoder changes the level by `encoder_gain_db`;
    `playbacks` are the destinations that decode it, none for a mere conversion."""

    name: str
    found: Measurement
    encoder_gain_db: float = 0.0
    playbacks: tuple[Playback, ...] = ()


def missed_limit(measurement: Measurement, decided: Decided) -> float | None:
    """The level in dBTP that the peak of a step is above; None where it is under all of them."""
    peak = measurement.true_peak_dbtp
    if peak is None:
        return None
    if peak > FULL_SCALE_DBTP + READING_DB:
        return FULL_SCALE_DBTP
    ceiling = decided.ceiling_dbtp
    return ceiling if ceiling is not None and peak > ceiling + READING_DB else None


def aim_dbtp(decided: Decided) -> float:
    """The level in dBTP that a move brings the peak of a step under: what no limit misses."""
    ceiling = decided.ceiling_dbtp
    return FULL_SCALE_DBTP if ceiling is None else min(ceiling, FULL_SCALE_DBTP)


def first_gain_db(
    measurement: Measurement, steps: Sequence[Measurement], decided: Decided, away_lu: float | None
) -> float:
    """The gain that would answer what gain can: negative where a peak or the loudness is over its limit,
    positive where the loudness can be raised to a decided target; 0 where there is nothing to do. `away_lu`
    is the loudness against the target."""
    down = [0.0]
    peak = measurement.true_peak_dbtp
    ceiling = CUSTOMARY_CEILING_DBTP if decided.ceiling_dbtp is None else decided.ceiling_dbtp
    if peak is not None and peak > ceiling + READING_DB:
        down.append(peak - ceiling)
    if samples_over(measurement):
        down.append(measurement.sample_peak_dbfs or 0.0)
    if away_lu is not None and away_lu > MET_LU:
        down.append(round(away_lu * TENTHS) / TENTHS)
    down += [
        (step.true_peak_dbtp or 0.0) - aim_dbtp(decided)
        for step in steps
        if missed_limit(step, decided) is not None
    ]
    if max(down) > 0.0:
        return -upward_db(max(down))
    if away_lu is not None and away_lu < -NEAR_LU and room_db(measurement, decided) >= -away_lu - SHOWN_DB:
        return int(min(-away_lu, room_db(measurement, decided)) * TENTHS + 1e-6) / TENTHS
    return 0.0


def missing_db(steps: Sequence[Measurement], decided: Decided) -> float:
    """By how much the highest peak of the steps is above what a move aims at; 0 or less: it holds."""
    peaks = [step.true_peak_dbtp for step in steps if step.true_peak_dbtp is not None]
    return max(peaks) - aim_dbtp(decided) if peaks else 0.0


def upward_db(by_db: float) -> float:
    """To the next tenth on the far side."""
    return upward(by_db, 10)


def step_finding(step: Step, decided: Decided, move: Move | None = None) -> Finding:
    """The peak after one step of a delivery."""
    found, peak, limit = step.found, step.found.true_peak_dbtp, missed_limit(step.found, decided)
    where = ("true_peak_after", f"True peak {placed(step.name)}")
    text = _lowered(step.encoder_gain_db)
    if limit is None or peak is None:
        against = FULL_SCALE_DBTP if decided.ceiling_dbtp is None else decided.ceiling_dbtp
        return Finding(*where, "fine", peak, "dBTP", against, text=text, source=FULL_SCALE_SOURCE)
    over_full_scale = limit == FULL_SCALE_DBTP
    worst = worst_overs(found.overs)
    if found.over_count:
        which = ", the highest at" if found.over_count > len(worst) else " at"
        words = overs_words(found).removesuffix("s") if found.over_count == 1 else overs_words(found)
        text = f"{found.over_count} {words}{which} {over_places(worst)}. {text}".rstrip()
    cut = not step.playbacks or any(playback.cuts(peak) for playback in step.playbacks)
    if over_full_scale and step.playbacks:
        text = f"{_what_becomes_of_it(step.playbacks, peak)} {text}".rstrip()
    at = tuple(over.start_s for over in worst)
    if not at and found.true_peak_at_s is not None:
        at = (found.true_peak_at_s,)
    return Finding(
        *where, "fix" if over_full_scale and cut else "look", peak, "dBTP", limit, at, text,
        _advice(step.name, move, decided),
        FULL_SCALE_SOURCE if over_full_scale else decided.ceiling_source,
    )  # fmt: skip


def _what_becomes_of_it(playbacks: Sequence[Playback], peak_dbtp: float) -> str:
    """Whether the destinations' decoders cut a peak above full scale, and why not."""
    cutting = [playback for playback in playbacks if playback.cuts(peak_dbtp)]
    if cutting:
        when = "before" if cutting[0].full_scale == "before_gain" else "after"
        return f"{cutting[0].player} clips it {when} its gain."
    playback = playbacks[0]
    if playback.full_scale == "none":
        return f"{playback.player} does not clip it; other decoders may."
    lowered = f"{playback.player} turns it down {-playback.gain_db:.1f} dB before anything clips"
    return f"{lowered}; other decoders may clip it."


def _lowered(encoder_gain_db: float) -> str:
    """An encoder that turns the music down hides as much of the peaks."""
    if encoder_gain_db > -LOWERED_DB:
        return ""
    return (
        f"This encoder lowers the music by {-encoder_gain_db:.2f} dB at this bit rate; with one that "
        "does not, peaks are that much higher."
    )


def placed(step: str) -> str:
    """`after MP3 at 128 kbit/s`, `in 16 bits`."""
    if step.startswith("in "):
        return f"after conversion to {step.removeprefix('in ').replace('bits', 'bit')}"
    return step if step.startswith("at ") else f"after {step}"


def _advice(step: str, move: Move | None, decided: Decided) -> str:
    proof = None if move is None else dict(move.steps).get(step)
    if move is None or proof is None or move.gain_db >= 0.0:
        return "Turn the output down and check again."
    if proof <= aim_dbtp(decided):
        return (
            f"Turn the output down {-move.gain_db:.1f} dB. Verified: it then peaks at {db_words(proof)} dBTP "
            "at this step."
        )
    limit = db_words(aim_dbtp(decided))
    above = "just above" if db_words(proof) == limit else "above"
    return (
        f"Even turned down {-move.gain_db:.1f} dB it peaks at {db_words(proof)} dBTP at this step, {above} "
        f"{limit}: another codec setting, or less limiting, helps more."
    )

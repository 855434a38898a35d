"""Findings on peaks after conversions and codecs, and how far the output must come down before them.

A step's peak is held against full scale, where decoders may cut, and against the decided ceiling where there
is one; the cure aims at the lower of the two, so that what it promises passes the next check. After an
encoder peaks do not fall dB for dB, so the cure is not computed: the output is lowered, everything is done
again, and the new peak is the proof. Arithmetic: the first try lowers by the excess, each further one by what
is still missing and a little more, in whole tenths of a dB.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulator.common.units import format_time
from simulator.delivery.finding import Decided, Finding, db_words
from simulator.delivery.level_findings import (
    FULL_SCALE_DBTP,
    FULL_SCALE_SOURCE,
    READING_DB,
    overs_words,
    worst_overs,
)
from simulator.metering.measurement import Measurement

MOST_TRIES = 6
MORE_DB = 0.05
LOWERED_DB = 0.1
"""From here on it is told."""
TENTHS = 10.0


@dataclass(frozen=True, slots=True)
class Cure:
    """The output lowered by `lower_db` before the conversions gives `proof_dbtp` after them; `reached`
    says whether that is under the limit."""

    lower_db: float
    proof_dbtp: float
    reached: bool


def missed_limit(found: Measurement, decided: Decided) -> float | None:
    """The level in dBTP that the peak of a step is above; None where it is under all of them."""
    peak = found.true_peak_dbtp
    if peak is None:
        return None
    if peak > FULL_SCALE_DBTP + READING_DB:
        return FULL_SCALE_DBTP
    ceiling = decided.ceiling_dbtp
    return ceiling if ceiling is not None and peak > ceiling + READING_DB else None


def aim_dbtp(decided: Decided) -> float:
    """The level in dBTP that a cure brings the peak under: what no limit misses."""
    ceiling = decided.ceiling_dbtp
    return FULL_SCALE_DBTP if ceiling is None else min(ceiling, FULL_SCALE_DBTP)


def next_lowering_db(tried: Cure | None, peak_dbtp: float, limit_dbtp: float) -> float:
    """By how much to lower the output in the next try; `peak_dbtp` is the peak of the last one."""
    missing = peak_dbtp - limit_dbtp
    down = missing if tried is None else tried.lower_db + missing + MORE_DB
    tenths = round(down * TENTHS)
    return (tenths if tenths >= down * TENTHS - 1e-6 else tenths + 1) / TENTHS


def judged(lower_db: float, peak_dbtp: float | None, limit_dbtp: float) -> Cure:
    """A try and its outcome."""
    peak = -200.0 if peak_dbtp is None else peak_dbtp
    return Cure(lower_db, peak, peak <= limit_dbtp)


def step_finding(
    step: str, found: Measurement, decided: Decided, cure: Cure | None, encoder_gain_db: float = 0.0
) -> Finding:
    """The peak after one step of a delivery, whose encoder changes the level by `encoder_gain_db`."""
    peak, limit = found.true_peak_dbtp, missed_limit(found, decided)
    where = ("true_peak_after", f"True peak {_placed(step)}")
    if limit is None:
        against = FULL_SCALE_DBTP if decided.ceiling_dbtp is None else decided.ceiling_dbtp
        return Finding(*where, "fine", peak, "dBTP", against, text=_lowered(encoder_gain_db),
                       source=FULL_SCALE_SOURCE)  # fmt: skip
    worst = worst_overs(found.overs)
    text = _lowered(encoder_gain_db)
    if found.over_count:
        events = "over" if found.over_count == 1 else "overs"
        places = ", ".join(f"{format_time(over.start_s)} ({over.peak_dbtp:+.2f})" for over in worst)
        which = ", the worst" if found.over_count > len(worst) else ""
        text = f"{found.over_count} {events} {overs_words(found)}{which}: {places}. {text}".rstrip()
    over_full_scale = limit == FULL_SCALE_DBTP
    at = tuple(over.start_s for over in worst)
    if not at and found.true_peak_at_s is not None:
        at = (found.true_peak_at_s,)
    return Finding(
        *where, "fix" if over_full_scale else "look", peak, "dBTP", limit, at, text,
        _advice(cure, aim_dbtp(decided)),
        FULL_SCALE_SOURCE if over_full_scale else decided.ceiling_source,
    )  # fmt: skip


def _lowered(encoder_gain_db: float) -> str:
    """An encoder that turns the music down hides as much of the peaks."""
    if encoder_gain_db > -LOWERED_DB:
        return ""
    return (
        f"This encoder lowers the music by {-encoder_gain_db:.2f} dB at this bit rate; one that does not "
        "gives peaks that are as much higher."
    )


def _placed(step: str) -> str:
    return step if step.startswith(("at ", "in ")) else f"after {step}"


def _advice(cure: Cure | None, limit: float) -> str:
    if cure is None:
        return "Lower the output and check again."
    proof = db_words(cure.proof_dbtp)
    if cure.reached:
        return f"Lower the output by {cure.lower_db:.1f} dB: done so, it peaks at {proof} dBTP here."
    above = "just above" if proof == db_words(limit) else "above"
    return (
        f"Even lowered by {cure.lower_db:.1f} dB it peaks at {proof} dBTP here, {above} {db_words(limit)}: "
        "another codec setting, or less limiting, helps more."
    )

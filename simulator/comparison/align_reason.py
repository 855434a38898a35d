"""Alignments and refusals in words, by rule."""

from __future__ import annotations

from dataclasses import replace

from simulator.common.units import format_time
from simulator.comparison.align_similarity import BORDER, confidence
from simulator.comparison.alignment import Alignment, Edit

_MOST_EDITS = 6
_AGREES = 0.97
"""A lesser share of the common part that fits is said."""


def with_reason(found: Alignment) -> Alignment:
    """The alignment with its sentences."""
    notes = []
    if found.kind == "ambiguous":
        where = ", ".join(f"{place.offset_s:+.3f} s" for place in found.candidates)
        notes.append(f"The music repeats: these offsets fit within 10 %: {where}.")
    else:
        notes.append(f"The same performance (similarity {found.similarity:.2f} of 1).")
    if found.polarity == -1:
        notes.append("The second version is upside down (polarity).")
    if found.channels_swapped:
        notes.append("Left and right are swapped in the second version; they are put right here.")
    if found.drift_ppm:
        notes.append(f"The second version runs {_speed(found.drift_ppm)}.")
    if found.edits:
        said = [_edit(one) for one in found.edits[:_MOST_EDITS]]
        more = len(found.edits) - len(said)
        said += [f"and {more} more"] if more else []
        notes.append(
            f"The second version was edited: {'; '.join(said)}. The two are compared on the parts that fit."
        )
    elif found.agreeing_share is not None and found.agreeing_share < _AGREES:
        share = 100.0 * found.agreeing_share
        notes.append(
            f"Only {share:.0f} % of the common part fits this place: one of the two was edited, or "
            "holds something that the other lacks."
            + ("" if found.fits or found.kind != "aligned" else " Where was not found.")
        )
    return replace(found, reason=" ".join(notes))


def _edit(one: Edit) -> str:
    at, second_at = format_time(one.first_at_s), format_time(one.second_at_s)
    if one.second_seconds == 0.0:
        return f"{_seconds(one.first_seconds)} are missing at {at}"
    if one.first_seconds == 0.0:
        return f"{_seconds(one.second_seconds)} are inserted at {at} (its own {second_at})"
    return (
        f"{_seconds(one.first_seconds)} at {at} have no counterpart there "
        f"(it holds {_seconds(one.second_seconds)} of something else)"
    )


def _seconds(value: float) -> str:
    return f"{value:.1f} s" if value >= 0.1 else f"{1000.0 * value:.0f} ms"


def _speed(drift_ppm: float) -> str:
    word = "slower" if drift_ppm > 0.0 else "faster"
    return f"{abs(drift_ppm):.2f} millionths {word} ({abs(drift_ppm) * 0.06:.2f} ms a minute)"


def refusal(shape: tuple[int, int, int, int], value: float | None) -> Alignment:
    """Not the same performance; `value` is the similarity at the best place, None where there is none."""
    if value is None:
        return without_place(shape, None, "No place with enough in common to be judged was found.")
    sure = 100.0 * confidence(value)
    return without_place(
        shape,
        value,
        f"Not the same performance: at the best place the similarity is {value:.2f} of 1, below {BORDER} "
        f"(confidence {sure:.0f} %).",
    )


def without_place(shape: tuple[int, int, int, int], value: float | None, reason: str) -> Alignment:
    """An alignment without a place. `shape`: both rates, both lengths in frames; `value`: the similarity at
    the best place, None where nothing could be judged."""
    return Alignment(
        kind="different",
        first_rate=shape[0],
        second_rate=shape[1],
        first_frames=shape[2],
        second_frames=shape[3],
        offset_frames=None,
        polarity=None,
        gain_db=None,
        drift_ppm=None,
        snapped=False,
        null_db=None,
        similarity=value or 0.0,
        second_best=None,
        confidence=confidence(value) if value is not None else 0.5,
        candidates=(),
        delay_by_band=(),
        reason=reason,
    )

"""Excerpt of a track: the passage that represents it, and how it is cut out.

The loudest passage of a given length has the greatest mean K-weighted energy (BS.1770-5 without gates), in
steps of 100 ms. Versions of one song are cut at the same passage, chosen once. Cuts have raised-cosine edges
of 5 ms (ITU-R BS.1534-3, section 5.3, as for all looped or switched content).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import format_time, seconds_to_frames
from simulator.dsp.fades import fade_frames, rise
from simulator.metering.dynamics import quiet_window
from simulator.metering.gating import STEPS_SHORT_TERM, running_mean, short_term_energies

STEPS_PER_SECOND = 10
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Passage:
    """Start and length of a passage, and why it was chosen."""

    start_s: float
    seconds: float
    reason: str

    def frames(self, sample_rate: int) -> tuple[int, int]:
        """First frame and the frame after the last."""
        start = seconds_to_frames(self.start_s, sample_rate)
        return start, start + seconds_to_frames(self.seconds, sample_rate)


def loudest(energy: NDArray[np.float64], seconds: float, duration_s: float) -> Passage:
    """The loudest `seconds` (the first of equals); all of a track that is no longer than that."""
    if duration_s <= seconds:
        return Passage(0.0, duration_s, "the whole track")
    if not energy.any():
        return Passage(0.0, seconds, "silent throughout: its start")
    steps = min(max(1, round(seconds * STEPS_PER_SECOND)), energy.shape[0])
    start = float(np.argmax(running_mean(energy, steps))) / STEPS_PER_SECOND
    start = min(start, duration_s - seconds)
    return Passage(start, seconds, f"its loudest {seconds:g} s, from {format_time(start)}")


def quietest_middle_s(energy: NDArray[np.float64]) -> float | None:
    """The middle (s) of the quietest passage of 3 s; None without one."""
    window = quiet_window(energy)
    return None if window is None else (window + STEPS_SHORT_TERM / 2) / STEPS_PER_SECOND


def biggest_change(energy: NDArray[np.float64]) -> tuple[float, bool] | None:
    """The moment (s) of the biggest rise from the 3 s before to the 3 s after, and True; where nothing rises,
    of the biggest fall, and False. Neither window may be below the quietest passage, so a start from silence
    or a fade-out does not count. None without such a pair."""
    windows = short_term_energies(energy)
    quiet = quiet_window(energy)
    if windows.shape[0] <= STEPS_SHORT_TERM or quiet is None:
        return None
    before, after = windows[:-STEPS_SHORT_TERM], windows[STEPS_SHORT_TERM:]
    sounding = np.minimum(before, after) >= windows[quiet] * (1.0 - _ROUNDING)
    if not sounding.any():
        return None
    growth = np.where(sounding, after, 1.0) / np.where(sounding, before, 1.0)
    grows = bool(growth.max() > 1.0)
    at = int(np.argmax(growth if grows else np.where(sounding, 1.0 / growth, 0.0)))
    return (at + STEPS_SHORT_TERM) / STEPS_PER_SECOND, grows


def places(tracks: Sequence[tuple[str | None, NDArray[np.float64], float]], seconds: float) -> list[Passage]:
    """A passage for each track (song, energy every 100 ms, length in seconds). Versions of one song are all
    cut where the first of them is loudest, except one that has ended by then."""
    chosen: dict[str, Passage] = {}
    passages = []
    for song, energy, duration_s in tracks:
        own = loudest(energy, seconds, duration_s)
        shared = own if song is None else chosen.setdefault(song, own)
        if shared is own:
            passages.append(own)
        elif shared.start_s + shared.seconds <= duration_s:
            where = format_time(shared.start_s)
            reason = f"the same passage as in the first version of the song, from {where}"
            passages.append(replace(shared, reason=reason))
        else:
            reason = f"{own.reason}; the first version's passage is past the end of this one"
            passages.append(replace(own, reason=reason))
    return passages


class PassageRecorder:
    """Keeps the frames of one passage of a stream."""

    def __init__(self, frames: tuple[int, int]) -> None:
        self._first, self.end = frames
        self._kept: list[NDArray[np.float32]] = []

    def see(self, block: NDArray[np.float32], position: int) -> None:
        """Takes the block (frames, channels) that starts at frame `position`."""
        part = block[max(self._first - position, 0) : max(self.end - position, 0)]
        if part.shape[0]:
            self._kept.append(part.copy())

    def watch(self, blocks: Iterable[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
        """The stream itself, recorded as it passes."""
        position = 0
        for block in blocks:
            self.see(block, position)
            position += block.shape[0]
            yield block

    def samples(self, channels: int) -> NDArray[np.float32]:
        """The passage (frames, channels)."""
        return np.concatenate(self._kept) if self._kept else np.zeros((0, channels), np.float32)


def with_edges(samples: NDArray[np.float32], sample_rate: int) -> NDArray[np.float32]:
    """An excerpt (frames, channels) with 5 ms faded in and out."""
    length = min(fade_frames(sample_rate), samples.shape[0] // 2)
    out = samples.copy()
    if length:
        out[:length] *= rise(length)
        out[-length:] *= rise(length)[::-1]
    return out

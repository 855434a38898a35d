"""Clips of the page, and the gain of each in each listening state.

A passage is stored once where the player's chain is nothing but a gain: the louder of delivered and
played, which the page turns down for the other. Where a codec, a limiter or a converter acts, both are.
*Matched* turns each passage down, from as played, to the quietest version among the masters (BS.1770-5
of the passage); a reference that is quieter still is left as it is. A mono passage is measured on both
loudspeakers, as it is heard. Samples are float32 (frames, channels); gains in dB.

Samples of a passage as the page carries them: one or two channels, 16 bits, with dither.

Conventions: float32 (frames, channels) in, int16 (frames, 1 or 2) out. Three and more channels are
folded before (common/channels). What is above full scale is stored turned down, and `gain_db` says by how
much it is turned up again on playing, so that nothing is clipped in storing. With the dither of
`dsp/conversion` the error stays within 1.5 steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import folded
from simulator.common.units import db_to_gain
from simulator.dsp.conversion import dithered
from simulator.metering.meter import measure_array

BITS = 16
STEP = 2.0 ** (1 - BITS)
"""One step of 16 bits, as a share of full scale."""
_FULL = 2.0 ** (BITS - 1)
_ROOM = 1.0 - 3.0 * STEP
"""What a sample may reach: full scale less the positive end of two's complement and the dither."""


@dataclass(frozen=True, slots=True)
class Stored:
    """Samples as stored; played with `gain_db` they are what was given, within 1.5 steps times it."""

    samples: NDArray[np.int16]
    gain_db: float

    def restored(self) -> NDArray[np.float64]:
        """What a page plays, (frames, channels)."""
        return self.samples.astype(np.float64) * (db_to_gain(self.gain_db) / _FULL)


def stored(samples: NDArray[np.float32], seed: int, room: float = _ROOM) -> Stored:
    """16 bits with dither from `seed`; turned down first where a sample is above `room`."""
    peak = float(np.abs(samples).max()) if samples.size else 0.0
    gain_db = 20.0 * math.log10(peak / room) if peak > room else 0.0
    scaled = samples.astype(np.float64) / db_to_gain(gain_db)
    return Stored(dithered(scaled, BITS, np.random.default_rng(seed)).astype(np.int16), gain_db)


Audio = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Cut:
    """One passage of one track, from the file and from the chain's whole output, at one rate. `plain` says
    that the chain does nothing but its gain."""

    track: int
    rate: int
    delivered: Audio
    played: Audio
    gain_db: float
    plain: bool = True


@dataclass(frozen=True, slots=True)
class Clip:
    """A sound in the page, under a name that tells nothing."""

    name: str
    rate: int
    stored: Stored

    @property
    def seconds(self) -> float:
        return int(self.stored.samples.shape[0]) / self.rate


@dataclass(frozen=True, slots=True)
class PassageSound:
    """How one passage sounds in each state: the clip, and the gain on top of what is stored."""

    track: int
    delivered: tuple[Clip, float]
    played: tuple[Clip, float]
    matched_db: float
    """The turn-down of `matched` against `played`."""
    played_lufs: float | None


def level_lufs(samples: Audio, rate: int) -> float | None:
    """Loudness of a passage as heard: one channel sounds from both loudspeakers."""
    heard = np.repeat(samples, 2, axis=1) if samples.shape[1] == 1 else samples
    return measure_array(np.ascontiguousarray(heard, dtype=np.float32), rate).integrated_lufs


def sounds(
    cuts: Sequence[Cut], masters: Sequence[int], names: Sequence[str], seed: int
) -> list[PassageSound]:
    """The sounds of one kind of passage over all tracks. `masters` are the tracks that `matched` is
    measured against (all, where none of them is cut); `names` are two free names a cut."""
    levels = [level_lufs(folded(cut.played), cut.rate) for cut in cuts]
    known = [
        level for level, cut in zip(levels, cuts, strict=True) if level is not None and cut.track in masters
    ]
    known = known or [level for level in levels if level is not None]
    lowest = min(known) if known else None
    made = []
    for number, (cut, level) in enumerate(zip(cuts, levels, strict=True)):
        matched = 0.0 if level is None or lowest is None else min(0.0, lowest - level)
        own = (names[2 * number], names[2 * number + 1])
        made.append(_sound(cut, own, matched, level, seed + 2 * number))
    return made


def _sound(
    cut: Cut, names: tuple[str, str], matched_db: float, level: float | None, seed: int
) -> PassageSound:
    gain_db = cut.gain_db
    if not cut.plain:
        file = Clip(names[0], cut.rate, stored(carried(cut.delivered), seed))
        play = Clip(names[1], cut.rate, stored(carried(cut.played), seed + 1))
        return PassageSound(cut.track, _as_it_is(file), _as_it_is(play), matched_db, level)
    if gain_db <= 0.0:
        clip = Clip(names[0], cut.rate, stored(carried(cut.delivered), seed))
        return PassageSound(
            cut.track, _as_it_is(clip), (clip, clip.stored.gain_db + gain_db), matched_db, level
        )
    clip = Clip(names[0], cut.rate, stored(carried(cut.played), seed))
    return PassageSound(cut.track, (clip, clip.stored.gain_db - gain_db), _as_it_is(clip), matched_db, level)


def carried(samples: Audio) -> Audio:
    """Samples as the page carries them: one channel where both are the same."""
    two = folded(samples)
    return two[:, :1] if two.shape[1] == 2 and np.array_equal(two[:, 0], two[:, 1]) else two


def _as_it_is(clip: Clip) -> tuple[Clip, float]:
    return clip, clip.stored.gain_db


@dataclass(frozen=True, slots=True)
class VoteSound:
    """The versions of a vote, in the order of the ballot's versions, and by how much their loudness on
    the passage differs as stored (measured again on the 16-bit samples)."""

    clips: tuple[Clip, ...]
    difference_lu: float


def vote_sounds(played: Sequence[Audio], rate: int, names: Sequence[str], seed: int) -> VoteSound:
    """The versions of a vote: one length, each turned down to the quietest, one scale for all, stored each
    by itself with the gain worked in. Raises ValueError where a version is silent there, since silence
    cannot be matched."""
    frames = min(one.shape[0] for one in played)
    heard = [carried(one[:frames]) for one in played]
    if max(one.shape[1] for one in heard) > 1:  # the number of channels must not tell one from another
        heard = [np.repeat(one, 2, axis=1) if one.shape[1] == 1 else one for one in heard]
    levels = [level_lufs(one, rate) for one in heard]
    if any(level is None for level in levels):
        raise ValueError("a version is silent on this passage, so the levels cannot be matched")
    lowest = min(level for level in levels if level is not None)
    turned = [
        (one * np.float32(db_to_gain(lowest - level)))
        for one, level in zip(heard, levels, strict=True)
        if level is not None
    ]
    peak = max(float(np.abs(one).max()) for one in turned)
    scale = np.float32(min(1.0, 0.999 / peak))  # a raise without protection may pass full scale
    clips = tuple(
        Clip(name, rate, stored(one * scale, seed + number))
        for number, (one, name) in enumerate(zip(turned, names, strict=True))
    )
    after = [level_lufs(clip.stored.restored().astype(np.float32), rate) for clip in clips]
    measured = [level for level in after if level is not None]
    return VoteSound(clips, max(measured) - min(measured))

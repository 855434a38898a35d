"""Clips of the page, their channels and word length, and the gain of each in each listening state.

A passage is stored once where the player's chain is nothing but a gain: the louder of delivered and played,
which the page turns down for the other. Where a codec, a limiter or a converter acts, both are. *Matched*
turns each passage down, from as played, to the quietest version among the masters (BS.1770-5 of the
passage); a reference that is quieter still is left as it is. A mono passage is measured on both
loudspeakers, as it is heard.

Samples come as float32 (frames, channels). Three and more channels are folded down (common/channels), two
that are the same are stored as one. A clip holds int16 (frames, 1 or 2) with the dither of `dsp/conversion`,
within 1.5 steps; what is above full scale is stored turned down, and `gain_db` turns it up again on playing.
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

Audio = NDArray[np.float32]
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
    measured = [(cut.track in masters, level) for cut, level in zip(cuts, levels, strict=True)]
    of_masters = [level for master, level in measured if master and level is not None]
    lowest = min(of_masters or [level for level in levels if level is not None], default=0.0)
    made = []
    for number, (cut, level) in enumerate(zip(cuts, levels, strict=True)):
        matched = 0.0 if level is None else min(0.0, lowest - level)
        made.append(_sound(cut, names[2 * number : 2 * number + 2], matched, level, seed + 2 * number))
    return made


def _sound(cut: Cut, names: Sequence[str], matched_db: float, level: float | None, seed: int) -> PassageSound:
    if cut.plain:
        louder = cut.played if cut.gain_db > 0.0 else cut.delivered
        file = play = Clip(names[0], cut.rate, stored(carried(louder), seed))
        file_db, play_db = -max(cut.gain_db, 0.0), min(cut.gain_db, 0.0)
    else:
        file = Clip(names[0], cut.rate, stored(carried(cut.delivered), seed))
        play = Clip(names[1], cut.rate, stored(carried(cut.played), seed + 1))
        file_db = play_db = 0.0
    return PassageSound(
        cut.track,
        (file, file.stored.gain_db + file_db),
        (play, play.stored.gain_db + play_db),
        matched_db,
        level,
    )


def carried(samples: Audio) -> Audio:
    """Samples as the page carries them: one channel where both are the same."""
    two = folded(samples)
    return two[:, :1] if two.shape[1] == 2 and np.array_equal(two[:, 0], two[:, 1]) else two


@dataclass(frozen=True, slots=True)
class VoteSound:
    """The versions of a vote, in the order of the ballot's versions, and by how much their loudness on
    the passage differs as stored (measured again on the 16-bit samples)."""

    clips: tuple[Clip, ...]
    difference_lu: float


def vote_sounds(played: Sequence[Audio], rate: int, names: Sequence[str], seed: int) -> VoteSound:
    """The versions of a vote: one length, each turned down to the quietest, one scale for all, each
    stored separately with the gain applied. Raises ValueError where a version is silent there: silence cannot
    be matched."""
    frames = min(version.shape[0] for version in played)
    heard = [carried(version[:frames]) for version in played]
    if max(version.shape[1] for version in heard) > 1:  # the channels must not tell one from another
        heard = [np.repeat(version, 2, axis=1) if version.shape[1] == 1 else version for version in heard]
    levels = [level for version in heard if (level := level_lufs(version, rate)) is not None]
    if len(levels) < len(heard):
        raise ValueError("a version is silent on this passage, so the levels cannot be matched")
    turned = [
        version * np.float32(db_to_gain(min(levels) - level))
        for version, level in zip(heard, levels, strict=True)
    ]
    peak = max(float(np.abs(version).max()) for version in turned)
    scale = np.float32(min(1.0, 0.999 / peak))  # a raise without protection may pass full scale
    clips = tuple(
        Clip(name, rate, stored(version * scale, seed + number))
        for number, (version, name) in enumerate(zip(turned, names, strict=True))
    )
    after = [level_lufs(clip.stored.restored().astype(np.float32), rate) for clip in clips]
    measured = [level for level in after if level is not None]
    return VoteSound(clips, max(measured) - min(measured))

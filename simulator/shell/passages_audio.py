"""Where do the page's passages come from? Cut from the file and from the player's whole output.

Each file is read once, through the one chain, as far as its last passage; so a limiter is in the state
that it would be in there. Rates above 48 kHz are halved or quartered for the page. The sounds are then
written as FLAC, 16 bits, into memory.
"""

from __future__ import annotations

import io
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.player.chain import ChainSettings, play
from simulator.player.limiter import LimiterReport
from simulator.player.passage import Passage
from simulator.report.page_clips import Clip
from simulator.shell.files import AudioReader

HIGHEST_RATE = 48_000
Audio = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CutJob:
    """One file, its chain, and the passages wanted of it."""

    path: str
    chain: ChainSettings
    passages: tuple[Passage, ...]


@dataclass(frozen=True, slots=True)
class Cuts:
    """The passages in the order wanted, as delivered and as played, at one rate."""

    rate: int
    delivered: tuple[Audio, ...]
    played: tuple[Audio, ...]


def cut(job: CutJob) -> Cuts:
    """Reads one file. Raises AudioError."""
    with AudioReader(job.path, hashed=False) as reader:
        rate, channels = reader.info.sample_rate, reader.info.channels
        windows = [passage.frames(rate) for passage in job.passages]
        files, plays = [_Window(one) for one in windows], [_Window(one) for one in windows]
        stream = _watched(play(_watched(reader, files), rate, channels, job.chain, LimiterReport()), plays)
        end, position = max(last for _, last in windows), 0
        for block in stream:
            position += block.shape[0]
            if position >= end:
                break
        stream.close()
    target = page_rate(rate)
    return Cuts(
        target,
        tuple(converted(one.samples(channels), rate, target) for one in files),
        tuple(converted(one.samples(channels), rate, target) for one in plays),
    )


def page_rate(rate: int) -> int:
    """The rate in the page: at most 48 kHz, a whole part of the file's where there is one."""
    if rate <= HIGHEST_RATE:
        return rate
    whole = next(
        (rate // part for part in (2, 3, 4) if rate % part == 0 and rate // part <= HIGHEST_RATE), None
    )
    return whole or HIGHEST_RATE


def converted(samples: Audio, rate: int, target: int) -> Audio:
    """At another rate; the same array where it has that rate already."""
    if rate == target:
        return samples
    import soxr

    return np.asarray(soxr.resample(samples, rate, target, quality="VHQ"), dtype=np.float32)


def flac(clip: Clip) -> bytes:
    """One clip as a FLAC file of 16 bits, without tags."""
    import soundfile

    memory = io.BytesIO()
    soundfile.write(memory, clip.stored.samples, clip.rate, format="FLAC", subtype="PCM_16")
    return memory.getvalue()


class _Window:
    """Keeps the frames of one passage from a stream that passes by."""

    def __init__(self, frames: tuple[int, int]) -> None:
        self._first, self._end = frames
        self._kept: list[Audio] = []

    def see(self, block: Audio, position: int) -> None:
        part = block[max(self._first - position, 0) : max(self._end - position, 0)]
        if part.shape[0]:
            self._kept.append(part.copy())

    def samples(self, channels: int) -> Audio:
        return np.concatenate(self._kept) if self._kept else np.zeros((0, channels), np.float32)


def _watched(blocks: Iterable[Audio], windows: Sequence[_Window]) -> Generator[Audio, None, None]:
    position = 0
    for block in blocks:
        for window in windows:
            window.see(block, position)
        position += block.shape[0]
        yield block

"""Lanes of a delivery in files: the master, its decode, and the residual of the codec.

All three have the delivered rate and the same frames, in place, so that a switch between them or a sum stays
exact: difference = decoded − master (converted to that rate, before word length and codec). Written
as float32, so that overs stay. Meant for a worker process: a job is small and picklable.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioReader
from simulator.audio_files.writer import write_audio
from simulator.codecs.deliver import Delivering
from simulator.dsp.resample import resample
from simulator.normalizer.profile import Delivery

Lane = Literal["master", "decoded", "difference"]
Block = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class LaneJob:
    """One lane of one file. `content` and `keep_in` as in `Delivering`."""

    path: str
    delivery: Delivery
    lane: Lane
    target: str
    force: bool = False
    content: str = ""
    keep_in: Path | None = None


def write_lane(job: LaneJob) -> int:
    """Writes the lane as a float32 WAV; its sample rate. Raises AudioError, WriteError."""
    with AudioReader(job.path, hashed=not job.content) as reader:
        info = reader.info
        trip = Delivering(
            info.sample_rate,
            info.channels,
            job.delivery,
            content=lambda: job.content or reader.content,
            keep_in=job.keep_in,
            name=job.path,
        )
        rate = trip.sample_rate
        stream: Iterable[Block]
        if job.lane == "master":
            stream = resample(reader, info.channels, info.sample_rate, rate)
        elif job.lane == "decoded":
            stream = trip(reader)
        else:
            with AudioReader(job.path, hashed=False) as again:
                master = resample(again, info.channels, info.sample_rate, rate)
                stream = difference(master, trip(reader), info.channels)
                _write(job, stream, rate, info.channels, info.frames)
                return rate
        _write(job, stream, rate, info.channels, info.frames)
    return rate


def difference(master: Iterable[Block], decoded: Iterable[Block], channels: int) -> Iterator[Block]:
    """decoded − master, block by block; both have the same frames in blocks of any sizes."""
    held = np.zeros((0, channels), dtype=np.float32)
    source = iter(master)
    for block in decoded:
        while held.shape[0] < block.shape[0]:
            piece = next(source, None)
            if piece is None:
                break
            held = np.concatenate([held, piece])
        yield block[: held.shape[0]] - held[: block.shape[0]]
        held = held[block.shape[0] :]


def _write(job: LaneJob, stream: Iterable[Block], rate: int, channels: int, frames: int) -> None:
    target = Path(os.fspath(job.target))
    write_audio(target, stream, rate, channels, "float32", job.force, False, frames)

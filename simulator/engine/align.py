"""Alignment and difference of two files: reading, cache and scratch around the comparison.

Both files are decoded whole, at the same time: into memory, or for long ones into scratch files that go with
the work. Lossy files are compared in a spawned process, since their decoder may crash.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import IO

import numpy as np
from numpy.typing import NDArray

from simulator.audibility import audibility as audibility_form
from simulator.audibility.audibility import Audibility
from simulator.audibility.noise_to_mask import AudibilityMeter
from simulator.audio_files.reader import AudioReader, read_info
from simulator.common.errors import AudioError, SimulatorError, UsageError
from simulator.common.text import visible
from simulator.common.units import format_time
from simulator.comparison import alignment as alignment_form
from simulator.comparison import difference as difference_model
from simulator.comparison.align import AlignedPair, align_and_move, lay_over
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import (
    Difference,
    Matched,
    Part,
    difference_blocks,
    measure_difference,
)
from simulator.engine import workers
from simulator.engine.measure import LOG
from simulator.storage.measurement_cache import Store

IN_MEMORY_BYTES = 128 * 1024 * 1024
"""A larger decode goes to a scratch file: six minutes of stereo at 44.1 kHz."""
_ALIGNMENT = f"alignment {alignment_form.METHOD}"
_DIFFERENCE = f"difference {difference_model.METHOD}; {_ALIGNMENT}"
_AUDIBILITY = f"audibility {audibility_form.METHOD}; {_DIFFERENCE}"

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class _Job:
    """Two paths, and whether the difference is wanted; `known` is their alignment from the cache."""

    first: str
    second: str
    difference: bool
    known: Alignment | None = None


@dataclass(frozen=True, slots=True)
class _Found:
    alignment: Alignment
    difference: Difference | None
    audibility: Audibility | None
    contents: tuple[str, str]


def known_alignment(first: str, second: str, store: Store) -> Alignment | None:
    """`alignment_of` from the cache; None where it is not there."""
    return _cached(first, second, store)[0]


def alignment_of(first: str, second: str, store: Store) -> Alignment:
    """Alignment of the second file with the first. Raises AudioError that begins with the path."""
    known = _cached(first, second, store)[0]
    return known if known is not None else _run(_Job(first, second, False), store).alignment


def compare_files(
    first: str, second: str, store: Store
) -> tuple[Alignment, Difference | None, Audibility | None]:
    """Alignment, difference, and where that is likely to be heard, the first file being the open version;
    None where the two are different performances. Raises AudioError that begins with the path."""
    known, difference, audibility = _cached(first, second, store)
    if known is not None and (None not in (difference, audibility) or not known.has_place):
        LOG.info("%s", visible(f"{second}: compared with {first}, from the cache"))
        return known, difference, audibility
    begun = time.monotonic()
    found = _run(_Job(first, second, True, known), store)
    LOG.info("%s", visible(f"{second}: compared with {first} in {time.monotonic() - begun:.2f} s"))
    return found.alignment, found.difference, found.audibility


def audibility_of(first: str, second: str, store: Store) -> Audibility | str:
    """Where the second file is likely to be heard to differ from the first, the open version; a text where
    that cannot be said. Raises AudioError that begins with the path."""
    alignment, _, audibility = compare_files(first, second, store)
    return alignment.reason if audibility is None else audibility


def known_audibility(first: str, second: str, store: Store) -> Audibility | str | None:
    """`audibility_of` from the cache; None where it is not there."""
    alignment, _, audibility = _cached(first, second, store)
    return alignment.reason if alignment is not None and not alignment.has_place else audibility


@dataclass(frozen=True, slots=True)
class DifferenceAudio:
    """The difference as samples: blocks float32 (frames, channels) in the first file's time."""

    alignment: Alignment
    difference: Difference
    sample_rate: int
    channels: int
    frames: int
    blocks: Iterator[Samples]


@contextlib.contextmanager
def difference_audio(
    first: str, second: str, store: Store, part: Part = "residual"
) -> Iterator[DifferenceAudio]:
    """The difference of two files, open for as long as the context is. Raises AudioError that begins with
    the path, and UsageError where the two are different performances."""
    known = alignment_of(first, second, store)
    if not known.has_place or (known.kind == "aligned" and not known.fits):
        raise UsageError(f"{second}: nothing to compare with {first}. {known.reason}")
    with contextlib.ExitStack() as held:
        ours, theirs = _read_both(first, second, held)
        matched = _matched(ours, theirs, known, held)
        yield DifferenceAudio(
            known,
            matched.difference,
            ours.rate,
            matched.pair.open_samples.shape[1],
            matched.pair.open_samples.shape[0],
            difference_blocks(matched, part),
        )


def _cached(
    first: str, second: str, store: Store
) -> tuple[Alignment | None, Difference | None, Audibility | None]:
    ours, theirs = store.content_of(first), store.content_of(second)
    if ours is None or theirs is None:
        return None, None, None
    return (
        store.find_pair(ours, theirs, _ALIGNMENT, Alignment),
        store.find_pair(ours, theirs, _DIFFERENCE, Difference),
        store.find_pair(ours, theirs, _AUDIBILITY, Audibility),
    )


def _run(job: _Job, store: Store) -> _Found:
    lossy = any(read_info(path).lossy for path in (job.first, job.second))
    count = workers.workers_for(lossy)
    if not count:
        workers.one_blas_thread()
    results = workers.run(_do, [job], count, lambda one: f"{one.first} or {one.second}")
    found = next(iter(results))[1]
    results.close()
    if isinstance(found, SimulatorError):
        raise found
    for path, content in zip((job.first, job.second), found.contents, strict=True):
        store.keep_content(path, content)
    store.keep_pair(*found.contents, _ALIGNMENT, found.alignment)
    if found.difference is not None:
        store.keep_pair(*found.contents, _DIFFERENCE, found.difference)
    if found.audibility is not None:
        store.keep_pair(*found.contents, _AUDIBILITY, found.audibility)
    return found


def _do(job: _Job) -> _Found:
    with contextlib.ExitStack() as held:
        ours, theirs = _read_both(job.first, job.second, held)
        contents = (ours.content, theirs.content)
        if job.known is not None and job.known.has_place:
            matched = _matched(ours, theirs, job.known, held)
            return _Found(job.known, matched.difference, _heard(matched), contents)
        try:
            aligned = align_and_move(ours.samples, ours.rate, theirs.samples, theirs.rate, _Scratch(held).new)
        except ValueError as problem:
            raise AudioError(
                f"{job.second} cannot be aligned with {job.first}: {problem}.",
                "Versions of a song need the same number of channels; mono can be compared with stereo.",
            ) from None
        if not job.difference or not aligned.alignment.has_place:
            return _Found(aligned.alignment, None, None, contents)
        matched = _measured(ours.samples, aligned)
        return _Found(aligned.alignment, matched.difference, _heard(matched), contents)


def _matched(ours: _Whole, theirs: _Whole, known: Alignment, held: contextlib.ExitStack) -> Matched:
    channels = max(ours.samples.shape[1], theirs.samples.shape[1])
    laid = lay_over(theirs.samples, channels, known, _Scratch(held).new)
    return _measured(ours.samples, laid)


def _measured(samples: Samples, aligned: AlignedPair) -> Matched:
    with ThreadPoolExecutor(min(2, workers.default_workers())) as pool:
        return measure_difference(samples, aligned, pool.map)


def _heard(matched: Matched) -> Audibility:
    """Where the difference is likely to be heard, apart from one of tonal balance."""
    pair, found = matched.pair, matched.difference
    octaves = found.third_octaves if found.tonal_balance_differs else ()
    balance = [(band.centre_hz, band.difference_db) for band in octaves if band.difference_db is not None]
    with ThreadPoolExecutor(min(2, workers.default_workers())) as pool:
        meter = AudibilityMeter(
            pair.sample_rate,
            pair.open_samples.shape[1],
            balance=balance,
            start_s=pair.start / pair.sample_rate,
            each=pool.map,
        )
        for _, ours, theirs in pair.blocks():
            meter.push(ours.T, theirs.T)
        return meter.finish()


@dataclass(frozen=True, slots=True)
class _Whole:
    """A file decoded whole."""

    samples: Samples
    rate: int
    content: str


class _Scratch:
    """Arrays in memory, or in a scratch file that goes with the work."""

    def __init__(self, held: contextlib.ExitStack) -> None:
        self._held = held

    def new(self, frames: int, channels: int) -> Samples:
        if frames * channels * 4 <= IN_MEMORY_BYTES:
            return np.empty((frames, channels), dtype=np.float32)
        file: IO[bytes] = tempfile.TemporaryFile(prefix="fairhearing-")  # noqa: SIM115 - closed by the stack
        self._held.callback(file.close)
        return np.memmap(file, dtype=np.float32, mode="w+", shape=(frames, channels))


def _read_both(first: str, second: str, held: contextlib.ExitStack) -> tuple[_Whole, _Whole]:
    scratch = _Scratch(held)
    with ThreadPoolExecutor(2) as pool:
        both = [pool.submit(_read, path, scratch) for path in (first, second)]
        return both[0].result(), both[1].result()


def _read(path: str, scratch: _Scratch) -> _Whole:
    with AudioReader(path) as reader:
        rate, channels = reader.info.sample_rate, reader.info.channels
        samples = scratch.new(max(reader.info.frames, rate), channels)
        filled = 0
        for block in reader:
            if not np.isfinite(np.vdot(block, block)) and not np.isfinite(block).all():
                first = int(np.argmin(np.isfinite(block).all(axis=1)))
                at = format_time((filled + first) / rate)
                raise AudioError(
                    f"{path}: the sample at {at} is not a finite number.", "Export the file again."
                )
            if filled + block.shape[0] > samples.shape[0]:  # an MP3's header only estimates the length
                longer = scratch.new(2 * samples.shape[0] + block.shape[0], channels)
                longer[:filled] = samples[:filled]
                samples = longer
            samples[filled : filled + block.shape[0]] = block
            filled += block.shape[0]
        return _Whole(samples[:filled], rate, reader.content)

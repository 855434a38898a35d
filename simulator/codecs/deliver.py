"""Delivery to the listener: sample rate, word length, encoder and decoder, as a function for the chain.

    master ─[output gain]─▶ rate ─▶ word length ─▶ encoder ─▶ file ─▶ decoder ─▶ blocks

The output has the frames of the converted master, in place, at `Delivering.sample_rate`. Word length is
rounded with the dither of `dsp/conversion` and clipped at full scale; 16- and 24-bit values stay exact in
float32. The same input gives the same samples whatever the block size. Blocks are float32 (frames, channels),
delays are in frames.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import stat
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from simulator.codecs import codec
from simulator.common.errors import AudioError, WriteError
from simulator.common.units import db_to_gain
from simulator.dsp.conversion import dithered, resample
from simulator.dsp.segments import recut
from simulator.normalizer.codec_records import CODEC_NAMES, CODECS
from simulator.normalizer.profile import Delivery
from simulator.storage.folders import temporary_folder
from simulator.storage.writing import whole_file

Block = NDArray[np.float32]

SEED = 16


def convert_word_length(blocks: Iterable[Block], bits: int, channels: int) -> Iterator[Block]:
    """The stream in steps of an integer word of `bits` (at most 24), with dither."""
    random = np.random.default_rng(SEED)
    full = 2.0 ** (bits - 1)
    for block in recut(blocks, channels):
        yield (dithered(block, bits, random) / full).astype(np.float32)


Watch = Callable[[Iterable[Block]], Iterable[Block]]


def delivered_rate(sample_rate: int, delivery: Delivery) -> int:
    """The rate at which the listener's decoder gives a master of that rate."""
    return codec.codec_rate(delivery.codec, delivery.sample_rate or sample_rate)


def delivery_steps(delivery: Delivery, sample_rate: int) -> list[tuple[str, Delivery]]:
    """The delivery of a master of that rate, cut after each of its steps: (name, delivery so far)."""
    named = []
    rate = delivered_rate(sample_rate, delivery)
    # a rate that the codec forces is the delivery's too: one of these two, wherever it is another
    to_rate: Literal[44100, 48000] = 44100 if rate == 44100 else 48000
    so_far = Delivery(sample_rate=None if rate == sample_rate else to_rate)
    if rate != sample_rate:
        named.append((f"at {rate / 1000:g} kHz", so_far))
    if delivery.bits is not None:
        so_far = structs.replace(so_far, bits=delivery.bits)
        where = "" if rate == sample_rate else f" at {rate / 1000:g} kHz"
        named.append((f"in {delivery.bits} bits{where}", so_far))
    if delivery.codec != "none":
        named.append((codec_name(delivery), delivery))
    return named


def codec_name(delivery: Delivery) -> str:
    """`MP3 at 192 kbit/s`."""
    return f"{CODEC_NAMES[delivery.codec]} at {delivery.bit_rate_kbps:g} kbit/s"


@dataclass(slots=True)
class Delivering:
    """One master's delivery, to be called once with its blocks. `content` gives the content hash of the
    master once it is known, else ""; `before_db` is a gain on the master before everything; `watch` sees
    the master at the delivered rate pass by; `keep_in` is the cache's folder; `name` (the master's path)
    begins the messages of its errors; `from_cache` is true once an encoded file was found there."""

    master_rate: int
    channels: int
    delivery: Delivery
    content: Callable[[], str] = str
    before_db: float = 0.0
    watch: Watch | None = None
    keep_in: Path | None = None
    name: str = ""
    from_cache: bool = field(default=False, init=False)

    @property
    def sample_rate(self) -> int:
        return delivered_rate(self.master_rate, self.delivery)

    def __call__(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """The decoded blocks. Raises AudioError for what the codec cannot do."""
        try:
            yield from self._delivered(blocks)
        except AudioError as problem:
            if self.name and not problem.message.startswith(self.name):
                problem.message = f"{self.name}: {problem.message}"
            raise

    def _delivered(self, blocks: Iterable[Block]) -> Iterator[Block]:
        if self.delivery.codec == "none":
            yield from self._converted(blocks)
            return
        known = None if self.watch is not None else self._find()
        self.from_cache = known is not None
        if known is not None:
            begun = False
            try:
                for block in codec.decode(*known):
                    begun = True
                    yield block
                return
            except AudioError:  # taken away by another run in between: the master itself is not the matter
                if begun:
                    raise
                drop_encoded(known[0])
                self.from_cache = False
        with temporary_folder() as folder:
            path = folder / f"encoded.{CODECS[self.delivery.codec].extension}"
            alignment = DelayFinder(self.channels)
            frames = codec.encode(
                alignment.master(self._converted(blocks)),
                self.sample_rate,
                self.channels,
                self.delivery,
                path,
            )
            yield from alignment.decoded(codec.decode(path, frames))
            shift = alignment.shift_frames()
            if shift:
                raise AudioError(
                    f"{codec_name(self.delivery)}: the decoder output is {abs(shift)} frames "
                    f"{'late' if shift > 0 else 'early'}.",
                    "It could not be aligned with the master; choose another codec or rate.",
                )
            content = self.content()
            if self.keep_in is not None and content:
                keep_encoded(self.keep_in, self._key(content), path, frames)

    def _converted(self, blocks: Iterable[Block]) -> Iterable[Block]:
        if self.before_db != 0.0:
            gain = np.float32(db_to_gain(self.before_db))
            blocks = (block * gain for block in blocks)
        out: Iterable[Block] = resample(blocks, self.channels, self.master_rate, self.sample_rate)
        if self.watch is not None:
            out = self.watch(out)
        if self.delivery.bits is not None:
            out = convert_word_length(out, self.delivery.bits, self.channels)
        return out

    def _find(self) -> tuple[Path, int] | None:
        content = self.content()
        if self.keep_in is None or not content:
            return None
        return find_encoded(self.keep_in, self._key(content))

    def _key(self, content: str) -> str:
        return f"{content}; {settings_of(self.delivery, self.before_db)}"


def settings_of(delivery: Delivery, before_db: float) -> str:
    """What the delivered samples depend on besides the master: for the cache."""
    libraries = "" if delivery.codec == "none" else f" by {codec.versions(delivery.codec)}"
    sound = structs.replace(delivery, full_scale="none")  # that is the chain's
    return f"delivery {METHOD} {sound!r}{libraries} after {before_db!r} dB"


METHOD = 2
"""Raised when the conversions or the encoders' settings change what comes out."""


CLEARLY = 0.03
"""By how much of the two energies' mean a shifted correlation must exceed the one at 0."""
ALIKE = 0.3
"""Below this correlation at its best nothing can be said."""


class DelayFinder:
    """Watches a master on its way in (`master`) and its decode on the way out (`decoded`)."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._best, self._at = -1.0, 0
        self._kept: Block = np.zeros((0, channels), dtype=np.float32)
        self._found: list[Block] = []

    def master(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """Passes the master on."""
        position = 0
        for block in recut(blocks, self._channels):
            energy = float(np.vdot(block, block))
            if energy > self._best:
                self._best, self._at, self._kept = energy, position, block.copy()
            position += block.shape[0]
            yield block

    def decoded(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """Passes the decode on."""
        position, first, last = 0, self._at, self._at + self._kept.shape[0]
        for block in blocks:
            begin, end = max(first - position, 0), min(last - position, block.shape[0])
            if begin < end:
                self._found.append(block[begin:end].copy())
            position += block.shape[0]
            yield block

    def shift_frames(self) -> int | None:
        """By how many frames the decode lies late (negative: early); None where it cannot be told."""
        if not self._found:
            return None
        decoded = np.concatenate(self._found)
        return shift_between(self._kept[: decoded.shape[0]], decoded)


def shift_between(master: Block, decoded: Block) -> int | None:
    """The shift of two arrays (frames, channels) of one length; None where it cannot be told."""
    if master.shape[0] < 256:
        return None
    loudest = int(np.argmax(np.einsum("ij,ij->j", master, master)))
    first, second = master[:, loudest], decoded[:, loudest]
    sharp = _best_shift(np.diff(first), np.diff(second))
    return _best_shift(first, second) if sharp is None else sharp


def _best_shift(first: NDArray[np.float32], second: NDArray[np.float32]) -> int | None:
    scale = float(np.sqrt(np.dot(first, first) * np.dot(second, second)))
    if scale <= 0.0:
        return None
    size = 2 ** int(np.ceil(np.log2(2 * first.shape[0])))
    spectrum = np.fft.rfft(second, size) * np.conj(np.fft.rfft(first, size))
    correlation = np.fft.irfft(spectrum, size) / scale
    place = int(np.argmax(correlation))
    if correlation[place] < ALIKE:
        return None
    if correlation[place] - correlation[0] < CLEARLY:
        return 0
    return place if place < size // 2 else place - size


MOST_BYTES = 2_000_000_000
_PIECE_BYTES = 1 << 20


def find_encoded(folder: Path, key: str) -> tuple[Path, int] | None:
    """The encoded file and its frames, marked as used now; None where there is none that is whole."""
    try:
        for path in folder.glob(f"{_name(key)}-*"):
            parts = re.fullmatch(r"[0-9]{1,15}-[0-9a-f]{32}", path.stem.partition("-")[2])
            if parts is not None:
                frames, digest = parts[0].split("-")
                if _digest(path, key, int(frames)) == digest:
                    os.utime(path)
                    return path, int(frames)
            drop_encoded(path)
    except OSError:
        pass
    return None


def keep_encoded(folder: Path, key: str, encoded: Path, frames: int) -> None:
    """Copies an encoded file into the cache, whole or not at all; does nothing where it cannot."""
    try:
        digest = _digest(encoded, key, frames)
        target = folder / f"{_name(key)}-{frames}-{digest}{encoded.suffix}"
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with whole_file(target, force=True) as passing:
            shutil.copyfile(encoded, passing)
        for other in folder.glob(f"{_name(key)}-*"):
            if other != target:  # encoders number their streams by chance: two runs at once make two files
                drop_encoded(other)
        _trim(folder)
    except (OSError, WriteError):
        return


def drop_encoded(path: Path) -> None:
    """Takes an entry away; does nothing where it cannot."""
    with contextlib.suppress(OSError):
        path.unlink()


def _digest(path: Path, key: str, frames: int) -> str:
    """The hash of an entry; "" for what is no ordinary file, or larger than the whole cache."""
    found = os.lstat(path)
    if not stat.S_ISREG(found.st_mode) or found.st_size > MOST_BYTES:
        return ""
    digest = hashlib.sha256(f"{frames}\n{key}\n".encode())
    with open(path, "rb") as file:
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
    return digest.hexdigest()[:32]


def _trim(folder: Path) -> None:
    """Removes the oldest entries until the rest is within MOST_BYTES."""
    files = [(path, path.stat()) for path in folder.iterdir() if not path.name.startswith(".")]
    oldest_first = sorted((status.st_mtime, status.st_size, path) for path, status in files)
    total = sum(size for _, size, _ in oldest_first)
    for _, size, path in oldest_first[:-1]:
        if total <= MOST_BYTES:
            return
        path.unlink(missing_ok=True)
        total -= size


def _name(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()[:40]

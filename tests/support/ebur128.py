"""What does an independent meter in C read? libebur128 1.2 through ctypes.

Source of the constants and signatures: ebur128.h of libebur128 1.2 (Debian package libebur128-1).
Conventions: samples are float32 or float64 (frames, channels) or (frames,); levels come back in LUFS,
LU and dB; None where the library says −inf or there is nothing to read.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

MODE_M = 1 << 0
MODE_S = (1 << 1) | MODE_M
MODE_I = (1 << 2) | MODE_M
MODE_LRA = (1 << 3) | MODE_S
MODE_SAMPLE_PEAK = (1 << 4) | MODE_M
MODE_TRUE_PEAK = (1 << 5) | MODE_M | MODE_SAMPLE_PEAK
MODE_ALL = MODE_I | MODE_LRA | MODE_TRUE_PEAK

UNUSED, LEFT, RIGHT, CENTRE, LEFT_SURROUND, RIGHT_SURROUND, DUAL_MONO = range(7)
LAYOUTS: dict[int, tuple[int, ...]] = {
    1: (LEFT,),
    2: (LEFT, RIGHT),
    3: (LEFT, RIGHT, CENTRE),
    4: (LEFT, RIGHT, LEFT_SURROUND, RIGHT_SURROUND),
    5: (LEFT, RIGHT, CENTRE, LEFT_SURROUND, RIGHT_SURROUND),
    6: (LEFT, RIGHT, CENTRE, UNUSED, LEFT_SURROUND, RIGHT_SURROUND),
}
_STATE = ctypes.c_void_p
_DOUBLE = ctypes.POINTER(ctypes.c_double)
_SIGNATURES: dict[str, tuple[object, list[object]]] = {
    "ebur128_init": (_STATE, [ctypes.c_uint, ctypes.c_ulong, ctypes.c_int]),
    "ebur128_destroy": (None, [ctypes.POINTER(_STATE)]),
    "ebur128_set_channel": (ctypes.c_int, [_STATE, ctypes.c_uint, ctypes.c_int]),
    "ebur128_add_frames_float": (
        ctypes.c_int,
        [_STATE, ctypes.POINTER(ctypes.c_float), ctypes.c_size_t],
    ),
    "ebur128_loudness_global": (ctypes.c_int, [_STATE, _DOUBLE]),
    "ebur128_loudness_global_multiple": (
        ctypes.c_int,
        [ctypes.POINTER(_STATE), ctypes.c_size_t, _DOUBLE],
    ),
    "ebur128_loudness_range": (ctypes.c_int, [_STATE, _DOUBLE]),
    "ebur128_loudness_momentary": (ctypes.c_int, [_STATE, _DOUBLE]),
    "ebur128_loudness_shortterm": (ctypes.c_int, [_STATE, _DOUBLE]),
    "ebur128_sample_peak": (ctypes.c_int, [_STATE, ctypes.c_uint, _DOUBLE]),
    "ebur128_true_peak": (ctypes.c_int, [_STATE, ctypes.c_uint, _DOUBLE]),
}


class Library:
    """The loaded library; every method measures one whole array."""

    def __init__(self, library: ctypes.CDLL) -> None:
        self._library = library
        for name, (result, arguments) in _SIGNATURES.items():
            function = getattr(library, name)
            function.restype, function.argtypes = result, arguments

    def integrated_lufs(self, samples: NDArray[np.floating], sample_rate: int) -> float | None:
        with self._state(samples, sample_rate, MODE_I) as state:
            self._add(state, samples)
            return self._level("ebur128_loudness_global", state)

    def album_lufs(self, tracks: Sequence[NDArray[np.floating]], sample_rate: int) -> float | None:
        """The union of the tracks' blocks as one programme."""
        states = [self._open(track, sample_rate, MODE_I) for track in tracks]
        try:
            for state, track in zip(states, tracks, strict=True):
                self._add(state, track)
            value = ctypes.c_double()
            array = (_STATE * len(states))(*states)
            self._check(self._library.ebur128_loudness_global_multiple(array, len(states), value))
            return value.value if math.isfinite(value.value) else None
        finally:
            for state in states:
                self._close(state)

    def loudness_range_lu(self, samples: NDArray[np.floating], sample_rate: int) -> float | None:
        """Tech 3342 over 3 s windows each second (the library's own hop)."""
        with self._state(samples, sample_rate, MODE_LRA) as state:
            self._add(state, samples)
            return self._level("ebur128_loudness_range", state)

    def max_momentary_lufs(self, samples: NDArray[np.floating], sample_rate: int) -> float | None:
        """The greatest 400 ms window, looked at each 10 ms."""
        return self._max("ebur128_loudness_momentary", MODE_M, samples, sample_rate, 100, 0.4)

    def max_short_term_lufs(self, samples: NDArray[np.floating], sample_rate: int) -> float | None:
        """The greatest 3 s window, looked at each 100 ms."""
        return self._max("ebur128_loudness_shortterm", MODE_S, samples, sample_rate, 10, 3.0)

    def sample_peak_dbfs(self, samples: NDArray[np.floating], sample_rate: int) -> float | None:
        return self._peak("ebur128_sample_peak", MODE_SAMPLE_PEAK, samples, sample_rate)

    def true_peak_dbtp(self, samples: NDArray[np.floating], sample_rate: int) -> float | None:
        """By the library's own 4× filter (2× from 96 kHz, none from 192 kHz)."""
        return self._peak("ebur128_true_peak", MODE_TRUE_PEAK, samples, sample_rate)

    def measure_all(
        self, samples: NDArray[np.floating], sample_rate: int, block_frames: int = 65536
    ) -> dict[str, float | None]:
        """Integrated, range, short-term at the end, true and sample peak in one pass, as a file meter
        does it: the yardstick of the benchmark."""
        blocks = (samples[start : start + block_frames] for start in range(0, samples.shape[0], block_frames))
        return self.measure_blocks(blocks, 1 if samples.ndim == 1 else samples.shape[1], sample_rate)

    def measure_blocks(
        self, blocks: Iterable[NDArray[np.floating]], channels: int, sample_rate: int
    ) -> dict[str, float | None]:
        """The same from a stream."""
        with self._state(np.zeros((0, channels)), sample_rate, MODE_ALL) as state:
            for block in blocks:
                self._add(state, block)
            return {
                "integrated_lufs": self._level("ebur128_loudness_global", state),
                "loudness_range_lu": self._level("ebur128_loudness_range", state),
                "short_term_lufs": self._level("ebur128_loudness_shortterm", state),
                "sample_peak_dbfs": self._peak_of("ebur128_sample_peak", state, channels),
                "true_peak_dbtp": self._peak_of("ebur128_true_peak", state, channels),
            }

    def _max(
        self, name: str, mode: int, samples: NDArray[np.floating], rate: int, hops: int, window_s: float
    ) -> float | None:
        best: float | None = None
        edges = [round(k * rate / hops) for k in range(samples.shape[0] * hops // rate + 1)]
        with self._state(samples, rate, mode) as state:
            for begin, end in pairwise(edges):
                self._add(state, samples[begin:end])
                if end < round(window_s * rate):
                    continue
                level = self._level(name, state)
                if level is not None and (best is None or level > best):
                    best = level
        return best

    def _peak(self, name: str, mode: int, samples: NDArray[np.floating], rate: int) -> float | None:
        with self._state(samples, rate, mode) as state:
            self._add(state, samples)
            return self._peak_of(name, state, 1 if samples.ndim == 1 else samples.shape[1])

    def _peak_of(self, name: str, state: int, channels: int) -> float | None:
        value, peak = ctypes.c_double(), 0.0
        for channel in range(channels):
            self._check(getattr(self._library, name)(state, channel, value))
            peak = max(peak, value.value)
        return 20.0 * math.log10(peak) if peak > 0.0 else None

    def _level(self, name: str, state: int) -> float | None:
        value = ctypes.c_double()
        self._check(getattr(self._library, name)(state, value))
        return value.value if math.isfinite(value.value) else None

    def _open(self, samples: NDArray[np.floating], sample_rate: int, mode: int) -> int:
        channels = 1 if samples.ndim == 1 else samples.shape[1]
        state = self._library.ebur128_init(channels, sample_rate, mode)
        if not state:
            raise ValueError(f"libebur128 refuses {channels} channels at {sample_rate} Hz")
        for index, kind in enumerate(LAYOUTS[channels]):
            self._check(self._library.ebur128_set_channel(state, index, kind))
        return int(state)

    @contextmanager
    def _state(self, samples: NDArray[np.floating], sample_rate: int, mode: int) -> Iterator[int]:
        state = self._open(samples, sample_rate, mode)
        try:
            yield state
        finally:
            self._close(state)

    def _close(self, state: int) -> None:
        self._library.ebur128_destroy(ctypes.byref(_STATE(state)))

    def _add(self, state: int, samples: NDArray[np.floating]) -> None:
        block = np.ascontiguousarray(samples, dtype=np.float32)
        pointer = block.ctypes.data_as(ctypes.POINTER(ctypes.c_float))
        self._check(self._library.ebur128_add_frames_float(state, pointer, block.shape[0]))

    @staticmethod
    def _check(code: int) -> None:
        if code:
            raise RuntimeError(f"libebur128 gave the error code {code}")


@lru_cache(maxsize=1)
def load() -> Library | None:
    """The library of this system, or None."""
    name = ctypes.util.find_library("ebur128")
    return Library(ctypes.CDLL(name)) if name else None

"""Measuring for the tests that have minutes of sound: both cores at work, as the program itself does it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import cache

import numpy as np
from numpy.typing import NDArray

from simulator.measure.measurement import Measurement
from simulator.measure.meter import measure_array


@cache
def _threads() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(2)


def measured(samples: NDArray[np.floating], sample_rate: int) -> Measurement:
    """`measure_array`, the channels on two threads."""
    return measure_array(samples, sample_rate, each=_threads().map)

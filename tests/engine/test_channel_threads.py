"""A thread a channel changes no figure, however far one of them is ahead."""

from __future__ import annotations

import numpy as np
import pytest
from support.signals import noise_bursts

from simulator.common.errors import AudioError
from simulator.dsp.segments import METER_FRAMES
from simulator.engine.measure import channel_threads
from simulator.metering.measurement import Measurement
from simulator.metering.meter import measure


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_reading_on_with_a_thread_a_channel_does_not_change_a_bit(channels: int) -> None:
    """Rests on a channel being measured by itself, segment by segment, and on one BLAS thread each."""
    samples = noise_bursts(48_000, 12.0, seed=17, channels=channels).reshape(-1, channels) * np.float32(6.0)
    assert samples.shape[0] > 2 * METER_FRAMES
    with channel_threads() as each:
        threaded = measure([samples], 48_000, channels, each=each, reads_on=True)
    plain = measure([samples], 48_000, channels)
    assert threaded.over_count
    assert _figures(threaded) == _figures(plain)


def test_a_fault_in_one_channel_ends_the_measuring_with_its_place() -> None:
    samples = np.zeros((3 * METER_FRAMES, 2), dtype=np.float32)
    samples[METER_FRAMES + 10, 1] = np.nan
    with pytest.raises(AudioError, match="channel R is not a number"), channel_threads() as each:
        measure([samples], 48_000, 2, each=each, reads_on=True)


def _figures(found: Measurement) -> list[object]:
    series = found.series
    return [series.energy.tobytes(), series.true_peak.tobytes(), repr(found)]

"""What of a stream is silence: a missing answer with its reason, never a figure of what arithmetic left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support import signals

from simulator.metering.meter import measure_array

RATE = 48_000
QUIET = np.random.default_rng(3).standard_normal((4 * RATE, 2)).astype(np.float32)


@pytest.mark.parametrize("scale", [0.0, 1e-34, 1e-39])
def test_the_rests_that_a_decoder_leaves_in_silence_are_silence(scale: float) -> None:
    """Opus gives some 1e-34 for digital silence; 1e-39 is below the smallest normal number."""
    found = measure_array((QUIET * scale).astype(np.float32), RATE)
    silent = measure_array(np.zeros_like(QUIET), RATE)
    assert [note.code for note in found.warnings] == ["silent"]
    assert found.sample_peak_dbfs is None is found.true_peak_dbtp
    assert found.max_short_term_lufs is None is found.max_momentary_lufs
    same = replace(found, series=silent.series, dc_offset=silent.dc_offset)
    assert same == silent


def test_one_step_of_32_bits_is_no_silence() -> None:
    samples = np.zeros((4 * RATE, 2), dtype=np.float32)
    samples[RATE, 0] = 2.0**-31
    found = measure_array(samples, RATE)
    assert found.sample_peak_dbfs == pytest.approx(-186.64, abs=0.01)
    assert [note.code for note in found.warnings] == ["all_gated"]


def test_a_channel_that_holds_only_rests_has_no_correlation_with_the_other() -> None:
    music = signals.sine(997.0, RATE, 4.0, -20.0)
    found = measure_array(np.column_stack([music, QUIET[:, 0] * 1e-34]).astype(np.float32), RATE)
    assert found.correlation is None
    assert found.sample_peak_dbfs == pytest.approx(-20.0, abs=0.01)


def test_a_gain_brings_what_is_hardly_there_into_silence() -> None:
    found = measure_array(np.full((RATE, 1), 1e-9, dtype=np.float32), RATE)
    assert found.with_gain(-10.0).sample_peak_dbfs == pytest.approx(-190.0, abs=0.01)
    assert found.with_gain(-30.0).sample_peak_dbfs is None

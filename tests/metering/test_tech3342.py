"""The signals of EBU Tech 3342 Table 1 (loudness range), made in support/ebu_signals.py.

The table allows ±1 LU; ±0.1 LU is the project's own limit. Cases 5 and 6 are the programmes of Tech 3341
cases 7 and 8, which exist as WAV files only (see FAIRHEARING_EBU_WAV in test_tech3341.py).
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support import ebu_signals
from support.ebu_signals import RANGE
from support.signals import noise_bursts

from simulator.metering.meter import measure_array

RATES = (pytest.param(44_100, marks=pytest.mark.heavy), 48_000)
OFFICIAL = "FAIRHEARING_EBU_WAV"


@pytest.mark.parametrize("sample_rate", RATES)
@pytest.mark.parametrize("case", sorted(RANGE))
def test_loudness_range_of_the_tone_steps(case: int, sample_rate: int) -> None:
    _, expected, other_meter = RANGE[case]
    found = measure_array(ebu_signals.range_case(case, sample_rate), sample_rate).loudness_range_lu
    assert found == pytest.approx(expected, abs=0.1)
    assert found == pytest.approx(other_meter, abs=0.1)


@pytest.mark.parametrize(
    ("case", "pattern", "expected"),
    [(5, "seq-3341-7*.wav", 5.0), (6, "seq-3341-*8*.wav", 15.0)],
    ids=["case 5", "case 6"],
)
def test_loudness_range_of_an_authentic_programme(case: int, pattern: str, expected: float) -> None:
    folder = os.environ.get(OFFICIAL)
    if not folder:
        pytest.skip(f"the programme exists only in the EBU's test set; {OFFICIAL} does not name its folder")
    samples, sample_rate = soundfile.read(sorted(Path(folder).rglob(pattern))[0], dtype="float32")
    assert measure_array(samples, sample_rate).loudness_range_lu == pytest.approx(expected, abs=1.0), case


def test_repeating_a_programme_leaves_its_loudness_range() -> None:
    """Tech 3342 names this property. 0.1 LU: the windows across the seam are new ones."""
    once = ebu_signals.range_case(2, 48_000)
    found = measure_array(np.concatenate([once, once]), 48_000).loudness_range_lu
    assert found == pytest.approx(measure_array(once, 48_000).loudness_range_lu, abs=0.1)


@pytest.mark.parametrize("gain_db", [-6.0, 6.0])
def test_gain_leaves_the_loudness_range(gain_db: float) -> None:
    samples = noise_bursts(48_000, 30.0, seed=6)
    louder = samples * np.float32(10.0 ** (gain_db / 20.0))
    expected = measure_array(samples, 48_000).loudness_range_lu
    assert measure_array(louder, 48_000).loudness_range_lu == pytest.approx(expected, abs=1e-5)


def test_silence_before_and_after_does_not_widen_the_loudness_range() -> None:
    """The absolute gate keeps it out; 0.3 LU: windows that hold a part of the silence pass the gates."""
    samples = ebu_signals.range_case(2, 48_000)
    silence = np.zeros((10 * 48_000, 2))
    found = measure_array(np.concatenate([silence, samples, silence]), 48_000).loudness_range_lu
    assert found == pytest.approx(5.0, abs=0.3)


def test_under_a_minute_the_range_comes_with_a_warning() -> None:
    """R 128 calls the figure unreliable under one minute."""
    short = measure_array(noise_bursts(48_000, 30.0, seed=7), 48_000)
    assert short.loudness_range_lu is not None
    assert "short_for_range" in [warning.code for warning in short.warnings]
    long = measure_array(noise_bursts(48_000, 61.0, seed=7), 48_000)
    assert "short_for_range" not in [warning.code for warning in long.warnings]

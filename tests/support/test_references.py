"""Are the references themselves right? The yardsticks are held against what is known without them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import firwin, upfirdn, welch
from support import ebu_signals, ebur128, pyloudnorm_reference, true_peak_reference
from support.external import VARIABLE, external_required
from support.signals import band_limited, both, click_train, clipped_noise, pink_noise, sine, white_noise

TESTS = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize("oversampling", [16, 32])
@pytest.mark.parametrize("share", [0.05, 0.21, 0.25, 0.4, 0.45])
def test_the_true_peak_reference_reads_sines_within_its_bound(share: float, oversampling: int) -> None:
    """Below the truth by at most 20·log10(cos(π·f/(n·fs))), above by the filter's ripple, 0.003 dB."""
    n = np.arange(4000)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.minimum(1.0, np.minimum(n, 3999 - n) / 1200))
    bound = 20.0 * np.log10(np.cos(np.pi * share / oversampling))
    for phase in np.arange(0.0, np.pi, 0.3):
        found = true_peak_reference.true_peak_dbtp(ramp * np.sin(2 * np.pi * share * n + phase), oversampling)
        assert found is not None
        assert bound - 0.003 <= found <= 0.003


def test_the_true_peak_reference_is_the_plain_upsampling_of_scipy() -> None:
    noise = white_noise(9000, seed=1)  # longer than one of its blocks
    impulse = firwin(16 * 128 + 1, 1 / 16, window=("kaiser", 12.0)) * 16
    expected = np.abs(upfirdn(impulse, noise, up=16)).max()
    assert true_peak_reference.true_peak(both(noise)) == pytest.approx(expected, rel=1e-12)


def test_the_true_peak_reference_says_none_for_silence() -> None:
    assert true_peak_reference.true_peak_dbtp(np.zeros((100, 2))) is None


@pytest.mark.external
def test_libebur128_reads_the_anchor_in_every_layout(libebur128: ebur128.Library) -> None:
    """BS.1770-5 Annex 1: −3.01 for 0 dBFS at 997 Hz in L; surrounds +1.49; the LFE channel not at all."""
    tone = sine(997.0, 48_000, 2.0)
    for channels, channel, expected in [
        (1, 0, -3.01),
        (2, 1, -3.01),
        (6, 2, -3.01),
        (6, 4, -1.52),
        (5, 3, -1.52),
    ]:
        samples = np.zeros((tone.shape[0], channels))
        samples[:, channel] = tone
        assert libebur128.integrated_lufs(samples, 48_000) == pytest.approx(expected, abs=0.005)
    lfe = np.zeros((tone.shape[0], 6))
    lfe[:, 3] = tone
    assert libebur128.integrated_lufs(lfe, 48_000) is None
    assert libebur128.sample_peak_dbfs(tone, 48_000) == pytest.approx(0.0, abs=0.001)


@pytest.mark.external
def test_libebur128_in_one_pass_reads_what_it_reads_one_by_one(libebur128: ebur128.Library) -> None:
    samples = ebu_signals.range_case(2, 48_000)
    found = libebur128.measure_all(samples, 48_000)
    assert found["integrated_lufs"] == libebur128.integrated_lufs(samples, 48_000)
    assert found["loudness_range_lu"] == libebur128.loudness_range_lu(samples, 48_000)
    assert found["true_peak_dbtp"] == pytest.approx(libebur128.true_peak_dbtp(samples, 48_000), abs=1e-9)


@pytest.mark.parametrize("sample_rate", [44_100, 48_000])
def test_pyloudnorm_mended_reads_the_anchor(sample_rate: int) -> None:
    found = pyloudnorm_reference.integrated_lufs(sine(997.0, sample_rate, 2.0), sample_rate)
    assert found == pytest.approx(-3.0103, abs=0.002)


def test_pink_noise_falls_3_db_an_octave() -> None:
    frequency, power = welch(pink_noise(480_000, seed=2), 48_000, nperseg=8192)
    inside = (frequency > 50) & (frequency < 15_000)
    slope = np.polyfit(np.log10(frequency[inside]), 10 * np.log10(power[inside]), 1)[0]
    assert slope == pytest.approx(-10.0, abs=0.3)


def test_band_limiting_leaves_the_band_and_removes_the_rest() -> None:
    noise = white_noise(100_000, seed=3)
    share, before = welch(noise, 1.0, window="blackmanharris", nperseg=4096)
    _, after = welch(band_limited(noise), 1.0, window="blackmanharris", nperseg=4096)
    change_db = 10 * np.log10(after / before)
    assert np.abs(change_db[(share > 0.01) & (share < 0.44)]).max() < 0.05
    assert change_db[share > 0.451].max() < -70


def test_clipped_noise_stands_at_full_scale_and_clicks_alternate() -> None:
    clipped = clipped_noise(pink_noise(48_000, seed=4), 12.0)
    assert np.abs(clipped).max() == 1.0
    assert np.mean(np.abs(clipped) == 1.0) > 0.01
    clicks = click_train(48_000, 2.0)
    assert clicks[np.flatnonzero(clicks)].tolist() == [1.0, -1.0] * 4


PROBE = """
import pytest

@pytest.mark.external
def test_a_missing_library():
    pytest.skip("missing")

def test_a_plain_skip():
    pytest.skip("not for here")

@pytest.mark.external
@pytest.mark.xfail(reason="known", strict=True)
def test_an_expected_failure():
    raise AssertionError
"""


@pytest.mark.heavy
@pytest.mark.parametrize(
    ("value", "outcome"),
    [("1", "1 failed, 1 skipped, 1 xfailed"), ("0", "2 skipped, 1 xfailed"), ("", "2 skipped, 1 xfailed")],
)
def test_the_switch_turns_skips_of_external_checks_into_failures(
    value: str, outcome: str, tmp_path: Path
) -> None:
    (tmp_path / "test_probe.py").write_text(PROBE, encoding="utf-8")
    (tmp_path / "conftest.py").write_text(
        "from shared_conftest import pytest_make_collect_report, pytest_runtest_makereport\n",
        encoding="utf-8",
    )
    (tmp_path / "shared_conftest.py").write_text(
        (TESTS / "conftest.py").read_text(encoding="utf-8"), encoding="utf-8"
    )
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers = external: outside\n", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=False,
        env={
            **os.environ,
            VARIABLE: value,
            "PYTHONPATH": os.pathsep.join([str(TESTS), str(tmp_path)]),
        },
    )
    assert outcome in done.stdout


@pytest.mark.parametrize(("value", "required"), [("1", True), ("0", False), ("", False)])
def test_the_switch_is_an_environment_variable(
    value: str, required: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, value)
    assert external_required() is required

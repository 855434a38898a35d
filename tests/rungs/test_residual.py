"""The residual of one pass is that of the whole comparison, and what is worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from support import signals

from simulator.common.units import db_to_gain
from simulator.comparison.align import AlignedPair
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import measure_difference
from simulator.dsp.mastering_limiter import ActionReport, MasteringSettings, master_blocks
from simulator.rungs.residual import Residual

RATE = 48_000


def residual(
    before: NDArray[np.floating], after: NDArray[np.floating], size: int = 65_536, drive: float = 1.0
) -> Residual:
    """Of two arrays (frames, channels) that stand in for a mix and what is made of it."""
    ours, theirs = before.astype(np.float32), after.astype(np.float32)

    def process(blocks: object) -> object:
        position = 0
        for block in blocks:  # type: ignore[attr-defined]
            position += block.shape[0]
            yield theirs[position - block.shape[0] : position]

    made = Residual(RATE, ours.shape[1], drive)
    given = [ours[start : start + size] for start in range(0, ours.shape[0], size)]
    out = np.concatenate(list(made.around(given, process)))  # type: ignore[arg-type]
    assert np.array_equal(out, theirs)
    return made


def match_gain(found: Residual) -> float:
    """The gain of the rung at which the least is left, from the sums of the pass."""
    drive = float(found._drive)
    return (drive * found._mm + found._md) / (drive**2 * found._mm + 2 * drive * found._md + found._dd)


def music(seconds: float = 6.0) -> NDArray[np.float32]:
    count = round(seconds * RATE)
    swell = 0.4 + 0.3 * np.sin(2 * np.pi * np.arange(count) / (1.7 * RATE))
    sides = [signals.pink_noise(count, seed, RATE) * swell for seed in (1, 2)]
    both = np.stack(sides, axis=1)
    return (both / np.abs(both).max()).astype(np.float32)


def test_a_gain_alone_leaves_no_residual() -> None:
    """A power of two is exact in floating point: nothing is left at all."""
    found = residual(music(), music() * 0.25, drive=0.25)
    assert found.residual_lu is None
    assert match_gain(found) == pytest.approx(4.0, rel=1e-12)


def test_silence_leaves_nothing_to_relate_to() -> None:
    silent = np.zeros((RATE, 2))
    assert residual(silent, silent).residual_lu is None
    assert residual(music(), np.zeros_like(music())).residual_lu is None


def test_an_added_tone_leaves_its_own_power_less_what_the_match_takes() -> None:
    """Mix a, rung a + b, b of the same frequency a quarter of a cycle away and so uncorrelated: the residual
    of the match is 1 − 1/(1 + p), p being the power of b over that of a."""
    time = np.arange(10 * RATE) / RATE
    a, b = np.sin(2 * np.pi * 1000.0 * time), np.sin(2 * np.pi * 1000.0 * time + np.pi / 2)
    found = residual((0.5 * a)[:, np.newaxis], (0.5 * a + 0.05 * b)[:, np.newaxis])
    assert found.residual_lu == pytest.approx(10.0 * np.log10(1.0 - 1.0 / 1.01), abs=0.002)


@pytest.mark.parametrize("drive_db", [3.0, 9.0, 15.0])
@pytest.mark.parametrize("style", ["limit", "clip-limit"])
def test_it_is_the_residual_of_the_whole_comparison(drive_db: float, style: str) -> None:
    """comparison/difference takes it from spectra of the aligned pair: its windows' edges differ."""
    mix = music()
    settings = MasteringSettings(-1.0, "true", style)  # type: ignore[arg-type]
    out = np.concatenate(list(master_blocks([mix], 2, RATE, drive_db, settings, ActionReport())))
    found = residual(mix, out, drive=db_to_gain(drive_db))
    alignment = Alignment(
        kind="aligned", first_rate=RATE, second_rate=RATE, first_frames=mix.shape[0],
        second_frames=mix.shape[0], offset_frames=0.0, polarity=1, gain_db=0.0, drift_ppm=0.0,
        snapped=True, null_db=None, similarity=1.0, second_best=None, confidence=1.0, candidates=(),
        delay_by_band=(), reason="",
    )  # fmt: skip
    whole = measure_difference(mix, AlignedPair(alignment, out, 0.0))
    assert found.residual_lu == pytest.approx(whole.difference.residual_lu, abs=0.05)
    assert match_gain(found) == pytest.approx(whole.gain, rel=1e-3)


@pytest.mark.parametrize("size", [777, 48_000])
def test_any_block_size_gives_the_same_residual(size: int) -> None:
    """Rests on the fixed segments: the same filters on the same stretches, whatever is read."""
    mix = music(3.0)
    bent = np.tanh(3.0 * mix)
    assert residual(mix, bent, size).residual_lu == residual(mix, bent).residual_lu


def test_surround_counts_by_its_weights_and_the_low_frequency_channel_not_at_all() -> None:
    """BS.1770-5 Table 3: Ls and Rs 1.41, LFE 0. The distorted share is that of one channel in the sum."""
    time = np.arange(6 * RATE) / RATE
    tone = 0.25 * np.sin(2 * np.pi * 1000.0 * time)
    mix = np.stack([tone] * 6, axis=1)
    lfe, rear = mix.copy(), mix.copy()
    lfe[:, 3] = 0.0
    rear[:, 4] = 0.0
    assert residual(mix, lfe).residual_lu is None
    assert residual(mix, rear).residual_lu == pytest.approx(10.0 * np.log10(1.41 / (3.0 + 2.82)), abs=1e-4)

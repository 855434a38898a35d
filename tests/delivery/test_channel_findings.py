"""The balance of two channels, and when one of them counts as silent."""

from __future__ import annotations

import numpy as np
import pytest
from support import signals

from simulator.delivery.file_findings import channel_findings, within_after
from simulator.delivery.finding import Finding
from simulator.delivery.scan import scan
from simulator.metering.meter import measure_array

RATE = 48_000


@pytest.mark.parametrize(
    ("right", "level", "text"),
    [
        (1.0, "fine", ""),
        (0.5, "look", "The left channel is 6.0 dB louder."),
        (0.0, "fix", "The right channel is silent throughout."),
        (1e-33, "fix", "The right channel is silent throughout."),
    ],
)
def test_a_channel_in_which_a_decoder_left_its_rests_is_silent(right: float, level: str, text: str) -> None:
    left = signals.sine(997.0, RATE, 1.0, -20.0)
    samples = np.column_stack([left, left * right]).astype(np.float32)
    found = channel_findings(measure_array(samples, RATE), scan([samples], RATE, 2))
    balance = next(one for one in found if one.check == "balance")
    assert (balance.level, balance.text) == (level, text)


@pytest.mark.parametrize(
    ("wanted", "level"), [(0.0, "fine"), (-0.04, "fine"), (-0.06, "look"), (-0.95, "fix")]
)
def test_unrelated_channels_do_not_cancel(wanted: float, level: str) -> None:
    """Two sines of whole periods are orthogonal, so the correlation is their share, by construction."""
    one, other = (signals.sine(hz, RATE, 1.0, -20.0) for hz in (1000.0, 3000.0))
    samples = np.column_stack([one, wanted * one + np.sqrt(1.0 - wanted**2) * other]).astype(np.float32)
    found = channel_findings(measure_array(samples, RATE), scan([samples], RATE, 2))
    correlation = next(one for one in found if one.check == "correlation")
    assert correlation.value == pytest.approx(wanted, abs=1e-3)
    assert correlation.level == level


@pytest.mark.parametrize(
    ("check", "value", "against", "gain_db", "within"),
    [
        ("start", -39.0, -40.0, -1.0, True),
        ("start", -39.0, -40.0, -0.9, False),
        ("end", -55.0, -60.0, -6.0, True),
        ("dc", 0.2, 0.1, -6.1, True),  # 0.2 / 2.018
        ("dc", -0.2, 0.1, -6.0, False),  # 0.2 / 1.995
        ("balance", 0.9, 0.8, -10.0, False),
    ],
)
def test_a_level_at_the_edges_may_be_within_its_limit_after_a_gain(
    check: str, value: float, against: float, gain_db: float, within: bool
) -> None:
    assert within_after(Finding(check, "x", "look", value, "", against), gain_db) is within

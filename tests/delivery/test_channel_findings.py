"""The balance of two channels, and when one of them counts as silent."""

from __future__ import annotations

import numpy as np
import pytest
from support import signals

from simulator.delivery.file_findings import channel_findings
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

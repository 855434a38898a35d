"""Levels and what is silence: the arithmetic by hand, the floor by what the formats can hold."""

from __future__ import annotations

import pytest

from simulator.common.units import SILENCE_DB, energy_to_lufs, gain_to_db, unless_silence


@pytest.mark.parametrize(
    ("gain", "level_db"),
    [
        (1.0, 0.0),
        (-0.5, -6.0206),
        (2.0**-15, -90.309),  # one step of 16 bits
        (2.0**-23, -138.474),
        (2.0**-31, -186.6386),  # the least that an integer format of 32 bits holds
        (0.0, None),
        (1e-11, None),
        (2.0**-126, None),  # the smallest normal number of single precision (IEEE 754)
    ],
)
def test_every_step_of_an_integer_format_has_a_level_and_what_arithmetic_leaves_has_none(
    gain: float, level_db: float | None
) -> None:
    found = gain_to_db(gain)
    assert found == (None if level_db is None else pytest.approx(level_db, abs=5e-4))


@pytest.mark.parametrize(("energy", "lufs"), [(1.0, -0.691), (1e-19, -190.691), (0.0, None), (1e-20, None)])
def test_an_energy_below_the_floor_has_no_loudness(energy: float, lufs: float | None) -> None:
    assert energy_to_lufs(energy) == (None if lufs is None else pytest.approx(lufs))


def test_the_floor_itself_is_a_level() -> None:
    assert unless_silence(SILENCE_DB) == SILENCE_DB
    assert unless_silence(SILENCE_DB - 1e-6) is None

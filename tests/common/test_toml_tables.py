"""The nearest known key is suggested: by spelling in its own table, else by its last part in another."""

from __future__ import annotations

import pytest

from simulator.common.toml_tables import nearest
from simulator.normalizer.profile import PROFILE_KEYS


@pytest.mark.parametrize(
    ("word", "known"),
    [
        ("gain.max_bost_db", "gain.max_boost_db"),
        ("target", "loudness.target_lufs"),
        ("release", "limiter.release_ms"),
        ("lookahead_ms", "limiter.look_ahead_ms"),
        ("limiter.level_db", "ceiling.level_db"),
        ("qqqq", None),
    ],
)
def test_the_nearest_known_key_is_found(word, known):
    assert nearest(word, list(PROFILE_KEYS)) == known

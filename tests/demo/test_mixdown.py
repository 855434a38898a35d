"""From a score to a mix: the same bytes again, other seeds other bytes, parts where they belong."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.common.units import db_to_gain
from simulator.demo.demo import compose, read_score, saturated
from simulator.demo.instruments import ENSEMBLES, SOLOS, STRUCK

HEAD = """
format = 1
title = "T"
artist = "A"
tempo_bpm = 120
seed = SEED
tail_s = 1.0
[[master]]
file = "t"
peak_dbtp = -1.0
[[section]]
name = "verse"
chords = "Am7"
"""
DRUMS = """
[[part]]
name = "drums"
instrument = "studio_kit"
[part.play.verse]
steps = { kick = "X...x...", snare = "..X...X." }
"""
SILENT_KICK = """
[[part]]
name = "kick"
instrument = "club_kit"
level_db = -200
[part.play.verse]
steps = { kick = "X..." }
"""
PAD = """
[[part]]
name = "pad"
instrument = "pad"
room_db = -60
EXTRA
[part.play.verse]
chords = "x..."
"""


def mix(*parts: str, seed: int = 1, extra: str = "") -> np.ndarray:
    text = (HEAD + "".join(parts)).replace("SEED", str(seed)).replace("EXTRA", extra)
    return compose(read_score("t", text))


def test_the_same_score_gives_the_same_bytes_and_another_seed_does_not() -> None:
    first, again, other = mix(DRUMS, PAD), mix(DRUMS, PAD), mix(DRUMS, PAD, seed=2)
    assert first.dtype == np.float32
    assert first.shape == (3 * 44100, 2)
    assert first.flags.c_contiguous
    assert first.tobytes() == again.tobytes()
    assert first.tobytes() != other.tobytes()


@pytest.mark.parametrize("name", sorted({*STRUCK, *ENSEMBLES, *SOLOS}))
def test_every_instrument_can_play_a_line_and_sounds(name: str) -> None:
    part = f'[[part]]\nname = "p"\ninstrument = "{name}"\n[part.play.verse]\nline = "a3/1 c4 r e4!"\n'
    sound = mix(part)
    assert np.isfinite(sound).all()
    assert np.sqrt(np.mean(np.square(sound))) > 0.005
    assert np.abs(sound.mean(axis=0)).max() < 1e-4


@pytest.mark.parametrize(("pan", "louder"), [(-0.8, 0), (0.8, 1)])
def test_a_part_is_louder_on_the_side_where_it_stands(pan: float, louder: int) -> None:
    power = np.square(mix(PAD, extra=f"pan = {pan}")).mean(axis=0)
    assert power[louder] > 4.0 * power[1 - louder]


def test_width_0_makes_a_wide_part_the_same_on_both_sides() -> None:
    sound = mix(PAD, extra="width = 0.0\nlevel_db = -6")
    assert np.corrcoef(sound[:44100].T)[0, 1] > 0.99


def test_a_ducked_part_makes_room_for_the_kick() -> None:
    free, ducked = mix(SILENT_KICK, PAD), mix(SILENT_KICK, PAD, extra="duck_db = 12")
    steady = slice(int(0.27 * 44100), int(1.9 * 44100))
    assert np.allclose(free[steady], ducked[steady], atol=1e-3)
    just_after = slice(int(0.01 * 44100), int(0.06 * 44100))
    assert np.square(ducked[just_after]).sum() < 0.5 * np.square(free[just_after]).sum()


def test_saturation_leaves_the_quiet_alone_and_bends_the_loud() -> None:
    quiet, loud = np.full((1, 4), 1e-3, np.float32), np.full((1, 4), 1.0, np.float32)
    assert np.allclose(saturated(quiet, 6.0), quiet, rtol=1e-4)
    assert saturated(loud, 6.0)[0, 0] == pytest.approx(np.tanh(db_to_gain(6.0)) / db_to_gain(6.0), rel=1e-5)

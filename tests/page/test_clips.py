"""Which sounds the page carries, and that each state plays what it says."""

from __future__ import annotations

import numpy as np
import pytest
from support.in_memory import play_array
from support.signals import both, pink_noise

from simulator.common.units import db_to_gain
from simulator.dsp.ceiling import LimiterSettings
from simulator.normalizer.chain import ChainSettings
from simulator.page.clips import STEP, Cut, level_lufs, sounds, vote_sounds

RATE = 44_100
NOISE = both(pink_noise(2 * RATE, seed=5, sample_rate=RATE)).astype(np.float32)
NOISE *= np.float32(0.5) / np.abs(NOISE).max()
LIMITER = LimiterSettings(-1.0, "true", 3.0, 150.0)


def cut_of(track: int, level: float, chain: ChainSettings) -> Cut:
    delivered = NOISE * np.float32(level)
    played = play_array(delivered, RATE, chain)[0]
    return Cut(track, RATE, delivered, played, chain.gain_db, chain == ChainSettings(chain.gain_db))


def test_what_is_mono_is_carried_once_and_what_is_not_is_not() -> None:
    mono = NOISE.mean(axis=1, keepdims=True)
    wide = np.concatenate([mono, -mono], axis=1)
    for given, channels in ((mono, 1), (np.repeat(mono, 2, axis=1), 1), (wide, 2)):
        made = sounds([Cut(0, RATE, given, given, 0.0)], [0], ["a", "b"], 1)[0]
        assert made.played[0].stored.samples.shape[1] == channels


def test_a_vote_does_not_tell_versions_by_their_channels() -> None:
    mono = np.repeat(NOISE[:, :1], 2, axis=1)
    wide = np.stack([NOISE[:, 0], -NOISE[:, 0]], axis=1)
    for given, channels in (([mono, 0.5 * mono], 1), ([mono, wide], 2)):
        made = vote_sounds([one.astype(np.float32) for one in given], RATE, ["x", "y"], 3)
        assert {clip.stored.samples.shape[1] for clip in made.clips} == {channels}


@pytest.mark.parametrize(
    ("chain", "count"),
    [
        (ChainSettings(-6.3), 1),
        (ChainSettings(0.0), 1),
        (ChainSettings(+4.2), 1),
        (ChainSettings(+9.0, LIMITER), 2),
        (ChainSettings(-2.0, None, 0.0), 2),
    ],
    ids=["turned down", "left", "raised", "limited", "converter"],
)
def test_each_state_plays_the_chains_output_within_the_dither(chain: ChainSettings, count: int) -> None:
    cut = cut_of(0, 1.0, chain)
    (sound,) = sounds([cut], [0], ["ca", "cb"], 11)
    for (clip, gain_db), wanted in ((sound.delivered, cut.delivered), (sound.played, cut.played)):
        heard = clip.stored.samples / 2.0**15 * db_to_gain(gain_db)
        assert np.abs(heard - wanted).max() <= 1.5 * STEP * max(1.0, db_to_gain(gain_db)) + 1e-7
        assert gain_db <= 1e-9  # nothing here is above full scale, so nothing is turned up
    assert len({sound.delivered[0].name, sound.played[0].name}) == count


def test_matched_turns_down_to_the_quietest_master_and_leaves_a_quieter_reference() -> None:
    cuts = [cut_of(0, 1.0, ChainSettings(0.0)), cut_of(1, 0.5, ChainSettings(0.0))]
    cuts.append(cut_of(2, 0.1, ChainSettings(0.0)))
    found = sounds(cuts, [0, 1], ["a", "b", "c", "d", "e", "f"], 1)
    assert [one.matched_db for one in found] == pytest.approx([20 * np.log10(0.5), 0.0, 0.0], abs=0.01)
    levels = [
        level_lufs((cut.played * np.float32(db_to_gain(one.matched_db))), RATE)
        for cut, one in zip(cuts[:2], found[:2], strict=True)
    ]
    assert levels[0] == pytest.approx(levels[1], abs=0.01)  # the promise is 0.1 LU


def test_a_mono_passage_counts_as_it_sounds_from_two_loudspeakers() -> None:
    assert level_lufs(NOISE[:, :1], RATE) == pytest.approx(level_lufs(NOISE, RATE), abs=1e-6)


def test_silence_is_not_matched() -> None:
    silent = Cut(0, RATE, NOISE * 0, NOISE * 0, 0.0)
    found = sounds([silent, cut_of(1, 0.5, ChainSettings(0.0))], [0, 1], ["a", "b", "c", "d"], 1)
    assert found[0].matched_db == 0.0
    assert found[0].played_lufs is None


def test_the_versions_of_a_vote_have_one_length_and_one_loudness_and_are_stored_apart() -> None:
    """Matched within 0.1 LU, measured on what is stored; the gain is worked in, so no number tells."""
    crushed = np.clip(NOISE * 4.0, -0.9, 0.9)[: NOISE.shape[0] - 77]
    made = vote_sounds([NOISE * np.float32(0.7), crushed, NOISE[:, :1]], RATE, ["x", "y", "z"], 3)
    assert made.difference_lu <= 0.1
    assert made.difference_lu < 0.01  # what it comes to
    assert len({clip.stored.samples.shape for clip in made.clips}) == 1
    assert {clip.stored.gain_db for clip in made.clips} == {0.0}
    assert not np.array_equal(made.clips[0].stored.samples, made.clips[2].stored.samples)


def test_a_silent_version_cannot_be_voted_on() -> None:
    with pytest.raises(ValueError, match="silent"):
        vote_sounds([NOISE, NOISE * 0], RATE, ["x", "y"], 3)

"""Kept masks against the whole meter: the same model, so the same share, for less work."""

from __future__ import annotations

import numpy as np
import pytest
from support import signals

from simulator.audibility.kept_masks import MaskMeter, Masks, ShareMeter
from simulator.audibility.noise_to_mask import AudibilityMeter, Block

RATE, SECONDS = 44_100, 4


@pytest.fixture(scope="module")
def music() -> Block:
    """Pink noise in swells, with a hit every 0.3 s."""
    frames = SECONDS * RATE
    time = np.arange(frames) / RATE
    noise = np.stack([signals.pink_noise(frames, 40 + side, RATE) for side in (0, 1)], axis=1)
    level = 0.1 * (1.2 + np.sin(2.0 * np.pi * time)) + 0.5 * np.exp(-30.0 * (time % 0.3))
    return (noise / np.abs(noise).max() * level[:, np.newaxis]).astype(np.float32)


def masks_of(music: Block, step: int = 65_536) -> Masks:
    meter = MaskMeter(RATE, music.shape[1])
    for start in range(0, music.shape[0], step):
        meter.push(music[start : start + step])
    return meter.finish()


def share(masks: Masks, ours: Block, theirs: Block) -> float | None:
    meter = ShareMeter(masks)
    for start in range(0, ours.shape[0], 65_536):
        meter.push(ours[start : start + 65_536], theirs[start : start + 65_536])
    return meter.share_audible


def test_the_share_is_that_of_the_whole_meter(music: Block) -> None:
    """Half as many frames: within 3 % of the music on four seconds, and rising with the clipping."""
    masks, found = masks_of(music), []
    for over_db in (12.0, 20.0, 24.0, 30.0):
        limit = np.float32(np.abs(music).max() * 10.0 ** (-over_db / 20.0))
        clipped = np.clip(music, -limit, limit)
        whole = AudibilityMeter(RATE, 2)
        whole.push(music, clipped)
        expected = whole.finish().share_audible
        assert expected is not None
        found.append(share(masks, music, clipped))
        assert found[-1] == pytest.approx(expected, abs=0.03)
    assert found == sorted(found)
    assert found[-1] > 0.1


def test_plain_gain_is_no_change_and_silence_has_no_share(music: Block) -> None:
    assert share(masks_of(music), music, music * np.float32(0.3)) == 0.0
    silence = np.zeros_like(music)
    assert share(masks_of(silence), silence, silence) is None


def test_masks_do_not_depend_on_the_blocks(music: Block) -> None:
    one, other = masks_of(music), masks_of(music, 10_007)
    assert np.array_equal(one.mask, other.mask)
    assert np.array_equal(one.active, other.active)

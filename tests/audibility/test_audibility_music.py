"""Real music: what is clipped deeper, or coded at fewer bits, is said to be more audible."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from support.external import require_external
from support.real_music import files

from simulator.audibility.noise_to_mask import AudibilityMeter
from simulator.audio_files.reader import AudioReader
from simulator.codecs.codec import decode, encode
from simulator.normalizer.profile import Delivery

pytestmark = [pytest.mark.heavy, pytest.mark.external]

RATE = 44_100
SONGS = ("chaosland-song", "feelings-song", "madness-song", "freedom-song")
Audio = NDArray[np.float32]


@pytest.fixture(scope="module", params=SONGS)
def music(request: pytest.FixtureRequest) -> Audio:
    """Fifteen seconds from 0:40 on."""
    found = files()
    if found is None:
        require_external("the music package has not been fetched")
    with AudioReader(str(found[request.param])) as reader:
        samples = np.concatenate(list(reader))
    return np.ascontiguousarray(samples[40 * RATE : 55 * RATE])


def figures(open_: Audio, other: Audio) -> tuple[float, float]:
    """Share of the frames, and noise-to-mask ratio."""
    meter = AudibilityMeter(RATE, open_.shape[1])
    meter.push(open_, other)
    found = meter.finish()
    assert found.share_audible is not None
    return found.share_audible, -300.0 if found.nmr_db is None else found.nmr_db


def test_clipping_from_0_to_12_db_rises_monotonically(music: Audio) -> None:
    peak = float(np.abs(music).max())
    found = []
    for depth_db in (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0):
        ceiling = np.float32(peak * 10.0 ** (-depth_db / 20.0))
        found.append(figures(music, np.clip(music, -ceiling, ceiling)))
    shares, ratios = ([one[place] for one in found] for place in (0, 1))
    assert shares[0] == 0.0
    assert shares == sorted(shares)
    assert ratios == sorted(ratios)
    assert shares[-1] > 0.1


def test_mp3_at_falling_bit_rates_rises_monotonically(music: Audio, tmp_path: Path) -> None:
    found = []
    for kbps in (320.0, 256.0, 192.0, 160.0, 128.0, 96.0, 64.0):
        path = tmp_path / f"{kbps:.0f}.mp3"
        frames = encode([music], RATE, 2, Delivery(codec="mp3", bit_rate_kbps=kbps), path)
        found.append(figures(music, np.concatenate(list(decode(path, frames)))))
    shares, ratios = ([one[place] for one in found] for place in (0, 1))
    assert shares == sorted(shares)
    assert ratios == sorted(ratios)
    assert shares[0] < 0.1
    assert shares[-1] > 0.5

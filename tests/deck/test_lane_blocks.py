"""What lies in a lane is what `render --rate` writes, limiter state included, and mono in both channels."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.deck_lanes import plain_cells
from support.signals import both, click_train, pink_noise

from simulator.audio_files.reader import AudioReader
from simulator.common.errors import AudioError
from simulator.deck.interface import LaneKey
from simulator.deck.renderer import Make, Renderer, lane_blocks, to_stereo
from simulator.deck.shared_memory import FAILED, READY, MappedLanes, lane_path
from simulator.dsp.ceiling import LimiterSettings
from simulator.engine.render import TrackJob, render_track
from simulator.metering.passage import Passage
from simulator.normalizer.chain import ChainSettings
from simulator.storage.small_files import changed_since, stamp_of

LIMITED = ChainSettings(9.0, LimiterSettings(-1.0, "true", 2.0, 120.0))
CHAINS = [
    ChainSettings(0.0),
    LIMITED,
    ChainSettings(9.0, LIMITED.limiter, 1.0),
    ChainSettings(6.0, None, 0.0),
]


def song(folder: Path, channels: int, rate: int = 44_100) -> Path:
    wave = 0.1 * pink_noise(3 * rate, 4, rate) + 0.5 * click_train(rate, 3.0)
    samples = (
        both(wave) * [1.0, 0.7]
        if channels == 2
        else np.stack([wave * (1 - 0.1 * n) for n in range(channels)], 1)
    )
    soundfile.write(folder / "song.wav", samples, rate, subtype="FLOAT")
    return folder / "song.wav"


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("chain", CHAINS, ids=["gain", "limiter", "limiter and converter", "converter"])
def test_a_lane_is_the_render_at_the_device_s_rate(
    tmp_path: Path, chain: ChainSettings, channels: int, rate: int
) -> None:
    """Rests on the one chain, run with the same settings from the first frame on, in the same segments."""
    path = song(tmp_path, channels)
    target = tmp_path / "render.wav"
    render_track(TrackJob(str(path), str(target), chain, "float32", False, Passage(0, 1, ""), rate))
    rendered, _ = soundfile.read(target, dtype="float32", always_2d=True)
    lane = np.concatenate(list(lane_blocks(LaneKey(str(path), chain), rate)))
    assert np.array_equal(lane, np.repeat(rendered, 2, axis=1) if channels == 1 else rendered)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_the_file_s_own_lane_with_the_gain_as_a_number_is_the_render_of_a_gain(
    tmp_path: Path, rate: int
) -> None:
    """At the same rate bit for bit; at another one the gain comes after the conversion instead of before it,
    which is a rounding of float32 (2^-24 of full scale is 6e-8)."""
    path = song(tmp_path, 2)
    target = tmp_path / "render.wav"
    chain = ChainSettings(-6.3)
    render_track(TrackJob(str(path), str(target), chain, "float32", False, Passage(0, 1, ""), rate))
    rendered, _ = soundfile.read(target, dtype="float32")
    lane = np.concatenate(list(lane_blocks(LaneKey(str(path)), rate))) * np.float32(10.0 ** (-6.3 / 20.0))
    assert np.abs(lane - rendered).max() <= (0.0 if rate == 44_100 else 2.0**-23)


def test_surround_is_folded_down_by_the_standard_s_coefficients() -> None:
    block = np.eye(6, dtype=np.float32)
    wanted = [(1, 0), (0, 1), (0.7071, 0.7071), (0, 0), (0.7071, 0), (0, 0.7071)]  # L R C LFE Ls Rs
    assert np.array_equal(to_stereo(block), np.array(wanted, np.float32))
    assert np.array_equal(to_stereo(np.eye(3, dtype=np.float32))[2], np.float32([0.7071, 0.7071]))
    assert np.array_equal(to_stereo(np.eye(4, dtype=np.float32))[3], np.float32([0, 0.7071]))


def test_the_lane_wanted_most_is_made_first_and_can_be_read_while_it_grows(tmp_path: Path) -> None:
    path = song(tmp_path, 2)
    cells = plain_cells(44_100)
    renderer, mapped = Renderer(tmp_path, cells, 44_100), MappedLanes(tmp_path, cells, 44_100)
    renderer.take(Make(0, 1, LaneKey(str(path)), 132_300, 0))
    renderer.step()
    assert cells.lanes[0, READY] == 65_536
    renderer.take(Make(1, 1, LaneKey(str(path), LIMITED), 132_300, 5))
    renderer.step()
    assert cells.lanes[1, READY] > 0
    assert cells.lanes[0, READY] == 65_536
    mapped.keep([0, 1])
    mapped.warm(0, 60_000)
    wanted, _ = soundfile.read(path, dtype="float32")
    samples, ready, total = mapped.look(0)
    assert (ready, total) == (65_536, None)
    assert np.array_equal(samples[:ready], wanted[:ready])
    while renderer.busy:
        assert renderer.step() is None
    mapped.keep([0])
    samples, ready, total = mapped.look(0)
    assert (ready, total) == (132_300, 132_300)
    assert np.array_equal(samples[:ready], wanted)
    renderer.take(Make(0, 2, LaneKey(str(path)), 132_300, 0))
    assert mapped.look(0)[1] == 0  # begun anew: what is mapped is the old one
    assert not lane_path(tmp_path, 0, 1).exists()
    mapped.close()


def measured(path: Path) -> LaneKey:
    """The file as it is now, as a session measures it."""
    with AudioReader(str(path)) as reader:
        assert sum(block.shape[0] for block in reader)
    return LaneKey(str(path), None, stamp_of(str(path)), reader.content)


def test_a_file_written_anew_with_the_same_samples_is_the_file_that_was_measured(tmp_path: Path) -> None:
    path = song(tmp_path, 2)
    key = measured(path)
    before = np.concatenate(list(lane_blocks(key, 44_100)))
    os.utime(path, ns=(1, 1))
    assert changed_since(str(path), key.stamp)
    assert np.array_equal(np.concatenate(list(lane_blocks(key, 44_100))), before)


def test_another_file_under_the_name_that_was_measured_is_refused_before_a_frame_of_it_sounds(
    tmp_path: Path,
) -> None:
    key = measured(song(tmp_path, 2))
    soundfile.write(key.path, np.zeros((10, 2)), 44_100)
    blocks, sounded = lane_blocks(key, 44_100), []
    with pytest.raises(AudioError, match="has changed on disk since it was measured"):
        sounded.extend(block.shape[0] for block in blocks)
    assert not any(sounded)


def test_a_file_that_is_written_over_while_it_is_read_is_refused_at_its_end(tmp_path: Path) -> None:
    key = measured(song(tmp_path, 2))
    blocks = lane_blocks(key, 44_100)
    assert next(blocks).shape[0] > 0
    os.utime(key.path, ns=(1, 1))  # the same samples still
    assert sum(block.shape[0] for block in blocks) > 0
    with pytest.raises(AudioError, match="has changed on disk since it was measured"):
        written_while_read(replace(key, stamp=stamp_of(key.path), content="of other samples"))


def written_while_read(key: LaneKey) -> None:
    for _ in lane_blocks(key, 44_100):
        os.utime(key.path, ns=(2, 2))


def test_a_lane_longer_than_its_header_promised_is_whole(tmp_path: Path) -> None:
    path = song(tmp_path, 2)
    cells = plain_cells(44_100)
    renderer, mapped = Renderer(tmp_path, cells, 44_100), MappedLanes(tmp_path, cells, 44_100)
    renderer.take(Make(0, 1, LaneKey(str(path)), 70_000, 0))
    renderer.step()
    mapped.keep([0])
    while renderer.busy:
        renderer.step()
    mapped.keep([0])
    assert mapped.look(0)[1:] == (132_300, 132_300)
    mapped.close()


def test_a_damaged_file_s_lane_ends_where_the_damage_is(tmp_path: Path) -> None:
    flac = tmp_path / "song.flac"
    soundfile.write(flac, 0.1 * both(pink_noise(400_000, 4, 44_100)), 44_100)
    data = flac.read_bytes()
    flac.write_bytes(data[: len(data) // 2])
    cells = plain_cells(44_100)
    renderer = Renderer(tmp_path, cells, 44_100)
    renderer.take(Make(0, 1, LaneKey(str(flac)), 400_000, 0))
    failed = None
    while renderer.busy:
        failed = renderer.step() or failed
    assert failed is not None
    assert failed.why.startswith(str(flac))
    assert cells.lanes[0, FAILED] == 1
    assert cells.total(0) == cells.lanes[0, READY] > 0


@pytest.mark.parametrize("channels", [2, 3, 4, 5, 6])
def test_desk_and_page_fold_surround_to_the_same_samples(channels: int) -> None:
    """By the one table (BS.775-3, Annex 4, table 2; its value of 0.7071 from memory), bit for bit."""
    from simulator.page import clips

    block = np.random.default_rng(channels).uniform(-1.0, 1.0, (999, channels)).astype(np.float32)
    assert np.array_equal(to_stereo(block), clips.folded(block))
    tone = np.zeros((1, channels), np.float32)
    tone[0, -1] = 1.0
    assert to_stereo(tone)[0].max() == np.float32(0.7071 if channels > 2 else 1.0)

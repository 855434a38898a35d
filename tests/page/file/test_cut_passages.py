"""Passages are the chain's whole output, cut; converted where the rate is high; FLAC gives them back."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.in_memory import play_array
from support.signals import both, pink_noise

from simulator.common.errors import SimulatorError
from simulator.dsp.ceiling import LimiterSettings
from simulator.engine.measure import Job, measure_file
from simulator.metering.passage import Passage
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.profile import Delivery
from simulator.page.clips import Clip, stored
from simulator.page.file.cut_passages import CutJob, cut, cut_all, flac, page_rate

RATE = 44_100
LIMITED = ChainSettings(8.0, LimiterSettings(-1.0, "true", 3.0, 150.0))


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cut") / "music.wav"
    noise = pink_noise(5 * RATE, seed=8, sample_rate=RATE)
    soundfile.write(path, both(0.5 * noise / np.abs(noise).max()), RATE, subtype="PCM_24")
    return path


@pytest.mark.parametrize(
    "chain", [ChainSettings(0.0), ChainSettings(-7.0), LIMITED], ids=["0 dB", "down", "limited"]
)
def test_a_cut_is_the_chains_whole_output_bit_for_bit(file: Path, chain: ChainSettings) -> None:
    places = (Passage(3.2, 0.7, ""), Passage(0.0, 1.0, ""), Passage(2.9, 2.1, ""))
    found = cut(CutJob(str(file), chain, places))
    assert found.plain is (chain != LIMITED)
    whole, _ = soundfile.read(file, dtype="float32")
    played, _ = play_array(whole, RATE, chain)
    for place, delivered, heard in zip(places, found.delivered, found.played, strict=True):
        first, last = place.frames(RATE)
        assert np.array_equal(delivered, whole[first:last])
        assert np.array_equal(heard, played[first:last])


def test_a_delivery_acts_before_the_gain(file: Path) -> None:
    """16 bits before a gain of −7 dB: on the grid of 16 bits only once the gain is taken away again."""
    job = CutJob(str(file), ChainSettings(-7.0), (Passage(1.0, 0.5, ""),), Delivery(bits=16))
    found = cut(job)
    assert not found.plain
    steps = found.played[0] * np.float32(10 ** (7.0 / 20)) * 32768
    assert np.abs(steps - np.rint(steps)).max() < 0.02  # float32 rounding of the two gains
    assert np.abs(found.played[0] - found.delivered[0] * np.float32(10 ** (-7.0 / 20))).max() < 2 / 32768


def test_what_is_encoded_already_gives_the_same_cuts(file: Path, tmp_path: Path) -> None:
    """Measuring has filled the cache: the decode comes from there, the rest from the master."""
    job = CutJob(
        str(file),
        ChainSettings(-7.0),
        (Passage(1.0, 0.5, ""), Passage(3.0, 0.5, "")),
        Delivery(codec="vorbis", bit_rate_kbps=160.0, full_scale="after_gain"),
    )
    fresh = cut(job)
    kept = tmp_path / "kept"
    content = measure_file(Job(job.path, delivery=job.delivery, keep_in=kept)).content
    job = replace(job, content=content, keep_in=kept)
    (encoded,) = kept.iterdir()
    before = encoded.read_bytes()
    again = cut(job)
    assert encoded.read_bytes() == before
    whole, _ = soundfile.read(file, dtype="float32")
    assert np.array_equal(again.delivered[1], whole[3 * RATE : 3 * RATE + RATE // 2])
    for one, other in zip((*fresh.delivered, *fresh.played), (*again.delivered, *again.played), strict=True):
        assert one.shape[0] == RATE // 2
        assert np.array_equal(one, other)


@pytest.mark.parametrize(
    ("rate", "target"),
    [(8_000, 8_000), (44_100, 44_100), (48_000, 48_000), (88_200, 44_100), (96_000, 48_000),
     (176_400, 44_100), (192_000, 48_000), (64_000, 32_000), (50_000, 25_000)],
)  # fmt: skip
def test_high_rates_are_halved_or_quartered(rate: int, target: int) -> None:
    assert page_rate(rate) == target


def test_a_passage_at_96_khz_comes_at_48_with_the_same_tone(tmp_path: Path) -> None:
    path = tmp_path / "high.wav"
    time = np.arange(2 * 96_000) / 96_000
    soundfile.write(path, both(0.5 * np.sin(2 * np.pi * 997 * time)), 96_000, subtype="PCM_24")
    found = cut(CutJob(str(path), ChainSettings(0.0), (Passage(0.5, 1.0, ""),)))
    assert found.rate == 48_000
    assert found.played[0].shape == (48_000, 2)
    middle = found.played[0][4_800:-4_800, 0]
    assert np.sqrt(2 * np.mean(middle.astype(np.float64) ** 2)) == pytest.approx(0.5, rel=1e-4)


def test_flac_gives_back_every_sample_and_no_tags() -> None:
    made = stored(np.random.default_rng(1).uniform(-1, 1, (3000, 2)).astype(np.float32), 2)
    data = flac(Clip("c", RATE, made))
    found, rate = soundfile.read(io.BytesIO(data), dtype="int16")
    assert rate == RATE
    assert np.array_equal(found, made.samples)
    with soundfile.SoundFile(io.BytesIO(data)) as file:
        assert file.subtype == "PCM_16"
        assert file.copy_metadata() == {}


def test_a_file_that_fails_costs_no_other(file: Path) -> None:
    gone = CutJob(str(file.with_name("gone.wav")), ChainSettings(0.0), (Passage(0.0, 1.0, ""),))
    good = CutJob(str(file), ChainSettings(0.0), (Passage(0.0, 1.0, ""),))
    first, second = cut_all([gone, good], 0)
    assert isinstance(first, SimulatorError)
    assert not isinstance(second, SimulatorError)

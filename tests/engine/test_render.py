"""What stands on the disk after a render, measured again by meters that are not the program's own."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly
from support.ebur128 import Library
from support.signals import band_limited, both, click_train, pink_noise, sine
from support.true_peak_reference import true_peak_dbtp

from simulator.audio_files import reader
from simulator.common.errors import SimulatorError, WriteError
from simulator.engine import render as rendering
from simulator.engine.predict import measure_tracks, predict
from simulator.engine.render import Outcome, RenderPlan, render
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import Playlist, Track
from simulator.storage.bundled import load_profiles
from simulator.storage.measurement_cache import Store
from simulator.storage.writing import whole_file

RATE = 44_100
LSB = 2.0**-23
EDGE = round(0.005 * RATE) + 1
GAP = RATE // 2
Audio = NDArray[np.float32]


def plan_of(
    tracks: Sequence[Path | Track], profile: str, out: Path, form: str = "float32", seconds: float = 2.0
) -> RenderPlan:
    """A plan without cache and workers; bare paths are singles."""
    entries = tuple(one if isinstance(one, Track) else Track(str(one), one.stem) for one in tracks)
    store = Store(None, print)
    delivered = measure_tracks(Playlist("", "", None, entries, "", ""), store, 0)
    (chosen,) = load_profiles([profile])
    (predictions,) = predict([chosen], delivered, "", store, 0)
    return RenderPlan(chosen, out, delivered, predictions, form, seconds)


def rendered(
    tracks: Sequence[Path | Track], profile: str, out: Path, form: str = "float32", seconds: float = 2.0
) -> list[Prediction]:
    """Renders, and returns the predictions; every track has to succeed."""
    plan = plan_of(tracks, profile, out, form, seconds)
    assert render(plan) == Outcome(len(tracks), [])
    return [found for found in plan.predictions if isinstance(found, Prediction)]


def read(path: Path) -> Audio:
    samples, _ = soundfile.read(path, dtype="float32", always_2d=True)
    return np.asarray(samples, dtype=np.float32)


def peaky(rate: int, seconds: float, seed: int, channels: int = 2) -> NDArray[np.float64]:
    """Noise at about −24 LUFS with clicks that rise to about −5 dBFS, limited to 0.45 of the rate: a
    boost to −14 has to be held back or limited."""
    frames = round(seconds * rate)
    parts = [
        0.03 * pink_noise(frames, seed + channel, rate) + 0.5 * click_train(rate, seconds)
        for channel in range(channels)
    ]
    return np.stack([band_limited(part) for part in parts], axis=1)


def written(path: Path, samples: NDArray[np.floating], rate: int = RATE, subtype: str = "PCM_24") -> Path:
    soundfile.write(path, samples, rate, subtype=subtype)
    return path


# --- against independent meters ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def excerpt(music_files: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first 20 s of a song with a peak-to-loudness ratio of 14.6 dB, brought down so that a boost to
    −14 LUFS is wanted, and one under −1 dBTP needs a limiter."""
    with soundfile.SoundFile(music_files["freedom-song"]) as song:
        rate = song.samplerate
        samples = song.read(20 * rate, dtype="float32")
    return written(tmp_path_factory.mktemp("music") / "excerpt.wav", 0.25 * samples, rate)


def assert_as_predicted(library: Library, path: Path, found: Prediction, ceiling_dbtp: float | None) -> None:
    """0.05 LU is what an engineer's meter does not show; the ceiling's 0.05 dB is what a detector of 8×
    and more may leave between its points."""
    samples, rate = read(path), soundfile.info(path).samplerate
    loudness = library.integrated_lufs(samples, rate)
    assert found.played.integrated_lufs is not None
    assert loudness == pytest.approx(found.played.integrated_lufs, abs=0.05)
    peak = true_peak_dbtp(samples, 16)
    assert peak == pytest.approx(found.played.true_peak_dbtp, abs=0.06)
    if ceiling_dbtp is not None:
        assert peak is not None
        assert peak <= ceiling_dbtp + 0.05


@pytest.mark.external
@pytest.mark.parametrize(
    ("profile", "ceiling_dbtp", "limited_by", "limiter_acts"),
    [
        ("minus14-headroom", -1.0, "headroom", False),
        ("minus14-limited", -1.0, "nothing", True),
        ("minus14-down", None, "no_upward_gain", False),
        ("replaygain2-track", 0.0, "headroom", False),
    ],
)
@pytest.mark.parametrize(("rate", "channels"), [(44_100, 2), (48_000, 2), (44_100, 1)])
def test_a_render_measures_as_predicted(
    libebur128: Library,
    tmp_path: Path,
    profile: str,
    ceiling_dbtp: float | None,
    limited_by: str,
    limiter_acts: bool,
    rate: int,
    channels: int,
) -> None:
    source = written(tmp_path / "quiet.wav", peaky(rate, 4.0, 80, channels), rate)
    (found,) = rendered([source], profile, tmp_path / "out")
    assert found.decision.limited_by == limited_by
    assert (found.limiter.max_reduction_db > 1.0) == limiter_acts
    assert_as_predicted(libebur128, tmp_path / "out" / "01-quiet.wav", found, ceiling_dbtp)


@pytest.mark.external
def test_a_loud_track_turned_down_measures_as_predicted(libebur128: Library, tmp_path: Path) -> None:
    loud = np.clip(10.0 * peaky(RATE, 4.0, 81), -1.0, 1.0)
    (found,) = rendered([written(tmp_path / "loud.wav", loud)], "minus14-down", tmp_path / "out")
    assert found.decision.gain_db < -3.0
    assert_as_predicted(libebur128, tmp_path / "out" / "01-loud.wav", found, None)
    assert libebur128.integrated_lufs(read(tmp_path / "out" / "01-loud.wav"), RATE) == pytest.approx(
        -14.0, abs=0.05
    )


@pytest.mark.external
@pytest.mark.parametrize("profile", ["minus14-limited", "minus14-headroom"])
def test_real_music_measures_as_predicted(
    libebur128: Library, excerpt: Path, tmp_path: Path, profile: str
) -> None:
    (found,) = rendered([excerpt], profile, tmp_path / "out")
    assert found.decision.gain_db > 1.0
    assert (found.limiter.max_reduction_db > 1.0) == (profile == "minus14-limited")
    assert_as_predicted(libebur128, tmp_path / "out" / "01-excerpt.wav", found, -1.0)


# --- samples ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("profile", ["untouched", "minus14-down"])
def test_with_0_db_the_render_is_the_source_bit_for_bit(tmp_path: Path, subtype: str, profile: str) -> None:
    source = written(tmp_path / "a.wav", peaky(RATE, 2.0, 82), subtype=subtype)
    rendered([source], profile, tmp_path / "out")
    out = tmp_path / "out" / "01-a.wav"
    assert soundfile.info(out).subtype == "FLOAT"
    assert read(out).tobytes() == read(source).tobytes()


@pytest.mark.parametrize(("form", "name"), [("wav24", "01-a.wav"), ("flac24", "01-a.flac")])
def test_with_0_db_a_24_bit_source_keeps_its_bits_in_24_bit_files(
    tmp_path: Path, form: str, name: str
) -> None:
    source = written(tmp_path / "a.wav", peaky(RATE, 2.0, 83))
    rendered([source], "untouched", tmp_path / "out", form)
    assert np.array_equal(
        soundfile.read(tmp_path / "out" / name, dtype="int32")[0], soundfile.read(source, dtype="int32")[0]
    )


def test_samples_above_full_scale_survive_in_float(tmp_path: Path) -> None:
    source = written(tmp_path / "hot.wav", 3.0 * peaky(RATE, 1.0, 84), subtype="FLOAT")
    rendered([source], "untouched", tmp_path / "out")
    assert np.abs(read(source)).max() > 1.2
    assert np.array_equal(read(tmp_path / "out" / "01-hot.wav"), read(source))


@pytest.mark.parametrize(("form", "name"), [("wav24", "01-a.wav"), ("flac24", "01-a.flac")])
def test_24_bit_files_are_the_float_render_within_one_and_a_half_steps(
    tmp_path: Path, form: str, name: str
) -> None:
    """Triangular dither of ±1 step, and half a step of rounding; without dither half a step would do."""
    source = written(tmp_path / "a.wav", peaky(RATE, 2.0, 85))
    rendered([source], "minus14-headroom", tmp_path / "float")
    rendered([source], "minus14-headroom", tmp_path / "whole", form)
    assert soundfile.info(tmp_path / "whole" / name).subtype == "PCM_24"
    exact = read(tmp_path / "float" / "01-a.wav").astype(np.float64)
    error = soundfile.read(tmp_path / "whole" / name, dtype="float64")[0] - exact
    assert np.abs(error).max() <= 1.5 * LSB
    assert np.abs(error).max() > LSB
    # variance of rounding with triangular dither: (1/12 + 2/12) of a step squared (Lipshitz, Wannamaker,
    # Vanderkooy, JAES 40, 1992; from memory)
    assert np.mean((error / LSB) ** 2) == pytest.approx(0.25, rel=0.03)


@pytest.mark.parametrize("form", ["wav24", "flac24"])
def test_24_bits_refuse_what_would_clip_and_the_other_tracks_are_whole(tmp_path: Path, form: str) -> None:
    hot = written(tmp_path / "hot.wav", 3.0 * peaky(RATE, 1.0, 86), subtype="FLOAT")
    calm = written(tmp_path / "calm.wav", peaky(RATE, 1.0, 87))
    outcome = render(plan_of([hot, calm], "untouched", tmp_path / "out", form))
    (problem,) = outcome.problems
    ending = form.removesuffix("24")
    assert outcome.tracks == 1
    assert isinstance(problem, WriteError)
    assert f"01-hot.{ending}: 24 bit would clip at 0:00.0" in problem.message
    assert "float32" in problem.hint
    assert sorted(os.listdir(tmp_path / "out")) == [
        f"02-calm.{ending}",
        f"montage-delivered.{ending}",
        "montage-places.txt",
        f"montage-played.{ending}",
    ]


def test_back_to_back_files_that_24_bits_do_not_hold_are_turned_down_together(tmp_path: Path) -> None:
    """Delivered above full scale, played below it: only the delivered one would clip. Both go down by one
    amount in whole tenths of a dB, which the table names, so that they still compare."""
    hot = written(tmp_path / "hot.wav", 3.0 * both(0.4 * pink_noise(2 * RATE, 88, RATE)), subtype="FLOAT")
    free = render(plan_of([hot], "r128", tmp_path / "free"))
    assert (free.tracks, free.problems, free.montage_trim_db) == (1, [], 0.0)
    outcome = render(plan_of([hot], "r128", tmp_path / "out", "wav24"))
    assert (outcome.tracks, outcome.problems) == (1, [])
    peak = np.abs(read(tmp_path / "free" / "montage-delivered.wav")).max()
    wanted = -np.ceil(200.0 * np.log10(peak)) / 10.0
    assert peak > 1.0
    assert outcome.montage_trim_db == pytest.approx(wanted, abs=1e-9)
    for name in ("montage-delivered.wav", "montage-played.wav"):
        whole = read(tmp_path / "free" / name) * np.float32(10.0 ** (wanted / 20.0))
        assert np.abs(read(tmp_path / "out" / name) - whole).max() <= 1.6 * LSB  # rounding and its dither
    said = (tmp_path / "out" / "montage-places.txt").read_text(encoding="utf-8")
    assert f"turned down {-wanted:.1f} dB" in said
    assert "turned down" not in (tmp_path / "free" / "montage-places.txt").read_text(encoding="utf-8")


def test_a_round_file_that_cannot_be_written_costs_no_track(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(plan: RenderPlan, *_: object) -> float:
        raise WriteError(f"{plan.folder / 'montage-played.wav'}: cannot be written.")

    monkeypatch.setattr(rendering, "_write_montages", refuses)
    source = written(tmp_path / "a.wav", peaky(RATE, 1.0, 88))
    outcome = render(plan_of([source], "r128", tmp_path / "out", "wav24"))
    assert outcome.tracks == 1
    assert ["montage-played.wav" in problem.message for problem in outcome.problems] == [True]
    assert (tmp_path / "out" / "01-a.wav").is_file()


def test_of_renders_into_one_new_folder_at_once_one_wins_and_the_others_write_nothing(tmp_path: Path) -> None:
    """The loser is refused before any work: what is in the folder at the end is the winner's, whole."""
    plans = [
        plan_of([written(tmp_path / f"{name}.wav", peaky(RATE, 1.0, 60))], "r128", tmp_path / "out")
        for name in "abcd"
    ]
    start, found = threading.Barrier(4), dict[int, Outcome | WriteError]()

    def go(number: int) -> None:
        start.wait()
        try:
            found[number] = render(plans[number])
        except WriteError as problem:
            found[number] = problem

    threads = [threading.Thread(target=go, args=(number,)) for number in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    winners = [number for number, outcome in found.items() if outcome == Outcome(1, [])]
    refused = [str(outcome) for outcome in found.values() if isinstance(outcome, WriteError)]
    assert (len(winners), len(refused)) == (1, 3)
    assert all("writing to this folder" in words or "already exist" in words for words in refused)
    assert sorted(os.listdir(tmp_path / "out")) == [
        f"01-{'abcd'[winners[0]]}.wav",
        "montage-delivered.wav",
        "montage-places.txt",
        "montage-played.wav",
    ]


def test_while_one_renders_another_is_refused_with_force_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = plan_of([written(tmp_path / "a.wav", peaky(RATE, 1.0, 61))], "r128", tmp_path / "out")
    whole, caught = rendering.render_track, []

    def meets_another(job: rendering.TrackJob) -> rendering.Cuts:
        with pytest.raises(WriteError, match="another command is writing to this folder") as refused:
            render(plan, force=True)
        caught.append(refused.value.hint)
        return whole(job)

    monkeypatch.setattr(rendering, "render_track", meets_another)
    assert render(plan, force=True) == Outcome(1, [])
    assert caught == ["Wait until it has finished, or choose another folder."]
    monkeypatch.undo()
    assert render(plan, force=True) == Outcome(1, [])  # the claim is given back


@pytest.mark.parametrize("profile", ["minus14-headroom", "minus14-limited"])
@pytest.mark.parametrize("frames", [1, 441, 44_101, 100_003])
def test_a_render_has_the_source_s_frames(tmp_path: Path, profile: str, frames: int) -> None:
    source = written(tmp_path / "a.wav", peaky(RATE, 3.0, 89)[:frames])
    rendered([source], profile, tmp_path / "out")
    assert soundfile.info(tmp_path / "out" / "01-a.wav").frames == frames


def test_a_render_does_not_depend_on_the_reader_s_blocks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = written(tmp_path / "a.wav", peaky(RATE, 3.0, 90))
    for blocks in (reader.SEGMENT_FRAMES, 1009):
        monkeypatch.setattr(reader, "SEGMENT_FRAMES", blocks)
        for form in ("float32", "wav24"):
            rendered([source], "minus14-limited", tmp_path / f"{form}-{blocks}", form)
    for form in ("float32", "wav24"):
        one, other = sorted(tmp_path.glob(f"{form}-*"))
        for name in ("01-a.wav", "montage-played.wav", "montage-delivered.wav"):
            assert np.array_equal(read(one / name), read(other / name)), (form, name)


# --- names, and what is there already ---------------------------------------------------------------


def test_files_are_named_by_place_and_source(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    names = ["x.wav", "b/x.wav", "Fähre v1.2 – end.wav"]
    sources = [written(tmp_path / name, peaky(RATE, 0.5, 91)) for name in names]
    rendered(sources, "minus14-headroom", tmp_path / "out")
    assert sorted(os.listdir(tmp_path / "out")) == [
        "01-x.wav",
        "02-x.wav",
        "03-Fähre v1.2 – end.wav",
        "montage-delivered.wav",
        "montage-places.txt",
        "montage-played.wav",
    ]


@pytest.mark.parametrize("taken", ["01-a.wav", "montage-played.wav", "montage-places.txt"])
def test_nothing_is_overwritten_without_force(tmp_path: Path, taken: str) -> None:
    source, out = written(tmp_path / "a.wav", peaky(RATE, 1.0, 92)), tmp_path / "out"
    out.mkdir()
    (out / taken).write_bytes(b"the user's own")
    plan = plan_of([source], "minus14-headroom", out)
    with pytest.raises(WriteError, match="not overwritten") as caught:
        render(plan)
    assert "--force" in caught.value.hint
    assert os.listdir(out) == [taken]
    assert (out / taken).read_bytes() == b"the user's own"
    assert render(plan, force=True) == Outcome(1, [])
    assert (out / taken).read_bytes() != b"the user's own"
    assert len(os.listdir(out)) == 4


def test_a_source_in_the_folder_itself_is_not_written_over(tmp_path: Path) -> None:
    source = written(tmp_path / "01-a.wav", peaky(RATE, 1.0, 93))
    before = source.read_bytes()
    rendered([source], "minus14-headroom", tmp_path)
    assert source.read_bytes() == before
    assert (tmp_path / "01-01-a.wav").is_file()


# --- the round --------------------------------------------------------------------------------------


def swelling(seed: int, loud_from: float, seconds: float = 6.0, rate: int = RATE) -> NDArray[np.float64]:
    """Quiet noise with clicks, 12 dB louder for 2 s from a known place."""
    samples = peaky(rate, seconds, seed)
    samples[round(loud_from * rate) : round((loud_from + 2.0) * rate)] *= 4.0
    return np.clip(samples, -1.0, 1.0)


def start_of(part: Audio, whole: Audio) -> int:
    """Where a cut stands in the whole file, found by its samples alone."""
    probe = part[EDGE : EDGE + 8, 0]
    candidates = np.flatnonzero(whole[: whole.shape[0] - 8, 0] == probe[0])
    (found,) = [place for place in candidates if np.array_equal(whole[place : place + 8, 0], probe)]
    return int(found) - EDGE


def passages(path: Path, lengths: Sequence[int]) -> Iterator[Audio]:
    """The passages of a round file; between them there must be silence, and nothing after the last."""
    samples, at = read(path), 0
    for number, length in enumerate(lengths):
        if number:
            assert not samples[at : at + GAP].any()
            at += GAP
        yield samples[at : at + length]
        at += length
    assert samples.shape[0] == at


def assert_cut(part: Audio, whole: Audio, start: int) -> None:
    """Sample by sample, except that both edges rise from and fall to silence in 5 ms."""
    cut = whole[start : start + part.shape[0]]
    assert np.array_equal(part[EDGE:-EDGE], cut[EDGE:-EDGE])
    assert (np.abs(part) <= np.abs(cut)).all()
    assert np.abs(part[[0, -1]]).max() < 1e-3


def test_passages_are_cut_from_the_whole_render_and_versions_at_one_place(tmp_path: Path) -> None:
    """The first version swells at 3 s, the second (same song) at 0.5 s, the reference at 1.5 s."""
    sources = [
        written(tmp_path / f"{name}.wav", swelling(94, place))
        for name, place in [("open", 3.0), ("crushed", 0.5), ("reference", 1.5)]
    ]
    tracks = [Track(str(one), one.stem, song="ferry" if n < 2 else None) for n, one in enumerate(sources)]
    found = rendered(tracks, "louder-setting", tmp_path / "out")
    assert all(one.limiter.max_reduction_db > 0.5 for one in found)
    lengths = [2 * RATE] * 3
    for name, wholes in [
        ("montage-delivered.wav", sources),
        (
            "montage-played.wav",
            [tmp_path / "out" / f"{n}-{s.name}" for n, s in zip(("01", "02", "03"), sources, strict=True)],
        ),
    ]:
        starts = []
        for part, whole in zip(passages(tmp_path / "out" / name, lengths), wholes, strict=True):
            samples = read(whole)
            starts.append(start_of(part, samples))
            assert_cut(part, samples, starts[-1])
        assert starts[0] == starts[1]
        assert starts[0] / RATE == pytest.approx(3.0, abs=0.15)
        assert starts[2] / RATE == pytest.approx(1.5, abs=0.15)


def test_the_table_says_where_each_passage_is_and_why(tmp_path: Path) -> None:
    sources = [
        written(tmp_path / "open.wav", swelling(95, 3.0)),
        written(tmp_path / "crushed.wav", swelling(95, 0.5)),
    ]
    found = rendered([Track(str(one), one.stem, song="s") for one in sources], "r128", tmp_path / "out")
    table = (tmp_path / "out" / "montage-places.txt").read_text(encoding="utf-8")
    first, second = table.splitlines()[-2:]
    assert first.split()[0] == "0:00.0"
    assert second.split()[0] == "0:02.5"
    for line, one in zip((first, second), found, strict=True):
        assert f"{abs(one.decision.gain_db):.1f}" in line.split()[1]
    assert "its loudest 2 s" in first
    assert "the same passage as in the first version" in second


@pytest.mark.parametrize(
    ("widths", "names"),
    [
        ([1, 2], "L R"),
        ([1], "L R"),
        ([2, 4], "L R Ls Rs"),
        ([3, 4], "L R C Ls Rs"),
        ([4, 6, 5], "L R C LFE Ls Rs"),
    ],
)
def test_in_a_round_of_mixed_layouts_each_channel_keeps_its_own_loudspeaker(
    tmp_path: Path, widths: list[int], names: str
) -> None:
    """Every channel has a level of its own, by its name; the others are silent."""
    levels = {"L": 0.1, "R": 0.15, "C": 0.2, "LFE": 0.25, "Ls": 0.3, "Rs": 0.35, "M": 0.4}
    layouts = {1: "M", 2: "L R", 3: "L R C", 4: "L R Ls Rs", 5: "L R C Ls Rs", 6: "L R C LFE Ls Rs"}
    sources = []
    for width in widths:
        frame = [levels[name] for name in layouts[width].split()]
        sources.append(written(tmp_path / f"{width}.wav", np.tile(frame, (RATE, 1))))
    rendered(sources, "untouched", tmp_path / "out")
    whole = read(tmp_path / "out" / "montage-delivered.wav")
    for place, width in enumerate(widths):
        heard = whole[place * (RATE + GAP) + RATE // 2]
        wanted = {name: levels[name] for name in layouts[width].split()}
        if width == 1:
            wanted = {"L": levels["M"], "R": levels["M"]}
        assert heard == pytest.approx([wanted.get(name, 0.0) for name in names.split()], abs=1e-6), width
    table = (tmp_path / "out" / "montage-places.txt").read_text(encoding="utf-8")
    assert (f"channels {names}." in table) is (len(names.split()) > 2)


def test_a_passage_that_begins_at_a_minute_is_said_to(tmp_path: Path) -> None:
    """59.47 s and the half second between are 59.97: not "0:60.0"."""
    long = written(tmp_path / "a.wav", np.zeros((round(59.47 * 8000), 1)) + 0.1, 8000)
    rendered([long, long], "untouched", tmp_path / "out", seconds=100.0)
    table = (tmp_path / "out" / "montage-places.txt").read_text(encoding="utf-8")
    assert [line.split()[0] for line in table.splitlines()[-2:]] == ["0:00.0", "0:59.9"]


def test_mixed_rates_meet_at_the_most_common_one_and_mono_takes_both_loudspeakers(tmp_path: Path) -> None:
    mono = written(tmp_path / "mono.wav", peaky(RATE, 3.0, 96, channels=1))
    stereo = written(tmp_path / "stereo.wav", peaky(RATE, 3.0, 97))
    tone = both(0.25 * sine(1000.0, 48_000, 1.0))
    other = written(tmp_path / "other.wav", tone, 48_000)
    rendered([other, mono, stereo], "untouched", tmp_path / "out")
    assert soundfile.info(tmp_path / "out" / "01-other.wav").samplerate == 48_000
    assert soundfile.info(tmp_path / "out" / "montage-played.wav").samplerate == RATE
    parts = list(passages(tmp_path / "out" / "montage-played.wav", [RATE, 2 * RATE, 2 * RATE]))
    assert np.array_equal(parts[1][:, 0], parts[1][:, 1])
    whole = read(mono)
    assert_cut(parts[1][:, :1], whole, start_of(parts[1], whole))
    assert_cut(parts[2], read(stereo), start_of(parts[2], read(stereo)))
    # an independent resampler (scipy's polyphase) on the tone; away from the ends the two agree to −60 dB
    inside = slice(RATE // 10, -RATE // 10)
    expected = resample_poly(tone, 147, 160, axis=0)
    assert np.abs(parts[0][inside] - expected[inside]).max() < 1e-3 * 0.25
    assert np.abs(parts[0][inside] - sine(1000.0, RATE, 1.0)[inside, None] * 0.25).max() < 1e-4


# --- what can go wrong ------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("only root may mount a small file system; the limit on file sizes stands in for it")
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    try:
        done = subprocess.run(mount, capture_output=True, timeout=10, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command here; the limit on file sizes stands in for it")
    if done.returncode:
        pytest.skip("mounting is refused here; the limit on file sizes stands in for it")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], timeout=10, check=True)


@pytest.mark.parametrize("form", ["float32", "flac24"])
def test_a_full_disk_is_named_with_its_cure_and_leaves_no_half_file(
    tmp_path: Path, small_disk: Path, form: str
) -> None:
    noise = np.random.default_rng(98).uniform(-0.1, 0.1, (8 * RATE, 2))
    long, short = (written(tmp_path / "long.wav", noise), written(tmp_path / "short.wav", noise[: RATE // 4]))
    out = small_disk / "out"
    outcome = render(plan_of([long, short], "minus14-headroom", out, form, seconds=0.5))
    (problem,) = outcome.problems
    assert outcome.tracks == 1
    assert "01-long" in problem.message
    assert "No space left" in problem.message
    assert "Free some disk space" in problem.hint
    assert not any("long" in name for name in os.listdir(out))
    assert soundfile.info(next(out.glob("02-short.*"))).frames == RATE // 4


def test_a_refusal_of_the_system_is_named_and_leaves_no_half_file(tmp_path: Path) -> None:
    """A limit on the size of files stops the writing midway, as a full disk does."""
    resource = pytest.importorskip("resource", reason="limits on file sizes are a matter of POSIX")
    source, out = written(tmp_path / "a.wav", peaky(RATE, 4.0, 99)), tmp_path / "out"
    plan = plan_of([source], "minus14-headroom", out)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))
    try:
        outcome = render(plan)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    (problem,) = outcome.problems
    assert outcome.tracks == 0
    assert "01-a.wav: cannot be written: File too large" in problem.message
    assert os.listdir(out) == []


def test_a_track_that_vanishes_before_its_render_costs_itself_alone(tmp_path: Path) -> None:
    sources = [written(tmp_path / f"{name}.wav", peaky(RATE, 1.0, 100)) for name in "ab"]
    plan = plan_of(sources, "minus14-headroom", tmp_path / "out")
    sources[0].unlink()
    outcome = render(plan)
    (problem,) = outcome.problems
    assert outcome.tracks == 1
    assert "a.wav: file not found" in problem.message
    assert len(soundfile.read(tmp_path / "out" / "02-b.wav")[0]) == RATE
    assert not (tmp_path / "out" / "01-a.wav").exists()


@pytest.mark.heavy
@pytest.mark.parametrize("rate", [None, 48_000])
@pytest.mark.parametrize("profile", ["minus14-headroom", "minus14-opus128"])
def test_a_track_that_is_written_anew_before_its_render_costs_itself_alone(
    tmp_path: Path, profile: str, rate: int | None
) -> None:
    """What the player would do was worked out for other samples."""
    sources = [written(tmp_path / f"{name}.wav", peaky(RATE, 3.0, seed)) for seed, name in enumerate("ab")]
    plan = replace(plan_of(sources, profile, tmp_path / "out"), rate=rate)
    written(sources[1], 0.5 * peaky(RATE, 3.0, 1))
    outcome = render(plan)
    assert outcome.tracks == 1
    assert [problem.message for problem in outcome.problems] == [
        f"{sources[1]} has changed since it was measured."
    ]
    assert sorted(path.name for path in (tmp_path / "out").glob("0*")) == ["01-a.wav"]


def test_a_track_whose_prediction_failed_is_among_the_problems(tmp_path: Path) -> None:
    sources = [written(tmp_path / f"{name}.wav", peaky(RATE, 1.0, 101)) for name in "ab"]
    plan = plan_of(sources, "minus14-headroom", tmp_path / "out")
    lost = SimulatorError("a.wav: gone meanwhile.")
    plan = RenderPlan(plan.profile, plan.folder, plan.tracks, [lost, plan.predictions[1]], seconds=1.0)
    assert render(plan) == Outcome(1, [lost])
    assert (tmp_path / "out" / "02-b.wav").is_file()


def dies_while_writing(job: rendering.TrackJob) -> rendering.Cuts:
    """Stands in for the real work: the decoder of `b.wav` crashes when half of the file is written."""
    if Path(job.source).name == "b.wav":
        with whole_file(Path(job.target), job.force) as passing:
            passing.write_bytes(b"half")
            os.kill(os.getpid(), signal.SIGKILL)
    return rendering.render_track(job)


@pytest.mark.heavy
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="a process ends itself by a POSIX signal")
def test_a_crash_in_a_worker_costs_one_track_and_leaves_no_half_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sources = [written(tmp_path / f"{name}.wav", peaky(RATE, 1.0, 102)) for name in "ab"]
    plan = plan_of(sources, "minus14-headroom", tmp_path / "out")
    monkeypatch.setattr(rendering, "render_track", dies_while_writing)
    monkeypatch.setattr(rendering, "_seconds", lambda plan, good: 1e6)  # noqa: ARG005 - long enough for workers
    outcome = render(plan, workers=1)
    (problem,) = outcome.problems
    assert outcome.tracks == 1
    assert "b.wav: the decoder crashed on this file" in problem.message
    assert sorted(os.listdir(tmp_path / "out")) == [
        "01-a.wav",
        "montage-delivered.wav",
        "montage-places.txt",
        "montage-played.wav",
    ]

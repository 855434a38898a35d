"""The making of rungs: workers and this process alike, few passes, failures that cost one rung."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support import signals

from simulator.common.errors import AudioError, SimulatorError, WriteError
from simulator.engine import ladder
from simulator.engine.ladder import LadderRequest, build, ladder_playlist
from simulator.metering.meter import measure_array
from simulator.rungs.rung import Rung
from simulator.storage.bundled import load_profiles

RATE = 44_100


@pytest.fixture(scope="module")
def mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("mix") / "mix.wav"
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * np.arange(4 * RATE) / (2 * RATE))
    sides = [signals.pink_noise(4 * RATE, seed, RATE) * swell for seed in (5, 6)]
    both = np.stack(sides, axis=1)
    soundfile.write(path, 0.5 * both / np.abs(both).max(), RATE, subtype="PCM_24")
    return path


def wanted(
    mix: Path, *levels: float, folder: Path | None = None, detects: tuple[str, ...] = ("true",)
) -> LadderRequest:
    samples, rate = soundfile.read(mix, dtype="float32")
    profiles = tuple(load_profiles(["untouched"]))
    return LadderRequest(
        str(mix), measure_array(samples, rate), levels, -1.0, detects, "limit", profiles, folder  # type: ignore[arg-type]
    )  # fmt: skip


def test_a_rung_below_the_limiter_needs_no_pass_and_is_plain_gain(mix: Path, tmp_path: Path) -> None:
    (rung,) = build(wanted(mix, -24.0, folder=tmp_path / "out"))
    assert isinstance(rung, Rung)
    assert rung.passes == 0
    assert rung.action.max_reduction_db == 0.0
    assert rung.share_audible == 0.0
    assert not rung.limited
    assert rung.residual_lu is None or rung.residual_lu < -120.0
    assert rung.path is not None
    before, _ = soundfile.read(mix, dtype="float32")
    after, _ = soundfile.read(rung.path, dtype="float32")
    assert np.array_equal(after, before * np.float32(10.0 ** (rung.drive_db / 20.0)))


def test_a_mix_that_goes_away_costs_its_rungs_and_names_itself(mix: Path, tmp_path: Path) -> None:
    moved = dataclasses.replace(wanted(mix, -12.0, -10.0), mix=str(tmp_path / "gone.wav"))
    with pytest.raises(AudioError, match="file not found"):
        build(moved)


def test_nothing_is_overwritten_and_nothing_half_written_stays(mix: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "ladder.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(WriteError, match="not overwritten"):
        build(wanted(mix, -16.0, folder=folder))
    assert [path.name for path in folder.iterdir()] == ["ladder.toml"]
    assert (folder / "ladder.toml").read_text(encoding="utf-8") == "mine"


def test_a_rung_that_fails_costs_no_other_and_is_left_out_of_the_playlist(
    mix: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = ladder.write_audio

    def refuse(path: Path, *rest: object) -> None:
        if path.name.startswith("01"):
            raise WriteError(f"{path}: cannot be written: the disk is full.", "Make room.")
        real(path, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(ladder, "write_audio", refuse)
    found = build(wanted(mix, -20.0, -18.0, folder=tmp_path / "out"))
    assert isinstance(found[0], SimulatorError)
    assert isinstance(found[1], Rung)
    text = (tmp_path / "out" / "ladder.toml").read_text(encoding="utf-8")
    assert text.count("[[tracks]]") == 1
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["02-mix-18LUFS.wav", "ladder.toml"]


def test_both_kinds_get_names_of_their_own(mix: Path) -> None:
    jobs = wanted(mix, -16.0, -14.5, folder=Path("there"), detects=("true", "sample")).jobs(force=False)
    assert [job.target.name for job in jobs if job.target is not None] == [
        "01-mix-16LUFS.wav",
        "02-mix-14.5LUFS.wav",
        "03-mix-16LUFS-sample-peak.wav",
        "04-mix-14.5LUFS-sample-peak.wav",
    ]


def test_the_playlist_names_the_loudness_that_was_reached(mix: Path, tmp_path: Path) -> None:
    asked = wanted(mix, -20.0, folder=tmp_path / "out", detects=("true", "sample"))
    rungs = [rung for rung in build(asked) if isinstance(rung, Rung)]
    titles = [track.title for track in ladder_playlist(asked.mix, rungs).tracks]
    assert titles == ["mix (rung at −20.0 LUFS)", "mix (sample-peak rung at −20.0 LUFS)"]


@pytest.mark.parametrize(("limited", "spare", "workers"), [(3, True, 3), (3, False, 2), (4, True, 2)])
def test_an_odd_number_of_limited_rungs_gets_a_worker_more(
    limited: int, spare: bool, workers: int, mix: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rungs by plain gain take no time and do not count; whoever sets a number of workers gets no more."""
    monkeypatch.setattr(ladder, "POOL_PAYS_SECONDS", 0.0)
    started: list[int] = []

    def run(function: Any, jobs: list[Any], workers: int, _: Any) -> Iterator[tuple[int, Any]]:
        started.append(workers)
        return (result for result in enumerate(map(function, jobs)))

    monkeypatch.setattr(ladder.pool, "run", run)
    monkeypatch.setattr(ladder, "make_rung", lambda _: AudioError("none", ""))
    levels = (-30.0, -28.0, *(float(one) for one in range(-9 - limited, -9)))
    build(wanted(mix, *levels), workers=2, spare=spare)
    assert started == [0, workers]


@pytest.mark.heavy
def test_workers_give_the_same_rungs_as_this_process(mix: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rests on one machine, one BLAS thread each and the environment that a spawned worker inherits."""
    monkeypatch.setattr(ladder, "POOL_PAYS_SECONDS", 0.0)
    asked = wanted(mix, -14.0, -12.0)
    here, there = build(asked, workers=0), build(asked, workers=2)
    for one, other in zip(here, there, strict=True):
        assert isinstance(one, Rung)
        assert isinstance(other, Rung)
        assert (one.drive_db, one.residual_lu, one.action) == (
            other.drive_db,
            other.residual_lu,
            other.action,
        )
        assert one.measurement.integrated_lufs == other.measurement.integrated_lufs


def test_a_rung_that_does_not_come_to_its_loudness_is_called_by_the_one_it_has(
    tmp_path: Path,
) -> None:
    """A short click in silence: the limiter takes all that is driven into it."""
    samples = np.zeros((4 * RATE, 2), np.float32)
    samples[RATE : RATE + 3 * RATE : 5_000] = 0.5
    soundfile.write(tmp_path / "clicks.wav", samples, RATE, subtype="PCM_24")
    folder = tmp_path / "out"
    asked = wanted(tmp_path / "clicks.wav", -8.0, folder=folder)
    asked = dataclasses.replace(asked, profiles=tuple(load_profiles(["untouched", "minus14-limited"])))
    (rung,) = build(asked)
    assert isinstance(rung, Rung)
    assert not rung.reached
    name = f"01-clicks{rung.measurement.integrated_lufs:+.1f}LUFS.wav"
    assert rung.path == str(folder / name)
    assert sorted(path.name for path in folder.iterdir()) == [name, "ladder.toml"]
    assert f'path = "{name}"' in (folder / "ladder.toml").read_text(encoding="utf-8")
    (folder / "ladder.toml").unlink()
    with pytest.raises(WriteError, match="not overwritten"):
        raise build(asked)[0]  # type: ignore[misc]
    assert [path.name for path in folder.iterdir()] == [name]

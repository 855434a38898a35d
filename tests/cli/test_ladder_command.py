"""`fairhearing ladder` as a user meets it: the screen, the data, the files it writes, and its refusals."""

from __future__ import annotations

import json
import shlex
import shutil
import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from support import ebur128, signals
from support.schemas import valid
from support.true_peak_reference import true_peak_dbtp

from simulator.cli import app
from simulator.cli.commands import listen
from simulator.deck import live

SCHEMA = Path(__file__).resolve().parents[2] / "simulator" / "schemas" / "ladder.json"
RATE = 44_100
LIBRARY_LU = 0.02
"""libebur128 keeps the 48 kHz numerator of the weighting at 44.1 kHz (0.003 LU)."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A mix of hits over pink noise with a quiet and a loud half, 5 s, peak −3 dBFS, band-limited."""
    made = tmp_path_factory.mktemp("mixes")
    count = 5 * RATE
    time = np.arange(count) / RATE
    sides = []
    for side in (0, 1):
        wave = 0.06 * signals.pink_noise(count, 60 + side, RATE)
        for beat in range(10):
            local = time[: RATE // 2]
            hit = np.sin(2 * np.pi * 60.0 * local) * np.exp(-10.0 * local)
            hit += 0.3 * signals.white_noise(local.shape[0], beat) * np.exp(-90.0 * local)
            wave[beat * RATE // 2 : (beat + 1) * RATE // 2] += hit
        wave[: count // 2] *= 0.4
        sides.append(signals.band_limited(wave))
    mix = np.stack(sides, axis=1)
    mix *= 10.0 ** (-3.0 / 20.0) / np.abs(mix).max()
    soundfile.write(made / "ferry.wav", mix, RATE, subtype="PCM_24")
    soundfile.write(made / "second.wav", mix[3 * RATE // 2 :], RATE, subtype="PCM_24")
    soundfile.write(made / "silent.wav", np.zeros((RATE, 2)), RATE, subtype="PCM_24")
    (made / "one.toml").write_text(
        'format = 1\n[[tracks]]\npath = "ferry.wav"\ntitle = "The Ferry"\n', encoding="utf-8"
    )
    return made


@pytest.fixture(autouse=True)
def inside(folder: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.getbasetemp() / "ladder-cache"))
    monkeypatch.chdir(folder)


def test_the_rungs_on_the_disk_measure_as_the_data_say_by_other_meters(
    answer: Any, tmp_path: Path, libebur128: ebur128.Library
) -> None:
    """Loudness by libebur128, the wave between the samples by the 16× meter, the playlist read again."""
    out = tmp_path / "rungs"
    players = "--profile minus14-headroom,untouched,td1008-album"
    code, text, err = answer(f"ladder ferry.wav --loudness -16,-13,-11 {players} --json --out {out}")
    assert code == 0
    assert "ladder.toml" in err
    assert "Turn your monitors down first" in err
    found = valid(text, "ladder")
    assert [one["wanted_lufs"] for one in found["rungs"]] == [-16.0, -13.0, -11.0]
    for one in found["rungs"]:
        assert one["reached"]
        assert one["passes"] <= 4
        samples, rate = soundfile.read(one["path"], dtype="float32")
        assert samples.shape[0] == 5 * RATE
        heard = libebur128.integrated_lufs(samples, rate)
        assert heard == pytest.approx(one["integrated_lufs"], abs=LIBRARY_LU)
        assert heard == pytest.approx(one["wanted_lufs"], abs=0.1 + LIBRARY_LU)
        peak = true_peak_dbtp(samples)
        assert peak is not None
        assert peak <= found["ceiling_dbtp"] + 0.05
        assert peak == pytest.approx(one["true_peak_dbtp"], abs=0.05)
    shares = [one["share_audible"] for one in found["rungs"]]
    assert shares == sorted(shares)
    assert 0.0 < shares[-1] < 1.0
    drives = [one["drive_db"] for one in found["rungs"]]
    assert drives == sorted(drives)
    assert [one["mean_reduction_db"] for one in found["rungs"]] == sorted(
        one["mean_reduction_db"] for one in found["rungs"]
    )
    playlist = tomllib.loads((out / "ladder.toml").read_text(encoding="utf-8"))
    assert [track["path"] for track in playlist["tracks"]] == [
        "01-ferry-16LUFS.wav",
        "02-ferry-13LUFS.wav",
        "03-ferry-11LUFS.wav",
    ]
    assert {track["song"] for track in playlist["tracks"]} == {"ferry"}
    code, text, _ = answer(f"predict {out / 'ladder.toml'} {players} --json")
    assert code == 0
    for profile in json.loads(text):  # an album player counts a rung as an album of one
        for track, one in zip(profile["tracks"], found["rungs"], strict=True):
            played = one["played"][profile["profile"]]
            assert played["integrated_lufs"] == track["played_integrated_lufs"]
            assert played["max_short_term_lufs"] == track["played_max_short_term_lufs"]
            assert played["gain_db"] == track["gain_db"]
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    code, _, err = answer(f"ladder ferry.wav --loudness -16 --out {out}")
    assert code == 4
    assert "not overwritten" in err
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert answer(f"ladder ferry.wav --loudness -16 --out {out} --force")[0] == 0
    assert len(tomllib.loads((out / "ladder.toml").read_text(encoding="utf-8"))["tracks"]) == 1


def test_the_figures_are_the_same_with_files_and_without(answer: Any, tmp_path: Path) -> None:
    """With files the players are measured on them, without on samples made again: to the bit the same."""
    words = "ladder second.wav --loudness -16,-12 --profile minus14-limited,r128 --json"
    plain = valid(answer(words)[1], "ladder")
    written = valid(answer(f"{words} --out {tmp_path / 'there'}")[1], "ladder")
    for one, other in zip(plain["rungs"], written["rungs"], strict=True):
        assert one.pop("path") is None
        assert Path(other.pop("path")).is_file()
        assert one == other
    assert plain["profiles"] == written["profiles"]


def typed(text: str, begins: str) -> list[str]:
    """The words after "fairhearing" of the command that begins so, as a shell takes them."""
    lines = text[text.index(begins) :].replace("\\\n", " ").splitlines()
    return shlex.split(lines[0])[1:]


def test_the_suggested_command_opens_the_rungs_at_the_prompt_for_these_destinations(
    capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As it is printed, backslashes and all; the prompt itself is tested in test_listen."""
    opened: list[Any] = []
    monkeypatch.setattr(live, "LiveDeck", lambda _: SimpleNamespace(close=lambda: None))
    monkeypatch.setattr(listen, "_listen", lambda _, ready, *__: opened.append(ready) or (0, True))
    monkeypatch.chdir(tmp_path)
    shutil.copy(folder / "second.wav", tmp_path / "The Ferry.wav")
    mix = ["ladder", "The Ferry.wav"]
    levels = ["--loudness", "-20,-11", "--style", "limit"]
    assert app.run([*mix, *levels, "--for", "must:minus14-limited=phones,r128=radio,untouched=club"]) == 0
    text = capsys.readouterr().out
    assert app.run(typed(text, "fairhearing ladder")) == 0
    (ready,) = opened
    assert [one.id for one in ready.profiles] == ["minus14-limited", "r128", "untouched"]
    assert ready.playlist.state == "matched"
    assert [one.track.title for one in ready.tracks] == [
        "The Ferry (rung at −20.0 LUFS)",
        "The Ferry (limited rung at −11.1 LUFS)",
    ]
    assert sorted(path.name for path in (tmp_path / "The Ferry-rungs").iterdir()) == [
        "01-The Ferry-20LUFS.wav",
        "02-The Ferry-11LUFS.wav",
        "ladder.toml",
    ]
    assert app.run([*mix, *levels, "--out", "there"]) == 0
    assert app.run(typed(capsys.readouterr().out, "fairhearing listen")) == 0
    assert [one.id for one in opened[-1].profiles] == ["minus14-headroom", "minus14-limited", "untouched"]


def test_both_kinds_of_detection_stand_side_by_side_at_one_loudness_and_one_true_peak(answer: Any) -> None:
    found = valid(answer("ladder second.wav --loudness -15,-11 --detect both --json")[1], "ladder")
    assert found["detect"] == "true"
    for one, other in zip(found["rungs"], found["sample_rungs"], strict=True):
        assert one["integrated_lufs"] == pytest.approx(other["integrated_lufs"], abs=0.2)
        assert one["true_peak_dbtp"] <= -1.0 + 0.05
        assert other["true_peak_dbtp"] == pytest.approx(-1.0, abs=0.001)
        assert one["output_gain_db"] == 0.0
        assert other["output_gain_db"] < 0.0
        assert other["drive_db"] > one["drive_db"]
    code, text, _ = answer("ladder second.wav --loudness -15,-11 --detect both")
    assert code == 0
    assert "its output is turned down by up to" in " ".join(text.split())


def test_a_rung_that_cannot_be_reached_says_what_was(answer: Any) -> None:
    found = valid(answer("ladder second.wav --loudness -16,-2 --json")[1], "ladder")
    high = found["rungs"][1]
    assert not high["reached"]
    assert high["why"]
    assert high["integrated_lufs"] < -2.1
    _, text, _ = answer("ladder second.wav --loudness -16,-2")
    said = " ".join(text.split())
    assert "−2 LUFS was not reached" in said
    assert f"the limiter stops at {high['integrated_lufs']:.1f}.".replace("-", "−") in said
    assert "--style clip-limit" in said


def test_a_soft_clip_before_it_needs_less_of_the_limiter(answer: Any) -> None:
    """At the same loudness; the data name the style."""
    rungs = {}
    for style in ("limit", "clip-limit"):
        found = valid(answer(f"ladder second.wav --loudness -13 --style {style} --json")[1], "ladder")
        assert found["style"] == style
        (rungs[style],) = found["rungs"]
        assert rungs[style]["reached"]
    assert rungs["clip-limit"]["max_reduction_db"] < rungs["limit"]["max_reduction_db"]


@pytest.mark.parametrize("words", ["", "--detect sample", "--detect both", "--detail", "--for many"])
def test_no_line_of_the_screen_is_wider_than_80_columns(words: str, answer: Any) -> None:
    profiles = "" if "many" in words else "--profile replaygain2-album,a85,minus14-headroom"
    words = words.replace("many", "r128,td1008-album,minus14-headroom,opus-r128,quieter-setting,untouched")
    code, text, _ = answer(f"ladder second.wav --loudness -16.5,-3 {profiles} {words}")
    assert code == 0
    assert max(len(line) for line in text.splitlines()) <= 80
    said = " ".join(text.split())
    assert "a stand-in for your own chain, which will do better or worse" in said
    if "detail" in words:
        for word in ("common practice, no standard", "A larger residual is not lower quality"):
            assert word in said
    else:
        assert len(text.splitlines()) <= (43 if "both" in words else 30)


def test_the_screen_answers_first_and_quiet_prints_the_answer_alone(answer: Any) -> None:
    _, text, _ = answer("ladder one.toml --loudness -20,-14,-11")
    lines = text.splitlines()
    said = " ".join(text.split())
    assert " is enough on both normalising players: mastering louder gains " in " ".join(lines[:3])
    assert "Unnormalised, −11 is " in " ".join(lines[:4])
    assert "taste decides" in said
    assert text.count("◂") >= 2  # in a column, and in the key
    _, quiet, _ = answer("ladder one.toml --loudness -20,-14,-11 --quiet")
    assert text.startswith(quiet)
    assert len(quiet.splitlines()) <= 4
    _, detail, _ = answer("ladder one.toml --loudness -20,-14,-11 --detail")
    assert "once PLR is 13.0 dB or less (ceiling −1.0 minus target −14.0)" in " ".join(detail.split())


def test_destinations_have_weights_and_labels_and_the_default_rungs_hold_14_and_9(answer: Any) -> None:
    words = "ladder second.wav --for must:minus14-headroom=phones,nice:untouched=club"
    found = valid(answer(f"{words} --json")[1], "ladder")
    assert {-14.0, -9.0} <= {one["wanted_lufs"] for one in found["rungs"]}
    assert len(found["rungs"]) == 5
    assert [(one["weight"], one["label"]) for one in found["destinations"]] == [
        ("must", "phones"),
        ("nice", "club"),
    ]
    for one in found["destinations"]:
        levels = [rung["played"][one["profile"]]["integrated_lufs"] for rung in found["rungs"]]
        assert one["losses_lu"] == pytest.approx([max(levels) - each for each in levels])
    said = " ".join(answer(words)[1].split())
    assert "is enough on phones" in said
    assert "As club is only nice to have, one master is enough." in said


def test_the_ceiling_after_a_codec_is_proved_by_another_decode(
    answer: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The encoded files read by libsndfile alone, the wave between the samples by the 16× meter."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    words = "ladder second.wav --loudness -20,-11 --ceiling 0 --for minus14-vorbis160=phones,untouched"
    found = valid(answer(f"{words} --json")[1], "ladder")
    low, high = (one["decoded"]["minus14-vorbis160"] for one in found["rungs"])
    assert (low["lowered_db"], low["ceiling_dbtp"]) == (0.0, 0.0)
    assert high["true_peak_dbtp"] > 0.0 >= high["proved_dbtp"]
    assert high["holds"]
    assert high["ceiling_dbtp"] == -high["lowered_db"] < 0.0
    assert found["rungs"][1]["played"]["untouched"]["true_peak_dbtp"] <= 0.05
    peaks = sorted(
        true_peak_dbtp(soundfile.read(path, dtype="float32")[0]) or 0.0
        for path in (tmp_path / "fairhearing" / "encoded").glob("*.ogg")
    )
    expected = sorted([low["true_peak_dbtp"], high["proved_dbtp"], high["true_peak_dbtp"]])
    assert peaks == pytest.approx(expected, abs=0.05)
    said = " ".join(answer(f"{words} --detail")[1].split())
    assert "phones: after Vorbis at 160 kbit/s" in said
    assert len(list((tmp_path / "fairhearing" / "encoded").glob("*.ogg"))) == 3  # encoded once


@pytest.mark.parametrize(("form", "begins"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_the_figure_is_drawn_and_never_overwrites(
    form: str, begins: bytes, answer: Any, tmp_path: Path
) -> None:
    figure = tmp_path / f"picture.{form}"
    words = f"ladder second.wav --loudness -16,-12 --figure {figure}"
    assert answer(words)[0] == 0
    data = figure.read_bytes()
    assert data.startswith(begins)
    if form == "svg":
        text = data.decode("utf-8")
        for word in ("untouched", "minus14-headroom", "cost: dB of PLR given up", "gain: LU louder"):
            assert word in text
    assert answer(words)[0] == 4
    assert answer(f"{words} --force")[0] == 0
    assert figure.read_bytes() == data
    assert answer("ladder second.wav --figure picture.jpg")[0] == 2


@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        ("ladder missing.wav", 4, "file not found"),
        ("ladder silent.wav", 4, "no measurable loudness"),
        ("ladder .", 2, "a ladder needs one mix"),
        ("ladder ferry.wav --loudness loud", 2, "not a list of levels"),
        ("ladder ferry.wav --loudness -14,3", 2, "not between -40 and 0 LUFS"),
        (
            "ladder ferry.wav --loudness -1,-2,-3,-4,-5,-6,-7,-8,-9,-10,-11,-12,-13",
            2,
            "the most at a time is 12",
        ),
        ("ladder ferry.wav --ceiling 1", 2, "not in the range"),
        ("ladder ferry.wav --profile nonesuch", 2, "nonesuch"),
    ],
)
def test_what_it_cannot_use_is_named_with_its_cure(line: str, code: int, words: str, answer: Any) -> None:
    found, out, err = answer(line)
    assert found == code
    assert words in err
    assert out == ""


def test_a_folder_that_cannot_be_written_is_named_before_any_work(answer: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    code, out, err = answer(f"ladder second.wav --out {tmp_path / 'file' / 'under'}")
    assert code == 4
    assert out == ""
    assert "cannot be written" in err


def test_a_title_with_quotes_and_other_letters_makes_a_readable_playlist(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    name = 'Fähre_"nach"_東.wav'
    shutil.copy(folder / "second.wav", tmp_path / name)
    code, text, _ = answer(f"ladder {tmp_path / name} --loudness -20 --out {tmp_path / 'out'} --json")
    assert code == 0
    (track,) = tomllib.loads((tmp_path / "out" / "ladder.toml").read_text(encoding="utf-8"))["tracks"]
    assert track["song"] == name.removesuffix(".wav")
    assert (tmp_path / "out" / track["path"]).is_file()
    assert Path(valid(text, "ladder")["rungs"][0]["path"]).name == track["path"]


@pytest.mark.heavy
@pytest.mark.external
@pytest.mark.parametrize("song", ["madness"])
def test_five_rungs_of_real_music_hold_by_other_meters(
    song: str, answer: Any, tmp_path: Path, music_files: dict[str, Path], libebur128: ebur128.Library
) -> None:
    """A minute of a song, band-limited to 0.45 fs; the default ladder, with files, measured again."""
    samples, rate = soundfile.read(music_files[f"{song}-song"], dtype="float64")
    cut = samples[30 * rate : 90 * rate]
    cut = np.stack([signals.band_limited(cut[:, side]) for side in (0, 1)], axis=1)
    soundfile.write(tmp_path / "mix.wav", cut, rate, subtype="FLOAT")
    words = f"{tmp_path / 'mix.wav'} --loudness -16,-14,-12,-10,-8 --style clip-limit"
    code, text, _ = answer(f"ladder {words} --json --out {tmp_path / 'out'}")
    assert code == 0
    found = valid(text, "ladder")
    assert len(found["rungs"]) == 5
    for one in found["rungs"]:
        made, _ = soundfile.read(one["path"], dtype="float32")
        heard = libebur128.integrated_lufs(made, rate)
        assert heard == pytest.approx(one["integrated_lufs"], abs=LIBRARY_LU)
        assert one["reached"] == (abs(one["integrated_lufs"] - one["wanted_lufs"]) <= 0.1)
        assert one["reached"], (one["wanted_lufs"], one["why"])
        peak = true_peak_dbtp(made)
        assert peak is not None
        assert peak <= -1.0 + 0.05
        assert one["median_peak_to_short_term_db"] > 3.0
    assert found["profiles"]["minus14-headroom"]["nothing_more_from_peak_to_loudness_db"] == 13.0
    assert found["profiles"]["untouched"]["lowest_of_the_best_wanted_lufs"] is None
    residuals = [one["residual_lu"] for one in found["rungs"] if one["residual_lu"] is not None]
    assert residuals == sorted(residuals)

"""`fairhearing compare` as a user meets it: the screen, the data, the files it writes, and its refusals."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support import signals
from support.schemas import valid

SCHEMA = Path(__file__).resolve().parents[1] / "schemas" / "compare.json"
RATE = 44_100


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An open master that swells, a loud one made of it by clipping, another song, and playlists."""
    made = tmp_path_factory.mktemp("masters")
    frames = 10 * RATE
    swell = 10.0 ** ((-8.0 + 6.0 * np.sin(2.0 * np.pi * np.arange(frames) / (5.0 * RATE))) / 20.0)
    songs = [
        np.stack([signals.pink_noise(frames, seed + side, RATE) for side in (0, 1)], axis=1) * 0.08
        for seed in (20, 30)
    ]
    open_ = songs[0] * swell[:, np.newaxis]
    soundfile.write(made / "ferry-open.wav", open_, RATE, subtype="FLOAT")
    soundfile.write(made / "ferry-loud.wav", np.clip(open_ * 14.0, -0.9, 0.9), RATE, subtype="FLOAT")
    soundfile.write(made / "other.wav", songs[1], RATE, subtype="FLOAT")
    (made / "text.wav").write_text("this is no audio", encoding="utf-8")
    (made / "list.toml").write_text(
        'format = 1\ntitle = "Ferry"\n'
        '[[tracks]]\npath = "ferry-open.wav"\ntitle = "Ferry (open master)"\nsong = "ferry"\n'
        '[[tracks]]\npath = "other.wav"\nrole = "reference"\n'
        '[[tracks]]\npath = "ferry-loud.wav"\ntitle = "Ferry (loud master)"\nsong = "ferry"\n',
        encoding="utf-8",
    )
    return made


@pytest.fixture(autouse=True)
def inside(folder: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    monkeypatch.chdir(folder)


def test_the_screen_sets_both_side_by_side_and_says_what_they_are(answer: Any) -> None:
    code, out, err = answer("compare ferry-loud.wav ferry-open.wav")
    assert (code, err) == (0, "")
    flat = " ".join(out.split())
    for words in (
        "■ “ferry-loud”, against “ferry-open”",
        "As delivered",
        "The residual of the two, LU against the open one",
        "gain riding",
        "does not rank quality",
        "Minus 14, boosted to the ceiling (minus14-headroom)",
        "The player's gain",
        "Quietest passage",
        "may mask that passage sooner",
        "turn your monitors down first",
    ):
        assert words in flat, words
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_json_holds_to_its_schema_and_to_the_order_of_the_words(answer: Any) -> None:
    code, out, _ = answer("compare ferry-loud.wav ferry-open.wav --json --profile untouched,r128")
    found = valid(out, "compare")
    assert code == 0
    assert Path(found["loud"]["path"]).name == "ferry-loud.wav"
    assert found["delivered"]["loud_minus_open"]["integrated_lu"] > 9.0
    assert found["alignment"]["kind"] == "aligned"
    assert found["difference"]["bands"]
    untouched = found["played"][0]
    assert untouched["loud_minus_open"] == found["delivered"]["loud_minus_open"]
    turned = valid(answer("compare ferry-open.wav ferry-loud.wav --json")[1], "compare")
    assert turned["delivered"]["loud_minus_open"]["integrated_lu"] == pytest.approx(
        -found["delivered"]["loud_minus_open"]["integrated_lu"]
    )


@pytest.mark.heavy
def test_every_profile_can_be_asked_for_at_once(answer: Any) -> None:
    found = valid(answer("compare ferry-loud.wav ferry-open.wav --json --profile all")[1], "compare")
    assert len(found["played"]) >= 15
    assert all(len(one["sentences"]) >= 3 for one in found["played"])


def test_of_a_playlist_the_loudest_version_is_loud_and_the_least_loud_open(answer: Any) -> None:
    found = valid(answer("compare list.toml --json")[1], "compare")
    assert (found["loud"]["name"], found["open"]["name"]) == ("the loud master", "the open master")


def test_two_files_are_alternatives_and_no_album(answer: Any) -> None:
    """A profile that levels albums gives each version its own gain: to −14 LUFS, both."""
    (played,) = valid(
        answer("compare ferry-loud.wav ferry-open.wav --json --profile td1008-album")[1], "compare"
    )["played"]
    assert played["loud"]["gain_db"] != pytest.approx(played["open"]["gain_db"])
    assert played["loud"]["integrated_lufs"] == pytest.approx(-14.0, abs=0.01)


def test_two_songs_keep_their_numbers_and_get_no_residual(answer: Any) -> None:
    code, out, _ = answer("compare ferry-loud.wav other.wav --json")
    found = valid(out, "compare")
    assert code == 0
    assert (found["alignment"]["kind"], found["difference"]) == ("different", None)
    assert found["delivered"]["loud"]["integrated_lufs"] is not None
    said = {one["rule"]: one["text"] for one in found["sentences"]}
    assert "are not the same performance" in said["no_difference"]


@pytest.mark.heavy
def test_the_screen_of_two_songs_shows_no_residual(answer: Any) -> None:
    _, screen, _ = answer("compare ferry-loud.wav other.wav")
    assert "are not the same performance" in " ".join(screen.split())
    assert "The residual of the two" not in screen


@pytest.mark.heavy
def test_pictures_and_noise_are_written_where_they_were_asked_for(answer: Any, tmp_path: Path) -> None:
    line = f"compare list.toml --figure {tmp_path}/a.svg --noise 12 --noise-kind car --out {tmp_path}/under"
    code, out, err = answer(line)
    assert (code, err) == (0, "")
    assert sorted(path.name for path in tmp_path.rglob("*.*")) == [
        "01-ferry-loud-under-noise.wav",
        "02-ferry-open-under-noise.wav",
        "a.svg",
        "under-noise.txt",
    ]
    assert "turn your monitors down first; steady noise tires" in out
    code, out, err = answer(line)
    assert code == 4
    assert "not overwritten" in err
    assert answer(f"{line} --force")[0] == 0


@pytest.mark.parametrize(
    ("line", "code", "says"),
    [
        ("compare ferry-loud.wav", 2, "no two versions of a song"),
        ("compare ferry-loud.wav ferry-open.wav other.wav", 2, "no two versions of a song"),
        ("compare ferry-loud.wav ferry-open.wav --noise 12", 2, "--out belongs to --noise"),
        ("compare ferry-loud.wav ferry-open.wav --out here", 2, "--out belongs to --noise"),
        ("compare ferry-loud.wav ferry-open.wav --noise 80 --out here", 2, "80"),
        ("compare ferry-loud.wav ferry-open.wav --figure a.jpg", 2, "an .svg or a .png file"),
        ("compare ferry-loud.wav text.wav", 4, "text.wav"),
        ("compare ferry-loud.wav gone.wav", 4, "gone.wav"),
        ("compare", 2, "LOUD OPEN"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(answer: Any, line: str, code: int, says: str) -> None:
    found, out, err = answer(line)
    assert found == code, err
    assert says in err
    assert out == ""


@pytest.mark.parametrize("part", ["residual", "gain-riding", "waveform-change"])
def test_the_difference_is_written_as_audio(answer: Any, tmp_path: Path, part: str) -> None:
    """The file holds what the data say of it: its K-weighted power against the open master's."""
    line = f"compare ferry-loud.wav ferry-open.wav --difference {part} --out {tmp_path} --json"
    code, out, err = answer(line)
    assert code == 0
    assert "does not rank quality" in err
    heard, rate = soundfile.read(tmp_path / f"difference-{part}.wav", dtype="float32")
    open_, _ = soundfile.read("ferry-open.wav", dtype="float32")
    assert (heard.shape, rate) == (open_.shape, RATE)
    levels = [mean_energy(samples) for samples in (heard, open_)]
    expected = valid(out, "compare")["difference"][f"{part.replace('-', '_')}_lu"]
    assert 10.0 * np.log10(levels[0] / levels[1]) == pytest.approx(expected, abs=0.05)
    assert answer(line)[0] != 0  # there already, and kept


def mean_energy(samples: np.ndarray) -> float:
    """K-weighted, ungated."""
    from simulator.dsp.k_weighting import KWeighting

    return sum(float(np.mean(np.square(KWeighting(RATE).filter(row)))) for row in samples.T.copy())


def test_a_difference_needs_a_folder_and_one_performance(answer: Any, tmp_path: Path) -> None:
    assert "--out belongs to" in answer("compare ferry-loud.wav ferry-open.wav --difference residual")[2]
    code, _, err = answer(f"compare other.wav ferry-open.wav --difference residual --out {tmp_path}")
    assert code != 0
    assert "nothing to compare with" in err
    assert list(tmp_path.iterdir()) == []


def test_another_tonal_balance_and_offset_are_said(answer: Any, tmp_path: Path) -> None:
    """A shelf of +6 dB above 2 kHz (scipy's bilinear one) and a head of 441 frames: 10 ms."""
    from scipy.signal import bilinear, lfilter

    open_, _ = soundfile.read("ferry-open.wav")
    turn = 2.0 * np.pi * 2000.0
    bright = lfilter(*bilinear([2.0, turn], [1.0, turn], RATE), open_, axis=0)
    soundfile.write(tmp_path / "bright.wav", np.pad(bright, ((441, 0), (0, 0))), RATE, subtype="FLOAT")
    words = " ".join(answer(f"compare {tmp_path / 'bright.wav'} ferry-open.wav")[1].split())
    assert "The loud one lies +10." in words or "The loud one lies +9.9" in words
    assert "The tonal balance, loud against open at matched level, in dB:" in words
    assert "10000 Hz +" in words

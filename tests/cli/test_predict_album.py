"""`predict --album`: the worked example of the two album rules, the trims, and the picture.

Three tones of equal length at −9, −9 and −20 LUFS (997 Hz in two channels reads its level in dBFS: ITU-R
BS.1770-5, Annex 1), by hand: the loudest to −14 is −5.00 dB; as one programme they are −10.59 LUFS.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile
from support.made_measurements import made
from support.schemas import valid
from support.signals import both, sine

from simulator.text.charts.album import AlbumSong, album_figure

RATE = 48_000
Answer = Callable[[str], tuple[int, str, str]]


@pytest.fixture(scope="module")
def album(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("songs")
    for name, level_dbfs in (("1-Anvil", -9.0), ("2-Brook", -9.0), ("3-Cove", -20.0)):
        soundfile.write(
            folder / f"{name}.wav", both(sine(997.0, RATE, 6.0, level_dbfs)), RATE, subtype="PCM_24"
        )
    return folder


@pytest.fixture(autouse=True)
def own_cache(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    monkeypatch.setenv("COLUMNS", "80")


def test_the_two_album_rules_give_the_gains_worked_by_hand(answer: Answer, album: Path) -> None:
    code, out, _ = answer(f"predict {album} --album --json --profile td1008-album,replaygain2-album")
    loudest, programme = valid(out, "predict")
    assert code == 0
    assert [row["gain_db"] for row in loudest["tracks"]] == [pytest.approx(-5.0, abs=0.02)] * 3
    assert [row["gain_db"] for row in programme["tracks"]] == [pytest.approx(-18.0 + 10.59, abs=0.02)] * 3
    assert [row["gap_s"] for row in loudest["tracks"]] == [0.0, 0.0, None]
    assert [row["trim_db"] for row in loudest["tracks"]] == [None] * 3


def test_the_screen_answers_with_the_album_and_shows_the_trims(answer: Answer, album: Path) -> None:
    line = f"predict {album} --album --profile td1008-album,minus14-headroom --relation 0,0,-6"
    _, out, _ = answer(line)
    words = " ".join(out.split())
    assert words.startswith(f"{album.name} measures −10.6 LUFS as a programme.")
    _, bare, _ = answer(f"predict {' '.join(map(str, sorted(album.iterdir())))} --album --quiet")
    assert bare.startswith("The album measures −10.6 LUFS as a programme.")
    assert "is 11.0 LU louder than 3-Cove" in words
    assert "td1008-album turns the whole album down 5.0 dB, so the songs keep their relations." in words
    assert "On minus14-headroom all songs are equally loud." in words
    rows = [row.split() for row in out.splitlines() if row.split()[:1] in (["1"], ["2"], ["3"])]
    assert [(row[2], row[5], row[8]) for row in rows] == [
        ("−9.0", "0.0", "0.0"), ("−9.0", "0.0", "0.0"), ("−20.0", "–", "+5.0"),
    ]  # fmt: skip
    assert all(len(row) <= 80 for row in out.splitlines())
    alone = answer(f"{line} --quiet")[1]
    assert out.startswith(alone)
    assert len(alone.splitlines()) <= 4


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("--relation 0,-3", "needs 3 offsets"),
        ("--relation sideways", "not a relation"),
        ("--relation 0,0,nan", "offsets go up to 30 LU"),
        ("--album --profile td1008-album,a85,r128", "at most 2 players"),
        ("--album --names a,b,c", "either --album or --names"),
    ],
)
def test_what_cannot_be_shown_says_why(answer: Answer, album: Path, options: str, words: str) -> None:
    code, _, err = answer(f"predict {album} {options}")
    assert code == 2
    assert words in err


def test_one_song_is_no_album(answer: Answer, album: Path) -> None:
    assert "needs two or more songs" in answer(f"predict {album / '1-Anvil.wav'} --album")[2]


def test_the_picture_puts_the_songs_one_after_the_other(answer: Answer, album: Path, tmp_path: Path) -> None:
    picture = tmp_path / "album.svg"
    assert answer(f"predict {album} --album --profile td1008-album --figure {picture}")[0] == 0
    text = picture.read_text(encoding="utf-8")
    for word in ("As delivered", "1-Anvil", "3-Cove", "target −14", "time on the album"):
        assert word in text


def test_the_marks_of_the_picture_stand_at_the_loudest_and_quietest_passage() -> None:
    """Two songs of a minute: 20 s at −30, 20 s at −10, 20 s at −20 LUFS."""
    song = made(-10.0, -1.0, seconds=60.0)
    song.series.energy[:200] *= 0.01
    song.series.energy[400:] *= 0.1
    song = song.with_gain(1e-9)
    first, second = album_figure([AlbumSong("A", song, song.with_gain(-3.0))] * 2, "x", "y", -14.0).axes
    for axes, shift in ((first, 0.0), (second, -3.0)):
        marks = {line.get_marker(): [] for line in axes.lines if line.get_marker() in ("^", "v")}  # type: dict[object, list[tuple[float, float]]]
        for line in axes.lines:
            if line.get_marker() in marks:
                marks[line.get_marker()].append((float(line.get_xdata()[0]), float(line.get_ydata()[0])))
        loud, again = marks["^"]
        assert 20.0 <= loud[0] <= 40.0
        assert again[0] == pytest.approx(loud[0] + 60.0)
        assert loud[1] == pytest.approx(-10.0 + shift, abs=0.01)
        assert marks["v"][0][1] == pytest.approx(song.with_gain(shift).quietest_passage_lufs)

"""`fairhearing export` and `render --cues`: what other programs read of a session, and playlists."""

from __future__ import annotations

import csv
import html
import shutil
import wave
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

from simulator.engine.playlists import read_playlist
from simulator.playlists.formats import parse_xspf, playlist_text
from simulator.playlists.playlist import ALL_SINGLES, Playlist, Track
from simulator.session.log import Act, Record, to_json

Answer = tuple[int, str, str]
RATE = 44_100
AT = "2026-01-02T09:00:00+00:00"
XSPF = "{http://xspf.org/ns/0/}"
"""XSPF 1, section 4: the namespace of its elements."""
WHOLE = """format = 1
title = "Both"
client = "Nerida"
profile = "r128"
state = "matched"
[[tracks]]
path = "sub/open #1.wav"
title = "Song (open) & more"
artist = "A <b>"
song = "song"
album = "LP"
album_order = 2
[[tracks]]
path = "loud.wav"
title = "Song (loud)"
song = "song"
role = "reference"
[[tracks]]
path = "https://example.org/x.wav"
title = "elsewhere"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two masters of 6 s, a playlist of both, and a session with remarks on them."""
    monkeypatch.chdir(tmp_path)
    for name in ("CACHE", "DATA", "CONFIG"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    (tmp_path / "sub").mkdir()
    samples = np.random.default_rng(1).uniform(-0.1, 0.1, (6 * RATE, 2))
    for name in ("sub/open #1.wav", "loud.wav"):
        soundfile.write(tmp_path / name, samples, RATE, subtype="PCM_24")
    (tmp_path / "song.toml").write_text(WHOLE, encoding="utf-8")

    def here(track: int, name: str, place_s: float) -> dict[str, object]:
        return {"track": track, "title": f"Song {track}", "path": str(tmp_path / name), "place_s": place_s}

    decided = {"destination": "streaming", "target_lufs": -14.0, "ceiling_dbtp": -1.0, "who": "Anna"}
    comment = {
        "comment": 1,
        "page": "p",
        "by": "Jo",
        "text": "Jo: trouble here: -->\nsnare",
        "name": "comment 1",
    }
    acts = (
        Act(AT, "opened", {}),
        Act(AT, "mark", {"name": "chorus", **here(1, "sub/open #1.wav", 1.0)}),
        Act(AT, "mark", {"name": "Chorus", **here(1, "sub/open #1.wav", 2.5)}),
        Act(AT, "note", {"text": "=a & <b>", **here(1, "sub/open #1.wav", 4.25)}),
        Act(AT, "decision", {**decided, **here(1, "sub/open #1.wav", 4.25)}),
        Act(AT, "mark", {**comment, **here(2, "loud.wav", 0.5)}),
        Act(AT, "mark", {"name": "broken", "track": 1, "place_s": True}),
    )
    (tmp_path / "song.session.json").write_bytes(to_json(Record("Both", acts)))
    return tmp_path


@pytest.mark.usefixtures("folder")
def test_remarks_are_rows_for_a_spreadsheet(answer: Callable[[str], Answer]) -> None:
    assert answer("export song.session.json -o marks.csv")[:2] == (0, "marks.csv: 4 remarks\n")
    with open("marks.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["kind"], row["place_s"], row["name"]) for row in rows] == [
        ("mark", "2.5", "Chorus"), ("note", "4.25", ""), ("decision", "4.25", ""),
        ("comment", "0.5", "comment 1"),
    ]  # fmt: skip
    assert rows[1]["text"] == "'=a & <b>"
    assert (rows[2]["destination"], rows[2]["target_lufs"], rows[2]["ceiling_dbtp"]) == (
        "streaming",
        "-14.0",
        "-1.0",
    )
    assert (rows[3]["who"], rows[3]["at"]) == ("Jo", AT)


def test_the_session_may_be_named_by_its_playlist(folder: Path, answer: Callable[[str], Answer]) -> None:
    assert answer("export song.toml -o marks.csv")[0] == 0
    (folder / "song.session.json").unlink()
    code, _, problem = answer("export song.toml -o other.csv")
    assert code == 2
    assert "song.session.json: no such session file" in problem
    assert not Path("other.csv").exists()


@pytest.mark.usefixtures("folder")
def test_remarks_are_chapters_to_a_library_for_webvtt(answer: Callable[[str], Answer]) -> None:
    """Read by webvtt-py, which follows the W3C's WebVTT."""
    webvtt = pytest.importorskip("webvtt")
    code, _, problem = answer("export song.session.json -o all.vtt")
    assert code == 2
    assert "1 Song 1, 2 Song 2" in problem
    assert answer("export song.session.json -o one.vtt --track 1")[0] == 0
    assert answer("export song.session.json -o two.vtt --track 2")[0] == 0
    decided = "decision: streaming, −14.0 LUFS, ceiling −1.0 dBTP, decided by Anna"
    # the library leaves the three escapes of WebVTT, which are HTML's, as they are
    assert [(one.start, one.end, html.unescape(one.text)) for one in webvtt.read("one.vtt")] == [
        ("00:00:02.500", "00:00:04.250", "Chorus"),
        ("00:00:04.250", "00:00:06.000", f"=a & <b> / {decided}"),
    ]
    ((start, end, text),) = [(one.start, one.end, one.raw_text) for one in webvtt.read("two.vtt")]
    assert (start, end) == ("00:00:00.500", "00:00:06.000")
    assert text.startswith("comment 1 – Jo: trouble here: --&gt;")


@pytest.mark.usefixtures("folder")
def test_rendered_files_carry_the_remarks_as_cue_points(answer: Callable[[str], Answer]) -> None:
    """Frames at the rendered rate; read here by hand, by libsndfile in tests/audio_files/test_writer.py."""
    line = (
        "render loud.wav --profile untouched --out cued --format wav24 --rate 48000 --cues song.session.json"
    )
    assert answer(line)[0] == 0
    data = Path("cued/01-loud.wav").read_bytes()
    at = data.index(b"cue ")
    assert int.from_bytes(data[at + 8 : at + 12], "little") == 1
    assert int.from_bytes(data[at + 32 : at + 36], "little") == 24_000
    assert b"comment 1 \xe2\x80\x93 Jo: trouble here" in data[at:]
    with wave.open("cued/01-loud.wav") as file:
        assert (file.getframerate(), file.getnframes()) == (48_000, 6 * 48_000)
    code, _, problem = answer("render loud.wav --out flac --format flac24 --cues song.session.json")
    assert (code, "--format wav24" in problem) == (2, True)


@pytest.mark.parametrize("ending", ["toml", "m3u8", "m3u", "xspf"])
def test_a_playlist_is_read_back_as_it_was(
    folder: Path, answer: Callable[[str], Answer], ending: str
) -> None:
    """Written into a folder beside the files, and read after all have moved together: paths are relative."""
    (folder / "lists").mkdir()
    before = read_playlist("song.toml")
    code, _, said = answer(f"export song.toml -o lists/copy.{ending}")
    assert code == 0
    assert ("cannot hold versions of a song, references" in said) is (ending != "toml")
    moved = folder.with_name(f"{folder.name} moved")
    shutil.copytree(folder, moved, ignore=shutil.ignore_patterns("cache"))
    after = read_playlist(str(moved / "lists" / f"copy.{ending}"))
    for one, other in zip(before.tracks[:2], after.tracks[:2], strict=True):
        assert (other.title, other.artist, other.problem) == (one.title, one.artist, "")
        assert Path(other.path).resolve() == moved / Path(one.path).relative_to(folder)
    assert "web address" in after.tracks[2].problem
    if ending == "toml":
        assert [(t.song, t.album, t.album_order, t.role) for t in after.tracks] == [
            (t.song, t.album, t.album_order, t.role) for t in before.tracks
        ]
        assert (after.title, after.client, after.profile, after.state) == (
            "Both",
            "Nerida",
            "r128",
            "matched",
        )
    if ending == "xspf":
        root = ElementTree.parse(folder / "lists" / "copy.xspf").getroot()
        assert root.tag == f"{XSPF}playlist"
        tracks = root.findall(f"{XSPF}trackList/{XSPF}track")
        assert [one.findtext(f"{XSPF}location") for one in tracks] == [
            "../sub/open%20%231.wav", "../loud.wav", "https://example.org/x.wav",
        ]  # fmt: skip
        assert tracks[0].findtext(f"{XSPF}album") == "LP"


@pytest.mark.usefixtures("folder")
def test_nothing_is_overwritten_and_no_source_ever(answer: Callable[[str], Answer]) -> None:
    for line in ("export song.toml -o loud.xspf", "export song.session.json -o loud.csv"):
        Path(line.split()[-1]).write_text("mine", encoding="utf-8")
        assert "was not overwritten" in answer(line)[2]
        assert Path(line.split()[-1]).read_text(encoding="utf-8") == "mine"
        assert answer(f"{line} --force")[0] == 0
    code, _, problem = answer("export song.toml -o song.toml --force")
    assert code != 0
    assert "song.toml" in problem
    assert Path("song.toml").read_text(encoding="utf-8") == WHOLE


@pytest.mark.usefixtures("folder")
def test_a_name_that_a_format_cannot_hold_is_refused(answer: Callable[[str], Answer]) -> None:
    Path("lines").mkdir()
    shutil.copy("loud.wav", "lines/two\nlines.wav")
    shutil.copy("loud.wav", "lines/#1 .wav")
    code, _, problem = answer("export lines -o lines.m3u8")
    assert (code, "Write an .xspf file" in problem) == (2, True)
    assert not Path("lines.m3u8").exists()
    assert answer("export lines -o lines.xspf")[0] == 0
    assert all(Path(one.path).is_file() for one in read_playlist("lines.xspf").tracks)


def test_on_another_drive_paths_stay_whole(
    folder: Path, answer: Callable[[str], Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    """os.path.relpath of Windows: "Raises ValueError when path and start are on different drives"."""

    def other_drive(*_: str) -> str:
        raise ValueError("path is on mount 'D:', start on mount 'C:'")

    monkeypatch.setattr("simulator.engine.playlists.os.path.relpath", other_drive)
    assert answer("export loud.wav -o far.xspf")[0] == 0
    monkeypatch.undo()
    assert [one.path for one in read_playlist(str(folder / "far.xspf")).tracks] == [str(folder / "loud.wav")]


def test_a_drive_letter_comes_back_from_an_address() -> None:
    """RFC 8089, appendix E.2: a drive letter is the first part of a file address's path."""
    track = Track("C:\\Music\\a b.wav", "a b")
    text = playlist_text(Playlist("", "", None, (track,), "", ALL_SINGLES), "xspf", "x")
    assert "<location>file:///C:/Music/a%20b.wav</location>" in text
    assert parse_xspf(text.encode(), "x", "x").tracks[0].path == "C:/Music/a b.wav"

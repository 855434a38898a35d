"""Comments of listeners: lines that survive a mail, and marks in the session file."""

from __future__ import annotations

import zlib
from dataclasses import replace
from pathlib import Path

import pytest

from simulator.cli import app
from simulator.page.comments import Comment, ShownTrack, comment_act, comment_line, page_act, read_comments
from simulator.playlists.playlist import Track
from simulator.session.log import Act, Record, from_json, to_json

DULL = Comment("abcdefghjk", 2, 62.3, None, "00c0ffee", "Nerida", "the snare is dull")
BETTER = Comment("abcdefghjk", 1, 5.0, 2, "00c0ffef", "", "")
SHOWN = [ShownTrack("Song (open)", "/music/open.wav"), ShownTrack("Song (loud)", "/music/loud.wav")]
TEXT = f"""Comments: Song

moment: 1:02, loud: trouble here
{comment_line(DULL)}
name: Nerida
words: the snare is dull

moment: 0:05, open: prefers loud
{comment_line(BETTER)}
"""


def quoted(text: str) -> str:
    return "".join(f"> {line}\n" for line in text.splitlines())


def without_empty_lines(text: str) -> str:
    return text.replace("\n\n", "\n")


def broken(text: str) -> str:
    """As a mail program breaks it."""
    return text.replace("fairhearing-comment 1 abcdefghjk 2 62.3", "fairhearing-comment 1 abcdefghjk\n2 62.3")


@pytest.mark.parametrize(
    "bent", [str, quoted, without_empty_lines, broken, lambda text: quoted(broken(text))]
)
def test_comments_are_read_as_they_were_said_whatever_a_mail_does_to_the_lines(bent: object) -> None:
    assert callable(bent)
    assert read_comments(bent(TEXT)) == ([DULL, BETTER], [])
    assert read_comments(bent(TEXT) + "\n" + bent(TEXT)) == ([DULL, BETTER], [])


def test_the_check_is_the_published_crc_of_the_line() -> None:
    """CRC-32 of ISO 3309, by zlib."""
    line = comment_line(DULL)
    body, check = line.removeprefix("fairhearing-comment ").rsplit(" ", 1)
    assert int(check, 16) == zlib.crc32(body.encode())


def test_what_was_changed_or_cut_on_its_way_is_said() -> None:
    assert "changed on its way" in read_comments(TEXT.replace(" 62.3 ", " 63.3 "))[1][0]
    assert "incomplete" in read_comments(TEXT[: TEXT.index("00c0ffee")])[1][0]


def test_a_comment_is_kept_once_and_a_new_wording_moves_its_mark() -> None:
    first = comment_act("t", DULL, SHOWN, ())
    assert first is not None
    assert (first.kind, first.data["name"], first.data["path"]) == ("mark", "comment 1", "/music/loud.wav")
    assert first.data["text"] == "Nerida: trouble here: the snare is dull"
    assert comment_act("t", DULL, SHOWN, [first]) is None
    second = comment_act("t", BETTER, SHOWN, [first])
    assert second is not None
    assert (second.data["name"], second.data["text"]) == ("comment 2", "prefers Song (loud)")
    later = comment_act("t", replace(DULL, words="and the hats"), SHOWN, [first, second])
    assert later is not None
    assert (later.data["name"], later.data["words"]) == ("comment 1", "and the hats")
    with pytest.raises(ValueError, match="2 tracks"):
        comment_act("t", replace(DULL, track=3), SHOWN, ())


def test_votes_files_comments_of_a_page_without_a_vote(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    tracks = [Track(one.path, one.title) for one in SHOWN]
    path = tmp_path / "song.session.json"
    path.write_bytes(to_json(Record("Song", (page_act("t", "abcdefghjk", "page.html", tracks),))))
    Path("mail.txt").write_text(quoted(TEXT), encoding="utf-8")
    assert app.run(["votes", "mail.txt"]) == 0
    said = capsys.readouterr().out
    assert "mail.txt: mark “comment 1”, 1:02.3 in 2 Song (loud), added to song.session.json." in said
    kept = from_json(path.read_bytes()).acts
    assert [(act.kind, act.data.get("place_s")) for act in kept[1:]] == [("mark", 62.3), ("mark", 5.0)]
    Path("mail.txt").write_text(comment_line(replace(DULL, page="zz")), encoding="utf-8")
    assert app.run(["votes", "mail.txt"]) == 4
    assert "the page zz is not in the session file" in capsys.readouterr().err
    assert from_json(path.read_bytes()).acts == kept
    assert isinstance(kept[0], Act)

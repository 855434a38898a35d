"""A listener's comments in a real browser, from the tap to the desk's list of marks."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import pytest
from support.chromium import launched, opened, until
from support.made_page import write_music

from simulator.cli import app
from simulator.page.comments import read_comments
from simulator.session.log import from_json

pytestmark = [pytest.mark.heavy, pytest.mark.external]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as found:
        yield found


def test_a_comment_survives_a_reload_and_becomes_a_mark_at_the_desk(
    browser: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)
    write_music(tmp_path)
    rows = "".join(f'[[tracks]]\npath = "{name}.wav"\nsong = "s"\n' for name in ("open", "loud"))
    (tmp_path / "song.toml").write_text(f'format = 1\ntitle = "Song"\n{rows}', encoding="utf-8")
    assert app.run(["page", "song.toml", "-o", "song.html", "--seconds", "2"]) == 0
    with opened(browser, tmp_path / "song.html", viewport={"width": 390, "height": 844}) as watched:
        page = watched.page
        page.click("#play")
        until(page, "player.deck && player.deck.place() > 0.3")
        page.click("#comment-here")
        page.click("#play")  # the moment stays where it was
        at = float(page.input_value("#comment-at"))
        start = page.evaluate(f"{SOUNDS}.kinds[0].items[0].start")
        assert start + 0.2 < at < start + 2.0
        page.fill("#comment-words", "the snare is dull <b>")
        page.reload()
        assert page.input_value("#comment-words") == "the snare is dull <b>"  # unfinished, and still there
        assert float(page.input_value("#comment-at")) == at
        page.click("#comment-keep", force=True)
        assert page.inner_text("#comment-status") == "Choose one of these first."
        page.check('#comment-opinions input[value="trouble"]')
        page.reload()
        page.click("#comment-keep")
        assert "Kept in this browser" in page.inner_text("#comment-status")
        page.check('input[name="version"][value="1"]')
        box = page.locator("#listen .plot").first.bounding_box()
        page.locator("#listen .plot").first.click(position={"x": 0.25 * box["width"], "y": 40})
        page.click("#play")
        page.click("#comment-here")
        assert float(page.input_value("#comment-at")) == pytest.approx(2.0, abs=0.1)  # of 8 s
        page.check('#comment-opinions input[value="0"]')
        page.fill("#comment-name", "Nerida")
        sheet = page.get_attribute("#comment-mail", "href")  # the open one is not in it yet …
        assert sheet.count("fairhearing-comment") == 1
        with page.expect_download() as waiting:
            page.click("#comment-save")  # … and is kept before anything is sent
        saved = tmp_path / waiting.value.suggested_filename
        waiting.value.save_as(saved)
        assert page.locator("#listen .dot").count() == 2
        mail = parse_qs(str(page.get_attribute("#comment-mail", "href")).partition("?")[2])["body"][0]
    assert saved.read_text(encoding="utf-8") == mail
    comments, problems = read_comments(mail)
    assert problems == []
    assert [(one.track, one.preferred, one.words) for one in sorted(comments, key=lambda one: one.track)] == [
        (1, None, "the snare is dull <b>"),
        (2, 1, ""),
    ]
    capsys.readouterr()
    assert app.run(["votes", saved.name]) == 0
    assert app.run(["votes", saved.name]) == 0
    assert capsys.readouterr().out.count("is already in song.session.json") == 2
    kept = from_json((tmp_path / "song.session.json").read_bytes())
    assert [act.kind for act in kept.acts] == ["page", "mark", "mark"]
    (tmp_path / "script").write_text("marks\ngo comment 2\nquit\n", encoding="utf-8")
    with (tmp_path / "script").open() as script:
        monkeypatch.setattr("sys.stdin", script)
        assert app.run(["listen", "song.toml", "--to-file", "out.wav"]) == 0
    said = capsys.readouterr().out
    assert "Nerida: trouble here: the snare is dull <b>" in said
    assert "Nerida: prefers open" in said


SOUNDS = "JSON.parse(document.getElementById('sounds').textContent)"

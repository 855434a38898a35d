"""The page in a second engine: it opens, plays into a sound server, switches, and a vote comes back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support.external import require_external
from support.gecko import launched
from support.made_page import PLAIN, request_of, write_music
from support.sound_server import has_sound_server, read_raw, sound_server
from support.vote_mail import read_answer

from simulator.blind_test.ballot import voted
from simulator.page.file.build import build, write

pytestmark = [pytest.mark.heavy, pytest.mark.external]


def test_the_page_plays_switches_and_brings_a_vote_back(tmp_path: Path) -> None:
    if not has_sound_server():
        require_external("no sound server (Debian: pulseaudio, pulseaudio-utils)")
    page = build(request_of(write_music(tmp_path), PLAIN, rounds=3))
    write(page, tmp_path / "vote.html", True)
    with sound_server(tmp_path / "sound") as server, launched(tmp_path, server.environment) as gecko:
        gecko.open(tmp_path / "vote.html")
        for answer in "ABA":
            for letter in "AB":
                gecko.click(f".letter[data-letter={letter}]")
                small = f".letter[data-letter={letter}] small"
                gecko.until(f"document.querySelector({small!r}).textContent === 'playing, heard'")
            gecko.click(f".answer[data-answer={answer}]")
        gecko.click("#vote-finish")
        given = read_answer(gecko.run("return document.getElementById('vote-text').value"))
        assert page.ballot is not None
        assert "".join(voted(page.ballot, given).answers) == "ABA"
        with server.recorded(tmp_path / "played.raw"):
            gecko.click("#play")
            gecko.until("!document.querySelector('.head-line').hidden")
            assert gecko.text("#now") == "Playing: open, as listeners hear it"
            gecko.run("return document.querySelectorAll('input[name=version]')[1].click()")
            gecko.until("document.getElementById('now').textContent.startsWith('Playing: loud')")
            before = gecko.run("return document.querySelector('.head-line').style.left")
            gecko.until(f"document.querySelector('.head-line').style.left !== {before!r}")
        assert np.abs(read_raw(tmp_path / "played.raw")).max() > 1e-3
        gecko.click("#play")
        assert gecko.text("#play") == "Play"
        gecko.click("#comment-here")
        gecko.run("return document.querySelectorAll('input[name=opinion]')[0].click()")
        gecko.click("#comment-keep")
        assert "fairhearing-comment 1" in gecko.run("return document.getElementById('comment-text').value")

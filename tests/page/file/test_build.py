"""Pages that cannot be made say why; a track that fails costs no other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.made_page import PLAIN, RATE, request_of, write_music
from support.signals import both

from simulator.common.errors import UsageError, WriteError
from simulator.page.file.build import build, templates, write


@pytest.fixture(scope="module")
def music(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_music(tmp_path_factory.mktemp("music"))


def short(music: list[Path], name: str, seconds: float) -> Path:
    path = music[0].with_name(f"{name}.wav")
    soundfile.write(path, both(0.1 * np.ones(round(seconds * RATE))), RATE, subtype="PCM_16")
    return path


@pytest.mark.heavy
def test_versions_that_share_no_moment_cannot_be_voted_on(music: list[Path]) -> None:
    order = request_of([music[0], short(music, "brief", 1.0)], PLAIN[:2], rounds=2)
    with pytest.raises(UsageError, match="share no passage"):
        build(order)


def test_a_version_under_half_a_second_cannot_be_voted_on(music: list[Path]) -> None:
    order = request_of([music[0], short(music, "blip", 0.3)], PLAIN[:2], rounds=2)
    with pytest.raises(UsageError, match="too short for a vote"):
        build(order)


@pytest.mark.heavy
def test_a_silent_version_cannot_be_voted_on(music: list[Path]) -> None:
    path = music[0].with_name("silent.wav")
    soundfile.write(path, np.zeros((8 * RATE, 2)), RATE, subtype="PCM_16")
    order = request_of([music[0], path], PLAIN[:2], rounds=2)
    with pytest.raises(UsageError, match="silent on this passage"):
        build(order)


@pytest.mark.heavy
def test_the_rounds_must_give_every_pair_as_many(music: list[Path]) -> None:
    third = music[0].with_name("third.wav")
    third.write_bytes(music[0].read_bytes())
    order = request_of([*music[:2], third], ("a", "b", "c"), rounds=4)
    with pytest.raises(UsageError, match="choose 3 or 6 rounds, not 4"):
        build(order)


@pytest.mark.heavy
def test_a_track_that_goes_away_costs_no_other(music: list[Path]) -> None:
    order = request_of(music)
    gone = replace(order.tracks[2], track=replace(order.tracks[2].track, path="/nowhere/gone.wav"))
    page = build(replace(order, tracks=[*order.tracks[:2], gone]))
    assert ["gone.wav" in problem.message for problem in page.problems] == [True]
    assert 'value="1"' in page.text
    assert 'name="version" value="2"' not in page.text


def test_a_page_of_silence_alone_still_opens(tmp_path: Path) -> None:
    path = tmp_path / "silent.wav"
    soundfile.write(path, np.zeros((3 * RATE, 2)), RATE, subtype="PCM_16")
    page = build(request_of([path], ("Silence",)))
    assert "has no measurable loudness" in page.text
    assert "NaN" not in page.text
    assert "inf " not in page.text


def test_a_file_that_is_there_is_kept(music: list[Path], tmp_path: Path) -> None:
    page = build(request_of(music[:1], PLAIN[:1]))
    target = tmp_path / "page.html"
    target.write_text("mine", encoding="utf-8")
    with pytest.raises(WriteError, match="already exists"):
        write(page, target, False)
    assert target.read_text(encoding="utf-8") == "mine"
    write(page, target, True)
    assert target.stat().st_size == page.size_bytes
    assert [one.name for one in tmp_path.iterdir()] == ["page.html"]


def test_the_templates_are_there() -> None:
    assert {"page.html", "vote.html", "rest.html", "page.css", "deck.js", "start.js"} <= set(templates())

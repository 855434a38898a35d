"""The README: short, every command in it, and its pictures small, whole and what the program draws today."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from support.pictures import FOLDER, LARGEST_BYTES, PICTURES, curves, draw, words

from simulator.cli.app import COMMANDS

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
NUMBER = re.compile(r"\d+(?:\.\d+)?")


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_is_in_the_readme(command: str) -> None:
    assert re.search(rf"^\| .*`(fairhearing )?{command}\b", README, re.MULTILINE)


def test_the_readme_is_short_and_has_what_comes_before_listening() -> None:
    assert len(README.splitlines()) <= 130
    for fact in ("Turn your monitors down first", "NIOSH", "H.870", "85 dBA", "80 dBA", "Linux only", "MIT"):
        assert fact in " ".join(README.split())


def stored(name: str) -> str:
    return (FOLDER / f"{name}.svg").read_text(encoding="utf-8")


def test_the_readme_shows_every_picture_and_each_is_made_by_the_script() -> None:
    shown = set(re.findall(r"\]\(demo_playlist/pictures/([\w-]+)\.svg\)", README))
    assert shown == set(PICTURES) == {path.stem for path in FOLDER.iterdir()}


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_small_whole_and_asks_nothing_of_any_network(name: str) -> None:
    svg = stored(name)
    assert len(svg.encode()) < LARGEST_BYTES
    ElementTree.fromstring(svg)
    assert set(re.findall(r"https?://[\w./]+", svg)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert words(svg)


def same_words(first: str, second: str) -> bool:
    """Equal but for the last digit of a figure, which another processor may round the other way."""
    if NUMBER.sub("#", first) != NUMBER.sub("#", second):
        return False
    for one, other in zip(NUMBER.findall(first), NUMBER.findall(second), strict=True):
        digits = len(one.partition(".")[2])
        if abs(float(one) - float(other)) > 1.01 * 10.0**-digits:
            return False
    return True


@pytest.mark.heavy
@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_what_the_program_draws_today(name: str) -> None:
    """If this fails after a change of a screen: python -m tests.support.pictures."""
    old, new = stored(name), draw(name)
    assert len(words(old)) == len(words(new))
    for before, now in zip(words(old), words(new), strict=True):
        assert same_words(before, now), (before, now)
    for before, now in zip(curves(old), curves(new), strict=True):
        across = np.linspace(0.02, 0.98, 97)
        heights = [np.interp(across, curve[:, 0], curve[:, 1]) for curve in (before, now)]
        assert np.abs(heights[0] - heights[1]).max() < 0.05


@pytest.mark.parametrize(("first", "second", "same"), [
    ("−14.0 LUFS", "−14.1 LUFS", True), ("−14.0 LUFS", "−14.3 LUFS", False), ("169 overs", "170 overs", True),
    ("open", "loud", False), ("+1.0", "−1.0", False),
])  # fmt: skip
def test_words_may_differ_by_a_last_digit(first: str, second: str, same: bool) -> None:
    assert same_words(first, second) is same

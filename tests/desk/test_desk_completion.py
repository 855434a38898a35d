"""Completion offers what may stand there, and what it stands for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from support.made_measurements import player

from simulator.desk.completion import candidates
from simulator.session.excerpts import Mark
from simulator.session.state import Session
from simulator.session.track import TrackView


def track(title: str) -> TrackView:
    return TrackView(title, "", "master", None, None, f"{title}.wav", None)


SESSION = Session(
    (track("Night bus (open master)"), track("Night bus (crushed master)"), track("Harbour")),
    {name: replace_id for name in ("quiet", "quick", "loud") for replace_id in [player()]},
    "quiet",
    marks=(Mark("chorus", 0, 60.0),),
)


def offered(before: str) -> list[str]:
    """The whole lines that completion offers."""
    return [
        before[: len(before) - one.replaces] + one.text for one in candidates(SESSION, before, ["Monitors"])
    ]


@pytest.mark.parametrize(
    ("before", "lines"),
    [
        ("prof", ["profile "]),
        ("PAU", ["pause"]),
        ("  sta", ["  state "]),
        ("xyz", []),
        ("xyz ", []),
        ("profile qu", ["profile quiet", "profile quick"]),
        ("player l", ["player loud"]),
        ("play ", ["play 1", "play 2", "play 3"]),
        ("play night bus (c", ["play Night bus (crushed master)"]),
        ("swap ha", ["swap Harbour"]),
        ("state m", ["state matched"]),
        ("go l", ["go loudest", "go lift"]),
        ("go ch", ["go chorus"]),
        ("montage li", ["montage lift"]),
        ("montage loudest ", []),
        ("replace ", ["replace 1", "replace 2", "replace 3"]),
        ("hear si", ["hear side"]),
        ("devices mon", ["devices Monitors"]),
        ("devices d", ["devices default"]),
        ("help tr", ["help transitions", "help trim", "help trial"]),
        ("loop 1:02 1:10 ", []),
        ("note anything ", []),
    ],
)
def test_what_may_stand_at_the_cursor(before: str, lines: list[str]) -> None:
    assert offered(before) == lines


def test_every_word_says_what_it_stands_for() -> None:
    assert [one.meaning for one in candidates(SESSION, "play 2")] == ["Night bus (crushed master)"]
    assert candidates(SESSION, "dim")[0].meaning.startswith("20 dB down")


def test_a_new_revision_is_found_among_the_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("mix-v2.wav", "mix-v2.txt", ".mix.wav"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "mixes").mkdir()
    monkeypatch.chdir(tmp_path)
    assert offered("replace 1 mi") == ["replace 1 mix-v2.wav", "replace 1 mixes/"]
    assert offered("replace 1 ") == ["replace 1 mix-v2.wav", "replace 1 mixes/"]
    assert offered(f"replace 1 {tmp_path}/mix-") == [f"replace 1 {tmp_path}/mix-v2.wav"]
    assert offered("replace 1 nowhere/") == []


def test_a_session_without_marks_offers_places_only() -> None:
    assert [one.text for one in candidates(replace(SESSION, marks=()), "go ")] == [
        "loudest",
        "quietest",
        "lift",
        "worst",
    ]

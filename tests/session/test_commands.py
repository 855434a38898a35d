"""A command is one entry of the table: a made-up one is dispatched, completed, listed and refused by it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_session import Desk, session

from simulator.desk.completion import candidates
from simulator.desk.prompt import KEYS
from simulator.session import commands
from simulator.session.acts.command import Choice, Command, Line, Outcome
from simulator.session.events import Keep, Output, Prepared, Pressed, Say, Show
from simulator.session.excerpts import Mark
from simulator.session.state import Run, Session
from simulator.text.desk.screens import help_text


def bright(session: Session, line: Line) -> Outcome:
    """Sets the trim to −20 dB, so that it both says something and changes what sounds."""
    after = replace(session, trim_db=-20.0)
    return after, (Output(-20.0, False, False, "stereo"), Say(f"Brighter by {' '.join(line.words)}."))


BRIGHT = Command(
    "zoom",
    bright,
    "Made up for this test.",
    "zoom lots",
    short=("zz",),
    arguments="[HOW MUCH|WHICH TRACK]",
    listed="[HOW]",
    kinds=((Choice("lots", "more of it"), Choice("little"), "mark"),),
    keys=(("+", "zoom lots"),),
)


def with_command(monkeypatch: pytest.MonkeyPatch, command: Command) -> None:
    monkeypatch.setattr(commands, "COMMANDS", (*commands.COMMANDS, command))


def in_trial() -> Desk:
    desk = Desk()
    desk.do("state matched")
    desk.do("trial which 6")
    desk.do("y")
    desk.do(Prepared(at="at 2"))
    assert desk.session.trial is not None
    return desk


def kept(desk: Desk) -> list[tuple[str, object]]:
    return [(one.act.kind, one.act.data["line"]) for one in desk.found(Keep)]


def test_a_new_entry_is_dispatched_and_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk()
    assert desk.do("zoom lots").startswith("Unknown command “zoom”")
    with_command(monkeypatch, BRIGHT)
    for line in ("zoom lots", "zz lots", "zo lots"):
        assert desk.do(line) == "Brighter by lots."
        assert desk.session.trim_db == -20.0
        assert kept(desk) == [("zoom", line)]
    with_command(monkeypatch, replace(BRIGHT, name="zebra", short=(), record="none"))
    assert desk.do("zebra lots") == "Brighter by lots."
    assert kept(desk) == []


def test_a_new_entry_has_its_key(monkeypatch: pytest.MonkeyPatch) -> None:
    with_command(monkeypatch, BRIGHT)
    assert commands.keys()["+"] == "zoom lots"
    assert Desk().do(Pressed("zoom lots")) == "Brighter by lots."


def test_a_new_entry_is_completed(monkeypatch: pytest.MonkeyPatch) -> None:
    with_command(monkeypatch, BRIGHT)
    assert [(one.text, one.meaning) for one in candidates(session(), "zo")] == [
        ("zoom ", "Made up for this test.")
    ]
    marked = replace(session(), marks=(Mark("loft", 0, 1.0),))
    assert [(one.text, one.meaning) for one in candidates(marked, "zoom l")] == [
        ("lots", "more of it"),
        ("little", ""),
        ("loft", "mark"),
    ]
    assert "zoom" in [one.text for one in candidates(session(), "help z")]


def test_a_new_entry_stands_in_the_help(monkeypatch: pytest.MonkeyPatch) -> None:
    with_command(monkeypatch, BRIGHT)
    desk = Desk()
    desk.do("help zz")
    assert [(one.screen, one.argument) for one in desk.found(Show)] == [("help", "zoom")]
    listed = " ".join(help_text(desk.session, "").split())
    assert "zoom Made up for this test." in listed
    alone = " ".join(help_text(desk.session, "zoom").split())
    parts = ("zoom [HOW MUCH|WHICH TRACK]", "Example: zoom lots", "Also: zz", "line is empty: + (zoom lots)")
    for part in parts:
        assert part in alone


def test_in_a_trial_a_new_entry_is_refused_unless_it_says_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    with_command(monkeypatch, BRIGHT)
    desk = in_trial()
    assert desk.do("zoom lots").startswith("Not during a trial")
    assert desk.do(Pressed("zoom lots")).startswith("Not during a trial")
    assert desk.session.trim_db != -20.0
    assert candidates(desk.session, "zo") == []


def test_in_a_trial_an_allowed_entry_is_done_offered_and_kept_without_what_plays(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with_command(monkeypatch, replace(BRIGHT, in_trial=True))
    desk = in_trial()
    assert desk.do("zoom lots") == "Brighter by lots."
    [act] = [one.act for one in desk.found(Keep)]
    assert (act.kind, set(act.data)) == ("zoom", {"line", "trial_round"})
    assert [one.text for one in candidates(desk.session, "zo")] == ["zoom "]


def test_in_a_trial_an_entry_may_do_something_else(monkeypatch: pytest.MonkeyPatch) -> None:
    def quieter(session: Session, run: Run, line: Line) -> Outcome:
        return session, (Say(f"{line.word} in round 1 of {len(run.trial.draws)}."),)

    with_command(monkeypatch, replace(BRIGHT, in_trial=quieter, trial_line="zoom out"))
    desk = in_trial()
    assert desk.do("zoom lots") == "zoom in round 1 of 6."
    assert [one.text for one in candidates(desk.session, "zo")] == ["zoom out"]


def test_what_an_entry_asks_about_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    def loud(session: Session, _: Line) -> Outcome:
        after = replace(session, trim_db=0.0)
        return after, (Output(0.0, False, False, "stereo"), Say("Loud."))

    command = Command("zoom", loud, "Made up.", "zoom", asks=("rise",))
    with_command(monkeypatch, command)
    desk = Desk(trim_db=-40.0)
    desk.do("play 1")
    desk.at(25.0)
    assert "Go on?" in desk.do("zoom")
    assert desk.session.trim_db == -40.0
    assert desk.do("y").startswith("Loud. Rising")
    with_command(monkeypatch, replace(command, name="zebra", asks=()))
    desk = Desk(trim_db=-40.0)
    desk.do("play 1")
    desk.at(25.0)
    assert desk.do("zebra").startswith("Loud. Rising")


def test_no_word_key_or_example_of_the_table_is_ambiguous() -> None:
    words = [word for one in commands.COMMANDS for word in (one.name, *one.short)]
    assert len(words) == len(set(words))
    words += [word for one in commands.COMMANDS for word in one.old]
    assert len(words) == len(set(words))
    # a letter of a trial, or a stray answer to a question, is never a command
    assert not {"a", "b", "x", "y", "n"} & set(words)
    assert len(commands.keys()) == sum(len(one.keys) for one in commands.COMMANDS)
    for one in commands.COMMANDS:
        assert commands.find_command(one.example.split()[0]) is one


def test_every_key_of_the_prompt_is_one_of_the_table_and_its_line_is_understood() -> None:
    assert KEYS[" "] == "pause"
    assert {KEYS[str(number)] for number in range(1, 10)} == {f"pick {number}" for number in range(1, 10)}
    for line in KEYS.values():
        assert commands.find_command(line.split()[0]).name == line.split()[0]


def test_the_help_fits_a_screen_of_80_by_24_and_lists_every_command() -> None:
    """Two lines of meters and the prompt take three rows."""
    for start in (session(), in_trial().session):
        lines = help_text(start, "").splitlines()
        assert len(lines) <= 21
        assert all(len(line) <= 80 for line in lines)
        assert "shift-A" in " ".join(lines) or start.trial is None
    listed = help_text(session(), "")
    assert all(one.name in listed for one in commands.COMMANDS)


def test_old_words_go_on_working_and_are_not_listed() -> None:
    desk = Desk()
    for old, new in (("round", "montage"), ("r", "montage"), ("converter", "dac")):
        assert commands.find_command(old).name == new
        assert old not in help_text(desk.session, "").split()
        assert old not in [one.text.strip() for one in candidates(desk.session, "")]
    assert desk.do("go turn") == Desk().do("go lift")
    assert desk.do("hear difference") == Desk().do("hear side")
    assert desk.session.listen == "side"

"""`fairhearing votes`: answers into the record, and only those that belong there."""

from __future__ import annotations

import os
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from simulator.blind_test.ballot import Ballot, answer_line
from simulator.blind_test.result import PreferenceResult, result
from simulator.blind_test.trial import TrialPlan, draw
from simulator.cli import app
from simulator.session.log import Act, Record, ballot_act, from_json, to_json, votes
from simulator.storage.session_file import RecordFile

PLAN = TrialPlan("preference", ("open", "loud"), 8, 3, "matched", 0.03, 52.3, 6.0, "its loudest 6 s")
OLD = Act("2026-01-01T09:00:00+00:00", "note", {"text": "old"})


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A record with a page's ballot, in the folder that the command runs in."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    acts = (OLD, ballot_act("2026-01-02T09:00:00+00:00", Ballot("abcdefghjk", PLAN), "page.html"))
    path = tmp_path / "song.session.json"
    path.write_bytes(to_json(Record("Song", acts)))
    return path


@pytest.fixture
def answer(capsys: pytest.CaptureFixture[str]) -> Any:
    def run(*words: str) -> tuple[int, str, str]:
        code = app.run(["votes", *words])
        found = capsys.readouterr()
        return code, found.out, found.err

    return run


def test_an_answer_goes_into_the_record_with_all_its_rounds(answer: Any, record: Path) -> None:
    line = answer_line("abcdefghjk", "ABBABBAB", False)
    Path("mail.txt").write_text(f"Hi!\n> {line}\n> name: Nerida\n> words: it breathes\n", encoding="utf-8")
    code, said, problems = answer("mail.txt")
    assert (code, problems) == (0, "")
    assert "vote by Nerida, 8 rounds, added to song.session.json" in said
    assert "Blind, as far as the page can know: the names were hidden until the last answer." in said
    assert "In the client's words: it breathes" in said
    assert "levels differed by 0.03 LU" in said
    kept = from_json(record.read_bytes())
    assert kept.acts[0] == OLD
    ((given, trial),) = votes(kept.acts)
    assert (given.name, given.words, given.names_seen) == ("Nerida", "it breathes", False)
    assert "".join(trial.answers) == "ABBABBAB"
    found = result(trial)
    assert isinstance(found, PreferenceResult)
    assert f"open {found.pairs[0].for_first}, loud {8 - found.pairs[0].for_first} of 8" in said


def test_that_the_names_had_been_seen_is_kept_and_said(answer: Any, record: Path) -> None:
    Path("vote.txt").write_text(answer_line("abcdefghjk", "AAAAAAAA", True), encoding="utf-8")
    code, said, _ = answer("vote.txt", "--session", str(record))
    assert code == 0
    assert "Not blind: the names had been seen before this vote." in said
    assert votes(from_json(record.read_bytes()).acts)[0][0].names_seen


def test_the_same_answer_twice_is_kept_once(answer: Any, record: Path) -> None:
    Path("vote.txt").write_text(answer_line("abcdefghjk", "ABABABAB", False), encoding="utf-8")
    answer("vote.txt")
    before = record.read_bytes()
    code, said, _ = answer("vote.txt")
    assert code == 0
    assert "is already in song.session.json" in said
    assert record.read_bytes() == before


GOOD = answer_line("abcdefghjk", "ABABABAB", False)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (answer_line("zzzzzzzzzz", "ABABABAB", False), "the page zzzzzzzzzz is not in the session file"),
        (answer_line("abcdefghjk", "ABABABA", False), "has 7 answers, and the vote had 8 rounds"),
        (GOOD.replace("ABABABAB", "AAABABAB"), "changed on its way"),
        ("I liked A", "no whole line that begins with fairhearing-vote"),
        ("\0\xff" * 10, "no whole line"),
    ],
)
def test_what_does_not_belong_to_the_page_changes_nothing(
    answer: Any, record: Path, text: str, words: str
) -> None:
    Path("vote.txt").write_text(text, encoding="utf-8")
    Path("good.txt").write_text(GOOD, encoding="utf-8")
    before = record.read_bytes()
    code, said, problems = answer("vote.txt")
    assert (code, said) == (4, "")
    assert words in problems
    assert record.read_bytes() == before
    assert answer("vote.txt", "good.txt")[0] == 1  # the good one is taken all the same
    assert len(votes(from_json(record.read_bytes()).acts)) == 1


def test_a_ballot_with_other_draws_than_its_seed_gives_is_refused_with_the_cure(
    answer: Any, record: Path
) -> None:
    drawn = draw("preference", 2, 8, PLAN.seed)
    ballot = Ballot("abcdefghjk", PLAN, (), drawn[::-1])
    record.write_bytes(to_json(Record("Song", (ballot_act("2026-01-02T09:00:00+00:00", ballot, "p.html"),))))
    Path("vote.txt").write_text(GOOD, encoding="utf-8")
    before = record.read_bytes()
    code, said, problems = answer("vote.txt")
    assert (code, said) == (4, "")
    assert "song.session.json: the ballot of page abcdefghjk holds other draws" in problems
    assert "Restore the session file from a backup" in problems
    assert record.read_bytes() == before


def test_every_answer_of_a_saved_mail_is_taken_and_a_bad_one_is_said(answer: Any, record: Path) -> None:
    made = EmailMessage()
    made["From"], made["Subject"] = "band@example.org", "our votes"
    lines = [answer_line("abcdefghjk", letters, False) for letters in ("ABABABAB", "BBBBABAB", "AAAA")]
    body = "\n\n".join(f"{line}\nanswer: 0000000{n}\nname: Zoë {n}" for n, line in enumerate(lines))
    made.set_content(body, cte="base64")
    Path("votes.eml").write_bytes(made.as_bytes())
    code, said, problems = answer("votes.eml")
    assert code == 1
    assert "vote by Zoë 0" in said
    assert "vote by Zoë 1" in said
    assert "has 4 answers, and the vote had 8 rounds" in problems
    assert [given.name for given, _ in votes(from_json(record.read_bytes()).acts)] == ["Zoë 0", "Zoë 1"]


def test_a_missing_answer_or_record_is_named(answer: Any, record: Path) -> None:
    code, _, problems = answer("gone.txt")
    assert code == 4
    assert "gone.txt: cannot read the file" in problems
    Path("vote.txt").write_text(GOOD, encoding="utf-8")
    code, _, problems = answer("vote.txt", "--session", "other.session.json")
    assert code == 4
    assert "not in the session file (other.session.json)" in problems
    assert record.is_file()


def test_a_damaged_record_is_left_alone(answer: Any, record: Path) -> None:
    record.write_bytes(b'{"format": 1, "title": "x", "acts": [')
    Path("vote.txt").write_text(GOOD, encoding="utf-8")
    code, _, problems = answer("vote.txt", "--session", str(record))
    assert code == 4
    assert "this is not a session file" in problems
    assert record.read_bytes() == b'{"format": 1, "title": "x", "acts": ['


def test_while_a_desk_has_the_record_open_nothing_is_written(answer: Any, record: Path) -> None:
    """The desk would write over it: it holds the whole record."""
    desk = RecordFile(record, lambda _: None)
    Path("vote.txt").write_text(GOOD, encoding="utf-8")
    before = record.read_bytes()
    try:
        code, _, problems = answer("vote.txt")
        assert code == 4
        assert "song.session.json is open at a desk" in problems
        assert record.read_bytes() == before
        assert [path.name for path in record.parent.glob("*.session.json")] == ["song.session.json"]
    finally:
        desk.close()
    assert answer("vote.txt")[0] == 0


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_is_said(answer: Any, record: Path) -> None:
    Path("vote.txt").write_text(GOOD, encoding="utf-8")
    record.parent.chmod(0o500)
    try:
        code, _, problems = answer("vote.txt")
    finally:
        record.parent.chmod(0o700)
    assert code == 4
    assert "could not be written" in problems


def test_two_listeners_who_agree_count_twice_and_one_who_sends_again_once(answer: Any, record: Path) -> None:
    line = answer_line("abcdefghjk", "ABBABBAB", False)
    for name, text in {
        "one": f"{line}\nanswer: 0123abcd\n",
        "two": f"{line}\nanswer: 4567cdef\n",
        "again": f"{line}\nanswer: 0123abcd\nname: Nerida\n",
        "old": f"{line}\n",
        "old again": f"{line}\n",
    }.items():
        Path(f"{name}.txt").write_text(text, encoding="utf-8")
    assert "already" not in answer("one.txt")[1]
    assert "already" not in answer("two.txt")[1]
    assert "not taken" not in answer("one.txt")[1]
    said = answer("again.txt")[1]
    assert "already" in said
    assert "Its other letters, name or words are ignored." in said
    assert "already" not in answer("old.txt")[1]  # of a page from before fillings were numbered
    code, said, _ = answer("old again.txt")
    assert code == 0
    assert "If it is from another listener, add a line `name: ...`" in said
    assert len(votes(from_json(record.read_bytes()).acts)) == 3


@pytest.mark.usefixtures("record")
def test_what_a_mail_holds_steers_no_terminal(answer: Any) -> None:
    line = answer_line("abcdefghjk", "ABBABBAB", False)
    Path("mail.txt").write_text(
        f"{line}\nname: N\x1b]0;owned\x07\nwords: a\x1b[2J\u202eb\n", encoding="utf-8"
    )
    code, said, _ = answer("mail.txt")
    assert code == 0
    assert "\x1b" not in said
    assert "\u202e" not in said
    assert "vote by N\\x1b]0;owned\\x07" in said


def test_several_listeners_are_one_sum_with_dissent_and_one_picture(answer: Any, record: Path) -> None:
    """Three blind votes and one with the names seen. By the draws, each letter becomes a version; the sum is
    counted by hand from them."""
    drawn = draw("preference", 2, PLAN.rounds, PLAN.seed)

    def letters(versions: str) -> str:
        return "".join(
            "A" if one.first == int(want) else "B" for one, want in zip(drawn, versions, strict=True)
        )

    said = {"Anna": "00000000", "": "00000010", "Mira \x1b[31m": "11111011", "Seen": "11111111"}
    text = ""
    for number, (name, versions) in enumerate(said.items()):
        line = answer_line("abcdefghjk", letters(versions), name == "Seen")
        text += f"{line}\nanswer: 0000000{number}\n" + (f"name: {name}\n" if name else "") + "\n"
    Path("mails.txt").write_text(text, encoding="utf-8")
    code, out, problems = answer("mails.txt", "--figure", "votes.svg")
    assert (code, problems) == (0, "")
    assert out.startswith("open was chosen 16 of 24 times by 3 listeners: no preference shown (p = 0.15).\n")
    rows = {" ".join(line.split()) for line in out.splitlines()}
    assert {"Anna 8 of 8 0.008", "listener 2 7 of 8 0.070", "all together 16 of 24 0.152"} <= rows
    assert any(row.startswith("Seen 0 of 8 0.008 names seen") for row in rows)
    assert "Not in the sum: Seen, who has seen the names." in out
    assert "dissents: loud 7 of 8 times." in out
    assert "\x1b[31m" not in out
    picture = Path("votes.svg").read_text(encoding="utf-8")
    assert "16 of 24" in picture
    assert "Seen (names seen)" in picture
    assert answer("--session", str(record), "--quiet") == (
        0,
        "open was chosen 16 of 24 times by 3 listeners: no preference shown (p = 0.15).\n",
        "",
    )
    assert answer("--session", str(record), "--figure", "votes.svg")[0] == 4  # it is there already


def test_without_votes_of_several_there_is_no_sum(answer: Any, record: Path) -> None:
    assert answer()[0] == 2
    code, _, problems = answer("--session", str(record))
    assert code == 2
    assert "no page with votes of several listeners" in problems

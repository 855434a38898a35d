"""`fairhearing page` as its users meet it."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
import soundfile
from support.made_page import write_music

from simulator.blind_test.ballot import answer_line
from simulator.blind_test.trial import begin
from simulator.cli.steps.page import track_numbers
from simulator.common.errors import UsageError
from simulator.page.file import build
from simulator.session.log import Act, Record, ballots, from_json, to_json, votes

VOTE = "{0}/open.wav {0}/loud.wav --vote 6"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("client")
    write_music(made)
    (made / "list.toml").write_text(
        'format = 1\ntitle = "Lantern"\nclient = "The <label>"\nprofile = "minus14-limited"\n'
        '[[tracks]]\npath = "open.wav"\ntitle = "Lantern (open)"\nsong = "l"\n'
        '[[tracks]]\npath = "gone.wav"\n'
        '[[tracks]]\npath = "loud.wav"\ntitle = "Lantern (loud)"\nsong = "l"\n'
        '[[tracks]]\npath = "reference.wav"\nrole = "reference"\n',
        encoding="utf-8",
    )
    return made


@pytest.fixture(autouse=True)
def inside(folder: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path_factory.getbasetemp() / "page_data"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.getbasetemp() / "page_cache"))
    monkeypatch.chdir(folder)


def test_a_page_of_a_playlist_with_a_vote(answer: Any, folder: Path, tmp_path: Path) -> None:
    """The size is said before writing, the missing track costs no other, the ballot is in the record."""
    out = tmp_path / "page.html"
    code, said, problems = answer(f"page list.toml -o {out} --vote 6 --seconds 1 --tracks 1,3")
    assert code == 1
    assert "gone.wav: file not found" in problems
    assert f"{out}: {out.stat().st_size / 1e6:.1f} MB" in said
    record = from_json((folder / "list.session.json").read_bytes())
    ((page, ballot),) = ballots(record.acts).items()
    assert f'"page": "{page}"' in out.read_text(encoding="utf-8")
    assert ballot.plan.versions == ("Lantern (open)", "Lantern (loud)")
    assert ballot.plan.rounds == 6
    assert ballot.plan.level_difference_lu <= 0.1
    assert record.acts[0].data["file"] == "page.html"
    assert len(ballot.draws) == 6
    assert begin(ballot.plan).draws == ballot.draws
    shown = json.loads(out.read_text(encoding="utf-8").split('id="ballot">')[1].split("</script>")[0])[
        "rounds"
    ]
    swapped = [[one.first, one.second] for one in ballot.draws]
    assert shown in (swapped, [pair[::-1] for pair in swapped])  # the page lists the sounds in either order
    (folder / "list.session.json").unlink()


@pytest.fixture
def meanwhile(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Lets something happen to the files between the measuring and the cutting of a page."""

    def arrange(happens: Any) -> None:
        real = build.cut_all

        def cut_all(*jobs: Any) -> Any:
            happens()
            return real(*jobs)

        monkeypatch.setattr(build, "cut_all", cut_all)

    return arrange


@pytest.mark.parametrize("names", ["{0}/open.wav", pytest.param(VOTE, marks=pytest.mark.heavy)])
def test_a_file_that_changes_while_its_page_is_made_is_refused_and_nothing_is_kept(
    answer: Any, meanwhile: Any, folder: Path, tmp_path: Path, names: str
) -> None:
    """The same name, length and format, other samples: as a new export over the old one."""
    for name in ("open.wav", "loud.wav"):
        shutil.copy(folder / name, tmp_path / name)
    new = tmp_path / "new.wav"
    samples, rate = soundfile.read(folder / "open.wav")
    soundfile.write(new, 0.5 * samples, rate, subtype=soundfile.info(str(folder / "open.wav")).subtype)
    meanwhile(lambda: shutil.copy(new, tmp_path / "open.wav"))
    out = tmp_path / "page.html"
    records = set(Path(os.environ["XDG_DATA_HOME"]).rglob("*.json"))
    code, said, problems = answer(f"page {names.format(tmp_path)} -o {out} --seconds 1")
    assert code == 4
    assert f"{tmp_path}/open.wav has changed on disk since it was measured." in problems
    assert "No page was written" in problems
    assert (said, out.exists()) == ("", False)
    assert set(Path(os.environ["XDG_DATA_HOME"]).rglob("*.json")) == records


def test_a_copy_of_the_same_samples_changes_nothing_on_the_page(
    answer: Any, meanwhile: Any, folder: Path, tmp_path: Path
) -> None:
    own, copy = tmp_path / "open.wav", tmp_path / "copy.wav"
    for path in (own, copy):
        shutil.copy(folder / "open.wav", path)
    meanwhile(lambda: os.replace(copy, own))
    out = tmp_path / "page.html"
    assert answer(f"page {own} -o {out} --seconds 1")[0] == 0
    assert out.exists()


@pytest.mark.heavy
def test_a_page_from_the_record_has_its_marks_notes_and_decisions(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    path = str(folder / "open.wav")
    where = {"track": 1, "title": "Lantern (open)", "path": path, "place_s": 3.0}
    acts = (
        Act("2026-01-02T10:00:00+01:00", "mark", {"name": "bridge", **where}),
        Act("2026-01-02T10:01:00+01:00", "note", {"text": "less <b> here", **where}),
        Act(
            "2026-01-02T10:02:00+01:00",
            "decision",
            {"destination": "streaming", "target_lufs": -13.0, "ceiling_dbtp": -1.0, "who": "Nerida"},
        ),
    )
    (folder / "list.session.json").write_bytes(to_json(Record("Lantern", acts)))
    out = tmp_path / "page.html"
    code, _, _ = answer(
        f"page list.session.json -o {out} --seconds 1 --tracks 1,3-4 --with notes,marks,decisions,findings"
    )
    text = out.read_text(encoding="utf-8")
    assert code == 1
    assert "less &lt;b&gt; here (Lantern (open), at 0:03.0)" in text
    assert "2026-01-02: streaming, −13.0 LUFS, ceiling −1.0 dBTP, decided by Nerida." in text
    assert "Checked before delivery" in text
    assert "(target −13.00 LUFS)" in text
    sounds = json.loads(text.split('id="sounds">')[1].split("</script>")[0])
    (bridge,) = [kind["items"] for kind in sounds["kinds"] if kind["label"] == "bridge"]
    assert bridge["0"]["start"] == 3.0
    assert "2" in bridge  # the other version has it too
    (folder / "list.session.json").unlink()


def test_each_master_on_the_page_is_held_to_the_decision_that_check_holds_it_to(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    """Each by the name in the playlist, else the last; a name that was never decided holds nothing, and a
    line says so."""
    shutil.copy(folder / "open.wav", tmp_path / "open.wav")
    lines = ["format = 1"]
    for title, own in (("Loud", "club"), ("Open", "")):
        lines += ["[[tracks]]", 'path = "open.wav"', f'title = "{title}"']
        lines += [f'decision = "{own}"'] if own else []
    (tmp_path / "list.toml").write_text("\n".join(lines), encoding="utf-8")
    acts = tuple(
        Act(f"2026-01-0{day}T10:00:00+01:00", "decision", {"destination": name, "target_lufs": target})
        for day, (name, target) in enumerate([("club", -41.0), ("streaming", -43.0)], 1)
    )
    session = tmp_path / "list.session.json"
    session.write_bytes(to_json(Record("Lantern", acts)))
    page = f"page {tmp_path / 'list.toml'} -o {tmp_path / 'page.html'} --seconds 0.5"
    page += " --with findings,decisions"
    assert answer(page)[0] == 0
    shown = re.findall(r"target (−\d+\.\d)0 LUFS", (tmp_path / "page.html").read_text(encoding="utf-8"))
    checked = answer(f"check {tmp_path / 'list.toml'} --decision {session} --json")[1]
    assert [one["decided"]["target_lufs"] for one in json.loads(checked)] == [-41.0, -43.0]
    assert shown == ["−41.0", "−43.0"]
    (tmp_path / "list.toml").write_text("\n".join(lines).replace("club", "vinyl"), encoding="utf-8")
    code, _, problems = answer(f"{page} --force")
    assert code == 0
    assert "no decision for “vinyl”" in problems
    assert "checks its masters against no decision" in problems


SAID = {
    "notes": (
        Act("2026-01-02T10:01:00+01:00", "note", {"text": "the singer hates it"}),
        "the singer hates it",
    ),
    "marks": (
        Act("2026-01-02T10:00:00+01:00", "mark", {"name": "out of tune", "path": "", "place_s": 3.0}),
        "out of tune",
    ),
    "decisions": (
        Act(
            "2026-01-02T10:02:00+01:00",
            "decision",
            {"destination": "streaming", "target_lufs": -17.31, "ceiling_dbtp": -1.0, "who": "Nerida"},
        ),
        "decided by Nerida",
    ),
    "trials": (
        Act("2026-01-02T10:03:00+01:00", "trial", {"result": ["5 of 16 right."]}),
        "2026-01-02: 5 of 16 right.",
    ),
}


@pytest.fixture
def listed(folder: Path, tmp_path: Path) -> Path:
    """A list with a session beside it in which something of every kind was said."""
    shutil.copy(folder / "open.wav", tmp_path / "open.wav")
    (tmp_path / "list.toml").write_text(
        'format = 1\n[[tracks]]\npath = "open.wav"\n[[tracks]]\npath = "gone.wav"\n', encoding="utf-8"
    )
    acts = [act for act, _ in SAID.values()]
    acts[1] = Act(acts[1].at, "mark", acts[1].data | {"path": str(tmp_path / "open.wav")})
    (tmp_path / "list.session.json").write_bytes(to_json(Record("Lantern", tuple(acts))))
    return tmp_path / "list.toml"


WORDS = {kind: words for kind, (_, words) in SAID.items()} | {"findings": "Checked before delivery"}


@pytest.mark.parametrize(
    ("named", "inside"),
    [
        ("", set()),
        ("--with notes", {"notes"}),
        pytest.param("--with trials,findings --with marks", {"trials", "findings", "marks"}),
        pytest.param("--with notes,marks,decisions,trials,findings", set(WORDS), marks=pytest.mark.heavy),
    ],
)
def test_only_what_is_named_of_a_session_goes_onto_the_page_and_it_is_listed(
    answer: Any, listed: Path, named: str, inside: set[str]
) -> None:
    out = listed.with_name("page.html")
    code, said, _ = answer(f"page {listed} -o {out} --seconds 1 {named}")
    assert code == 1
    text = out.read_text(encoding="utf-8")
    assert {kind for kind, words in WORDS.items() if words in text} == inside
    assert {kind for kind in WORDS if f"On the page: {kind}: 1" in said} == inside
    assert {kind for kind, words in WORDS.items() if kind != "findings" and words in said} == inside - {
        "findings"
    }
    assert ("17.31" in text) is ({"findings", "decisions"} <= inside)
    assert ("On the page: nothing from the session" in said) is not inside
    assert str(listed.parent) not in text  # where the files lie is nobody's business
    assert "gone.wav: file not found" in text


def test_the_engineer_chooses_the_passage_of_the_vote(answer: Any, tmp_path: Path) -> None:
    places = {}
    for passage in ("", "loudest", "quietest"):
        words = f"--vote-passage {passage}" if passage else ""
        line = f"page open.wav loud.wav -o {tmp_path / 'p.html'} --vote 6 --seconds 1 --force {words}"
        code, said, _ = answer(line)
        assert code == 0
        path = Path(re.findall(r"The vote's key is saved in (.*)\.", said)[0])
        ((_, ballot),) = ballots(from_json(path.read_bytes()).acts).items()
        places[passage] = ballot.plan.passage_start_s
        path.unlink()
    assert places[""] == places["loudest"] > 4.0 > places["quietest"]  # the step up is at 4 s


def test_a_session_that_a_page_begins_is_its_owners_alone(answer: Any, tmp_path: Path) -> None:
    code, said, _ = answer(f"page open.wav loud.wav -o {tmp_path / 'p.html'} --vote 6 --seconds 1")
    assert code == 0
    path = Path(re.findall(r"The vote's key is saved in (.*)\.", said)[0])
    assert path.stat().st_mode & 0o777 == 0o600
    path.unlink()


def test_bare_files_give_the_page_a_title_that_hides_their_names_before_a_vote(
    answer: Any, tmp_path: Path
) -> None:
    out = tmp_path / "p.html"
    for named, more, title in (
        ("open.wav loud.wav", "", "open · loud"),
        ("open.wav loud.wav", "--vote 6", "Which master?"),
        ("open.wav", "--engineer <Holm>", "open"),
    ):
        assert answer(f"page {named} -o {out} --seconds 1 --force {more}")[0] == 0
        assert f"<title>{title}</title>" in out.read_text(encoding="utf-8")
    assert "From <bdi>&lt;Holm&gt;</bdi>" in out.read_text(encoding="utf-8")


@pytest.mark.heavy
def test_two_files_are_two_versions(answer: Any, tmp_path: Path) -> None:
    out = tmp_path / "two.html"
    code, said, _ = answer(f"page open.wav loud.wav -o {out} --vote 6 --seconds 1")
    assert code == 0
    path = Path(re.findall(r"The vote's key is saved in (.*)\.", said)[0])
    assert path.name.startswith("open-")  # in the user's data folder, as the desk has it for bare files
    ((page, ballot),) = ballots(from_json(path.read_bytes()).acts).items()
    assert f"fairhearing votes vote-{page}.txt --session {path}" in said
    vote = tmp_path / "vote.txt"
    vote.write_text(answer_line(page, "ABABAB", False), encoding="utf-8")
    code, said, _ = answer(f"votes {vote}")  # the record is found by the page's id
    assert code == 0
    assert f"6 rounds, added to {path}" in said
    assert len(votes(from_json(path.read_bytes()).acts)) == 1
    assert ballot.plan.versions == ("open", "loud")


@pytest.mark.heavy
def test_a_damaged_record_beside_the_playlist_is_said_and_the_page_is_made(
    answer: Any, folder: Path, tmp_path: Path
) -> None:
    record = folder / "list.session.json"
    record.write_bytes(b"half a rec")
    code, _, problems = answer(
        f"page list.toml -o {tmp_path / 'page.html'} --seconds 0.5 --tracks 4 --with notes"
    )
    assert code == 1
    assert "this is not a session file" in problems
    assert "leaves out its notes" in problems
    assert record.read_bytes() == b"half a rec"
    assert answer(f"page list.session.json -o {tmp_path / 'other.html'}")[0] == 2
    record.unlink()


@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        ("page open.wav -o page.txt", 2, "Use a name that ends in .html"),
        ("page open.wav -o taken.html", 4, "not overwritten"),
        ("page open.wav -o new.html --with notes,gossip", 2, "“gossip” is not one of notes, marks"),
        ("page open.wav -o new.html --tracks 2", 2, "“2” is not a track in this list"),
        ("page open.wav loud.wav -o new.html --vote 5", 2, "Use --vote 6 or more"),
        ("page three.toml -o new.html --vote 18", 2, "Use --vote 21 or more"),
        ("page open.wav -o new.html --vote 4", 2, "two to four versions of one song"),
        ("page open.wav loud.wav -o new.html --vote 6 --vote-passage coda", 2, "there is no passage “coda”"),
        ("page gone.wav -o new.html", 4, "No track could be read"),
        ("page gone.session.json -o new.html", 2, "no playlist of that name beside it"),
        ("page open.wav", 2, "--output"),
    ],
)
def test_what_cannot_be_done_says_why_and_writes_nothing(
    answer: Any, folder: Path, line: str, code: int, words: str
) -> None:
    (folder / "taken.html").write_text("mine", encoding="utf-8")
    rows = "".join(f'[[tracks]]\npath = "{name}.wav"\nsong = "s"\n' for name in ("open", "loud", "open"))
    (folder / "three.toml").write_text(f"format = 1\n{rows}", encoding="utf-8")
    got, _, problems = answer(line)
    assert got == code
    assert words in problems
    assert (folder / "taken.html").read_text(encoding="utf-8") == "mine"
    assert not (folder / "new.html").exists()
    assert not (folder / "new.session.json").exists()


@pytest.mark.heavy
def test_a_large_page_is_warned_of(answer: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("simulator.page.file.build.LARGE_BYTES", 100_000)
    code, _, problems = answer(f"page open.wav -o {tmp_path / 'large.html'} --seconds 1")
    assert code == 0
    assert "many mail systems refuse that size" in problems
    assert "--tracks" in problems


@pytest.mark.parametrize(
    ("asked", "places"),
    [(None, [0, 1, 2, 3, 4]), ("1", [0]), ("2,1", [0, 1]), ("1-3, 5", [0, 1, 2, 4]), ("2-2,2", [1])],
)
def test_track_numbers(asked: str | None, places: list[int]) -> None:
    assert track_numbers(asked, 5) == places


@pytest.mark.parametrize("asked", ["0", "6", "3-2", "a", "", "1,,2", "-1"])
def test_wrong_track_numbers_are_refused(asked: str) -> None:
    with pytest.raises(UsageError, match="not a track in this list"):
        track_numbers(asked, 5)

"""`check --sheet` and `--against`: what was handed over, and what has changed since, in all three forms."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support import signals
from support.chromium import launched
from support.schemas import valid

from simulator.cli.steps.sheet import write_sheet
from simulator.common.errors import UsageError
from simulator.delivery.sheet import SheetMaster, changes, read_sheet_text
from simulator.page.sheet import sheet_html
from simulator.session.log import Act, Record, to_json

RATE = 44_100
NAMES = ("01 One", "02 =Two", "03 Three")
FORMS = ("html", "json", "csv")
Answer = Callable[[str], tuple[int, str, str]]


def song(seed: int, seconds: float = 1.0) -> Any:
    """0.1 s of silence, pink noise, 0.25 s of silence."""
    noise = 0.2 * signals.pink_noise(round(seconds * RATE), seed, RATE)
    noise = noise / np.abs(noise).max() * 0.2
    return np.concatenate([np.zeros((4410, 2)), signals.both(noise), np.zeros((11_025, 2))])


@pytest.fixture(scope="module")
def masters(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("album")
    lines = ["format = 1", 'title = "Low Water"', 'client = "Choir & Co"']
    for number, name in enumerate(NAMES, 1):
        soundfile.write(made / f"{name}.wav", song(number), RATE, subtype="PCM_24")
        title = '<i>"Two"</i>' if number == 2 else name[3:]
        lines += ["[[tracks]]", f'path = "{name}.wav"', f"title = '{title}'", 'album = "Low Water"']
        lines += ['artist = "=1+1"'] if number == 2 else []
    (made / "album.toml").write_text("\n".join(lines), encoding="utf-8")
    decision = {"destination": "streaming", "target_lufs": -30.0, "ceiling_dbtp": -1.0, "who": "Anna"}
    record = Record("x", (Act("2026-02-03T11:00:00+01:00", "decision", decision),))
    (made / "s.session.json").write_bytes(to_json(record))
    return made


@pytest.fixture(scope="module")
def sheets(masters: Path, cache: Path) -> Path:
    """The folder with a sheet in each form, written there once."""
    from simulator.cli import app

    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(masters)
        patch.setenv("XDG_CACHE_HOME", str(cache))
        options = ["--decision", "s.session.json", "--for", "minus14-vorbis160", "--sheet", "a.json"]
        app.run(["check", "album.toml", *options, "--quiet"])
    for form in ("html", "csv"):
        write_sheet(masters / f"a.{form}", read(masters / "a.json"), force=False)
    return masters


@pytest.fixture
def later(sheets: Path, tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the folder, to change files in."""
    shutil.copytree(sheets, tmp_path / "later")
    monkeypatch.chdir(tmp_path / "later")
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))
    return tmp_path / "later"


def read(path: Path) -> Any:
    return read_sheet_text(path.read_text(encoding="utf-8"), str(path))


def test_checksums_and_silence_are_those_of_other_programs(sheets: Path) -> None:
    """Of the file by coreutils' sha256sum; of the samples by hashlib over what soundfile reads."""
    for one in read(sheets / "a.json").masters:
        path = sheets / one.path
        summed = subprocess.run(["sha256sum", path], check=True, capture_output=True, text=True).stdout
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
        assert one.file_sha256 == summed.split()[0].lstrip("\\")
        assert one.samples_sha256 == hashlib.sha256(samples.astype("<f4").tobytes()).hexdigest()
        assert (one.sample_rate, one.frames, one.bits) == (rate, samples.shape[0], 24)
        loud = np.flatnonzero(np.abs(samples).max(axis=1) >= 1e-4)
        assert one.silence_at_start_s == pytest.approx(loud[0] / rate, abs=1e-9)
        assert one.silence_at_end_s == pytest.approx((samples.shape[0] - 1 - loud[-1]) / rate, abs=1e-9)
    first, second, last = read(sheets / "a.json").masters
    assert first.gap_to_next_s == pytest.approx(first.silence_at_end_s + second.silence_at_start_s)
    assert last.gap_to_next_s is None


def test_all_forms_hold_the_same_and_are_read_again(sheets: Path) -> None:
    forms = {form: read(sheets / f"a.{form}") for form in FORMS}
    assert forms["html"].masters == forms["json"].masters == forms["csv"].masters
    assert {(one.title, one.client) for one in forms.values()} == {("Low Water", "Choir & Co")}
    one = forms["csv"].masters[1]
    assert (one.title, one.artist) == ('<i>"Two"</i>', "=1+1")
    assert [step.step for step in one.steps] == ["in 24 bits", "Vorbis at 160 kbit/s"]
    assert (one.decision.destination, one.decision.who, one.decision.decided) == (
        "streaming", "Anna", "on 2026-02-03",
    )  # fmt: skip
    valid((sheets / "a.json").read_text(encoding="utf-8"), "sheet")


@pytest.mark.usefixtures("later")
def test_the_csv_begins_with_the_columns_that_measure_prints(answer: Answer) -> None:
    with open("a.csv", encoding="utf-8", newline="") as file:
        columns = next(csv.reader(file))
    measured = next(csv.reader(answer("measure album.toml --csv")[1].splitlines()))
    assert columns[:6] == measured[:6]
    assert set(columns[:9]) <= set(measured)
    assert columns[-1] == measured[-1] == "error"


def test_the_page_is_self_contained_escaped_and_states_shared_facts_once(sheets: Path) -> None:
    text = (sheets / "a.html").read_text(encoding="utf-8")
    shown, _, data = text.partition('<script type="application/json"')
    assert "<script" not in shown + data.partition("</script>")[2]
    assert not re.search(r"(?:src|href)=\"(?!#)", text)
    assert "<i>" not in text
    assert "&lt;i&gt;&#34;Two&#34;&lt;/i&gt;" in shown
    assert shown.count("WAV, 24 bit, 44.1 kHz, stereo") == 1
    assert "streaming: −30.0 LUFS, peaks up to −1.0 dBTP (Anna, on 2026-02-03)." in shown
    for one in read(sheets / "a.html").masters:
        assert one.file_sha256 in shown
        assert one.samples_sha256 in shown


@pytest.mark.usefixtures("later")
def test_what_changed_since(answer: Answer) -> None:
    """Tags by libsndfile, −1.5 dB in the samples, a file gone, one new: all found by reading files."""
    code, out, _ = answer("check --against a.html")
    assert code == 0
    assert out.startswith("Unchanged: all 3 masters have the same samples as on the sheet of 20")
    with soundfile.SoundFile("01 One.wav", "r+") as file:
        file.title = "other tag"
    code, out, _ = answer("check album.toml --against a.html")
    assert code == 0
    assert out.startswith("Samples unchanged")
    assert re.search(r" 1 +One +samples unchanged: other tags or header", out)
    samples, _ = soundfile.read("02 =Two.wav")
    soundfile.write("02 =Two.wav", samples * 10.0 ** (-1.5 / 20.0), RATE, subtype="PCM_24")
    Path("03 Three.wav").unlink()
    soundfile.write("04 Four.wav", song(4), RATE)
    code, out, err = answer("check . --against a.html")
    said = " ".join(out.split())
    assert (code, err) == (3, "")
    assert ": samples changed in 1 of 3 masters, 1 of 3 masters missing, 1 not on the sheet." in said
    assert "samples changed: −1.5 LU, true peak −1.5 dB" in said
    assert re.search(r" 3 +Three +missing", out)
    assert "another folder" not in out
    assert (
        "If the masters are in another folder: fairhearing check FOLDER --against a.html"
        in answer("check --against a.html")[1]
    )
    code, out, _ = answer("check album.toml --against a.html --json")
    found = valid(out, "sheet")
    assert [(one["since"], one["level"]) for one in found] == [
        ("tags", "look"), ("samples", "fix"), ("missing", "fix"),
    ]  # fmt: skip


@pytest.mark.usefixtures("later")
def test_a_file_that_can_no_longer_be_read_is_an_error_and_not_missing(answer: Answer) -> None:
    Path("01 One.wav").write_text("no audio", encoding="utf-8")
    code, out, err = answer("check --against a.html")
    assert code == 1
    assert "01 One.wav: cannot read this as audio" in err
    assert "missing" not in out


def master(path: str, samples: str, number: int = 1) -> SheetMaster:
    digest = hashlib.sha256(samples.encode()).hexdigest()
    return SheetMaster(path, RATE, 2, 100, 1.0, digest, digest, number, title=path)


@pytest.mark.parametrize(
    ("before", "now", "wanted"),
    [
        ("a1 b2 c3", "a1 b2 c3", "same same same"),
        ("a1 b2 c3", "b2 c3 a1", "same-moved same same"),
        ("a1 b2 c3", "b2 c3", "missing same same"),  # places shift, the order stays
        ("a1 b2", "a2 b1", "samples-holds-b samples-holds-a"),
        ("a1 b2", "x1 b2", "same-renamed same"),
        ("a1 b2", "a1 b2 d4", "same same new"),
        ("sub/a1 b2", "a1 b2", "same same"),  # the sheet was moved
        ("a1 a2", "a2 a1", "same same-moved"),  # two of one name, told apart by their samples
    ],
)
def test_masters_are_matched_by_path_then_name_then_samples(before: str, now: str, wanted: str) -> None:
    """Each letter is a name and each figure a content; worked by hand."""
    was, is_now = (
        [master(word[:-1], word[-1], at) for at, word in enumerate(words.split(), 1)]
        for words in (before, now)
    )
    sheet = read_sheet_text(
        json.dumps({"schema": 1, "masters": [json.loads(_json(one)) for one in was]}), "x"
    )
    said = [
        one.since
        + "-moved" * one.moved
        + "-renamed" * one.renamed
        + (f"-holds-{one.holds}" if one.holds else "")
        for one in changes(sheet, is_now)
    ]
    assert said == wanted.split()


def _json(one: SheetMaster) -> bytes:
    import msgspec

    return msgspec.json.encode(one)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no column file_sha256"),
        ("<!doctype html><p>A page", "the page holds no sheet"),
        ('{"masters": [{"path": "a.wav"}]}', "missing required field"),
        ('{"masters": []}', "lists no master"),
        ('{"schema": 2, "masters": []}', "schema 2; this version reads up to 1"),
        ('[{"schema": 1}]', "Expected `object`"),
        ("path,file_sha256,samples_sha256\na.wav,12,34\n", "missing required field|Expected"),
    ],
)
@pytest.mark.usefixtures("later")
def test_a_broken_sheet_is_refused_in_words(answer: Answer, text: str, words: str) -> None:
    Path("broken.html").write_text(text, encoding="utf-8")
    code, out, err = answer("check --against broken.html")
    assert (code, out) == (2, "")
    assert "broken.html" in err
    assert re.search(words, err), err


def test_a_number_that_is_none_is_refused(sheets: Path) -> None:
    text = (sheets / "a.csv").read_text(encoding="utf-8")
    with pytest.raises(UsageError, match="Expected `float`"):
        read_sheet_text(re.sub(r"(?m)(PCM_24,24,)0\.1,", r"\1nan,", text), "a.csv")


@pytest.mark.usefixtures("later")
def test_sheets_are_not_overwritten_and_options_exclude_each_other(answer: Answer) -> None:
    for line, code, words in (
        ("check album.toml --sheet a.html", 4, "already exists and was not overwritten"),
        ("check album.toml --sheet a.txt", 2, ".html, .json or .csv"),
        ("check album.toml --sheet none/a.csv", 4, "the folder none does not exist"),
        ("check album.toml --sheet album.toml.json --against a.csv", 2, "not both"),
        ("check album.toml --against nosuch.html", 2, "No such file"),
        ("check", 2, "Missing argument"),
    ):
        found, out, err = answer(line)
        assert (found, out) == (code, ""), line
        assert words in err
    before = Path("s.session.json").read_bytes()
    assert answer("check album.toml --decision s.session.json --sheet s.session.json --force")[0] == 4
    assert Path("s.session.json").read_bytes() == before
    Path("01 One.wav").write_text("no audio", encoding="utf-8")
    _, _, err = answer("check album.toml --sheet new.json")
    assert "new.json was not written: 1 of 3 masters could not be read" in err
    assert not Path("new.json").exists()


@pytest.mark.heavy
@pytest.mark.external
def test_twelve_masters_print_on_one_a4_and_axe_has_no_complaint(sheets: Path, tmp_path: Path) -> None:
    import msgspec
    from axe_playwright_python.sync_playwright import Axe

    from simulator.page.file.build import templates

    sheet = read(sheets / "a.json")
    twelve = [
        msgspec.structs.replace(sheet.masters[0], number=at, title="A letter to nobody in particular (edit)")
        for at in range(1, 13)
    ]
    page_file = tmp_path / "twelve.html"
    whole = msgspec.structs.replace(sheet, masters=tuple(twelve))
    page_file.write_text(
        sheet_html(whole, templates(), "fairhearing check --against twelve.html"), encoding="utf-8"
    )
    with launched() as browser:
        for scheme in ("light", "dark"):
            page = browser.new_page(color_scheme=scheme, viewport={"width": 800, "height": 900})
            page.goto(page_file.as_uri())
            assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True))) == 1
            assert Axe().run(page).response["violations"] == []
            page.close()

"""The table of figures: whole, in keeping with the Measurement, and one entry is all that shows a new one."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import fields
from pathlib import Path

import pytest
import soundfile
from support.made_measurements import made, player
from support.made_session import session
from support.signals import both, pink_noise

from simulator.cli import app
from simulator.metering import figures
from simulator.metering.figures import FIGURES, Column, Figure, View
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.page.content import PageContent, PageTrack, context
from simulator.playlists.playlist import Track
from simulator.session.provenance import identity

NOT_FIGURES = {"overs", "clipped_runs", "warnings", "series", "method"}
"""Lists behind a count, series, and what is said about the figures."""


def test_every_value_of_a_measurement_is_in_the_table_once() -> None:
    named = [one.name for one in FIGURES]
    assert len(set(named)) == len(named)
    assert {field.name for field in fields(Measurement)} - NOT_FIGURES <= set(named)
    assert len({one.key for one in FIGURES}) == len(FIGURES)


# The columns that scripts may rely on: the promise, not a copy of the code. New ones come after them.
COLUMNS = (
    "sample_rate channels frames duration_s integrated_lufs loudness_range_lu max_momentary_lufs "
    "max_short_term_lufs quietest_passage_lufs contrast_lu sample_peak_dbfs true_peak_dbtp "
    "true_peak_at_s peak_to_loudness_db min_peak_to_short_term_db median_peak_to_short_term_db "
    "crest_factor_db share_at_ceiling inter_sample_overs clipped_runs dc_offset correlation"
)


def test_no_column_moves() -> None:
    promised = COLUMNS.split()
    assert [one.key for one in figures.columns()][: len(promised)] == promised
    assert [one.column for one in figures.columns()] == list(range(1, len(FIGURES) + 1))


@pytest.mark.parametrize(
    "found", [made(-14.0), made(None, None, seconds=2.0, channels=1)], ids=["music", "none"]
)
def test_every_figure_says_what_none_means_and_no_other_is_none(found: Measurement) -> None:
    for one in FIGURES:
        assert one.source, one.key
        assert one.value(found) is not None or one.nothing != "never", one.key
        assert one.text(found) == "–" or one.value(found) is not None, one.key


@pytest.mark.parametrize(
    ("key", "value", "written"),
    [
        ("integrated_lufs", -14.04, "−14.0"),
        ("integrated_lufs", -0.04, "0.0"),
        ("integrated_lufs", None, "–"),
        ("correlation", -0.125, "−0.12"),
        ("inter_sample_overs", 1024, "1024"),
        ("share_at_ceiling", 0.1234, "12.3 %"),
        ("true_peak_at_s", 61.29, "1:01.2"),
        ("dc_offset", [0.001, -0.5], "0.001000 −0.500000"),
    ],
)
def test_a_value_is_written_by_its_form_and_decimals(key: str, value: object, written: str) -> None:
    assert figures.figure(key).written(value) == written


def test_a_figure_that_is_not_there_is_refused() -> None:
    with pytest.raises(KeyError, match="brightness"):
        figures.figure("brightness")


@pytest.fixture
def brightness(monkeypatch: pytest.MonkeyPatch) -> str:
    """A made-up figure: an attribute of the Measurement and one entry of the table, no more."""
    monkeypatch.setattr(Measurement, "brightness_db", property(lambda _: -7.25), raising=False)
    entry = Figure(
        "brightness_db", len(FIGURES) + 1, "Brightness", "dB/oct", "made up for this test",
        decimals=2, views=frozenset(View),
        page=("bright", "dB/oct"), catalogue=Column("bright", 9, "made up"),
    )  # fmt: skip
    monkeypatch.setattr(figures, "FIGURES", (entry, *FIGURES))
    return entry.key


@pytest.fixture
def song(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    path = tmp_path / "song.wav"
    soundfile.write(
        path, both(0.1 * pink_noise(44_100, seed=3, sample_rate=44_100)), 44_100, subtype="PCM_16"
    )
    return str(path)


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert app.run(["measure", "--no-cache", "--workers", "0", *words]) == 0
    return capsys.readouterr().out


def test_one_entry_shows_a_new_figure_on_the_screen_in_json_and_in_csv(
    brightness: str, song: str, capsys: pytest.CaptureFixture[str]
) -> None:
    row = next(line for line in said(capsys, song).splitlines() if "Brightness" in line)
    assert row.split() == ["Brightness", "dB/oct", "−7.25"]
    lines = said(capsys, *[song] * 13).splitlines()
    at = next(place for place, line in enumerate(lines) if line.split()[:1] == ["bright"])
    first = lines[at + 1]
    assert first.split()[2] == "−7.25"  # after the name and its number
    [found] = json.loads(said(capsys, song, "--json"))
    assert found[brightness] == -7.25
    figures_of_the_table = [key for key in found if not key.startswith("tag_")]
    assert figures_of_the_table[-2:] == [brightness, "warnings"]
    [line] = csv.DictReader(io.StringIO(said(capsys, song, "--csv")))
    assert line[brightness] == "-7.25"


def test_one_entry_shows_a_new_figure_on_the_page_and_in_the_session_file(brightness: str) -> None:
    found = made(-14.0)
    prediction = from_gain(decide(player(), found), found)
    track = PageTrack(1, Track("/song.wav", "A song"), found, (prediction,))
    measured = context(PageContent("A page", "", "1", (player(),), (track,)))["measured"]
    assert measured["names"][0] == ("bright", "dB/oct")
    assert measured["rows"][0]["cells"][0] == "−7.25"
    assert identity(session().tracks[0])[brightness] == -7.25

"""Loudness tags on the screens and in the data: files tagged by mutagen, one of them 3 dB wrong."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile
from mutagen.flac import FLAC
from support.schemas import valid
from support.signals import both, sine

from simulator.metering.meter import measure_array

RATE = 48_000
Answer = Callable[[str], tuple[int, str, str]]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One tone three times: without tags, tagged as it measures, and tagged 3 dB too loud."""
    folder = tmp_path_factory.mktemp("tagged")
    tone = both(sine(997.0, RATE, 4.0, -12.0))
    measured = measure_array(tone, RATE).integrated_lufs
    assert measured is not None
    made = {}
    for name, off_db in (("plain", None), ("right", 0.0), ("wrong", 3.0)):
        made[name] = folder / f"{name}.flac"
        soundfile.write(made[name], tone, RATE, subtype="PCM_24")
        if off_db is not None:
            file = FLAC(made[name])
            file["REPLAYGAIN_TRACK_GAIN"] = f"{-18.0 - measured + off_db:+.2f} dB"
            file.save()
    return made


@pytest.fixture(autouse=True)
def own_cache(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(cache))


def test_measure_shows_tags_beside_the_loudness_and_nothing_without_them(
    answer: Answer, files: dict[str, Path]
) -> None:
    _, plain, _ = answer(f"measure {files['plain']}")
    _, tagged, _ = answer(f"measure {files['wrong']}")
    assert "tag" not in plain
    lines = tagged.splitlines()
    place = next(i for i, line in enumerate(lines) if line.startswith("Integrated loudness"))
    assert lines[place].split()[-1] == "−12.0"
    assert lines[place + 1].split() == ["Loudness", "by", "its", "tag", "LUFS", "−15.0"]
    assert len(lines) == len(plain.splitlines()) + 1
    many = answer(f"measure {' '.join(str(files[name]) for name in ('plain', 'right', 'wrong') * 2)}")[1]
    head = next(line for line in many.splitlines() if line.endswith("tag"))
    assert [line.split()[-1] for line in many.splitlines() if len(line) == len(head)][1:4] == [
        "–", "−12.0", "−15.0",
    ]  # fmt: skip


def test_the_data_hold_the_tags_or_nothing(answer: Answer, files: dict[str, Path]) -> None:
    line = f"measure {files['plain']} {files['wrong']}"
    plain, wrong = valid(answer(f"{line} --json")[1], "measure")
    assert (plain["tag_scheme"], plain["tag_track_gain_db"]) == (None, None)
    assert (wrong["tag_scheme"], wrong["tag_track_gain_db"]) == ("ReplayGain", -3.0)
    assert wrong["tag_album_gain_db"] is None
    rows = list(csv.DictReader(io.StringIO(answer(f"{line} --csv")[1])))
    assert [row["tag_track_gain_db"] for row in rows] == ["", "-3.0"]


def test_a_wrong_tag_is_a_look_and_a_right_one_is_fine(answer: Answer, files: dict[str, Path]) -> None:
    found = json.loads(answer(f"check {files['plain']} {files['right']} {files['wrong']} --json")[1])
    levels = [
        [one["level"] for one in master["findings"] if one["check"] == "tag_track_gain"] for master in found
    ]
    assert levels == [[], ["fine"], ["look"]]
    _, screen, _ = answer(f"check {files['wrong']}")
    assert "Track gain tag: −3.00 dB (measured −6.00 dB)" in screen
    assert "too loud" in screen


def test_only_a_player_that_trusts_tags_plays_by_them(answer: Answer, files: dict[str, Path]) -> None:
    line = f"predict {files['wrong']} --profile replaygain2-track,td1008-speech"
    trusting, measuring = valid(answer(f"{line} --json")[1], "predict")
    assert (trusting["tracks"][0]["gain_db"], trusting["tracks"][0]["gain_from"]) == (-3.0, "track_tag")
    assert trusting["tracks"][0]["target_shortfall_lu"] == pytest.approx(-3.0, abs=0.02)
    assert measuring["tracks"][0]["gain_db"] == pytest.approx(-6.0, abs=0.02)
    assert measuring["tracks"][0]["gain_from"] == "measurement"
    said = answer(line)[1]
    assert "Gain by loudness tags in the files, not by measurement: one track on" in said
    assert "loudness tags" not in answer(f"predict {files['plain']} --profile replaygain2-track")[1]

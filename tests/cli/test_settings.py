"""Settings of the user: file, environment and command line, in this order of force."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders of this user's own, with one quiet file in the current one."""
    for name in ("CACHE", "CONFIG", "DATA"):
        monkeypatch.setenv(f"XDG_{name}_HOME", os.fspath(tmp_path / name.lower()))
    for name in [
        one for one in os.environ if one.startswith("FAIRHEARING_") and one != "FAIRHEARING_IN_PROCESS"
    ]:
        monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    noise = np.random.default_rng(1).normal(0.0, 0.05, (44_100 * 4, 2))
    soundfile.write("a.wav", noise, 44_100, subtype="PCM_24")
    return tmp_path


def write(home: Path, text: str) -> None:
    folder = home / "config" / "fairhearing"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "settings.toml").write_text(text, encoding="utf-8")


def players(answer: Any, line: str) -> list[str]:
    code, out, err = answer(line)
    assert code == 0, err
    return [one["profile"] for one in json.loads(out)]


def test_players_come_from_the_file_then_the_environment_then_the_command_line(
    answer: Any, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert players(answer, "predict a.wav --json") == ["minus14-headroom"]
    write(home, 'profile = ["untouched", "minus14-down"]\n')
    assert players(answer, "predict a.wav --json") == ["untouched", "minus14-down"]
    write(home, 'profile = ["untouched"]\n[predict]\nprofile = "minus14-limited"\n')
    assert players(answer, "predict a.wav --json") == ["minus14-limited"]
    monkeypatch.setenv("FAIRHEARING_PROFILE", "r128")
    assert players(answer, "predict a.wav --json") == ["r128"]
    assert players(answer, "predict a.wav --json --profile a85") == ["a85"]


def test_a_playlist_goes_before_the_settings(answer: Any, home: Path) -> None:
    write(home, 'profile = "untouched"\n')
    (home / "list.toml").write_text(
        'format = 1\ntitle = "One"\nprofile = "r128"\n[[tracks]]\npath = "a.wav"\n', encoding="utf-8"
    )
    assert players(answer, "predict list.toml --json") == ["r128"]


def test_a_ceiling_of_the_file_is_the_one_of_check(answer: Any, home: Path) -> None:
    write(home, "[check]\nceiling = -20.0\ntarget = -30.0\n")
    code, out, _ = answer("check a.wav --json")
    assert code == 3
    peaks = [one for one in json.loads(out)[0]["findings"] if one["check"] == "true_peak"]
    assert peaks[0]["level"] == "fix"
    _, out, _ = answer("check a.wav --json --ceiling -1 --target -30")
    peaks = [one for one in json.loads(out)[0]["findings"] if one["check"] == "true_peak"]
    assert peaks[0]["level"] == "fine"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('profil = "r128"\n', "unknown key profil.\n  Did you mean profile?"),
        ("[check]\ncieling = -1\n", "unknown key check.cieling.\n  Did you mean ceiling?"),
        ("ceiling = [1, 2]\n", "ceiling must be a number or a text, got [1, 2]."),
        ("ceiling =\n", "cannot be read"),
    ],
)
def test_a_wrong_file_is_named_with_its_line_and_the_cure(
    answer: Any, home: Path, text: str, words: str
) -> None:
    write(home, text)
    code, _, err = answer("measure a.wav")
    assert code == 2
    assert "settings.toml: " in err
    assert words in err


def test_a_wrong_value_of_the_environment_is_refused_by_name(
    answer: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAIRHEARING_WORKERS", "many")
    code, _, err = answer("measure a.wav")
    assert code == 2
    assert "many" in err


def test_settings_shows_each_value_with_its_origin(
    answer: Any, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "Nothing is set" in answer("settings")[1]
    write(home, 'profile = ["untouched"]\n[check]\nceiling = -1\n')
    monkeypatch.setenv("FAIRHEARING_DEVICE", "Monitor")
    _, out, _ = answer("settings")
    assert "profile           untouched" in out
    assert "check ceiling     -1" in out
    assert "[check]" in out
    assert "Monitor  (FAIRHEARING_DEVICE)" in out


def test_cache_shows_clears_and_limits(answer: Any, home: Path) -> None:
    assert answer("measure a.wav")[0] == 0
    folder = home / "cache" / "fairhearing"
    demo = folder / "demo" / "0123"
    demo.mkdir(parents=True)
    (demo / "a.wav").write_bytes(b"\0" * 3_000_000)
    code, out, _ = answer("cache")
    assert code == 0
    assert "demo                3.0 MB" in out
    code, out, _ = answer("cache --limit 2")
    assert "Freed 3.0 MB." in out
    assert not demo.exists()
    assert (folder / "measurements.sqlite").exists()
    code, out, _ = answer("cache --clear all")
    assert not (folder / "measurements.sqlite").exists()
    assert answer("measure a.wav")[0] == 0


def test_schema_prints_the_schema_that_the_answers_hold_to(answer: Any) -> None:
    names = [line.split()[0] for line in answer("schema")[1].splitlines() if "urn:" in line]
    assert names == ["measure", "predict", "compare", "ladder", "check", "sheet"]
    for name in names:
        _, out, _ = answer(f"schema {name}")
        assert json.loads(out)["$id"] == f"urn:fairhearing:schema:{name}"
    code, _, err = answer("schema nothing")
    assert code == 2
    assert "measure" in err

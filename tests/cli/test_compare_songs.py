"""`compare` on real songs: every number and every word of every sentence, computed again from its JSON."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support.sentence_claims import Claims

from simulator.cli import app
from simulator.common.units import db_to_gain
from simulator.demo.demo import soft_clipped
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import limit_array

pytestmark = [pytest.mark.heavy, pytest.mark.external]
SECONDS = 40
SONGS = {
    # name: drive in dB, head in frames, upside down
    "chaosland-song": (9.0, 0, False),
    "feelings-song": (6.0, 441, False),
    "madness-song": (12.0, -2000, False),
    "freedom-song": (3.0, 12_345, True),
    "feelings-guitar": (10.0, 0, False),
    "freedom-guitar": (8.0, 100, True),
}
PROFILES = ("minus14-headroom", "minus14-limited", "untouched", "r128", "td1008-album", "louder-setting")
TO_THE_TOP = """
format = 1
title = "Up to the top"
sentence = "Raises everything until its peaks reach full scale."
[loudness]
target_lufs = -8.0
[gain]
upward = "headroom"
[ceiling]
level_db = 0.0
counts = "true"
applies = "always"
[sources]
loudness.target_lufs = "made for a test"
ceiling.level_db = "made for a test"
"""
SEEN: dict[str, int] = {}


def mastered(mix: np.ndarray, rate: int, drive_db: float) -> np.ndarray:
    """Driven into the project's soft clip and limiter, as the demo's crushed master is."""
    driven = mix * np.float32(db_to_gain(drive_db))
    clipped = soft_clipped(driven, db_to_gain(-0.2 + 3.0))
    return limit_array(clipped, rate, LimiterSettings(-0.2, "sample", 1.5, 60.0))[0]


def answer(folder: Path, name: str, source: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    samples, rate = soundfile.read(source, dtype="float32", always_2d=True)
    drive_db, head, turned = SONGS[name]
    start = samples.shape[0] // 4
    open_ = samples[start : start + SECONDS * rate]
    # the loud one begins earlier or later in the same song
    loud = mastered(samples[start - head : start - head + SECONDS * rate], rate, drive_db)
    soundfile.write(folder / "open.wav", open_ * np.float32(0.7), rate, subtype="PCM_24")
    soundfile.write(folder / "loud.wav", -loud if turned else loud, rate, subtype="PCM_24")
    (folder / "to-the-top.toml").write_text(TO_THE_TOP, encoding="utf-8")
    line = ["compare", str(folder / "loud.wav"), str(folder / "open.wav"), "--json", "--no-cache"]
    for profile in (*PROFILES, str(folder / "to-the-top.toml")):
        line += ["--profile", profile]
    assert app.run(line) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert found["alignment"]["kind"] == "aligned"
    assert found["alignment"]["polarity"] == (-1 if turned else 1)
    assert found["alignment"]["offset_frames"] == pytest.approx(head, abs=0.02)
    return found


@pytest.mark.parametrize("name", SONGS)
def test_every_claim_holds(
    name: str, music_files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = answer(tmp_path, name, music_files[name], capsys)
    checked = Claims(found).check()
    assert sum(checked.values()) > 60
    for rule, count in checked.items():
        SEEN[rule] = SEEN.get(rule, 0) + count
    assert_the_check_can_fail(found)


TIES = re.compile(r"(within|more than|less than|differ by) $")


def assert_the_check_can_fail(found: dict[str, Any]) -> None:
    """Every level in every sentence is looked at: raised by 0.3, it is caught."""
    claims, tried = Claims(found), 0
    played = found["played"][0]
    for one, state in [
        *((one, None) for one in found["sentences"]),
        *((one, None) for one in found["answer"]),
        *((one, played) for one in played["sentences"]),
    ]:
        if one["rule"] in ("alignment", "difference_no_rank", "no_difference"):
            continue
        text = one["text"]
        for place in re.finditer(r"\d+\.\d(?= (?:dB|LU|LUFS|dBTP)\b)", text):
            if TIES.search(text[: place.start()]):
                continue  # the tie itself, and the width of the ceiling
            value = f"{float(place.group()) + 0.3:.1f}"
            wrong = {"rule": one["rule"], "text": text[: place.start()] + value + text[place.end() :]}
            caught = False
            try:
                claims.one(wrong, state or found["delivered"], state)
            except AssertionError:
                caught = True
            assert caught, f"{wrong['text']!r} was taken for {text!r}"
            tried += 1
    assert tried > 20


def test_the_songs_speak_most_of_the_sentences() -> None:
    """So the check above is about all of them (run after it, in the same process)."""
    if len(SEEN) == 0:
        pytest.skip("the songs were not compared in this run")
    rules = "delivered punch contrast ceiling difference_split open_quiet left overs played_loudest "
    rules += "played_quietest anywhere headroom stays_quieter unused_headroom answer_gain answer_left "
    rules += "answer_cost"
    for rule in rules.split():
        assert SEEN.get(rule, 0) > 0, rule

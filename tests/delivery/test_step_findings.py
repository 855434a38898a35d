"""How far the output must be turned down, in steps: each try, its outcome, and the words for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support import signals
from support.made_measurements import made

from simulator.delivery.finding import Decided, Move, db_words
from simulator.delivery.step_findings import (
    Playback,
    Step,
    aim_dbtp,
    first_gain_db,
    missed_limit,
    missing_db,
    step_finding,
    upward_db,
)
from simulator.metering.measurement import Measurement, OverEvent
from simulator.metering.meter import measure_array

BASE = measure_array(signals.both(signals.sine(997.0, 48_000, 1.0, -3.0)).astype(np.float32), 48_000)
MP3 = "MP3 at 96 kbit/s"


def at_peak(peak_dbtp: float | None) -> Measurement:
    return replace(BASE, true_peak_dbtp=peak_dbtp)


def after_mp3(peak_dbtp: float, full_scale: str = "before_gain", gain_db: float = 0.0) -> Step:
    return Step(MP3, at_peak(peak_dbtp), 0.0, (Playback("A player", full_scale, gain_db),))


def move(gain_db: float, proof_dbtp: float, passes: bool = True) -> Move:
    return Move(gain_db, -14.0, -1.0, ((MP3, proof_dbtp),), passes)


@pytest.mark.parametrize(
    ("peak", "ceiling", "limit"),
    [
        (-0.5, None, None),
        (0.04, None, None),  # within the meter's own 0.05 dB
        (0.06, None, 0.0),
        (0.06, -1.0, 0.0),
        (-0.5, -1.0, -1.0),
        (-0.96, -1.0, None),
        (None, -1.0, None),
    ],
)
def test_a_step_is_held_against_full_scale_and_against_the_decided_ceiling(
    peak: float | None, ceiling: float | None, limit: float | None
) -> None:
    assert missed_limit(at_peak(peak), Decided(ceiling_dbtp=ceiling)) == limit


@pytest.mark.parametrize(
    ("loudness", "peak", "step_peak", "target", "ceiling", "gain"),
    [
        (-14.0, -1.0, -0.2, -14.0, None, 0.0),  # nothing to do
        (-8.4, -0.2, None, -14.0, -1.0, -5.6),  # the loudness decides
        (-14.0, 2.77, None, -14.0, -1.0, -3.8),  # the master's peak, upward to a tenth
        (-14.0, -0.5, None, None, None, -0.5),  # without a decision: the customary -1 dBTP
        (-14.0, -1.0, 1.51, -14.0, -1.0, -2.6),  # the codec's peak
        (-14.0, -1.0, 0.31, -14.0, None, -0.4),  # held at full scale where no ceiling was decided
        (-16.25, -4.0, None, -14.0, -1.0, 2.2),  # up, never past the ceiling
        (-16.25, -3.0, None, -14.0, -1.0, 0.0),  # no room for it
        (-14.9, -4.0, None, -14.0, -1.0, 0.0),  # near enough
    ],
)
def test_one_gain_answers_loudness_and_every_peak(
    loudness: float,
    peak: float,
    step_peak: float | None,
    target: float | None,
    ceiling: float | None,
    gain: float,
) -> None:
    """By hand: the largest of peak − ceiling, loudness − target, step peak − limit."""
    steps = [] if step_peak is None else [at_peak(step_peak)]
    away = None if target is None else loudness - target
    master = made(loudness, peak, sample_peak_db=min(peak, 0.0))
    assert first_gain_db(master, steps, Decided(target, ceiling), away) == pytest.approx(gain, abs=1e-9)


def test_samples_above_full_scale_are_turned_down_too() -> None:
    master = made(-14.0, 0.7, sample_peak_db=0.42)
    assert first_gain_db(master, [], Decided(None, 1.0), None) == pytest.approx(-0.5)


@pytest.mark.parametrize(("by", "tenths"), [(0.2, 0.2), (0.21, 0.3), (0.45, 0.5), (0.0, 0.0)])
def test_tries_go_down_in_whole_tenths(by: float, tenths: float) -> None:
    assert upward_db(by) == pytest.approx(tenths, abs=1e-12)


def test_what_is_missing_is_the_highest_peak_above_the_limit() -> None:
    assert missing_db([at_peak(-2.0), at_peak(-0.7)], Decided(None, -1.0)) == pytest.approx(0.3)
    assert missing_db([], Decided(None, -1.0)) == 0.0


def test_the_words_promise_only_what_was_proved() -> None:
    mended = step_finding(after_mp3(0.4), Decided(), move(-0.6, -0.002))
    assert mended.level == "fix"
    assert mended.advice == (
        "Turn the output down 0.6 dB. Verified: it then peaks at 0.00 dBTP at this step."
    )
    failed = step_finding(after_mp3(0.4), Decided(), move(-2.0, 0.3, False))
    assert failed.advice.startswith("Even turned down 2.0 dB it peaks at 0.30 dBTP at this step, above 0.00:")
    nearly = step_finding(after_mp3(0.4), Decided(), move(-2.0, 0.003, False))
    assert nearly.advice.startswith(
        "Even turned down 2.0 dB it peaks at 0.00 dBTP at this step, just above 0.00:"
    )
    name = step_finding(Step("in 16 bits", at_peak(0.4)), Decided()).name
    assert name == "True peak after conversion to 16 bit"
    assert mended.name == "True peak after MP3 at 96 kbit/s"


@pytest.mark.parametrize(
    ("full_scale", "gain", "level", "words"),
    [
        ("before_gain", -7.0, "fix", "A player clips it before its gain."),
        ("after_gain", -7.0, "look", "A player turns it down 7.0 dB before anything clips"),
        ("after_gain", 0.0, "fix", "A player clips it after its gain."),
        ("after_gain", -0.3, "fix", "A player clips it after its gain."),  # 0.5 dBTP comes down to 0.2
        ("none", 0.0, "look", "A player does not clip it; other decoders may."),
    ],
)
def test_a_codec_s_peak_is_a_fix_only_where_the_decoder_clips_it(
    full_scale: str, gain: float, level: str, words: str
) -> None:
    found = step_finding(after_mp3(0.5, full_scale, gain), Decided())
    assert found.level == level
    assert words in found.text


def test_a_conversion_to_integers_clips_whatever_the_player_does() -> None:
    assert step_finding(Step("in 16 bits", at_peak(0.4)), Decided()).level == "fix"


@pytest.mark.parametrize(
    ("count", "start"),
    [(1, "1 inter-sample over at 0:01.0"), (12, "12 inter-sample overs, the highest at 0:01.0")],
)
def test_ten_places_of_more_are_not_given_as_all(count: int, start: str) -> None:
    overs = tuple(
        OverEvent(float(place), float(place) + 0.1, 0.4 - place / 100.0) for place in range(1, count + 1)
    )
    found = replace(at_peak(0.4), over_count=count, overs=overs)
    text = step_finding(Step("in 16 bits", found), Decided()).text
    assert text.startswith(start)
    assert text.count("(+0.") == min(count, 10)


@pytest.mark.parametrize(
    ("peak", "ceiling", "aim"),
    [(0.3, None, 0.0), (0.3, -1.0, -1.0), (-0.5, -1.0, -1.0), (0.3, 1.0, 0.0)],
)
def test_what_a_move_aims_at_passes_every_limit(peak: float, ceiling: float | None, aim: float) -> None:
    """Also where the peak is over full scale and a lower ceiling is decided: else the check would complain
    again of what was done as it said."""
    decided = Decided(ceiling_dbtp=ceiling)
    assert missed_limit(at_peak(peak), decided) is not None
    assert aim_dbtp(decided) == aim
    assert missed_limit(at_peak(aim), decided) is None
    words = step_finding(after_mp3(peak), decided, move(-2.0, 0.1, False)).advice
    assert f"above {db_words(aim)}:" in words


@pytest.mark.parametrize(("value", "words"), [(-0.001, "0.00"), (-1.0, "−1.00"), (0.256, "0.26")])
def test_levels_in_sentences(value: float, words: str) -> None:
    assert db_words(value) == words


@pytest.mark.parametrize(("peak", "level"), [(-1.0, "fine"), (0.4, "fix")])
def test_an_encoder_that_lowers_the_music_is_reported_with_the_figure(peak: float, level: str) -> None:
    step = replace(after_mp3(peak), encoder_gain_db=-0.446)
    found = step_finding(step, Decided())
    assert found.level == level
    assert "This encoder lowers the music by 0.45 dB at this bit rate" in found.text
    assert "lowers" not in step_finding(replace(step, encoder_gain_db=-0.001), Decided()).text

"""How far the output must come down, in steps: each try, its outcome, and the words for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support import signals

from simulator.delivery.finding import Decided, db_words
from simulator.delivery.step_findings import (
    Cure,
    aim_dbtp,
    judged,
    missed_limit,
    next_lowering_db,
    step_finding,
)
from simulator.metering.measurement import Measurement, OverEvent
from simulator.metering.meter import measure_array

BASE = measure_array(signals.both(signals.sine(997.0, 48_000, 1.0, -3.0)).astype(np.float32), 48_000)


def at_peak(peak_dbtp: float | None) -> Measurement:
    return replace(BASE, true_peak_dbtp=peak_dbtp)


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
    ("tried", "peak", "limit", "lower"),
    [
        (None, 0.2, 0.0, 0.2),
        (None, 0.21, 0.0, 0.3),
        (None, -0.5, -1.0, 0.5),
        (Cure(0.2, 0.1, False), 0.1, 0.0, 0.4),  # 0.2 + 0.1 + 0.05, upward
        (Cure(0.4, 0.001, False), 0.001, 0.0, 0.5),
    ],
)
def test_tries_go_down_by_what_is_missing_in_whole_tenths(
    tried: Cure | None, peak: float, limit: float, lower: float
) -> None:
    assert next_lowering_db(tried, peak, limit) == pytest.approx(lower, abs=1e-12)


def test_a_try_is_reached_only_at_or_under_the_limit() -> None:
    assert judged(0.3, 0.0, 0.0).reached
    assert not judged(0.3, 0.001, 0.0).reached


def test_the_words_promise_only_what_was_proved() -> None:
    over = at_peak(0.4)
    cured = step_finding("MP3 at 96 kbit/s", over, Decided(), Cure(0.6, -0.002, True))
    assert cured.level == "fix"
    assert cured.advice == "Lower the output by 0.6 dB: done so, it peaks at 0.00 dBTP here."
    failed = step_finding("MP3 at 96 kbit/s", over, Decided(), Cure(2.0, 0.3, False))
    assert failed.advice.startswith("Even lowered by 2.0 dB it peaks at 0.30 dBTP here, above 0.00:")
    nearly = step_finding("MP3 at 96 kbit/s", over, Decided(), Cure(2.0, 0.003, False))
    assert nearly.advice.startswith("Even lowered by 2.0 dB it peaks at 0.00 dBTP here, just above 0.00:")
    assert step_finding("in 16 bits", over, Decided(), None).name == "True peak in 16 bits"
    assert cured.name == "True peak after MP3 at 96 kbit/s"


@pytest.mark.parametrize(
    ("count", "start"),
    [(1, "1 over between samples: 0:01.0"), (12, "12 overs between samples, the worst: 0:01.0")],
)
def test_ten_places_of_more_are_not_given_as_all(count: int, start: str) -> None:
    overs = tuple(
        OverEvent(float(place), float(place) + 0.1, 0.4 - place / 100.0) for place in range(1, count + 1)
    )
    text = step_finding("MP3", replace(at_peak(0.4), over_count=count, overs=overs), Decided(), None).text
    assert text.startswith(start)
    assert text.count("(+0.") == min(count, 10)


@pytest.mark.parametrize(
    ("peak", "ceiling", "aim"),
    [(0.3, None, 0.0), (0.3, -1.0, -1.0), (-0.5, -1.0, -1.0), (0.3, 1.0, 0.0)],
)
def test_what_a_cure_aims_at_passes_every_limit(peak: float, ceiling: float | None, aim: float) -> None:
    """Also where the peak is over full scale and a lower ceiling is decided: else the check would complain
    again of what was done as it said."""
    decided = Decided(ceiling_dbtp=ceiling)
    assert missed_limit(at_peak(peak), decided) is not None
    assert aim_dbtp(decided) == aim
    assert missed_limit(at_peak(aim), decided) is None
    words = step_finding("Opus at 128 kbit/s", at_peak(peak), decided, Cure(2.0, 0.1, False)).advice
    assert f"above {db_words(aim)}:" in words


@pytest.mark.parametrize(("value", "words"), [(-0.001, "0.00"), (-1.0, "−1.00"), (0.256, "0.26")])
def test_levels_in_sentences(value: float, words: str) -> None:
    assert db_words(value) == words


@pytest.mark.parametrize(("peak", "level"), [(-1.0, "fine"), (0.4, "fix")])
def test_an_encoder_that_lowers_the_music_is_told_with_the_figure(peak: float, level: str) -> None:
    found = step_finding("MP3 at 128 kbit/s", at_peak(peak), Decided(), None, -0.446)
    assert found.level == level
    assert "This encoder lowers the music by 0.45 dB at this bit rate" in found.text
    assert "lowers" not in step_finding("MP3 at 320 kbit/s", at_peak(peak), Decided(), None, -0.001).text

"""Places and levels of passages, against series worked by hand."""

from __future__ import annotations

import pytest
from support.made_session import session, song, view

from simulator.session.excerpts import parse_time, place_of
from simulator.session.levels import Source, Span, heard_lufs, matching_db, passage_lufs
from simulator.session.plans import list_plan, loop_plan, program_of, transitions_plan
from simulator.session.track import same_moment_s


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("83", 83.0),
        ("83.5", 83.5),
        ("1:23", 83.0),
        ("1:02:03", 3723.0),
        ("+10", 40.0),
        ("-10", 20.0),
        ("−10", 20.0),
        ("8s", 8.0),
        ("1:99", None),
        ("chorus", None),
        ("", None),
        ("1e3", None),
        ("nan", None),
    ],
)
def test_times_as_people_write_them(text: str, seconds: float | None) -> None:
    assert parse_time(text, 30.0) == seconds


def test_the_level_of_a_passage_is_that_of_its_mean_energy() -> None:
    measured = song([-20.0, -10.0], -1.0, seconds_each=10.0)
    assert passage_lufs(measured, 0.0, 10.0) == pytest.approx(-20.0)
    assert passage_lufs(measured, 10.0, 20.0) == pytest.approx(-10.0)
    # half at each: 10·log10((10^-2 + 10^-1)/2) = −12.596
    assert passage_lufs(measured, 5.0, 15.0) == pytest.approx(-12.596, abs=0.001)
    assert passage_lufs(measured, 30.0, 40.0) is None


def test_matching_turns_the_louder_one_down_to_the_other() -> None:
    tracks = session().tracks
    span = Span(0, 20.0, 32.0)
    turned = matching_db(tracks, span, "untouched")
    assert turned == pytest.approx({0: 0.0, 1: 2.8})  # −10 and −7.2 LUFS
    levels = [heard_lufs(tracks, Span(i, 20.0, 32.0), "matched", "untouched", turned[i]) for i in (0, 1)]
    assert levels[0] == pytest.approx(levels[1], abs=1e-9)


def test_versions_share_the_place_that_is_chosen_on_the_first() -> None:
    late = song([-9.0, -9.0, -6.0], 0.0)
    tracks = (session().tracks[0], view("Song (late)", late, song_key="song"))
    assert place_of(tracks, 1, "loudest", 8.0).span == Span(1, 20.0, 28.0)
    assert place_of(tracks, 1, "loudest", 8.0).reason.endswith("chosen on open")


@pytest.mark.parametrize(
    ("kind", "words"), [("quietest", "no quiet passage"), ("turn", "no rise from quiet")]
)
def test_where_there_is_no_such_place_the_reason_says_so(kind: str, words: str) -> None:
    tracks = (view("Short", song([-14.0], -1.0, seconds_each=2.0)),)
    found = place_of(tracks, 0, kind, 8.0)
    assert words in found.reason
    assert found.span == Span(0, 0.0, 2.0)


def test_a_place_stays_inside_the_other_track() -> None:
    tracks = session().tracks
    assert same_moment_s(tracks, 0, 59.99, 2) == pytest.approx(59.95)
    assert same_moment_s(tracks, 0, -3.0, 2) == 0.0


def test_playing_the_list_joins_the_tracks_without_a_fade() -> None:
    plan = list_plan(session().tracks, 1)
    program = program_of(plan, lambda i: Source(i, None, 0.0))
    assert [one.source.track for one in program.segments] == [1, 2]  # the unreadable one is left out
    assert not any(one.fade_in or one.fade_out or one.silence_after_s for one in program.segments)


def test_transitions_fade_outside_and_join_inside() -> None:
    program = program_of(transitions_plan(session().tracks, 6.0), lambda i: Source(i, None, 0.0))
    shape = [
        (one.source.track, one.start_s, one.end_s, one.fade_in, one.fade_out) for one in program.segments
    ]
    assert shape == [
        (0, 54.0, None, True, False),
        (1, 0.0, 6.0, False, True),
        (1, 54.0, None, True, False),
        (2, 0.0, 6.0, False, True),
    ]


@pytest.mark.parametrize(
    ("start", "end", "loop"),
    [
        (10.0, 20.0, (10.0, 20.0)),
        (10.0, 10.1, (10.0, 10.5)),
        (59.9, 70.0, (59.5, 60.0)),
        (58.0, 70.0, (58.0, 60.0)),
    ],
)
def test_a_loop_is_half_a_second_at_least_and_inside_the_track(
    start: float, end: float, loop: tuple[float, float]
) -> None:
    (span,) = loop_plan(Span(0, start, end), 60.0).spans
    assert (span.start_s, span.end_s) == pytest.approx(loop)

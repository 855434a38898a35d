"""The plain words that hold whatever the player: every rule in both directions and as a tie, by hand."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from support.made_comparison import NAMES, compared, difference, laid, song
from support.made_measurements import made

from simulator.comparison.alignment import Edit, Piece
from simulator.comparison.versions import Comparison
from simulator.text.comparison.gained_paid import whole_sentences
from simulator.text.comparison.terms import Said

OPEN = song([(-20.0, 20.0), (-12.0, 20.0)], -1.0)
LOUD = song([(-11.0, 20.0), (-8.0, 20.0)], 0.8, overs=7, share=0.02)
WORDS_OF_TASTE = re.compile(
    r"\b(better|worse|best|worst|good|bad|ruin|destroy|sounds? (?!pressure)|should|lost|loses|loss|damage"
    r"|gains? nothing)\b",
    re.IGNORECASE,
)


def said(found: Comparison, rule: str) -> str:
    texts = [one.text for one in whole_sentences(found, NAMES) if one.rule == rule]
    assert len(texts) <= 1, texts
    return texts[0] if texts else ""


def test_the_alignment_speaks_for_itself_and_the_passages_are_named() -> None:
    found = compared(LOUD, OPEN)
    assert said(found, "alignment") == "Made: aligned."
    assert said(found, "no_difference") == ""
    assert said(found, "passages") == (
        "Loudest passage: the 3 s from 0:20.0 of the open master; quietest: the 3 s from 0:00.0. Both were "
        "chosen there, and are read at the same moments of the loud master."
    )


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("different", "are not the same performance"),
        ("ambiguous", "fit each other at more than one place"),
    ],
)
def test_without_a_sure_place_it_says_so_and_gives_no_residual(kind: str, says: str) -> None:
    found = compared(LOUD, OPEN, alignment=laid(LOUD, OPEN, kind=kind), residual=difference())
    assert said(found, "no_difference") == (
        f"Since the loud master and the open master {says}, every number stands for itself: the passages are "
        "each one's own, and no residual between the two is given."
    )
    assert said(found, "passages") == ""
    for rule in ("difference", "difference_split", "difference_tonal", "difference_no_rank"):
        assert said(found, rule) == ""
    assert "each at its own passages" in said(found, "contrast")
    assert said(found, "delivered_passages").endswith(", each at its own passages.")


def test_a_track_without_a_3_s_passage_says_so() -> None:
    short = made(-14.0, -1.0, seconds=2.0)
    found = compared(short, short, alignment=laid(short, short, kind="different"))
    assert said(found, "passages") == "The open master has no passage of 3 s to read."
    assert said(found, "open_quiet") == said(found, "contrast") == ""


def test_too_little_in_common_says_so() -> None:
    found = compared(LOUD, OPEN, alignment=laid(LOUD, OPEN, 38.0))
    assert said(found, "passages") == "The two have too little in common: each is read at its own passages."


@pytest.mark.parametrize(
    ("loud_lufs", "open_lufs", "expected"),
    [
        (-8.0, -14.0, "As delivered, over the whole track, the loud master is 6.0 LU louder than the open "
         "master (−8.0 and −14.0 LUFS): so much is heard wherever nothing is normalised."),
        (-16.0, -14.0, "As delivered, over the whole track, the open master is 2.0 LU louder than the loud "
         "master (−14.0 and −16.0 LUFS): so much is heard wherever nothing is normalised."),
        (-13.9, -14.0, "As delivered, over the whole track, the loud master and the open master are equally "
         "loud (−13.9 and −14.0 LUFS)."),
    ],
)  # fmt: skip
def test_what_was_gained_as_delivered(loud_lufs: float, open_lufs: float, expected: str) -> None:
    assert said(compared(made(loud_lufs), made(open_lufs)), "delivered") == expected


@pytest.mark.parametrize(("channels", "name"), [((1, 2), "The loud master"), ((2, 1), "The open master")])
def test_one_channel_against_two_is_said(channels: tuple[int, int], name: str) -> None:
    found = compared(made(-10.0, channels=channels[0]), made(-14.0, channels=channels[1]))
    assert said(found, "mono") == (
        f"{name} is mono: one channel reads 3.0 LU lower than the same sound on two loudspeakers, and so "
        f"does "
        "every figure of it here."
    )
    assert said(compared(made(-10.0, channels=1), made(-14.0, channels=1)), "mono") == ""


def test_silence_is_not_compared() -> None:
    found = compared(made(None, None), OPEN, alignment=laid(OPEN, OPEN, kind="different"))
    assert said(found, "delivered") == "Not both have a measurable loudness, so they are not compared."
    assert said(found, "caution") == ""


def test_the_passages_as_delivered_in_both_directions_and_level() -> None:
    assert said(compared(LOUD, OPEN), "delivered_passages") == (
        "As delivered, the loud master lies 4.0 LU above the open master in the loudest passage and 9.0 LU "
        "above it in the quietest."
    )
    lower = song([(-19.9, 20.0), (-13.0, 20.0)])
    assert said(compared(lower, OPEN), "delivered_passages") == (
        "As delivered, the loud master lies 1.0 LU below the open master in the loudest passage and level "
        "with it in the quietest."
    )


def test_punch_in_both_directions_and_as_a_tie() -> None:
    """PLR with the peak held at 0 dBTP: 8.0 (not 8.8) against 13.0."""
    assert said(compared(made(-8.0, 0.8), made(-14.0, -1.0)), "punch") == (
        "The peaks of the open master stand 5.0 dB further above the loudness of the whole track (PLR, overs "
        "not counted: 13.0 against 8.0 dB for the loud master); a plain gain of the player does not change "
        "that."
    )
    assert said(compared(made(-14.0, -1.0), made(-8.0, 0.8)), "punch").startswith(
        "The peaks of the loud master stand 5.0 dB further above"
    )
    assert said(compared(made(-14.0, -1.0), made(-16.0, -2.6)), "punch") == (
        "The peaks of both stand equally far above the loudness of the whole track (PLR, overs not counted: "
        "13.0 dB for the loud master, 13.4 dB for the open master)."
    )


def test_punch_in_3_s_is_read_beside_it() -> None:
    assert said(compared(made(-8.0, 0.0), made(-14.0, -1.0)), "punch_short") == (
        "The peaks of the open master stand 5.0 dB further above the 3 s around them (median PSR: 13.0 "
        "against 8.0 dB for the loud master); a plain gain of the player does not change that."
    )


@pytest.mark.parametrize(
    ("quiet_lufs", "expected"),
    [
        (-11.0, "From the quietest to the loudest passage the open master rises by 5.0 LU more than the loud "
         "master (8.0 against 3.0 LU; the same moments of both)."),
        (-18.0, "From the quietest to the loudest passage the loud master rises by 2.0 LU more than the open "
         "master (10.0 against 8.0 LU; the same moments of both)."),
        (-16.1, "From the quietest to the loudest passage both rise by as much (8.1 and 8.0 LU; the same "
         "moments of both)."),
    ],
)  # fmt: skip
def test_contrast_in_both_directions_and_as_a_tie(quiet_lufs: float, expected: str) -> None:
    assert said(compared(song([(quiet_lufs, 20.0), (-8.0, 20.0)]), OPEN), "contrast") == expected


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((0.02, 0.0), "The loud master spends 2.0 % of its samples at its own ceiling (within 0.1 dB of the "
         "highest one), the open master 0.0 %."),
        ((0.0005, 0.013), "The open master spends 1.3 % of its samples at its own ceiling (within 0.1 dB of "
         "the highest one), the loud master <0.1 %."),
        ((0.012, 0.0115), "Both spend as much time at their own ceiling (within 0.1 dB of the highest "
         "sample): the loud master 1.2 %, the open master 1.1 % of the samples."),
    ],
)  # fmt: skip
def test_time_at_the_ceiling_in_both_directions_and_as_a_tie(
    shares: tuple[float, float], expected: str
) -> None:
    versions = [replace(OPEN, share_at_ceiling=value) for value in shares]
    assert said(compared(*versions), "ceiling") == expected


def test_the_residual_with_its_match_its_kinds_and_what_it_does_not_say() -> None:
    found = compared(LOUD, OPEN, residual=difference())
    assert said(found, "difference") == (
        "Matched by one gain of −6.0 dB on the loud master (least squares of the K-weighted signals, over "
        "the 1:01.0 that both hold), their difference lies 18.0 LU below the open master."
    )
    assert said(found, "difference_split") == (
        "25.0 % of its power is gain riding (a level that moves, 24.0 LU below), the rest is a changed "
        "waveform (19.2 LU below)."
    )
    assert said(found, "difference_tonal") == ""
    filtered = replace(difference(), linear_filter_share=0.2)
    assert "the rest is a filter or a changed waveform" in said(
        compared(LOUD, OPEN, residual=filtered), "difference_split"
    )
    assert "does not rank quality: smooth gain riding leaves more of it than hard clipping" in said(
        found, "difference_no_rank"
    )


def test_below_nine_tenths_of_agreement_no_moments_are_compared_without_a_map() -> None:
    place = replace(laid(LOUD, OPEN), agreeing_share=0.89)
    found = compared(LOUD, OPEN, alignment=place, residual=difference())
    assert found.difference is None
    assert not found.passages.shared
    assert "fit each other only in part" in said(found, "no_difference")
    for better in (
        replace(place, agreeing_share=0.91),
        replace(place, pieces=(Piece(0.0, 20.0, 0.0),), edits=(Edit(20.0, 20.0, 1.0, 1.0),)),
    ):
        found = compared(LOUD, OPEN, alignment=better, residual=difference())
        assert found.difference is not None
        assert found.passages.shared


def test_a_filter_is_not_put_down_to_limiting() -> None:
    found = compared(LOUD, OPEN, residual=difference(tonal=True))
    assert said(found, "difference_tonal") == (
        "A fixed filter explains more than half of that residual (70.0 % of it): the tonal balance differs; "
        "the residual is not attributed to limiting."
    )
    assert said(found, "difference_split") == ""
    unknown = replace(difference(tonal=True), linear_filter_share=None)
    assert "residual: the tonal" in said(compared(LOUD, OPEN, residual=unknown), "difference_tonal")


def test_what_a_conversion_leaves_is_no_changed_waveform() -> None:
    left = replace(difference(-68.2), conversion_only=True)
    found = compared(LOUD, OPEN, residual=left)
    assert "the same apart from conversion" in said(found, "difference_conversion")
    assert "floor of −68.2 LU" in said(found, "difference_conversion")
    assert said(found, "difference_split") == said(found, "difference_no_rank") == ""


def test_the_same_but_for_a_gain_says_so() -> None:
    found = compared(LOUD, OPEN, residual=difference(None))
    assert said(found, "difference").endswith("the two are the same: nothing differs but the level.")
    assert said(found, "difference_no_rank") == ""


def test_what_could_not_be_matched_says_nothing() -> None:
    assert said(compared(LOUD, OPEN, residual=replace(difference(), match_gain_db=None)), "difference") == ""


@pytest.mark.parametrize(
    ("quiet_lufs", "expected"),
    [
        (-11.0, "The quietest passage of the open master lies 8.0 LU below its loudest, that of the loud "
         "master 3.0 LU (the same moments, before any gain). That is what the open master costs: the noise "
         "of a car or a street may mask that passage sooner."),
        (-18.0, "The quietest passage of the open master lies 8.0 LU below its loudest, that of the loud "
         "master 10.0 LU (the same moments, before any gain). So the noise of a car or a street may mask the "
         "passage of the loud master sooner."),
        (-16.0, "The quietest passage of the open master lies 8.0 LU below its loudest, that of the loud "
         "master 8.0 LU (the same moments, before any gain). That is a tie: the noise of a car or a street "
         "may mask one as soon as the other."),
    ],
)  # fmt: skip
def test_what_the_open_version_costs(quiet_lufs: float, expected: str) -> None:
    assert said(compared(song([(quiet_lufs, 20.0), (-8.0, 20.0)]), OPEN), "open_quiet") == expected


@pytest.mark.parametrize(
    ("loud_lufs", "says"),
    [(-8.0, "the loud master comes 6.0 LU louder"), (-20.0, "the open master comes 6.0 LU louder")],
)
def test_there_is_a_caution_before_listening_as_delivered(loud_lufs: float, says: str) -> None:
    caution = said(compared(made(loud_lufs), made(-14.0)), "caution")
    assert says in caution
    assert "turn your monitors down first" in caution
    assert "local rules and licensed practice come first" in caution
    assert said(compared(made(-14.1), made(-14.0)), "caution") == ""


@pytest.mark.parametrize("residual", [difference(), difference(tonal=True), difference(None), None])
@pytest.mark.parametrize("loud", [LOUD, OPEN, song([(-18.0, 20.0), (-8.0, 20.0)])])
def test_no_sentence_judges_taste_or_calls_the_difference_a_loss(loud: object, residual: object) -> None:
    for one in whole_sentences(compared(loud, OPEN, residual=residual), NAMES):  # type: ignore[arg-type]
        assert isinstance(one, Said)
        assert WORDS_OF_TASTE.search(one.text) is None, one.text
        assert one.text.endswith(".")
        assert one.text[0].isupper() or one.text[0].isdigit()

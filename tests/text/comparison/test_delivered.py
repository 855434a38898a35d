"""The plain words that hold whatever the player: every rule in both directions and as a tie, by hand."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from support.made_comparison import NAMES, compared, difference, laid, song
from support.made_measurements import made

from simulator.comparison.alignment import Edit, Piece
from simulator.comparison.versions import Comparison
from simulator.text.comparison.delivered import Said, whole_sentences

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
    assert said(found, "passages") == ("Loudest passage: 3 s from 0:20.0 of open; quietest: 3 s from 0:00.0.")
    assert said(found, "passages_shared") == (
        "Both passages were picked from open and measured at the same moments in loud."
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
        f"loud and open {says}: each is measured at its own passages, and there is no difference signal."
    )
    assert said(found, "passages") == ""
    for rule in ("difference", "difference_split", "difference_tonal", "difference_no_rank"):
        assert said(found, rule) == ""
    assert "each at its own passages" in said(found, "contrast")
    assert said(found, "delivered_passages").endswith(", each at its own passages.")


def test_a_track_without_a_3_s_passage_says_so() -> None:
    short = made(-14.0, -1.0, seconds=2.0)
    found = compared(short, short, alignment=laid(short, short, kind="different"))
    assert said(found, "passages") == "open has no passage of 3 s to measure."
    assert said(found, "open_quiet") == said(found, "contrast") == ""


def test_too_little_in_common_says_so() -> None:
    found = compared(LOUD, OPEN, alignment=laid(LOUD, OPEN, 38.0))
    assert said(found, "passages") == (
        "The two have too little in common: each is measured at its own passages."
    )


@pytest.mark.parametrize(
    ("loud_lufs", "open_lufs", "expected"),
    [
        (-8.0, -14.0, "As delivered, loud is 6.0 LU louder than open overall (−8.0 and −14.0 LUFS): that "
         "is the difference heard wherever nothing is normalised."),
        (-16.0, -14.0, "As delivered, open is 2.0 LU louder than loud overall (−14.0 and −16.0 LUFS): that "
         "is the difference heard wherever nothing is normalised."),
        (-13.9, -14.0, "As delivered, loud and open are equally loud overall (−13.9 and −14.0 LUFS)."),
        (-8.04, -14.06, "As delivered, loud is 6.1 LU louder than open overall (−8.0 and −14.1 LUFS): that "
         "is the difference heard wherever nothing is normalised."),
    ],
)  # fmt: skip
def test_what_was_gained_as_delivered(loud_lufs: float, open_lufs: float, expected: str) -> None:
    assert said(compared(made(loud_lufs), made(open_lufs)), "delivered") == expected


@pytest.mark.parametrize(("channels", "name"), [((1, 2), "loud"), ((2, 1), "open")])
def test_one_channel_against_two_is_said(channels: tuple[int, int], name: str) -> None:
    found = compared(made(-10.0, channels=channels[0]), made(-14.0, channels=channels[1]))
    assert said(found, "mono") == (
        f"{name} is mono: one channel reads 3.0 LU lower than the same sound on two loudspeakers, and so do "
        "all its levels here."
    )
    assert said(compared(made(-10.0, channels=1), made(-14.0, channels=1)), "mono") == ""


def test_silence_is_not_compared() -> None:
    found = compared(made(None, None), OPEN, alignment=laid(OPEN, OPEN, kind="different"))
    assert said(found, "delivered") == "loud has no measurable loudness."
    assert said(found, "caution") == ""


def test_the_passages_as_delivered_in_both_directions_and_level() -> None:
    assert said(compared(LOUD, OPEN), "delivered_passages") == (
        "As delivered, loud is 4.0 LU louder than open in the loudest passage and 9.0 LU louder in the "
        "quietest."
    )
    lower = song([(-19.9, 20.0), (-13.0, 20.0)])
    assert said(compared(lower, OPEN), "delivered_passages") == (
        "As delivered, loud is 1.0 LU quieter than open in the loudest passage and as loud in the quietest."
    )


def test_punch_in_both_directions_and_as_a_tie() -> None:
    """PLR with the peak held at 0 dBTP: 8.0 (not 8.8) against 13.0."""
    assert said(compared(made(-8.0, 0.8), made(-14.0, -1.0)), "punch") == (
        "open keeps 5.0 dB more peak-to-loudness ratio (PLR, overs capped at 0 dBTP) than loud: 13.0 vs 8.0 "
        "dB. Turning a track up or down does not change that."
    )
    assert said(compared(made(-14.0, -1.0), made(-8.0, 0.8)), "punch").startswith("loud keeps 5.0 dB more")
    assert said(compared(made(-14.0, -1.0), made(-16.0, -2.6)), "punch") == (
        "Both keep the same peak-to-loudness ratio (PLR, overs capped at 0 dBTP): 13.0 dB for loud, 13.4 dB "
        "for open."
    )


def test_punch_in_3_s_is_read_beside_it() -> None:
    assert said(compared(made(-8.0, 0.0), made(-14.0, -1.0)), "punch_short") == (
        "open keeps 5.0 dB more peak above the 3 s around it (median PSR) than loud: 13.0 vs 8.0 dB. Turning "
        "a track up or down does not change that."
    )


@pytest.mark.parametrize(
    ("quiet_lufs", "expected"),
    [
        (-11.0, "open has a loud–quiet span 5.0 LU wider than loud (8.0 vs 3.0 LU; same moments in both)."),
        (-18.0, "loud has a loud–quiet span 2.0 LU wider than open (10.0 vs 8.0 LU; same moments in both)."),
        (-16.1, "Both have the same loud–quiet span (8.1 and 8.0 LU; same moments in both)."),
    ],
)  # fmt: skip
def test_contrast_in_both_directions_and_as_a_tie(quiet_lufs: float, expected: str) -> None:
    assert said(compared(song([(quiet_lufs, 20.0), (-8.0, 20.0)]), OPEN), "contrast") == expected


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((0.02, 0.0), "loud spends 2.0 % of its samples within 0.1 dB of its own peak, open 0.0 %."),
        ((0.0005, 0.013), "open spends 1.3 % of its samples within 0.1 dB of its own peak, loud <0.1 %."),
        ((0.012, 0.0115), "Both spend as much time within 0.1 dB of their own peak: loud 1.2 %, open 1.1 % "
         "of the samples."),
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
        "With loud turned down 6.0 dB to match, the difference signal sits 18.0 LU below open."
    )
    assert said(found, "difference_split") == (
        "25.0 % is gain movement (24.0 LU down); the rest is waveform change (19.2 LU down)."
    )
    assert said(found, "difference_tonal") == ""
    filtered = replace(difference(), linear_filter_share=0.2)
    assert "the rest is filtering or waveform change" in said(
        compared(LOUD, OPEN, residual=filtered), "difference_split"
    )
    assert "not a worse master: smooth gain movement leaves more residue than hard clipping" in said(
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
        "A fixed filter explains 70.0 %: the tonal balance differs, which is not limiting."
    )
    assert said(found, "difference_split") == ""
    unknown = replace(difference(tonal=True), linear_filter_share=None)
    assert "explains more than half" in said(compared(LOUD, OPEN, residual=unknown), "difference_tonal")


def test_what_a_conversion_leaves_is_no_changed_waveform() -> None:
    left = replace(difference(-68.2), conversion_only=True)
    found = compared(LOUD, OPEN, residual=left)
    assert "as little as a conversion leaves" in said(found, "difference_conversion")
    assert "floor of −68.2 LU" in said(found, "difference_conversion")
    assert said(found, "difference_split") == said(found, "difference_no_rank") == ""


def test_the_same_but_for_a_gain_says_so() -> None:
    found = compared(LOUD, OPEN, residual=difference(None))
    assert said(found, "difference").endswith("the two are identical: only the level differs.")
    assert said(found, "difference_no_rank") == ""


def test_what_could_not_be_matched_says_nothing() -> None:
    assert said(compared(LOUD, OPEN, residual=replace(difference(), match_gain_db=None)), "difference") == ""


@pytest.mark.parametrize(
    ("quiet_lufs", "expected"),
    [
        (-11.0, "The price of open: car or street noise masks its quiet passages first."),
        (-18.0, "The price of loud: car or street noise masks its quiet passages first."),
        (-16.0, "Car or street noise masks the quiet passages of both alike."),
    ],
)  # fmt: skip
def test_what_the_open_version_costs(quiet_lufs: float, expected: str) -> None:
    assert said(compared(song([(quiet_lufs, 20.0), (-8.0, 20.0)]), OPEN), "open_quiet") == expected


@pytest.mark.parametrize("loud_lufs", [-8.0, -20.0])
def test_there_is_a_caution_before_listening_as_delivered(loud_lufs: float) -> None:
    found = compared(made(loud_lufs), made(-14.0))
    assert said(found, "caution") == "Turn your monitors down before you hear both as delivered."
    assert "local safety rules apply" in said(found, "caution_ears")
    assert said(compared(made(-14.1), made(-14.0)), "caution") == ""


@pytest.mark.parametrize("residual", [difference(), difference(tonal=True), difference(None), None])
@pytest.mark.parametrize("loud", [LOUD, OPEN, song([(-18.0, 20.0), (-8.0, 20.0)])])
def test_no_sentence_judges_taste_or_calls_the_difference_a_loss(loud: object, residual: object) -> None:
    for one in whole_sentences(compared(loud, OPEN, residual=residual), NAMES):  # type: ignore[arg-type]
        assert isinstance(one, Said)
        if one.rule != "difference_no_rank":  # says that a bigger one is "not a worse master"
            assert WORDS_OF_TASTE.search(one.text) is None, one.text
        assert one.text.endswith(".")
        assert one.text[0].isupper() or one.text.startswith((NAMES.loud, NAMES.open)) or one.text[0].isdigit()

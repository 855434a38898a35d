"""What players make of versions: the answer in each direction, and the matrix that fits a small terminal."""

from __future__ import annotations

import textwrap
from dataclasses import replace

import pytest
from msgspec import structs
from support.made_measurements import made, player

from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.text.players import Matrix, PlayerRow, tracks_answer, versions_answer
from simulator.text.sentences import Version

NAMES = ("open", "crushed", "medium")
OPEN = replace(made(-14.0, -1.0), max_short_term_lufs=-9.6)
CRUSHED = replace(made(-7.0, 0.6), max_short_term_lufs=-4.8)
MEDIUM = replace(made(-11.0, -1.0), max_short_term_lufs=-7.2)
SOFT = made(-20.0, -3.0)


def named(profile: Profile, name: str) -> Profile:
    return structs.replace(profile, id=name)


def played(found: Measurement, profile: Profile, name: str) -> Version:
    """A plain gain moves the loudest 3 s by the same amount."""
    prediction = from_gain(decide(profile, found), found)
    gain, loudest = prediction.decision.gain_db, found.max_short_term_lufs
    heard = replace(prediction.played, max_short_term_lufs=None if loudest is None else loudest + gain)
    return Version(name, found, replace(prediction, played=heard))


def rows(found: dict[str, Measurement], *profiles: Profile) -> list[PlayerRow]:
    return [
        PlayerRow(profile, tuple(played(one, profile, name) for name, one in found.items()))
        for profile in profiles
    ]


def answer(found: dict[str, Measurement], *profiles: Profile) -> str:
    return versions_answer(tuple(found), list(found.values()), rows(found, *profiles))


EVEN = [named(player("headroom"), "even"), named(player("never"), "down")]
OFF = named(player("never", target_lufs=None), "untouched")


def test_two_versions_that_a_player_brings_to_one_level() -> None:
    """−7 down by 7 to −14: level with the open one; its loudest −4.8 then plays at −11.8, 2.2 below −9.6."""
    assert answer({"open": OPEN, "crushed": CRUSHED}, EVEN[0]) == (
        "As a file crushed is 7.0 LU louder than open. On even both play at the same loudness, and open's "
        "loudest passage is 2.2 LU louder."
    )


def test_players_that_keep_the_versions_apart_are_counted_and_the_last_one_is_named() -> None:
    """The soft one, −20 under −3 dBTP: up by 2 to −18 under a ceiling of −1; never raised it stays at −20."""
    said = answer({"soft": SOFT, "crushed": CRUSHED}, *EVEN, named(player("limited"), "limit"))
    assert said == (
        "As a file crushed is 13.0 LU louder than soft. On 1 of 3 normalising players both play at the same "
        "loudness, and crushed's loudest passage is 2.2 LU louder. On the other 2 crushed is 4.0 to 6.0 LU "
        "louder than soft."
    )
    assert "On the other, even, crushed is 4.0 LU louder" in answer(
        {"soft": SOFT, "crushed": CRUSHED}, EVEN[0], named(player("limited"), "limit")
    )
    assert answer({"soft": SOFT, "crushed": CRUSHED}, EVEN[0]).endswith(
        "On even crushed is 4.0 LU louder than soft."
    )


def test_where_nothing_is_normalised_the_answer_says_so() -> None:
    assert answer({"open": OPEN, "crushed": CRUSHED}, OFF).endswith(
        "Nothing is normalised on untouched, so that is what is heard."
    )


def test_ties_are_those_of_the_printed_figures() -> None:
    a, b = made(-14.04), made(-14.26)  # 0.2 and some: printed −14.0 and −14.3
    assert answer({"a": a, "b": b}, OFF).startswith("As a file a is 0.3 LU louder than b.")
    assert answer({"a": a, "b": made(-14.24)}, OFF).startswith("As files a and b are equally loud.")


def test_three_versions_name_the_ends() -> None:
    said = answer({"open": OPEN, "crushed": CRUSHED, "medium": MEDIUM}, *EVEN, OFF)
    assert said == (
        "As a file crushed, loudest of three, is 7.0 LU louder than open. On both normalising players they "
        "are equally loud, and open's loudest passage is 2.2 LU louder than crushed's."
    )


def test_a_version_without_loudness_is_named() -> None:
    assert answer({"a": made(None, None), "b": OPEN}, OFF).startswith("A has no measurable loudness.")


@pytest.mark.parametrize(
    ("profiles", "words"),
    [
        ([EVEN[0]], "X measures −7.0 LUFS as a file. even turns it down 7.0 dB: it plays at −14.0 LUFS, "
                    "6.4 dB below full scale at its true peak."),
        ([EVEN[0], OFF], "X measures −7.0 LUFS as a file. Of 2 players 1 turns it down (by 7.0 dB), 1 leaves "
                         "it unchanged."),
    ],
)  # fmt: skip
def test_one_track(profiles: list[Profile], words: str) -> None:
    found = {"x": CRUSHED}
    assert tracks_answer(("x",), [CRUSHED], rows(found, *profiles)) == words


def many() -> list[PlayerRow]:
    """17 players with 17 different results: no two rows can share a line."""
    profiles = [
        named(player("never", target_lufs=-24.0 + place * 0.7), f"player-number-{place:02d}x")
        for place in range(17)
    ]
    assert {len(one.id) for one in profiles} == {17}
    return rows({"open": OPEN, "crushed": CRUSHED, "medium": MEDIUM}, *profiles)


def test_17_players_and_three_versions_fit_80_by_24() -> None:
    """With three lines of answer, a line of notes, and one for the prompt; every column is there."""
    found = many()
    made_ = Matrix(NAMES, found, 0, ("open", "loud", ""), 80)
    lines = [line.plain for line in made_.lines()]
    assert len(lines) == 19
    said = versions_answer(NAMES, [OPEN, CRUSHED, MEDIUM], found)
    answer_lines = textwrap.wrap(said, 79)
    assert "On the other 2 " in said  # the longest form of it
    assert len(answer_lines) <= 3
    assert len(answer_lines) + len(lines) + 1 <= 23
    assert max(map(len, lines)) <= 80
    assert lines[1].split() == ["player", *NAMES, *NAMES[1:], *NAMES[1:], "limited"]
    assert "as played, LUFS" in lines[0]
    assert "vs open, LU" in lines[0]
    assert lines[2].split()[:4] == ["player-number-00x", "−24.0", "−24.0", "−24.0"]


def test_a_row_s_differences_are_those_of_its_figures_and_the_limited_one_has_a_star() -> None:
    found = rows({"open": OPEN, "soft": SOFT}, named(player("never"), "down"))
    lines = [line.plain for line in Matrix(("open", "soft"), found, 0, ("", ""), 80).lines()]
    assert lines[2].split() == ["down", "−14.0", "−20.0*", "−6.0", "−9.6", "−20.0", "−10.4", "no", "lift"]
    turned = [line.plain for line in Matrix(("open", "soft"), found, 1, ("", ""), 80).lines()]
    assert turned[2].split()[3] == "+6.0"


def test_players_with_the_same_figures_share_a_row() -> None:
    found = rows({"open": OPEN, "crushed": CRUSHED}, *EVEN, OFF)
    made_ = Matrix(("open", "crushed"), found, 0, ("", ""), 80)
    assert [[row.profile.id for row in shared] for shared in made_.rows] == [["even", "down"], ["untouched"]]
    assert made_.lines()[2].plain.startswith("even +1 ")


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_what_does_not_fit_is_left_out_and_the_levels_stay(width: int) -> None:
    lines = [line.plain for line in Matrix(NAMES, many(), 0, ("", "", ""), width).lines()]
    assert max(map(len, lines)) <= width
    assert lines[2].split()[1] == "−24.0"

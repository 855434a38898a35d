"""The page's sentences: from the numbers, in both directions, and only where there is something to say."""

from __future__ import annotations

import pytest
from support.made_measurements import made, player

from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.page.words import (
    balance,
    isolated,
    method_sentences,
    move_words,
    one_master,
    three_sentences,
)
from simulator.text.sentences import Version


def version(name: str, lufs: float | None, peak_db: float | None, profile: Profile) -> Version:
    measured = made(lufs, peak_db)
    return Version(name, measured, from_gain(decide(profile, measured), measured))


PLAYER = player()
OPEN, LOUD = version("the open master", -14.0, -1.0, PLAYER), version("the loud master", -7.0, -0.2, PLAYER)


@pytest.mark.parametrize("pair", [(OPEN, LOUD), (LOUD, OPEN)], ids=["open first", "loud first"])
def test_gained_paid_and_cost_do_not_depend_on_the_order(pair: tuple[Version, Version]) -> None:
    gained, paid, cost = balance(*pair, PLAYER)
    assert gained.title == "What the loud master gains"
    assert gained.sentences == (
        "Where nothing is normalised, it plays 7.0 LU louder.",
        "Through this player nothing of that is left: both play equally loud.",
    )
    assert paid.title == "What the loud master pays"
    assert paid.sentences[0].startswith(
        "Its peaks stand 6.2 dB less above its loudness (6.8 against 13.0 dB)"
    )
    assert cost.title == "What the open master costs"
    assert cost.sentences == (
        "Where nothing is normalised, it plays 7.0 LU more quietly than the loud master.",
    )


def test_where_nothing_is_turned_all_of_it_is_left() -> None:
    untouched = player(target_lufs=None)
    pair = [version(name, lufs, -1.0, untouched) for name, lufs in (("a", -14.0), ("b", -9.0))]
    gained, _, _ = balance(pair[0], pair[1], untouched)
    assert gained.sentences[1] == "Through this player 5.0 LU of that are left."


def test_a_gap_that_the_player_widens_is_not_called_what_is_left() -> None:
    """The dense one is raised from −22 to −14, the open one, up to the ceiling, from −26 to −24."""
    dense, quiet = version("dense", -22.0, -9.0, PLAYER), version("open", -26.0, -3.0, PLAYER)
    gained = balance(dense, quiet, PLAYER)[0]
    assert gained.sentences == (
        "Where nothing is normalised, it plays 4.0 LU louder.",
        "Through this player it plays 10.0 LU louder: the player widens the difference.",
    )


def test_a_quiet_open_master_without_headroom_costs_what_it_stays_below() -> None:
    quiet = version("the open master", -18.0, -1.0, PLAYER)
    _, _, cost = balance(quiet, LOUD, PLAYER)
    assert "has no headroom to be raised and stays 4.0 LU below the player's target" in cost.sentences[1]
    gained = balance(quiet, LOUD, PLAYER)[0]
    assert gained.sentences[1] == "Through this player 4.0 LU of that are left."


def test_two_equally_loud_masters_and_silence_have_no_balance() -> None:
    assert balance(OPEN, version("b", -14.1, -3.0, PLAYER), PLAYER) == []
    assert balance(OPEN, version("b", None, None, PLAYER), PLAYER) == []


def test_three_sentences_on_two_masters() -> None:
    said = three_sentences(OPEN, LOUD, PLAYER)
    assert len(said) == 3
    assert "7.0 LU louder" in said[0]
    assert "both play equally loud over the whole track" in said[1]


@pytest.mark.parametrize(
    ("lufs", "peak_db", "words"),
    [
        (-7.0, -0.2, "turns it down by 7.0 dB, so that it plays at −14.0 LUFS"),
        (-14.0, -1.0, "leaves its level as it is"),
        (-20.0, -4.0, "raises it by 3.0 dB, so that it plays at −17.0 LUFS"),
    ],
)
def test_three_sentences_on_one_master(lufs: float, peak_db: float, words: str) -> None:
    said = one_master(version("“Song”", lufs, peak_db, PLAYER), PLAYER)
    assert len(said) == 3
    assert words in said[1]


def test_silence_says_why_there_is_no_number() -> None:
    said = one_master(version("“Song”", None, None, PLAYER), PLAYER)
    assert said[0].startswith("The track has no measurable loudness")


@pytest.mark.parametrize(
    ("lufs", "words"),
    [(-14.0, "left as it is: plays at −14.0 LUFS"), (-7.0, "turned down by 7.0 dB: plays at −14.0 LUFS")],
)
def test_the_line_under_a_track(lufs: float, words: str) -> None:
    assert move_words(version("a", lufs, -1.0, PLAYER).prediction) == words


def test_method_names_standards_and_versions() -> None:
    words = " ".join(method_sentences("9.8.7"))
    for wanted in ("BS.1770-5", "Tech 3341", "Tech 3342", "e-Brief 373", "BS.1534-3", "9.8.7", "method"):
        assert wanted in words


@pytest.mark.parametrize(
    ("title", "apart"), [("Plain, with “quotes” 🎚️", False), ("ليلة", True), ("a\u202eb", True), ("", False)]
)
def test_only_titles_that_turn_the_direction_are_set_apart(title: str, apart: bool) -> None:
    assert isolated(title) == (f"\u2068{title}\u2069" if apart else title)

"""The page's sentences: from the numbers, in both directions, and only where there is something to say."""

from __future__ import annotations

import pytest
from support.made_measurements import made, player

from simulator.audibility.audibility import Moment, MomentKind
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.page.plain_words import (
    balance,
    change_words,
    decibels,
    engineer_sentences,
    heard_words,
    isolated,
    method_sentences,
    one_headline,
    pair_headline,
)
from simulator.text.sentences import Version


def version(name: str, lufs: float | None, peak_db: float | None, profile: Profile) -> Version:
    measured = made(lufs, peak_db)
    return Version(name, measured, from_gain(decide(profile, measured), measured))


PLAYER = player()
OPEN, LOUD = version("open", -14.0, -1.0, PLAYER), version("loud", -7.0, -0.2, PLAYER)


@pytest.mark.parametrize("pair", [(OPEN, LOUD), (LOUD, OPEN)], ids=["open first", "loud first"])
def test_gains_and_losses_do_not_depend_on_the_order(pair: tuple[Version, Version]) -> None:
    gained, lost, given_up = balance(*pair, PLAYER)
    assert gained.title == "What loud gains"
    assert gained.sentences == (
        "Wherever nothing evens out the loudness, it is 7 dB louder.",
        "On this player the advantage is gone: both are equally loud.",
    )
    assert lost.title == "What loud loses"
    assert lost.sentences[0] == (
        "Its peaks have 6 dB less room to jump out of the mix. No volume change brings that back."
    )
    assert given_up.title == "What open gives up"
    assert given_up.sentences == ()
    assert given_up.nothing


def test_where_nothing_is_turned_all_of_it_is_left() -> None:
    untouched = player(target_lufs=None)
    pair = [version(name, lufs, -1.0, untouched) for name, lufs in (("a", -14.0), ("b", -9.0))]
    gained, _, _ = balance(pair[0], pair[1], untouched)
    assert gained.sentences[1] == "On this player 5 dB of that remain."
    said = pair_headline(pair[0], pair[1], untouched)
    assert said.question == "Is b louder as listeners hear it?"
    assert said.answer == "Yes, by 5 dB: just as much as the file."


def test_a_gap_that_the_player_widens_is_not_called_what_is_left() -> None:
    """The dense one is raised from −22 to −14, the open one, up to the ceiling, from −26 to −24."""
    dense, quiet = version("dense", -22.0, -9.0, PLAYER), version("open", -26.0, -3.0, PLAYER)
    gained = balance(dense, quiet, PLAYER)[0]
    assert gained.sentences == (
        "Wherever nothing evens out the loudness, it is 4 dB louder.",
        "On this player it is 10 dB louder: the player widens the difference.",
    )
    assert pair_headline(quiet, dense, PLAYER).answer == "Yes, by 10 dB: even more than the file."


def test_a_quiet_open_master_without_headroom_gives_up_what_it_stays_below() -> None:
    quiet = version("open", -18.0, -1.0, PLAYER)
    _, _, given_up = balance(quiet, LOUD, PLAYER)
    assert given_up.sentences == ("It stays 4 dB quieter than the player would like to play it.",)
    assert balance(quiet, LOUD, PLAYER)[0].sentences[1] == "On this player 4 dB of that remain."
    assert pair_headline(quiet, LOUD, PLAYER).answer == "Yes, but only by 4 dB."


def test_two_equally_loud_masters_and_silence_have_no_balance() -> None:
    assert balance(OPEN, version("b", -14.1, -3.0, PLAYER), PLAYER) == []
    assert balance(OPEN, version("b", None, None, PLAYER), PLAYER) == []


def test_the_page_asks_one_question_and_answers_it() -> None:
    said = pair_headline(OPEN, LOUD, PLAYER)
    assert (said.question, said.answer) == ("Is loud louder when streamed?", "No: both are equally loud.")
    almost = pair_headline(version("open", -14.4, -1.0, PLAYER), LOUD, PLAYER)
    assert almost.answer == "Hardly: by 0.4 dB."  # a real player differs by as much
    alike = pair_headline(OPEN, version("b", -14.1, -3.0, PLAYER), PLAYER)
    assert (alike.question, alike.answer) == (
        "How do open and b differ?",
        "Both are equally loud: only the sound differs.",
    )
    dense = pair_headline(version("open", -22.0, -1.0, PLAYER), version("b", -22.1, -9.0, PLAYER), PLAYER)
    assert dense.answer == "Both files are equally loud, but when streamed b is 8 dB louder."
    turned = version("b", -20.0, -1.0, PLAYER)  # louder as a file, and without room to be raised
    assert pair_headline(version("a", -22.0, -10.0, PLAYER), turned, PLAYER).answer == "No: a is 6 dB louder."
    assert pair_headline(OPEN, version("b", None, None, PLAYER), PLAYER).answer


@pytest.mark.parametrize(
    ("lufs", "peak_db", "answer"),
    [
        (-7.0, -0.2, "7 dB quieter than the file"),
        (-14.0, -1.0, "as loud as the file"),
        (-20.0, -4.0, "3 dB louder than the file"),
        (-15.5, -2.0, "1.0 dB louder than the file"),
    ],
)
def test_how_loud_a_single_master_is_heard(lufs: float, peak_db: float, answer: str) -> None:
    one = version("Song", lufs, peak_db, PLAYER)
    assert heard_words(one.prediction) == answer
    said = one_headline(one)
    assert said.question == "How loud do listeners hear Song?"
    assert said.answer.casefold() == f"{answer}.".casefold()


@pytest.mark.parametrize(
    ("kind", "hz", "words"),
    [
        (MomentKind.ATTACK, (None, None), "the hits are softer"),
        (MomentKind.PUMPING, (None, None), "the level moves up and down with the music"),
        (MomentKind.TONE, (110.0, 110.0), "the bass sounds rougher"),
        (MomentKind.TONE, (440.0, 440.0), "a held note sounds rougher"),
        (MomentKind.CHANGE, (60.0, 120.0), "the bass sounds different"),
        (MomentKind.CHANGE, (500.0, 1000.0), "the middle sounds different"),
        (MomentKind.CHANGE, (6000.0, 12000.0), "the treble sounds different"),
    ],
)
def test_a_moment_is_named_by_what_is_heard(
    kind: MomentKind, hz: tuple[float | None, float | None], words: str
) -> None:
    assert change_words(Moment(kind, 1.0, 3.0, 5.0, 1.0, *hz)) == words


def test_silence_has_no_number() -> None:
    one = version("Song", None, None, PLAYER)
    assert one_headline(one).answer == "It has no measurable loudness."
    assert engineer_sentences([one], PLAYER)[0].startswith("The track has no measurable loudness")


@pytest.mark.parametrize(
    ("value", "words"), [(21.34, "21 dB"), (-3.02, "3 dB"), (2.94, "2.9 dB"), (-0.21, "0.2 dB")]
)
def test_a_listener_is_told_whole_decibels_from_three_on(value: float, words: str) -> None:
    assert decibels(value) == words


def test_the_engineer_has_the_sentences_of_the_desk() -> None:
    said = " ".join(engineer_sentences([OPEN, LOUD], PLAYER))
    assert "7.0 LU" in said
    assert "−14.0 LUFS" in said


def test_method_names_standards_and_versions() -> None:
    words = " ".join(method_sentences("9.8.7"))
    for wanted in ("BS.1770-5", "Tech 3341", "Tech 3342", "e-Brief 373", "BS.1534-3", "9.8.7", "method"):
        assert wanted in words


@pytest.mark.parametrize(
    ("title", "apart"), [("Plain, with “quotes” 🎚️", False), ("ليلة", True), ("a\u202eb", True), ("", False)]
)
def test_only_titles_that_turn_the_direction_are_set_apart(title: str, apart: bool) -> None:
    assert isolated(title) == (f"\u2068{title}\u2069" if apart else title)

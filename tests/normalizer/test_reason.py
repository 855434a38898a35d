"""The sentences of a decision, word for word: they are what an engineer reads out to a client."""

from __future__ import annotations

import pytest
from support.made_measurements import made, on_album, player

from simulator.normalizer.decision import decide, decide_all
from simulator.normalizer.profile import Conditional


@pytest.mark.parametrize(
    ("rules", "loudness_lufs", "peak_db", "sentence"),
    [
        (
            {"upward": "headroom"},
            -8.0,
            0.5,
            "The track measures −8.0 LUFS, 6.0 LU above the target of −14.0 LUFS, so the player turns it "
            "down 6.0 dB.",
        ),
        (
            {"upward": "headroom"},
            -14.04,
            -1.0,
            "The track measures −14.0 LUFS, on the target of −14.0 LUFS; its true peak of −1.0 dBTP is "
            "already at the ceiling of −1.0 dBTP, so the player leaves it unchanged.",
        ),
        (
            {"upward": "headroom"},
            -20.0,
            -3.0,
            "The track measures −20.0 LUFS, 6.0 LU below the target of −14.0 LUFS; its true peak of −3.0 "
            "dBTP would hit the ceiling of −1.0 dBTP, so the player raises it only 2.0 dB.",
        ),
        (
            {"upward": "headroom"},
            -20.0,
            -9.0,
            "The track measures −20.0 LUFS, 6.0 LU below the target of −14.0 LUFS, so the player raises it "
            "6.0 dB.",
        ),
        (
            {"upward": "headroom", "applies": "always", "counts": "sample", "ceiling_db": 0.0},
            -20.0,
            2.0,
            "The track measures −20.0 LUFS, 6.0 LU below the target of −14.0 LUFS; its sample peak of 2.0 "
            "dBFS is over the ceiling of 0.0 dBFS, so the player turns it down 2.0 dB.",
        ),
        (
            {"upward": "never"},
            -20.0,
            -9.0,
            "The track measures −20.0 LUFS, 6.0 LU below the target of −14.0 LUFS; this player never raises "
            "tracks, so the player leaves it unchanged.",
        ),
        (
            {"upward": "limited"},
            -20.0,
            -3.0,
            "The track measures −20.0 LUFS, 6.0 LU below the target of −14.0 LUFS, so the player raises it "
            "6.0 dB. Its true peak of −3.0 dBTP would then exceed the ceiling of −1.0 dBTP, so the limiter "
            "acts.",
        ),
        (
            {"upward": "unprotected"},
            -20.0,
            -3.0,
            "The track measures −20.0 LUFS, 6.0 LU below the target of −14.0 LUFS, so the player raises it "
            "6.0 dB. Its true peak of −3.0 dBTP then goes 3.0 dB over full scale, with no "
            "peak protection.",
        ),
        (
            {"upward": "limited", "max_boost_db": 3.0},
            -20.0,
            -9.0,
            "The track measures −20.0 LUFS, 6.0 LU below the target of −14.0 LUFS; this player raises "
            "tracks by no more than 3.0 dB, so the player raises it 3.0 dB.",
        ),
        (
            {"upward": "never", "max_cut_db": 4.0},
            -8.0,
            -1.0,
            "The track measures −8.0 LUFS, 6.0 LU above the target of −14.0 LUFS; this player turns "
            "tracks down by no more than 4.0 dB, so the player turns it down 4.0 dB.",
        ),
        (
            {"upward": "never", "target_lufs": None},
            -8.0,
            -1.0,
            "This player has no target loudness and leaves the level unchanged.",
        ),
        (
            {"upward": "limited", "target_lufs": -20.0, "conditional": Conditional(15.0, -16.0)},
            -10.0,
            -1.0,
            "Its peak-to-loudness ratio of 9.0 dB is under this player's limit of 15.0 dB, so the target is "
            "−16.0 LUFS. The track measures −10.0 LUFS, 6.0 LU above the target of −16.0 LUFS, so the player "
            "turns it down 6.0 dB.",
        ),
    ],
)
def test_a_tracks_reason_is_made_of_its_numbers(rules, loudness_lufs, peak_db, sentence):
    assert decide(player(**rules), made(loudness_lufs, peak_db)).reason == sentence


@pytest.mark.parametrize(
    ("ratio_db", "words"),
    [
        (9.0, "9.0 dB is under"),
        (14.97, "15.0 dB is just under"),
        (15.02, "15.0 dB is at"),
        (17.0, "17.0 dB is over"),
    ],
)
def test_a_ratio_that_rounds_to_the_limit_is_not_said_to_be_over_it(ratio_db, words):
    profile = player("limited", target_lufs=-20.0, conditional=Conditional(15.0, -16.0))
    assert words in decide(profile, made(-18.0, -18.0 + ratio_db)).reason


@pytest.mark.parametrize(
    ("peak_db", "ceiling_db", "words"),
    [
        (-0.98, -1.0, "−1.0 dBTP is just over the ceiling of −1.0 dBTP, so the player leaves it unchanged."),
        (
            -0.86,
            -0.93,
            "−0.9 dBTP is just over the ceiling of −0.9 dBTP, so the player turns it down 0.1 dB.",
        ),
        (-0.93, -0.96, "−0.9 dBTP is just over the ceiling of −1.0 dBTP, so the player leaves it unchanged."),
        (-0.85, -1.0, "−0.8 dBTP is over the ceiling of −1.0 dBTP, so the player turns it down 0.2 dB."),
    ],
)
def test_a_peak_that_is_written_as_its_ceiling_is_just_over_it(peak_db, ceiling_db, words):
    profile = player("headroom", applies="always", ceiling_db=ceiling_db)
    assert f"its true peak of {words}" in decide(profile, made(-20.0, peak_db)).reason


@pytest.mark.parametrize(("peak_db", "words"), [(-2.98, "then just exceed"), (-2.8, "then exceed")])
def test_a_raised_peak_that_is_written_as_the_ceiling_just_passes_it(peak_db, words):
    reason = decide(player("limited"), made(-16.0, peak_db)).reason
    assert f"would {words} the ceiling of −1.0 dBTP, so the limiter" in reason


@pytest.mark.parametrize(
    ("lufs", "target_lufs", "words"),
    [
        (-14.22, -14.16, "−14.22 LUFS, 0.1 LU below the target of −14.16 LUFS"),
        (-14.16, -14.24, "−14.16 LUFS, 0.1 LU above the target of −14.24 LUFS"),
        (-14.26, -14.24, "−14.3 LUFS, less than 0.1 LU from the target of −14.2 LUFS"),
        (-14.24, -14.24, "−14.2 LUFS, on the target of −14.2 LUFS"),
    ],
)
def test_a_loudness_is_never_written_as_the_target_that_it_is_said_to_miss(lufs, target_lufs, words):
    reason = decide(player("unprotected", target_lufs=target_lufs), made(lufs, -20.0)).reason
    assert reason.startswith(f"The track measures {words}, so the player")


@pytest.mark.parametrize(
    ("scope", "sentence"),
    [
        (
            "album_loudest",
            "The loudest track of the album “The Album” measures −9.0 LUFS, 5.0 LU above the target of −14.0 "
            "LUFS, so the player turns the whole album down 5.0 dB. One folder, one album.",
        ),
        (
            "album_programme",
            "The album “The Album” measures −10.6 LUFS as one programme, 3.4 LU above the target of −14.0 "
            "LUFS, so the player turns the whole album down 3.4 dB. One folder, one album.",
        ),
    ],
)
def test_an_albums_reason_says_which_rule_was_used(scope, sentence):
    tracks = [(on_album(str(lufs)), made(lufs)) for lufs in (-9.0, -9.0, -20.0)]
    for decision in decide_all(player(scope=scope), tracks, "One folder, one album."):
        assert decision.reason == sentence


def test_an_albums_headroom_is_said_to_be_its_highest_peaks():
    tracks = [(on_album("a"), made(-20.0, -3.0)), (on_album("b"), made(-22.0, -8.0))]
    for decision in decide_all(player(scope="album_loudest"), tracks):
        assert "; the album's highest true peak of −3.0 dBTP would hit the ceiling" in decision.reason


def test_one_channel_counted_twice_is_said():
    reason = decide(player(mono="two_loudspeakers"), made(-20.0, -9.0, channels=1)).reason
    assert reason.endswith("This mono track counts as if played on two loudspeakers, 3.0 LU louder.")
    assert reason.startswith("The track measures −17.0 LUFS")

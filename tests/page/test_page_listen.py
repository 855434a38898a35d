"""What the page claims and plays: the louder of two versions, or a single master."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.made_measurements import made, player

from simulator.metering.passage import Passage
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.page.clips import Clip, PassageSound, stored
from simulator.page.listen import HeardTrack, Offer, changes, claims, data, label_of
from simulator.page.passages import Kind, Place
from simulator.playlists.playlist import Track

PLAYER = player()
CLIP = Clip("c", 48_000, stored(np.zeros((48_000, 1), np.float32), 1))


def heard(number: int, name: str, lufs: float, peak_db: float, profile: Profile = PLAYER) -> HeardTrack:
    measured = made(lufs, peak_db)
    track = Track(f"/{name}.wav", name, song="song")
    return HeardTrack(number, track, name, number - 1, from_gain(decide(profile, measured), measured))


def offer(kind: Kind, levels: dict[int, float], label: str = "") -> Offer:
    place = Place(kind, label, Passage(3.0, 1.0, "here"))
    sounds = {
        index: PassageSound(index, (CLIP, 0.0), (CLIP, 0.0), 0.0, lufs) for index, lufs in levels.items()
    }
    return Offer(label_of(place), dict.fromkeys(levels, place), sounds)


OPEN, LOUD = heard(1, "open", -18.0, -1.0), heard(2, "loud", -7.0, -0.2)
OFFERS = [
    offer("loudest", {0: -12.0, 1: -13.0}),
    offer("quietest", {0: -30.0, 1: -20.0}),
    offer("turn", {0: -19.0, 1: -15.2}),
]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_the_louder_file_is_held_against_the_other_where_they_differ_like_the_whole(
    order: tuple[int, int],
) -> None:
    """11 LU as files, 4 LU as played (open has no headroom): nearest to that is the turn with 3.8 LU."""
    tracks = {index: (OPEN, LOUD)[index] for index in order}
    said = claims(OFFERS, tracks, PLAYER)
    assert [(one.text, one.state, one.kind, one.tracks) for one in said] == [
        ("11 dB louder as a file", "delivered", 2, (0, 1)),
        ("4 dB louder when streamed", "played", 2, (0, 1)),
        ("1.0 dB quieter in its loudest part", "played", 0, (0, 1)),
    ]


def test_a_player_that_evens_out_nothing_is_not_called_streaming() -> None:
    free = player(target_lufs=None)
    tracks = {0: heard(1, "open", -18.0, -1.0, free), 1: heard(2, "loud", -7.0, -0.2, free)}
    said = claims([offer("loudest", {0: -12.0, 1: -1.0})], tracks, free)
    assert [one.text for one in said] == ["11 dB louder as a file", "11 dB louder as listeners hear it"]


def test_a_single_master_is_heard_raw_and_as_played() -> None:
    alone = replace(LOUD, track=Track("/x.wav", "x"))
    said = claims([offer("loudest", {1: -13.0})], {1: alone}, PLAYER)
    assert [(one.text, one.state, one.tracks) for one in said] == [
        ("the file unchanged", "delivered", (1,)),
        ("7 dB quieter than the file, when streamed", "played", (1,)),
    ]


def test_two_different_songs_are_not_held_against_each_other() -> None:
    tracks = {index: replace(one, track=Track(f"/{index}.wav", "x")) for index, one in ((0, OPEN), (1, LOUD))}
    assert {one.tracks for one in claims(OFFERS, tracks, PLAYER)} == {(0,)}


def test_what_is_absent_has_its_reason() -> None:
    reference = replace(LOUD, number=3, track=Track("/r.wav", "r", role="reference"), colour=None)
    tracks = {0: OPEN, 1: LOUD, 2: reference}
    found = data([offer("quietest", {0: -30.0})], tracks, PLAYER, "abc", "Song")["kinds"][0]["absent"]
    assert found == {"1": "not long enough for this part", "2": "only its loudest part is here"}


def test_a_change_is_heard_in_the_open_version_first_at_the_same_loudness() -> None:
    reference = replace(LOUD, number=3, track=Track("/r.wav", "r", role="reference"), colour=None)
    offers = [*OFFERS, offer("change", {1: -13.0, 0: -12.0}, "0:20, the hits are softer")]
    tracks = {1: LOUD, 0: OPEN, 2: reference}
    (one,) = changes(offers, tracks)
    assert (one.text, one.state, one.kind, one.tracks) == ("0:20, the hits are softer", "matched", 3, (0, 1))
    assert {claim.kind for claim in claims(offers, tracks, PLAYER)} <= {0, 1, 2}
    found = data(offers, tracks, PLAYER, "abc", "Song")
    assert found["claims"][-1] == {"state": "matched", "kind": 3, "tracks": ["0", "1"]}
    assert found["kinds"][3]["absent"] == {"2": "not part of this comparison"}


@pytest.mark.parametrize(
    ("place", "label"),
    [
        (Place("loudest", "", Passage(0, 1, "")), "Loudest part"),
        (Place("turn", "drop", Passage(0, 1, "")), "Biggest drop"),
        (Place("mark", "bridge", Passage(0, 1, "")), "bridge"),
    ],
)
def test_a_passage_has_a_name_that_anybody_knows(place: Place, label: str) -> None:
    assert label_of(place) == label

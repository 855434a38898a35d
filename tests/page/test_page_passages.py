"""The passages of the page: where they lie, and that versions share them."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.common.units import lufs_to_energy
from simulator.metering.passage import biggest_change
from simulator.page.passages import ChangeMoment, DeskMark, TrackEnergy, choose


def song(*parts: tuple[float, float]) -> np.ndarray:
    """Energies each 100 ms of parts of (seconds, LUFS)."""
    return np.concatenate([np.full(round(s * 10), lufs_to_energy(lufs)) for s, lufs in parts])


VERSE_CHORUS = song((20.0, -24.0), (10.0, -20.0), (20.0, -12.0), (10.0, -18.0))


def test_loudest_quietest_and_the_turn_lie_where_they_should() -> None:
    (places,) = choose([TrackEnergy(None, VERSE_CHORUS, 60.0)], 6.0)
    by_kind = {place.kind: place.passage for place in places}
    assert list(by_kind) == ["loudest", "quietest", "turn"]
    assert 30.0 <= by_kind["loudest"].start_s <= 44.0
    assert by_kind["quietest"].start_s + 6.0 <= 20.0
    assert by_kind["turn"].start_s == pytest.approx(27.0)  # 6 s around the step at 30 s
    assert by_kind["turn"].reason == "where it grows most, from 0:27.0"


def test_the_turn_is_no_beginning_out_of_silence_and_no_fading_end() -> None:
    energy = song((5.0, -80.0), (20.0, -20.0), (20.0, -17.0), (6.0, -60.0), (4.0, -90.0))
    assert biggest_change(energy) == (25.0, True)


def test_music_that_only_falls_turns_where_it_falls_most() -> None:
    energy = song((20.0, -12.0), (10.0, -13.0), (20.0, -20.0))
    found = biggest_change(energy)
    assert found is not None
    assert found[0] == pytest.approx(30.0, abs=0.11)
    assert not found[1]


@pytest.mark.parametrize("energy", [song((5.9, -14.0)), np.zeros(600), np.zeros(0)])
def test_there_is_no_turn_where_nothing_turns(energy: np.ndarray) -> None:
    assert biggest_change(energy) is None


def test_versions_of_a_song_are_heard_at_the_same_places_of_the_first() -> None:
    other = song((60.0, -9.0))
    first, second = choose([TrackEnergy("song", VERSE_CHORUS, 60.0), TrackEnergy("song", other, 60.0)], 6.0)
    assert [p.passage.start_s for p in first] == [p.passage.start_s for p in second]
    assert second[0].passage.reason.startswith("the same place as in the first version, from 0:3")


def test_a_version_that_lies_later_is_cut_as_much_later() -> None:
    first, second = choose(
        [TrackEnergy("song", VERSE_CHORUS, 60.0), TrackEnergy("song", VERSE_CHORUS, 62.0, offset_s=0.725)],
        6.0,
    )
    for one, other in zip(first, second, strict=True):
        assert other.passage.start_s - one.passage.start_s == pytest.approx(0.725)


def test_a_version_that_has_ended_by_then_goes_without_that_place() -> None:
    short = VERSE_CHORUS[:330]
    first, second = choose([TrackEnergy("song", VERSE_CHORUS, 60.0), TrackEnergy("song", short, 33.0)], 6.0)
    assert {place.kind for place in second} < {place.kind for place in first}
    assert all(place.passage.start_s + 6.0 <= 33.0 for place in second)


def test_a_version_too_short_for_any_shared_place_has_its_own() -> None:
    first, second = choose(
        [TrackEnergy("song", VERSE_CHORUS, 60.0), TrackEnergy("song", song((4.0, -9.0)), 4.0)], 6.0
    )
    assert [place.passage.reason for place in second] == ["the whole track"]
    assert len(first) == 3


def test_marks_come_on_top_in_every_version() -> None:
    tracks = [
        TrackEnergy("song", VERSE_CHORUS, 60.0),
        TrackEnergy(None, VERSE_CHORUS, 60.0),
        TrackEnergy("song", VERSE_CHORUS, 61.0, offset_s=1.0),
    ]
    first, alone, second = choose(tracks, 6.0, [DeskMark(2, 41.0, "bridge"), DeskMark(0, 58.0, "")])
    assert [(place.kind, place.label, place.passage.start_s) for place in first[3:]] == [
        ("mark", "bridge", 40.0),
        ("mark", "0:54.0", 54.0),
    ]
    assert [place.passage.start_s for place in second[3:]] == [41.0, 55.0]
    for own in (first, second):
        assert [place.kind for place in own[:3]] == ["loudest", "quietest", "turn"]
    assert [place.kind for place in alone] == ["loudest", "quietest", "turn"]


def test_a_reference_is_heard_at_its_loudest_and_at_its_marks() -> None:
    (places,) = choose([TrackEnergy(None, VERSE_CHORUS, 60.0, reference=True)], 6.0, [DeskMark(0, 5.0, "x")])
    assert [place.kind for place in places] == ["loudest", "mark"]


def test_a_turn_down_is_called_a_drop() -> None:
    falling = song((20.0, -12.0), (10.0, -13.0), (20.0, -20.0))
    (places,) = choose([TrackEnergy(None, falling, 50.0)], 6.0)
    assert [(place.label) for place in places if place.kind == "turn"] == ["drop"]


@pytest.mark.parametrize(("seconds", "count"), [(0.4, 0), (0.5, 1), (3.0, 1), (6.0, 1)])
def test_a_short_track_has_one_passage_or_none(seconds: float, count: int) -> None:
    energy = song((seconds, -14.0))
    (places,) = choose([TrackEnergy(None, energy, seconds)], 6.0)
    assert len(places) == count


def test_silence_has_its_beginning_as_the_only_passage() -> None:
    (places,) = choose([TrackEnergy(None, np.zeros(600), 60.0)], 6.0)
    assert [place.passage.reason for place in places] == ["silent throughout: its start"]


def test_a_change_is_heard_in_its_two_versions_alone_and_at_the_same_moment_of_the_song() -> None:
    tracks = [
        TrackEnergy("song", VERSE_CHORUS, 62.0, offset_s=0.725),
        TrackEnergy("song", VERSE_CHORUS, 60.0, offset_s=0.0),
        TrackEnergy("song", VERSE_CHORUS, 60.0),
    ]
    changes = [ChangeMoment((1, 0), 20.5, 3.0, "0:20, the hits are softer")]
    loud, open_, third = choose(tracks, 6.0, changes=changes)
    assert [(place.label, place.passage.start_s) for place in (open_[-1], loud[-1])] == [
        ("0:20, the hits are softer", pytest.approx(20.5)),
        ("0:20, the hits are softer", pytest.approx(21.225)),
    ]
    assert open_[-1].passage.seconds == 3.0
    assert "change" not in [place.kind for place in third]


def test_a_change_that_one_version_is_too_short_for_is_in_neither() -> None:
    tracks = [TrackEnergy("song", VERSE_CHORUS, 60.0), TrackEnergy("song", VERSE_CHORUS[:20], 2.0)]
    chosen = choose(tracks, 6.0, changes=[ChangeMoment((0, 1), 0.0, 3.0, "x")])
    assert not any(place.kind == "change" for places in chosen for place in places)

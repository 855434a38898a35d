"""A version that is written over while the desk is open is told once for each new file, never in a trial."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import pytest
from support.fake_player import FakePlayer
from support.made_session import session

from simulator.desk.controller import Desk, Outside
from simulator.desk.decodes import Decode
from simulator.desk.tracks import Rewritten
from simulator.session.events import Event, Revised
from simulator.session.log import Act, Record
from simulator.session.session import opened
from simulator.session.state import Session
from simulator.storage.small_files import stamp_of


class NoStudio:
    """Nothing is worked out."""

    decodes: Mapping[Decode, str] = MappingProxyType({})

    def predict(self, profile_id: str) -> list[Event]:
        raise AssertionError(profile_id)

    def replace(self, track: int, path: str) -> list[Event]:
        raise AssertionError((track, path))

    def revision(self, track: int, path: str) -> list[Event]:
        return [Revised(track, path, "A new file", 0.4)]

    def align(self) -> list[Event]:
        return []

    def find_moments(self, pairs: Sequence[tuple[int, int]]) -> list[Event]:
        raise AssertionError(pairs)


class Kept:
    """A record that keeps nothing."""

    path = Path("list.session.json")
    record = Record()

    def keep(self, act: Act) -> None: ...


@pytest.fixture
def on_disk(tmp_path: Path) -> Session:
    """The session's tracks as files, with the stamps of when they were measured."""
    tracks = []
    for number, view in enumerate(session().tracks):
        path = tmp_path / f"{number + 1}.wav"
        path.write_bytes(b"old")
        tracks.append(replace(view, path=str(path), stamp=stamp_of(str(path))))
    return replace(session(), tracks=tuple(tracks))


def written_over(start: Session, track: int, text: bytes) -> str:
    path = start.tracks[track].path
    Path(path).write_bytes(text)
    os.utime(path, ns=(0, len(text)))
    return (
        f"{path} changed on disk. You are still hearing the earlier version; "
        f"replace {track + 1} {path} loads the new one."
    )


def test_each_new_file_is_told_once_and_only_of_the_versions_of_the_song(on_disk: Session) -> None:
    told = Rewritten()
    assert list(told.news(on_disk, lambda _: True)) == []
    said = written_over(on_disk, 1, b"new")
    written_over(on_disk, 2, b"a reference")
    assert list(told.news(on_disk, lambda track: track != 1)) == []  # its lane will say it
    assert list(told.news(on_disk, lambda _: True)) == [said]
    assert list(told.news(on_disk, lambda _: True)) == []
    assert written_over(on_disk, 1, b"newer") == said
    assert list(told.news(on_disk, lambda _: True)) == [said]
    taken = tuple(replace(view, stamp=stamp_of(view.path)) for view in on_disk.tracks)
    assert list(Rewritten().news(replace(on_disk, tracks=taken), lambda _: True)) == []


def test_the_desk_tells_it_with_the_next_sound_and_of_a_trial_at_its_end(
    on_disk: Session, tmp_path: Path
) -> None:
    said: list[str] = []
    player = FakePlayer(lengths={view.path: 60 * 48000 for view in on_disk.tracks})
    outside = Outside(lambda text: said.append(" ".join(text.split())), tmp_path, sleep=player.pass_time)
    desk = Desk(on_disk, player, Kept(), NoStudio(), outside, scripted=True)
    desk.open(*opened(on_disk, None, "at 0"))
    desk.enter("play 1")
    first = written_over(on_disk, 1, b"new")
    desk.enter("note nothing sounds anew here")
    assert first not in said
    desk.enter("swap")
    desk.enter("swap")
    assert said.count(first) == 1
    desk.enter("state matched")
    for line in ("trial which 2 1 2", "y"):
        desk.enter(line)
    assert desk.session.trial is not None
    assert desk.session.trial.ready
    second = written_over(on_disk, 0, b"newest")
    for line in ("a", "b", "x", "note q"):
        desk.enter(line)
    assert second not in said
    desk.enter("trial stop")
    assert said.count(second) == 1
    desk.close()


class Watch:
    """Has seen what it is given."""

    watching = True

    def __init__(self) -> None:
        self.files: list[str] = []

    def take(self) -> tuple[list[str], list[str]]:
        found, self.files = self.files, []
        return found, []


def test_with_a_watch_it_is_measured_and_offered_instead(on_disk: Session, tmp_path: Path) -> None:
    """In one line, at a tick; of files that no track is a revision of nothing."""
    said: list[str] = []
    player = FakePlayer(lengths={view.path: 60 * 48000 for view in on_disk.tracks})
    outside = Outside(lambda text: said.append(" ".join(text.split())), tmp_path, sleep=player.pass_time)
    watch = Watch()
    desk = Desk(on_disk, player, Kept(), NoStudio(), outside, scripted=True, watch=watch)
    desk.open(*opened(on_disk, None, "at 0"))
    desk.enter("play 1")
    old = written_over(on_disk, 1, b"new")
    watch.files = [on_disk.tracks[1].path, str(tmp_path / "another.wav")]
    desk.enter("swap")
    desk.enter("swap")
    assert old not in said
    assert [one for one in said if "hear it" in one] == ["A new file is here: 0.4 LU louder. n = hear it"]
    desk.close()

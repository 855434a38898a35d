"""The book of lanes: what is made when, what goes, and what is said where it cannot be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from support.deck_lanes import plain_cells

from simulator.deck.interface import LaneKey, LaneView
from simulator.deck.lanes import MARGIN_FRAMES, LaneBook
from simulator.deck.renderer import Drop, Failed, Make
from simulator.deck.shared_memory import GENERATION, READY, TOTAL, Cells
from simulator.normalizer.chain import ChainSettings
from simulator.storage.small_files import stamp_of

RATE, FRAMES = 44_100, 44_100
LANE_BYTES = (FRAMES + MARGIN_FRAMES) * 8


@dataclass
class FakeRenderer:
    """Makes nothing until it is told to."""

    cells: Cells
    sent: list[object] = field(default_factory=list)
    said: list[Failed] = field(default_factory=list)
    dead: bool = False
    gone: set[int] = field(default_factory=set)

    def send(self, message: object) -> None:
        self.sent.append(message)

    def failures(self) -> Iterator[Failed]:
        while self.said:
            yield self.said.pop()

    def read(self, lane: int, generation: int, first: int, end: int) -> np.ndarray:
        if lane in self.gone:
            raise FileNotFoundError
        return np.full((end - first, 2), lane + generation / 10, np.float32)

    def died(self) -> bool:
        return self.dead

    def start(self) -> None:
        self.dead = False

    def finish(self) -> None:
        for message in self.sent:
            if isinstance(message, Make):
                self.cells.lanes[message.lane, [READY, TOTAL, GENERATION]] = (
                    FRAMES,
                    FRAMES + 1,
                    message.generation,
                )
        self.sent = []

    def made(self) -> list[int]:
        return [message.lane for message in self.sent if isinstance(message, Make)]


def book(most: int = 3 * LANE_BYTES, free: int = 10**9) -> tuple[LaneBook, FakeRenderer]:
    cells = plain_cells(RATE)
    renderer = FakeRenderer(cells)
    return LaneBook(cells, RATE, renderer, lambda: free, most), renderer


def keys(folder: Path, count: int) -> list[LaneKey]:
    for number in range(count):
        soundfile.write(folder / f"{number}.wav", np.zeros((FRAMES, 2)), RATE)
    return [LaneKey(str(folder / f"{number}.wav")) for number in range(count)]


def test_what_is_only_prepared_takes_no_room_from_others(tmp_path: Path) -> None:
    lanes, renderer = book()
    tracks = keys(tmp_path, 4)
    for key in tracks:
        assert lanes.want(key) == LaneView(0, FRAMES, False, None)
    assert renderer.made() == [0, 1, 2]
    renderer.finish()
    assert [lanes.look(key).finished for key in tracks] == [True, True, True, False]


def test_what_is_played_takes_the_room_of_the_oldest_unplayed(tmp_path: Path) -> None:
    lanes, renderer = book()
    tracks = keys(tmp_path, 5)
    numbers = [lanes.number(key) for key in tracks]
    for key in tracks[:3]:
        lanes.want(key)
    renderer.finish()
    lanes.playing([numbers[0]])
    lanes.playing([numbers[2]])
    lanes.playing([numbers[3]])  # 1 was never played
    assert renderer.sent == [Drop(1), Make(3, 1, tracks[3], FRAMES + MARGIN_FRAMES, renderer.sent[1].rank)]  # type: ignore[attr-defined]
    renderer.finish()
    lanes.playing([numbers[3], numbers[4]])  # 0 was played before 2
    assert renderer.sent[0] == Drop(0)
    renderer.finish()
    assert [lanes.look(key).finished for key in tracks] == [False, False, True, True, True]
    lanes.playing([numbers[0]])  # comes back, as a new generation under its number
    assert [one.generation for one in renderer.sent if isinstance(one, Make)] == [2]


def test_what_plays_does_not_go_and_a_full_disk_is_said_and_tried_again(tmp_path: Path) -> None:
    free = [10**9]
    cells = plain_cells(RATE)
    renderer = FakeRenderer(cells)
    lanes = LaneBook(cells, RATE, renderer, lambda: free[0], 10 * LANE_BYTES)
    first, second = keys(tmp_path, 2)
    lanes.playing([lanes.number(first)])
    free[0] = LANE_BYTES // 2
    view = lanes.want(second, urgent=True)
    assert view.problem is not None
    assert "no room" in view.problem
    assert "Free some space" in view.problem
    free[0] = 10**9
    assert lanes.want(second, urgent=True).problem is None
    assert renderer.made() == [0, 1]


def test_lanes_that_are_needed_together_do_not_push_each_other_out(tmp_path: Path) -> None:
    lanes, renderer = book(2 * LANE_BYTES + 8)
    tracks = keys(tmp_path, 4)
    lanes.want(tracks[0])
    lanes.want(tracks[1])
    renderer.finish()
    assert lanes.hold(tracks[1:3]) is None
    assert renderer.sent[0] == Drop(0)
    assert lanes.want(tracks[3], urgent=True).problem is not None  # nothing takes their room
    renderer.finish()
    assert [lanes.look(key).finished for key in tracks] == [False, True, True, False]
    assert lanes.hold(()) is None
    assert lanes.want(tracks[3], urgent=True).problem is None


def test_lanes_that_need_more_than_a_session_keeps_are_refused_in_words_and_none_is_made(
    tmp_path: Path,
) -> None:
    lanes, renderer = book(2 * LANE_BYTES)
    tracks = keys(tmp_path, 3)
    problem = lanes.hold(tracks)
    assert problem is not None
    assert "together, and a session keeps" in problem
    assert renderer.sent == []
    assert lanes.hold([tracks[0], tracks[1], tracks[0]]) is None  # the same lane twice needs no more


def test_what_plays_is_not_taken_away_for_lanes_that_are_held_and_the_limit_is_named(tmp_path: Path) -> None:
    lanes, _ = book(2 * LANE_BYTES)
    tracks = keys(tmp_path, 3)
    lanes.playing([lanes.number(tracks[0])])
    assert lanes.hold(tracks[1:]) is None
    problem = lanes.look(tracks[2]).problem
    assert problem is not None
    assert "beside the lane that is playing, and a session keeps" in problem


def test_the_lane_that_plays_comes_first_and_is_said_once(tmp_path: Path) -> None:
    lanes, renderer = book()
    tracks = keys(tmp_path, 3)
    for key in tracks:
        lanes.want(key)
    lanes.playing([2, 1])
    ranks = {one.lane: one.rank for one in renderer.sent if isinstance(one, Make)}
    assert ranks[2] > ranks[1] > ranks[0]
    count = len(renderer.sent)
    lanes.playing([2, 1])
    assert len(renderer.sent) == count


def test_a_new_revision_and_another_chain_get_lanes_of_their_own(tmp_path: Path) -> None:
    lanes, renderer = book()
    (key,) = keys(tmp_path, 1)
    number = lanes.number(key)
    assert lanes.number(key) == number
    assert lanes.number(LaneKey(key.path, ChainSettings(3.0))) != number
    soundfile.write(key.path, np.zeros((2 * FRAMES, 2)), RATE)
    assert lanes.number(key) != number
    assert lanes.want(key).frames == 2 * FRAMES
    assert renderer.made()


def test_a_file_as_it_was_measured_keeps_its_lane_when_another_is_written_over_it(tmp_path: Path) -> None:
    lanes, renderer = book()
    (key,) = keys(tmp_path, 1)
    measured = LaneKey(key.path, None, stamp_of(key.path), "hash")
    lanes.want(measured)
    renderer.finish()
    number = lanes.number(measured)
    soundfile.write(key.path, np.zeros((2 * FRAMES, 2)), RATE)
    assert lanes.number(measured) == number
    assert lanes.want(measured, urgent=True) == LaneView(FRAMES, FRAMES, True, None)
    assert renderer.made() == []
    again = LaneKey(key.path, None, stamp_of(key.path), "another hash")
    assert lanes.number(again) != number
    assert lanes.want(again).frames == 2 * FRAMES


def test_a_file_that_is_not_there_is_a_problem_in_words(tmp_path: Path) -> None:
    lanes, renderer = book()
    view = lanes.want(LaneKey(str(tmp_path / "gone.wav")), urgent=True)
    assert view.problem is not None
    assert "file not found" in view.problem
    assert renderer.sent == []


def test_a_crash_of_the_decoder_costs_the_lane_in_work_alone(tmp_path: Path) -> None:
    lanes, renderer = book()
    first, second = keys(tmp_path, 2)
    lanes.want(first)
    lanes.want(second, urgent=True)
    renderer.dead = True
    renderer.sent = []
    lanes.tend()
    problem = lanes.look(second).problem
    assert problem is not None
    assert "crashed" in problem
    assert renderer.made() == [0]
    renderer.said = [Failed(0, "cut short")]
    lanes.tend()
    assert lanes.look(first).problem == "cut short"


def test_the_frames_of_a_lane_can_be_read_once_it_is_whole(tmp_path: Path) -> None:
    lanes, renderer = book()
    first, second = keys(tmp_path, 2)
    assert lanes.read(first, 0, 10).shape == (0, 2)
    lanes.want(first)
    lanes.want(second)
    assert lanes.read(first, 0, 10).shape == (0, 2)
    renderer.finish()
    assert lanes.read(second, FRAMES - 4, FRAMES + 100).tolist() == np.full((4, 2), np.float32(1.1)).tolist()
    renderer.gone = {1}
    assert lanes.read(second, 0, 10).shape == (0, 2)

"""The desk carries out what the session says, on the deck, the record and the screen, and decides nothing."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec
import pytest
from support.fake_player import FakePlayer
from support.made_measurements import made, player

from simulator.audibility.audibility import Audibility, Hits, Moment, MomentKind
from simulator.common.errors import AudioError
from simulator.deck.interface import DeviceView, LaneKey
from simulator.desk.controller import Desk, Outside
from simulator.desk.tracks import played_views, track_views
from simulator.dsp.limiter import LimiterReport
from simulator.engine.predict import MeasuredTrack
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.decision import decide_all
from simulator.normalizer.prediction import from_chain, from_gain
from simulator.playlists.playlist import Track
from simulator.session.events import Aligned, Event, MomentsFound, Predicted
from simulator.session.log import Act, Record
from simulator.session.session import opened
from simulator.session.state import Session
from simulator.storage.session_file import starting_trim_db

RATE = 48000
GAIN = msgspec.structs.replace(player("headroom"), id="gain")
LIMITED = msgspec.structs.replace(player("limited"), id="limited")
TRACKS = [
    MeasuredTrack(Track("/open.wav", "Song (open)", song="song"), made(-16.0, -6.0), None),
    MeasuredTrack(Track("/loud.wav", "Song (loud)", song="song"), made(-8.0, 0.0), None),
    MeasuredTrack(Track("/ref.wav", "Harbour", role="reference"), made(-20.0, -1.0, seconds=30.0), None),
]


PUMPS_AT_30 = Audibility(
    0.1,
    0.0,
    3.0,
    (),
    Hits(0, None, None),
    None,
    None,
    (Moment(MomentKind.PUMPING, 30.0, 3.0, 3.0, 1.5),),
    1.0,
    (),
)


def predictions(name: str) -> list[object]:
    """What a player makes of TRACKS; the limited one's output is made up as plain gain held at −1 dBTP."""
    profile = {"gain": GAIN, "limited": LIMITED}[name]
    found = []
    decisions = decide_all(profile, [(one.track, one.measurement) for one in TRACKS])
    for one, decision in zip(TRACKS, decisions, strict=True):
        assert one.measurement is not None
        assert decision is not None
        plain = from_gain(decision, one.measurement)
        if decision.limiter_will_act:
            held = plain.played.with_gain(-1.0)
            plain = from_chain(decision, one.measurement, held, LimiterReport(5.0, 1.0, 0.2))
        found.append(plain)
    return found


@dataclass
class FakeStudio:
    """Answers at once, or when `gate` opens."""

    gate: threading.Event = field(default_factory=threading.Event)
    problem: AudioError | None = None
    aligned: Sequence[Event] = ()
    no_moments: AudioError | None = None
    looked_for: list[tuple[tuple[int, int], ...]] = field(default_factory=list)
    moments_gate: threading.Event = field(default_factory=threading.Event)

    def predict(self, profile_id: str) -> list[Event]:
        self.gate.wait(5.0)
        if self.problem is not None:
            raise self.problem
        return [Predicted(profile_id, played_views(LIMITED, TRACKS, predictions(profile_id)))]

    def replace(self, track: int, path: str) -> list[Event]:  # noqa: ARG002
        raise AudioError(f"{path}: cannot be read.", "Export it again.")

    def align(self) -> list[Event]:
        return list(self.aligned)

    def find_moments(self, pairs: Sequence[tuple[int, int]]) -> list[Event]:
        self.looked_for.append(tuple(pairs))
        self.moments_gate.wait(5.0)
        if self.no_moments is not None:
            raise self.no_moments
        contents = {i: (one.track.path, one.content) for i, one in enumerate(TRACKS)}
        return [MomentsFound(dict.fromkeys(pairs, PUMPS_AT_30), contents)]

    @property
    def decodes(self) -> dict:
        return {}


@dataclass
class Kept:
    """A record in memory."""

    acts: list[Act] = field(default_factory=list)
    path: Path = Path("/music/list.session.json")

    @property
    def record(self) -> Record:
        return Record("", tuple(self.acts))

    def keep(self, act: Act) -> None:
        self.acts.append(act)


@dataclass
class Bench:
    """A desk with everything around it that a test looks at."""

    desk: Desk
    player: FakePlayer
    studio: FakeStudio
    kept: Kept
    said: list[str]
    config: Path

    def orders(self, line: str) -> list[tuple[object, ...]]:
        """What the deck is told because of a line."""
        before = len(self.player.orders)
        self.desk.enter(line)
        return self.player.orders[before:]

    @property
    def last(self) -> str:
        return self.said[-1]


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., Bench]:
    def build(
        *,
        scripted: bool = True,
        studio: FakeStudio | None = None,
        earlier: Sequence[Act] = (),
        **changes: object,
    ) -> Bench:
        deck = FakePlayer(
            lengths={"/open.wav": 60 * RATE, "/loud.wav": 60 * RATE, "/ref.wav": 30 * RATE}, **changes
        )
        said: list[str] = []
        clock = [0.0]

        def sleep(seconds: float) -> None:
            clock[0] += seconds
            deck.pass_time(seconds)

        outside = Outside(said.append, tmp_path, lambda: clock[0], sleep, lambda: "2026-01-02T03:04:05+00:00")
        session = Session(
            track_views(TRACKS, [GAIN], [predictions("gain")]), {"gain": GAIN, "limited": LIMITED}, "gain"
        )
        kept, made_studio = Kept(list(earlier)), studio or FakeStudio()
        desk = Desk(session, deck, kept, made_studio, outside, scripted=scripted)
        desk.open(*opened(session, starting_trim_db(tmp_path), outside.at()))
        return Bench(desk, deck, made_studio, kept, said, tmp_path)

    return build


def test_a_session_opens_quietly_with_its_screen_its_record_and_its_lanes(
    bench: Callable[..., Bench],
) -> None:
    opened_bench = bench()
    assert opened_bench.player.orders == [("output", round(10 ** (-12 / 20), 6), "stereo", 0.0)]
    assert "NIOSH" in opened_bench.said[0]
    assert any("−12.0 dB" in line for line in opened_bench.said)
    assert "48 kHz file" in opened_bench.last
    assert [act.kind for act in opened_bench.kept.acts] == ["material", "player", "opened"]
    wanted = [key.path for key, _ in opened_bench.player.lanes.wanted]
    assert wanted == ["/open.wav", "/loud.wav", "/ref.wav"]


def test_playing_a_track_is_a_jump_to_its_first_frame(bench: Callable[..., Bench]) -> None:
    found = bench()
    assert found.orders("play 2") == [("sound", 0, 0, 0.0, None), ("resume",)]
    assert found.player.program is not None
    assert [one.lane for one in found.player.program.segments] == [LaneKey("/loud.wav"), LaneKey("/ref.wav")]
    assert found.player.program.segments[0].gain == pytest.approx(10 ** (-6 / 20))
    assert found.player.lanes.wanted[-2] == (LaneKey("/loud.wav"), True)


def test_a_swap_goes_on_from_the_same_moment_by_the_decks_own_clock(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("play 1")
    found.desk.enter("wait 2")
    assert found.orders("swap") == [("sound", 0, 2 * RATE, 0.0, 2 * RATE)]
    assert found.player.program is not None
    assert found.player.program.segments[0].lane == LaneKey("/loud.wav")
    assert found.desk.session.track == 1


@pytest.mark.parametrize(
    ("line", "order"),
    [
        ("trim -18", ("output", round(10 ** (-18 / 20), 6), "stereo", 0.0)),
        ("dim", ("output", round(10 ** (-32 / 20), 6), "stereo", 0.0)),
        ("mute", ("output", 0.0, "stereo", 0.0)),
        ("mono", ("output", round(10 ** (-12 / 20), 6), "mono", 0.0)),
        ("hear side", ("output", round(10 ** (-12 / 20), 6), "side", 0.0)),
    ],
)
def test_the_monitor_is_one_gain_after_everything(
    line: str, order: tuple[object, ...], bench: Callable[..., Bench]
) -> None:
    found = bench()
    found.desk.enter("play 1")
    assert found.orders(line) == [order]


def test_a_trim_is_remembered(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("trim -18")
    assert starting_trim_db(found.config) == -18.0


def test_pause_and_resume_and_stop_reach_the_deck(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("play 1")
    assert found.orders("pause") == [("pause",)]
    assert ("resume",) in found.orders("pause")
    assert found.orders("stop") == [("pause",)]


def test_keys_do_what_their_commands_do(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("play 1")
    found.desk.press("pause")
    assert found.desk.session.motion == "paused"
    found.desk.press("swap")
    assert found.desk.session.track == 1
    found.desk.press("dim")
    assert found.desk.session.dim


def test_a_script_waits_in_the_decks_own_time(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("play 3")
    found.desk.enter("wait 1.25")
    assert found.player.state.frame == 1.25 * RATE
    found.desk.enter("wait end")
    assert found.player.state.ended
    assert "End of the list." in found.said
    assert found.desk.session.motion == "stopped"
    found.desk.enter("wait end")  # nothing plays: wait is for scripts


def test_at_the_prompt_nobody_waits(bench: Callable[..., Bench]) -> None:
    found = bench(scripted=False)
    found.desk.enter("play 1")
    found.desk.enter("wait 100")
    assert found.player.state.frame == 0
    assert "wait is for scripts" in found.last


def test_the_end_of_a_round_is_said_and_each_passage_named(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("montage loudest 2")
    if found.desk.asks:
        found.desk.enter("y")
    found.desk.enter("wait end")
    assert any("Harbour" in line for line in found.said)
    assert "End of the montage." in found.said


def test_another_player_is_worked_out_beside_the_session(bench: Callable[..., Bench]) -> None:
    found = bench(scripted=False)
    found.desk.enter("play 3")
    found.desk.enter("profile limited")
    assert found.desk.bar().notice == "calculating limited…"
    found.desk.tick()
    assert found.desk.session.profile == "gain"
    found.studio.gate.set()
    while found.desk.session.profile == "gain":
        found.desk.tick()
    assert found.player.program is not None
    lane = found.player.program.segments[0].lane
    assert lane == LaneKey("/ref.wav", ChainSettings(pytest.approx(6.0), LIMITED.limiter))
    bar = found.desk.bar()
    assert (bar.profile, bar.gain_db, bar.limiter_lu) == ("limited", pytest.approx(6.0), pytest.approx(1.0))


def test_a_script_has_it_before_its_next_line(bench: Callable[..., Bench]) -> None:
    studio = FakeStudio()
    studio.gate.set()
    found = bench(studio=studio)
    found.desk.enter("profile limited")
    assert found.desk.session.profile == "limited"


def test_a_player_that_cannot_be_worked_out_leaves_the_old_one(bench: Callable[..., Bench]) -> None:
    studio = FakeStudio(problem=AudioError("/open.wav: gone.", "Bring it back."))
    studio.gate.set()
    found = bench(studio=studio)
    found.desk.enter("profile limited")
    assert found.desk.session.profile == "gain"
    assert found.desk.session.wanted is None
    assert found.last == "/open.wav: gone. Bring it back."


def test_a_revision_that_cannot_be_read_leaves_the_old_one(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("replace 1 new.wav")
    assert "Kept the earlier version" in found.last
    assert found.desk.session.tracks[0].path == "/open.wav"


def test_alignments_arrive_by_themselves(bench: Callable[..., Bench]) -> None:
    found = bench(studio=FakeStudio(aligned=[Aligned({1: -0.5})]))
    found.desk.enter("play 1")
    found.desk.enter("wait 2")
    assert found.orders("swap")[0][2] == int(2.5 * RATE)


def test_a_script_that_asks_for_a_worst_moment_waits_for_it_and_others_do_not(
    bench: Callable[..., Bench],
) -> None:
    studio = FakeStudio()
    studio.moments_gate.set()
    found = bench(studio=studio)
    found.desk.enter("play 1")
    assert studio.looked_for == []
    found.desk.enter("go worst")
    assert studio.looked_for == [((0, 1),)]
    assert "Worst moment, “loud” against “open”: 0:30.0: the level pumps by 3.0" in found.last
    assert found.player.orders[-1][:3] == ("sound", 0, 29 * RATE)


def test_worst_moments_are_found_while_the_session_goes_on_and_players_do_not_wait_for_them(
    bench: Callable[..., Bench],
) -> None:
    studio = FakeStudio()
    studio.gate.set()
    found = bench(scripted=False, studio=studio)
    for _ in range(500):
        found.desk.tick()
        if studio.looked_for:
            break
        time.sleep(0.01)
    assert studio.looked_for == [((0, 1),)]
    found.desk.enter("go worst")
    assert "Looking for the worst moments" in found.last
    found.desk.enter("profile limited")
    for _ in range(500):
        found.desk.tick()
        if found.desk.session.profile == "limited":
            break
        time.sleep(0.01)
    assert found.desk.session.profile == "limited"
    assert found.desk.session.changes == {}
    studio.moments_gate.set()
    for _ in range(500):
        found.desk.tick()
        if found.desk.session.changes:
            break
        time.sleep(0.01)
    assert found.desk.session.changes == {(0, 1): PUMPS_AT_30}


def test_worst_moments_that_cannot_be_found_are_an_answer(bench: Callable[..., Bench]) -> None:
    studio = FakeStudio(no_moments=AudioError("/open.wav: gone.", "Bring it back."))
    studio.moments_gate.set()
    found = bench(studio=studio)
    found.desk.enter("go worst")
    assert "/open.wav: gone. Bring it" in found.last


def test_a_lost_device_is_said_once_and_the_place_kept(bench: Callable[..., Bench]) -> None:
    found = bench(kind="device", found=[DeviceView("Monitors", 2, RATE)])
    found.desk.enter("play 1")
    found.desk.enter("wait 3")
    found.player.lose("The device Monitors is gone.")
    found.desk.tick()
    found.desk.tick()
    assert sum("Monitors is gone" in line for line in found.said) == 1
    bar = found.desk.bar()
    assert (bar.momentary_lufs, bar.short_term_lufs, bar.true_peak_dbtp) == (None, None, None)
    assert found.desk.bar().notice == "no sound: device lost"
    assert found.desk.session.place_s == pytest.approx(3.0)
    found.desk.enter("devices")
    assert "Monitors" in found.last
    assert [one.text for one in found.desk.candidates("devices M")] == ["Monitors"]
    found.desk.enter("devices Phones")
    assert "No output device “Phones”" in found.last
    found.desk.enter("devices Monitors")
    found.desk.tick()
    assert "Playing through Monitors." in found.said
    assert found.desk.session.place_s == pytest.approx(3.0)
    assert [act.kind for act in found.kept.acts if act.kind.startswith("device")] == ["device lost", "device"]


@pytest.mark.parametrize(
    ("changes", "notice"),
    [({"kind": "silent"}, "silent: no device"), ({"kind": "file"}, "to a file"), ({"kind": "device"}, "")],
)
def test_the_toolbar_says_where_the_sound_goes(
    changes: dict[str, object], notice: str, bench: Callable[..., Bench]
) -> None:
    found = bench(**changes)
    while found.desk.bar().notice == "working…":
        found.desk.tick()
    assert found.desk.bar().notice == notice


def test_a_lane_that_is_not_there_yet_is_named_and_one_that_never_will_be_explained(
    bench: Callable[..., Bench],
) -> None:
    found = bench(kind="device")
    found.desk.enter("play 1")
    found.player.state = replace(found.player.state, waiting=True)
    found.player.lanes.problems["/open.wav"] = "/open.wav: the disk is full."
    found.desk.tick()
    found.desk.tick()
    assert found.desk.bar().notice == "preparing…"
    assert found.said.count("/open.wav: the disk is full.") == 1


def test_the_meter_reads_only_while_something_plays(bench: Callable[..., Bench]) -> None:
    found = bench()
    assert found.desk.bar().true_peak_dbtp is None
    found.desk.enter("play 1")
    found.desk.tick()
    assert found.desk.bar().true_peak_dbtp == pytest.approx(-20.0, abs=3.0)


def test_ctrl_c_stops_and_says_no_to_an_open_question(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.interrupt()
    assert not any("Nothing plays" in line for line in found.said)
    found.desk.enter("play 3")
    found.desk.enter("wait 1")
    found.desk.enter("trim -40")
    found.desk.enter("trim -6")
    assert found.desk.asks
    found.desk.interrupt()
    assert not found.desk.asks
    assert found.desk.session.motion == "stopped"
    assert found.desk.session.track == 2


def test_screens_follow_the_width_of_the_terminal(bench: Callable[..., Bench]) -> None:
    found = bench()
    for width in (80, 120, 60):
        found.desk.resize(width)
        found.desk.enter("list")
        assert all(len(line) <= width for line in found.last.splitlines())


def test_quit_leaves(bench: Callable[..., Bench]) -> None:
    found = bench()
    found.desk.enter("quit")
    assert found.desk.left
    found.desk.close()
    assert ("close",) not in found.player.orders  # whoever opened the deck closes it


def test_the_notes_of_earlier_sessions_are_counted_before_this_one_adds_its_own(
    bench: Callable[..., Bench],
) -> None:
    acts = (Act("", "note", {"text": "dull"}), Act("", "mark", {}), Act("", "note", {"text": "open"}))
    opened_bench = bench(earlier=acts)
    opened_bench.desk.enter("note a third")
    opened_bench.desk.enter("marks")
    assert "2 notes from earlier sessions: /music/list.session.json" in opened_bench.last

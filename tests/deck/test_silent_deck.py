"""The deck's processes without a device: the silent clock runs the same code, and nothing is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import psutil
import pytest
from support.live_decks import made, prepare, process_ids, until, whole
from support.sound_server import RATE

from simulator.common.errors import UsageError
from simulator.deck.interface import DeckProgram, DeckSegment, OutputChoice
from simulator.deck.live import HANGS, LiveDeck

TESTS = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def deck(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveDeck]:
    folder = tmp_path_factory.mktemp("deck")
    opened = LiveDeck(OutputChoice(None, RATE), silent=True, cache=folder)
    assert opened._stream._pipe.poll(20.0)
    assert opened.now().alive  # the first call of all, with the stream's answer already there
    assert opened.silent_because is not None
    assert HANGS not in opened.silent_because
    yield opened
    gone = [psutil.Process(one) for one in process_ids(opened)]
    opened.close()
    opened.close()
    assert len(gone) == 2
    assert not any(one.is_running() for one in gone)
    assert list((folder / "scratch").iterdir()) == []


@pytest.mark.heavy
def test_it_plays_at_the_clock_s_pace_and_what_leaves_can_be_metered(deck: LiveDeck, tmp_path: Path) -> None:
    key, samples = made(tmp_path, "one.wav", 3.0, 1)
    assert (deck.kind, deck.device, deck.latency_s) == ("silent", None, 0.0)
    assert deck.silent_because is not None
    prepare(deck, key)
    deck.output(0.5)
    deck.sound(whole(key))
    begun = until(deck, lambda now: now.frame > 0)
    at = time.monotonic()
    later = until(deck, lambda now: now.frame > RATE)
    assert (later.frame - begun.frame) / RATE == pytest.approx(time.monotonic() - at, abs=0.4)
    recent = deck.recent(0.5)
    known = {frame.tobytes(): number for number, frame in enumerate(samples * np.float32(0.5))}
    places = [known[frame.tobytes()] for frame in recent]
    assert places == list(range(places[0], places[0] + RATE // 2))
    deck.pause()
    until(deck, lambda now: not now.playing)
    time.sleep(0.05)
    place = deck.now().frame
    time.sleep(0.1)
    assert deck.now().frame == place
    deck.resume()
    until(deck, lambda now: now.ended)
    deck.output(1.0)


def test_switches_between_lanes_are_no_dropouts(deck: LiveDeck, tmp_path: Path) -> None:
    """What fades out must still be readable while the next one is brought in."""
    keys = [made(tmp_path, f"{number}.wav", 5.0, number)[0] for number in range(4)]
    prepare(deck, *keys)
    before = deck.now().dropouts
    deck.sound(whole(keys[0]))
    for turn in range(1, 13):
        time.sleep(0.07)
        now = deck.now()
        deck.sound(whole(keys[turn % 4]), 0, now.frame, since=now.clock)
    until(deck, lambda now: not now.waiting)
    assert deck.now().dropouts == before


def test_a_round_goes_on_for_ever_and_a_wrong_part_is_refused(deck: LiveDeck, tmp_path: Path) -> None:
    key, _ = made(tmp_path, "one.wav", 2.0, 1)
    program = DeckProgram(
        (DeckSegment(key, 0, RATE // 5, fade_in=True, fade_out=True, silence_frames=100),), True
    )
    before = deck.now().clock
    deck.sound(program)
    until(deck, lambda now: now.clock > before + RATE // 2)
    assert not deck.now().ended
    with pytest.raises(UsageError, match="no part 3"):
        deck.sound(program, 2)


def test_a_place_that_is_asked_for_is_told_before_it_sounds(deck: LiveDeck, tmp_path: Path) -> None:
    key, _ = made(tmp_path, "one.wav", 2.0, 3)
    deck.sound(whole(key), 0, RATE)
    now = deck.now()
    assert (now.segment, now.playing) == (0, True)
    assert now.frame >= RATE
    until(deck, lambda now: now.ended)


def test_the_process_that_plays_may_die_and_comes_back_at_the_place(deck: LiveDeck, tmp_path: Path) -> None:
    key, _ = made(tmp_path, "one.wav", 20.0, 1)
    deck.sound(whole(key), 0, 5 * RATE)
    until(deck, lambda now: now.frame > 5 * RATE)
    before = deck.now().dropouts
    os.kill(process_ids(deck)[0], signal.SIGKILL)
    lost = until(deck, lambda now: not now.alive)
    assert lost.dropouts == before + 1  # what sounded was torn
    assert lost.why is not None
    assert "ended" in lost.why
    back = until(deck, lambda now: now.alive and now.clock > lost.clock)
    assert lost.frame <= back.frame < lost.frame + 2 * RATE
    deck.pause()


def test_a_process_that_dies_while_nothing_sounds_is_no_dropout(deck: LiveDeck, tmp_path: Path) -> None:
    key, _ = made(tmp_path, "one.wav", 5.0, 1)
    deck.sound(whole(key))
    deck.resume()
    until(deck, lambda now: now.frame > 0)
    deck.pause()
    until(deck, lambda now: not now.playing)
    time.sleep(0.05)
    before = deck.now().dropouts
    os.kill(process_ids(deck)[0], signal.SIGKILL)
    until(deck, lambda now: not now.alive)
    assert until(deck, lambda now: now.alive).dropouts == before


SESSION = """
import sys, time
from pathlib import Path
from simulator.deck.live import LiveDeck
from simulator.deck.interface import DeckProgram, DeckSegment, LaneKey, OutputChoice
if __name__ == "__main__":
    from support.live_decks import process_ids
    deck = LiveDeck(OutputChoice(None, 44100), silent=True, cache=Path(sys.argv[1]))
    key = LaneKey(sys.argv[2])
    deck.sound(DeckProgram((DeckSegment(key, 0, None),)))
    while deck.now().waiting:
        time.sleep(0.01)
    print(*process_ids(deck), flush=True)
    time.sleep(60)
"""


@pytest.mark.parametrize(
    "how",
    [
        signal.SIGKILL,
        pytest.param(signal.SIGTERM, marks=pytest.mark.heavy),
        pytest.param(signal.SIGINT, marks=pytest.mark.heavy),
    ],
    ids=lambda how: how.name,
)
def test_a_session_that_is_ended_leaves_no_process_and_no_lane(tmp_path: Path, how: signal.Signals) -> None:
    key, _ = made(tmp_path, "one.wav", 5.0, 1)
    (tmp_path / "session.py").write_text(SESSION, encoding="utf-8")
    session = subprocess.Popen(
        [sys.executable, str(tmp_path / "session.py"), str(tmp_path / "cache"), key.path],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(map(str, (TESTS.parent, TESTS)))},
        start_new_session=True,
    )
    try:
        assert session.stdout is not None
        workers = [psutil.Process(int(one)) for one in session.stdout.readline().split()]
        assert len(workers) == 2
        if how == signal.SIGINT:
            os.killpg(session.pid, how)  # Ctrl-C reaches the whole group: only the session takes it
        else:
            session.send_signal(how)
        session.wait(10)
        gone, left = psutil.wait_procs(workers, 10)
        assert len(gone) == 2, left
        end = time.monotonic() + 5.0
        while list((tmp_path / "cache" / "scratch").iterdir()) and time.monotonic() < end:
            time.sleep(0.02)
        assert list((tmp_path / "cache" / "scratch").iterdir()) == []
    finally:
        session.kill()
        session.wait()
        session.stdout.close()

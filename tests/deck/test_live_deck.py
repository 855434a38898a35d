"""The deck through real PortAudio: into a file device, and into a sound server whose output is recorded.

Nothing here believes what the deck says of itself: the recordings are compared with the files' samples.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import psutil
import pytest
from support.external import require_external
from support.live_decks import made, prepare, process_ids, until, whole
from support.sound_server import (
    DEVICE,
    RATE,
    Audio,
    Run,
    SoundServer,
    alsa_file,
    has_sound_server,
    heard,
    read_raw,
    runs,
    sound_server,
    sounding,
    unique_frames,
)

from simulator.common.errors import UsageError
from simulator.deck.interface import OutputChoice
from simulator.deck.live import LiveDeck

pytestmark = pytest.mark.heavy
TESTS = Path(__file__).resolve().parents[1]
FADE = 221
"""5 ms at 44.1 kHz, to the nearest frame."""


@pytest.fixture
def server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SoundServer]:
    if not has_sound_server():
        require_external("no sound server is installed (Debian: pulseaudio, pulseaudio-utils)")
    with sound_server(tmp_path / "server") as running:
        for name, value in running.environment.items():
            monkeypatch.setenv(name, value)
        yield running


@pytest.fixture
def deck(server: SoundServer, tmp_path: Path) -> Iterator[LiveDeck]:  # noqa: ARG001
    opened = LiveDeck(OutputChoice(DEVICE, RATE), cache=tmp_path / "cache")
    try:
        opened.ready()
        assert (opened.kind, opened.device, opened.sample_rate) == ("device", DEVICE, RATE)
        yield opened
    finally:
        opened.close()


def rise() -> Audio:
    place = (np.arange(FADE) + 0.5) / FADE
    return (0.5 * (1.0 - np.cos(np.pi * place))).astype(np.float32)[:, np.newaxis]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_a_file_device_gets_the_samples_bit_for_bit(tmp_path: Path, rate: int) -> None:
    source = unique_frames(5 * rate, rate)
    source.tofile(tmp_path / "source.raw")
    environment, target = alsa_file(tmp_path)
    done = subprocess.run(
        [sys.executable, "-m", "support.deck_into_device", str(tmp_path / "source.raw"), str(rate), "out"],
        env={**os.environ, **environment, "PYTHONPATH": f"{TESTS}:{TESTS.parent}"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert np.array_equal(sounding(read_raw(target)), source)


def test_a_list_is_recorded_whole_without_gaps_and_with_its_tail(
    deck: LiveDeck, server: SoundServer, tmp_path: Path
) -> None:
    (first, one), (second, two) = made(tmp_path, "one.wav", 2.0, 1), made(tmp_path, "two.wav", 1.5, 2)
    prepare(deck, first, second)
    with server.recorded(tmp_path / "capture.raw"):
        deck.sound(whole(first, second))
        until(deck, lambda now: now.ended)
        time.sleep(0.5)
    captured = heard(read_raw(tmp_path / "capture.raw"))
    assert np.array_equal(captured, np.concatenate([one, two]))
    assert np.array_equal(deck.recent(0.2).shape, (round(0.2 * RATE), 2))


def test_a_session_that_is_left_at_the_end_of_the_list_keeps_the_tail(
    server: SoundServer, tmp_path: Path
) -> None:
    key, samples = made(tmp_path, "one.wav", 1.0, 1)
    deck = LiveDeck(OutputChoice(DEVICE, RATE), cache=tmp_path / "cache")
    try:
        prepare(deck, key)
        with server.recorded(tmp_path / "capture.raw"):
            deck.sound(whole(key))
            until(deck, lambda now: now.ended)
            deck.close()
    finally:
        deck.close()
    assert np.array_equal(heard(read_raw(tmp_path / "capture.raw")), samples)


def test_switches_are_heard_in_time_without_a_step_and_to_the_sample(
    deck: LiveDeck, server: SoundServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each switch: when it was asked for, the deck had handed out frame `asked`; the recording says at which
    frame the old one began to fade. That is the deck's own delay, without the device's. Then 5 ms of the old
    one and 5 ms of the new one follow, sample by sample as computed here, and the new one is at the moment of
    the song where the old one left off."""
    (first, one), (second, two) = made(tmp_path, "one.wav", 14.0, 1), made(tmp_path, "two.wav", 14.0, 2)
    prepare(deck, first, second)
    asked = []
    with server.recorded(tmp_path / "capture.raw"):
        deck.sound(whole(first))
        until(deck, lambda now: now.frame > 0)
        for turn in range(20):
            time.sleep(0.2 + 0.013 * (turn % 7))
            now = deck.now()
            size = (tmp_path / "capture.raw").stat().st_size // 8
            deck.sound(whole(first if turn % 2 else second), 0, now.frame, since=now.clock)
            asked.append((now.frame, size))
        time.sleep(0.5)
        deck.pause()
        time.sleep(0.3)
    recording = read_raw(tmp_path / "capture.raw")
    captured, place = heard(recording), np.flatnonzero(recording.any(axis=1))
    wanted, silence = np.empty_like(captured), np.zeros_like(one)
    delays, after = [], []
    at, playing, other = 0, one, two
    for frame, size in asked:
        end = next_end(captured, playing, other, at)
        wanted[at:end] = playing[at:end]
        wanted[end : end + 2 * FADE] = crossing(playing, other, end)
        delays.append((end - frame) / RATE)
        after.append((place[end] - size) / RATE)
        at, playing, other = end + 2 * FADE, other, playing
    end = next_end(captured, playing, silence, at)
    wanted[at:end] = playing[at:end]
    wanted[end:] = crossing(playing, silence, end)[: captured.shape[0] - end]
    # outside the fades bit for bit; in them as good as a 24-bit path through the server carries them
    off = np.abs(captured - wanted)
    assert np.count_nonzero(off.any(axis=1)) <= 20 * 2 * FADE + FADE
    bad = np.flatnonzero(off.max(axis=1) > 2.0**-23)
    assert not bad.shape[0], (bad[:9], captured[bad[:4]], wanted[bad[:4]], asked)
    most, mean, device, seen = (
        round(1e3 * float(one)) for one in (max(delays), np.mean(delays), deck.latency_s, np.median(after))
    )
    say(
        capsys,
        f"switch: {most} ms at most, {mean} ms on average, beyond the device's own {device} ms; in the "
        f"recording {seen} ms after it was asked for (median, with the recorder's own delay)",
    )
    assert min(delays) >= 0.0
    assert max(delays) <= 0.050


def say(capsys: pytest.CaptureFixture[str], words: str) -> None:
    """What was measured is printed whatever the outcome."""
    with capsys.disabled():
        print(f"\n{words}")


def crossing(playing: Audio, other: Audio, end: int) -> Audio:
    """5 ms of the old one, then 5 ms of the new one, which is at the same moment of the song."""
    middle = end + FADE
    return np.concatenate([playing[end:middle] * rise()[::-1], other[middle : middle + FADE] * rise()])


def next_end(captured: Audio, playing: Audio, other: Audio, at: int) -> int:
    """Where the capture stops being `playing`, both counted from the song's beginning. The first frame of a
    fade may not differ yet within the server's 24 bits."""
    same = (captured[at:] == playing[at : captured.shape[0]]).all(axis=1)
    seen = at + int(np.argmin(same))
    off = [
        np.abs(captured[e : e + FADE - 10] - crossing(playing, other, e)[: FADE - 10]).max()
        for e in (seen, seen - 1)
    ]
    return seen - int(np.argmin(off))


def test_the_server_ended_and_come_back(deck: LiveDeck, server: SoundServer, tmp_path: Path) -> None:
    key, samples = made(tmp_path, "one.wav", 20.0, 1)
    prepare(deck, key)
    deck.sound(whole(key))
    until(deck, lambda now: now.frame > RATE)
    server.stop()
    lost = until(deck, lambda now: not now.alive, 2.0)
    assert lost.why is not None
    assert lost.why.startswith(f"{DEVICE} is gone")
    assert lost.playing
    time.sleep(0.3)
    assert abs(deck.now().frame - lost.frame) <= 1  # the place is kept
    with pytest.raises(UsageError, match="No output device found"):
        deck.devices()
    server.start()
    with server.recorded(tmp_path / "capture.raw"):
        back = until(deck, lambda now: now.alive and now.clock > lost.clock + 3 * RATE)
    assert back.frame - lost.frame < 8 * RATE
    on = [
        run
        for run in runs(read_raw(tmp_path / "capture.raw"), samples)
        if run.source is not None and run.length > 1_000
    ]
    assert on  # after the 2 s in which it comes back
    # the last frames of so slow a fade are whole already
    assert lost.frame + 2 * RATE - 30 <= (on[0].source or 0) <= lost.frame + 2.2 * RATE


def test_the_server_that_hangs_and_goes_on(deck: LiveDeck, server: SoundServer, tmp_path: Path) -> None:
    key, _ = made(tmp_path, "one.wav", 20.0, 1)
    prepare(deck, key)
    deck.sound(whole(key))
    until(deck, lambda now: now.frame > RATE)
    server.halt()
    try:
        lost = until(deck, lambda now: not now.alive, 4.0)
        assert lost.why is not None
        assert "stopped responding" in lost.why
        begun = time.monotonic()
        deck.pause()
        deck.resume()
        assert time.monotonic() - begun < 0.5  # nothing waits for the server
    finally:
        server.go_on()
    until(deck, lambda now: now.alive and now.clock > lost.clock + RATE)


def test_another_device_can_be_chosen_by_a_part_of_its_name(deck: LiveDeck, tmp_path: Path) -> None:
    key, _ = made(tmp_path, "one.wav", 20.0, 1)
    prepare(deck, key)
    deck.sound(whole(key))
    until(deck, lambda now: now.frame > RATE // 2)
    names = [one.name for one in deck.devices()]
    assert [one.name for one in deck.devices() if one.chosen] == [DEVICE]
    assert "default" in names
    before = deck.now()
    deck.choose("defaul")
    after = until(deck, lambda now: now.alive and now.clock > before.clock + RATE // 2)
    assert deck.device == "default"
    assert after.frame - after.clock == before.frame - before.clock  # not a frame was lost or played twice
    with pytest.raises(UsageError, match="No output device 'nowhere'"):
        deck.choose("nowhere")


def test_a_device_name_that_does_not_fit_is_refused_at_the_start(server: SoundServer, tmp_path: Path) -> None:  # noqa: ARG001
    deck = LiveDeck(OutputChoice("nowhere"), cache=tmp_path / "cache")
    with pytest.raises(UsageError, match=r"No output device 'nowhere'.*Available: .*pulse"):
        deck.ready()
    assert list((tmp_path / "cache" / "scratch").iterdir()) == []


def test_the_memory_of_its_own_with_20_songs_of_four_minutes(
    deck: LiveDeck, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """USS of this part of a session: the process with the stream, the lanes' maker, the spawn helper, and
    what the deck adds to its parent. One file stands for 20, under 20 names."""
    key, _ = made(tmp_path, "song.wav", 240.0, 1)
    keys = [type(key)(str(tmp_path / f"song-{number}.wav")) for number in range(20)]
    for one in keys:
        os.link(tmp_path / "song.wav", one.path)
    me = psutil.Process()
    before = me.memory_full_info().uss
    prepare(deck, *keys)
    deck.sound(whole(*keys))
    for number in range(20):
        deck.sound(whole(*keys), number, 44_100 * 60)
        until(deck, lambda now: not now.waiting)
        time.sleep(0.15)
    children = me.children(recursive=True)
    parts = {
        child.pid: child.memory_full_info().uss / 2**20
        for child in children
        if child.pid in process_ids(deck)
    }
    others = [
        child
        for child in children
        if child.pid not in process_ids(deck) and "resource_tracker" in str(child.cmdline())
    ]
    tracker = sum(child.memory_full_info().uss for child in others) / 2**20
    own = (me.memory_full_info().uss - before) / 2**20
    total = sum(parts.values()) + tracker + own
    sizes = " + ".join(f"{one:.0f}" for one in parts.values())
    say(capsys, f"private memory: {sizes} MB, spawn helper {tracker:.0f} MB, parent {own:+.0f} MB")
    assert len(parts) == 2
    assert total < 150.0  # leaves half of the session's 300 MB to the session's own process


BUSY = "while True: pass"


def load_run(deck: LiveDeck, server: SoundServer, tmp_path: Path, seconds: float, busy: int) -> list[Run]:
    """Plays for so long beside busy processes; what the recording holds from its first frame to its last."""
    key, samples = made(tmp_path, f"long-{busy}.wav", seconds, 7)
    prepare(deck, key)
    processes = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(busy)]
    try:
        with server.recorded(tmp_path / "capture.raw"):
            deck.sound(whole(key))
            until(deck, lambda now: now.ended, seconds + 20.0)
            time.sleep(0.5)
    finally:
        for process in processes:
            process.kill()
            process.wait()
    return runs(sounding(read_raw(tmp_path / "capture.raw")), samples)


def test_a_minute_without_a_dropout_while_both_cores_are_busy(
    deck: LiveDeck, server: SoundServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A gap counts only if the rig saw the control's own and none in an idle run; once it may be repeated."""
    from support.test_sound_server import play

    (tmp_path / "control").mkdir()
    control, flags = play(tmp_path / "control", "2.5", "1", "0.3")
    control_gaps = [length for length, source in control if source is None]
    tries = []
    for _ in range(2):
        idle = load_run(deck, server, tmp_path, 5.0, 0)
        loaded = load_run(deck, server, tmp_path, 60.0, 2)
        tries.append((len(idle) - 1, len(loaded) - 1))
        say(
            capsys,
            f"control: {len(control_gaps)} gap, {sum(control_gaps)} frames, {flags} flags; breaks "
            f"{tries[-1][0]} in 5 s idle, {tries[-1][1]} in 60 s beside two busy processes; the deck's "
            f"own count {deck.now().dropouts}",
        )
        if tries[-1] == (0, 0):
            break
    assert len(control_gaps) == 1
    assert tries[-1] == (0, 0), loaded
    assert (loaded[0].source, loaded[0].length) == (0, 60 * RATE)

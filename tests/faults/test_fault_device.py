"""The sound device is busy, or refuses the rate: at the start, in mid-song, and chosen at the desk.

Two devices of ALSA's own plugins, without a card: `card`, a way to the private sound server, which is listed
but does not open while the server has no sink (as with a card that another program holds); and `fixed`, an
encoder's output (AC-3), which takes 48 kHz and nothing else. Debian: libasound2-plugins.
"""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.external import require_external
from support.sittings import LIMIT_SECONDS, Sitting, left_over, none_lives, sitting
from support.sound_server import DEVICE, SoundServer, has_sound_server, sound_server

pytestmark = [pytest.mark.heavy, pytest.mark.external]
SECONDS = {"a": 60.0, "b": 1.5, "c": 1.5}
RATES = {"a": 44_100, "b": 48_000, "c": 96_000}
HINT = 'hint {{ show on description "{0}" }}'
CARD = f'pcm.card {{{{ type pulse device "cap" {HINT} }}}}\n'.format("card")
ENCODER = 'pcm.{0} {{ type a52 rate 48000 channels 2 format S16_LE slavepcm "pulse" '
BUSY = "card cannot be opened at 44.1 kHz: Input/output error. Another program may hold it."


def encoder(name: str) -> str:
    return ENCODER.format(name) + HINT.format(name) + " }\n"


class Devices:
    """The devices of a test: the server, the sink that comes and goes, and the file that describes them."""

    def __init__(self, server: SoundServer, folder: Path) -> None:
        self.server, self._file = server, folder / "alsa.conf"
        self.describe(CARD + encoder("fixed"))
        self.environment = {**server.environment, "ALSA_CONFIG_PATH": os.fspath(self._file)}
        self._around = {**os.environ, **server.environment, "HOME": os.fspath(folder)}

    def describe(self, text: str) -> None:
        self._file.write_text(f"</usr/share/alsa/alsa.conf>\n{text}", encoding="utf-8")

    def take(self) -> None:
        """The card is taken away from whoever plays, and cannot be opened."""
        self._ask("unload-module", "module-null-sink")

    def free(self) -> None:
        """The card can be opened again."""
        words = ["sink_name=cap", "format=float32le", "rate=44100", "channels=2"]
        self._ask("load-module", "module-null-sink", *words)

    def _ask(self, *words: str) -> None:
        subprocess.run(["pactl", *words], env=self._around, capture_output=True, timeout=20, check=True)

    def sounds(self, session: Sitting) -> None:
        """Waits until something is heard in the sink."""
        path = session.folder / "heard.raw"
        with self.server.recorded(path):
            session.until(lambda: np.fromfile(path, np.float32).any(), "sound")
        path.unlink()


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Songs of three rates, the first one long."""
    folder = tmp_path_factory.mktemp("home")
    tracks = 'format = 1\nprofile = "minus14-headroom"\n'
    for name, seconds in SECONDS.items():
        frames = round(seconds * RATES[name])
        noise = np.random.default_rng(7).standard_normal((frames, 2), np.float32) * np.float32(0.05)
        soundfile.write(folder / f"{name}.wav", noise, RATES[name], subtype="PCM_24")
        tracks += f'[[tracks]]\npath = "{name}.wav"\n'
    (folder / "songs.toml").write_text(tracks, encoding="utf-8")
    return folder


@pytest.fixture
def devices(home: Path, tmp_path: Path) -> Iterator[Devices]:
    if not has_sound_server():
        require_external("no sound server is installed (Debian: pulseaudio, pulseaudio-utils)")
    (home / "songs.session.json").unlink(missing_ok=True)
    with sound_server(tmp_path / "server") as server:
        yield Devices(server, tmp_path)


@pytest.fixture
def sit(home: Path, devices: Devices) -> Iterator[Callable[[str], Sitting]]:
    """Opens a session on a device; at its end it must have left nothing."""
    opened: list[Sitting] = []
    with ExitStack() as closing:

        def begin(device: str) -> Sitting:
            arguments = ("--device", device)
            opened.append(closing.enter_context(sitting(home, "songs", arguments, devices.environment)))
            return opened[0]

        yield begin
        session = opened[0]
        if session.process.poll() is not None:
            return  # the test has failed and says why
        session.children()
        session.enter("quit")
        assert session.process.wait(LIMIT_SECONDS) == 0, session.errors()
        assert none_lives(list(session.everyone.values()))
        assert left_over(home) == []
        assert session.errors() == ""


def place_s(session: Sitting, note: str) -> float:
    """Where the session is: where this note stands."""
    session.enter(f"note {note}")
    session.until(lambda: note in session.notes(), note)
    (data,) = [act["data"] for act in session.acts() if act["kind"] == "note" and act["data"]["text"] == note]
    return float(data["place_s"])


def plays_on(session: Sitting, place: float) -> None:
    """It plays, from this place on and not from another."""
    session.until(lambda: place_s(session, f"at {time.monotonic_ns()}") > place + 0.3, "playing on")
    assert place_s(session, "on") < place + 30.0


def kept_place(session: Sitting) -> float:
    """The place while nothing sounds: it stays, and notes are taken."""
    place = place_s(session, "first")
    assert place_s(session, "second") == place
    return place


def comes_back(session: Sitting, devices: Devices, name: str, place: float) -> None:
    """Sound goes on from the place that was kept."""
    session.hear(f"Playing through {name}.")
    devices.sounds(session)
    plays_on(session, place)


def begin_playing(session: Sitting, devices: Devices) -> None:
    session.hear("Playing through")
    session.enter("play 1")
    devices.sounds(session)


def test_a_card_that_is_taken_away_in_mid_song_is_waited_for(
    devices: Devices, sit: Callable[[str], Sitting]
) -> None:
    session = sit("card")
    begin_playing(session, devices)
    devices.take()
    session.hear("card is gone")
    session.hear(f"{BUSY} Retrying until it opens; your position is kept.")
    place = kept_place(session)
    assert session.flat().count(BUSY) == 1  # however often it is tried
    devices.free()
    comes_back(session, devices, "card", place)


def test_a_card_that_is_busy_at_the_start_can_be_chosen_once_it_is_free(
    devices: Devices, sit: Callable[[str], Sitting]
) -> None:
    devices.take()
    session = sit("card")
    session.hear(f"No sound. {BUSY} When it is free: devices card")
    session.enter("play 1")
    plays_on(session, 0.0)  # by the silent clock
    session.enter("devices card")
    session.hear(f"{BUSY} Retrying until it opens; your position is kept.")
    place = kept_place(session)
    devices.free()
    comes_back(session, devices, "card", place)


def test_a_device_that_refuses_the_session_s_rate_when_it_is_chosen_costs_no_session(
    devices: Devices, sit: Callable[[str], Sitting]
) -> None:
    session = sit(DEVICE)
    begin_playing(session, devices)
    session.enter("devices fixed")
    session.hear(
        "fixed does not take 44.1 kHz, at which this session runs. Choose another with devices NAME, or "
        "start the session with --device: it then runs at the device's own 48 kHz."
    )
    place = kept_place(session)
    session.enter(f"devices {DEVICE}")
    comes_back(session, devices, DEVICE, place)


def test_a_device_that_comes_to_refuse_the_rate_in_mid_song_is_waited_for(
    devices: Devices, sit: Callable[[str], Sitting]
) -> None:
    """As a card does whose owner sets it to another rate meanwhile."""
    session = sit("card")
    begin_playing(session, devices)
    devices.describe(encoder("card"))
    devices.take()
    session.hear("card is gone")
    session.hear("card does not take 44.1 kHz, at which this session runs.")
    place = kept_place(session)
    devices.describe(CARD)
    devices.free()
    comes_back(session, devices, "card", place)


def test_tracks_of_other_rates_play_on_through_a_device_of_one_rate(sit: Callable[[str], Sitting]) -> None:
    """The stream is opened once, at the device's rate; every track comes to it at that rate."""
    session = sit("fixed")
    session.hear("Playing through “fixed” at 48 kHz.")
    session.enter("play 1", "go 0:59")
    session.hear("2 b.")
    session.hear("3 c.")
    session.enter("play 3", "wait 0.5")
    assert place_s(session, "in the last") >= 0.4
    assert "device lost" not in [act["kind"] for act in session.acts()]


def test_a_name_that_is_not_listed_may_be_held_by_another_program(
    devices: Devices, sit: Callable[[str], Sitting]
) -> None:
    session = sit(DEVICE)
    begin_playing(session, devices)
    session.enter("devices card9")
    session.hear("No output device 'card9'.")
    session.hear("A device in use by another program is not listed.")
    plays_on(session, place_s(session, "still playing"))

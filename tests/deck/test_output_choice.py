"""The output as it is asked for: its rate, its pair of channels, its exclusive use."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from support.live_decks import made, prepare, until, whole
from support.sound_server import DEVICE, RATE, has_sound_server, heard, sound_server

from simulator.common.errors import UsageError
from simulator.deck import stream
from simulator.deck.interface import OutputChoice
from simulator.deck.live import LiveDeck
from simulator.deck.stream import DeviceStream, Fill, NotOpened


class Refused(Exception):
    """As PortAudio's own error: words and number."""


class Library:
    """The calls of sounddevice that a stream makes, on one made-up device."""

    PortAudioError = Refused

    def __init__(self, system: str = "ALSA", channels: int = 8, refuses: int | None = None) -> None:
        self.default = SimpleNamespace(device=(0, 0))
        self.asked: dict[str, Any] = {}
        self._system, self._refuses = system, refuses
        self._device = {
            "name": "Box",
            "max_output_channels": channels,
            "default_samplerate": 48_000.0,
            "hostapi": 0,
        }

    def query_devices(self, number: int | None = None) -> Any:
        return [self._device] if number is None else self._device

    def query_hostapis(self, number: int) -> dict[str, str]:
        assert number == 0
        return {"name": self._system}

    def WasapiSettings(self, **how: bool) -> object:
        return "wasapi", how

    def CoreAudioSettings(self, **how: bool) -> object:
        return "core audio", how

    def OutputStream(self, **asked: Any) -> object:
        self.asked = asked
        if self._refuses is not None and asked["samplerate"] == self._refuses:
            raise Refused("Invalid sample rate", stream.INVALID_RATE)
        return SimpleNamespace(start=lambda: None, latency=0.07)

    def block(self) -> np.ndarray:
        """What the device gets next."""
        out = np.full((stream.BLOCK_FRAMES, self.asked["channels"]), 9.0, np.float32)
        self.asked["callback"](out, out.shape[0], None, SimpleNamespace(output_underflow=False))
        return out


def one_and_two(_: int) -> Fill:
    def fill(out: np.ndarray, underflow: bool) -> None:  # noqa: ARG001
        out[:] = (1.0, 2.0)

    return fill


def opened(monkeypatch: pytest.MonkeyPatch, library: Library, choice: OutputChoice) -> DeviceStream:
    monkeypatch.setattr(stream, "library", lambda: library)
    return DeviceStream(choice, one_and_two)


@pytest.mark.parametrize(
    ("pair", "expected"),
    [
        (None, [1.0, 2.0]),
        ((0, 1), [1.0, 2.0]),
        ((2, 3), [0.0, 0.0, 1.0, 2.0]),
        ((5, 4), [0.0, 0.0, 0.0, 0.0, 2.0, 1.0]),
        ((1, 0), [2.0, 1.0]),
    ],
)
def test_left_and_right_go_to_the_pair_and_silence_to_all_others(
    pair: tuple[int, int] | None, expected: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    library = Library()
    opened(monkeypatch, library, OutputChoice(pair=pair))
    assert np.array_equal(library.block(), np.tile(np.float32(expected), (stream.BLOCK_FRAMES, 1)))


def test_channels_that_the_device_does_not_have_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(UsageError, match="Box has 4 channels, not 6"):
        opened(monkeypatch, Library(channels=4), OutputChoice(pair=(4, 5)))


def test_the_rate_is_the_one_asked_for_or_the_devices_own(monkeypatch: pytest.MonkeyPatch) -> None:
    library = Library()
    assert opened(monkeypatch, library, OutputChoice()).sample_rate == 48_000
    assert opened(monkeypatch, library, OutputChoice(sample_rate=96_000)).sample_rate == 96_000
    assert library.asked["samplerate"] == 96_000


def test_a_rate_that_was_asked_for_and_is_refused_is_for_the_user_to_change(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    choice = OutputChoice(sample_rate=96_000)
    with pytest.raises(NotOpened) as caught:
        opened(monkeypatch, Library(refuses=96_000), choice)
    ask: Any = SimpleNamespace(choice=choice)
    problem = stream._rate_refused(ask, caught.value)
    assert str(problem) == (
        "Box does not take 96000 Hz. Leave --rate out: it then plays at its own 48000 Hz."
    )
    assert stream._rate_refused(SimpleNamespace(choice=OutputChoice()), caught.value) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("system", "settings"),
    [
        ("Windows WASAPI", ("wasapi", {"exclusive": True})),
        (
            "Core Audio",
            ("core audio", {"change_device_parameters": True, "fail_if_conversion_required": True}),
        ),
    ],
)
def test_exclusive_use_where_the_platform_has_it(
    system: str, settings: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    library = Library(system)
    opened(monkeypatch, library, OutputChoice(exclusive=True))
    assert library.asked["extra_settings"] == settings
    opened(monkeypatch, library, OutputChoice())
    assert library.asked["extra_settings"] is None


@pytest.mark.parametrize(("system", "cure"), [("ALSA", "hw:"), ("MME", "another kind")])
def test_exclusive_use_is_refused_elsewhere_with_a_reason(
    system: str, cure: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(UsageError, match=f"{system} has no such mode") as caught:
        opened(monkeypatch, Library(system), OutputChoice(exclusive=True))
    assert cure in caught.value.hint


@pytest.mark.heavy
@pytest.mark.external
@pytest.mark.skipif(not has_sound_server(), reason="needs PulseAudio's programs")
def test_a_pair_of_a_four_channel_sink_gets_the_samples_and_the_others_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = "front-left,front-right,rear-left,rear-right"
    with sound_server(tmp_path / "server") as server:
        for name, value in server.environment.items():
            monkeypatch.setenv(name, value)
        sink = ["sink_name=four", "format=float32le", f"rate={RATE}", "channels=4", f"channel_map={order}"]
        for words in (
            ["load-module", "module-null-sink", *sink, "norewinds=1"],
            ["set-default-sink", "four"],
        ):
            subprocess.run(["pactl", *words], check=True, capture_output=True)
        key, samples = made(tmp_path, "one.wav", 1.0, 1)
        record = ["parec", "--device=four.monitor", "--format=float32le", f"--rate={RATE}", "--channels=4"]
        deck = LiveDeck(OutputChoice(DEVICE, RATE, (2, 3)), cache=tmp_path / "cache")
        try:
            prepare(deck, key)
            with subprocess.Popen(
                [*record, f"--channel-map={order}", "--raw", "--latency-msec=20"], stdout=subprocess.PIPE
            ) as recorder:
                assert recorder.stdout is not None
                pieces: list[bytes] = []
                source = recorder.stdout.fileno()

                def read() -> None:
                    while piece := os.read(source, 1 << 16):
                        pieces.append(piece)

                reader = threading.Thread(target=read)
                reader.start()
                deck.sound(whole(key))
                until(deck, lambda now: now.ended)
                time.sleep(0.5)
                recorder.terminate()
                reader.join()
        finally:
            deck.close()
    data = b"".join(pieces)
    captured = np.frombuffer(data[: len(data) // 16 * 16], "<f4").reshape(-1, 4)
    assert not captured[:, :2].any()
    assert np.array_equal(heard(captured[:, 2:]), samples)

"""What the desk says fits the screen, and devices are shown by name."""

from __future__ import annotations

import pytest
from support.fake_player import FakePlayer

from simulator.deck.interface import DeviceView
from simulator.desk.controller import device_text, paragraphs, where_it_goes
from simulator.text.desk.screens import WIDEST

SENTENCE = "The crushed master is turned down by seven decibels, the open one stays as it is. " * 4


@pytest.mark.parametrize("width", [40, 80, 140, 300])
def test_a_paragraph_is_wrapped_to_the_screen_and_to_what_can_be_read(width: int) -> None:
    lines = paragraphs(SENTENCE, width).splitlines()
    assert all(len(line) <= min(width - 1, WIDEST) for line in lines)
    assert " ".join(lines).split() == SENTENCE.split()


@pytest.mark.parametrize(("text", "lines"), [("", [""]), ("a\n\nb", ["a", "", "b"]), ("one", ["one"])])
def test_line_ends_stay(text: str, lines: list[str]) -> None:
    assert paragraphs(text, 80).split("\n") == lines


def test_devices_are_listed_with_what_plays_and_what_the_system_would_take() -> None:
    found = [
        DeviceView("Monitors", 2, 48000, default=True, chosen=True),
        DeviceView("Headphones", 2, 44100),
    ]
    assert device_text(found, None, 80).splitlines() == [
        "Outputs (to choose one: devices NAME):",
        " * Monitors  (2 channels, 48 kHz, system default)",
        "   Headphones  (2 channels, 44.1 kHz)",
        "* is in use.",
    ]


def test_without_any_it_says_why_and_how_to_get_sound() -> None:
    assert device_text([], "PortAudio is missing. Install libportaudio2.", 80) == (
        "PortAudio is missing. Install libportaudio2."
    )


@pytest.mark.parametrize(
    ("deck", "words"),
    [
        (FakePlayer("device", device="Monitors"), "Playing through “Monitors” at 48 kHz."),
        (FakePlayer("file"), "Time advances only on `wait`"),
        (FakePlayer("silent", silent_because="Install libportaudio2."), "No sound. Install libport"),
    ],
    ids=["a device", "a file", "the silent clock"],
)
def test_where_the_sound_goes_is_said_at_the_start(deck: FakePlayer, words: str) -> None:
    assert words in where_it_goes(deck, [48_000])
    assert "resampled" not in where_it_goes(deck, [48_000])


def test_what_is_resampled_is_said_at_the_start() -> None:
    device = FakePlayer("device", device="Monitors")
    assert where_it_goes(device, [96_000, 48_000, 44_100]) == (
        "Playing through “Monitors” at 48 kHz. Tracks at 44.1 and 96 kHz are resampled."
    )

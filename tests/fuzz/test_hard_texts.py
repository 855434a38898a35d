"""Texts made to take time, memory or depth: each is read or refused in words, and at once.

The slow ones took a minute or grew with the square of their length before; here they would run into the
time limit of the test.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator

import pytest
from fuzz.targets import run

DIGITS = b"9" * 100_000
HEX = b"0x" + b"f" * 100_000
DOTTED = b".".join([b"a"] * 50_000)
TRACK = b'format = 1\n[[tracks]]\npath = "a.wav"\nalbum = "b"\n'
XSPF = (
    b'<?xml version="1.0"?><playlist version="1" xmlns="http://xspf.org/ns/0/"%s>'
    b"<trackList><track%s><location>%s</location></track></trackList></playlist>"
)
LONGEST_S = 30

HARD = {
    "a whole number of many digits": ("toml", TRACK + b"album_order = " + DIGITS),
    "the same in base 16": ("toml", TRACK + b"album_order = " + HEX),
    "a format of many digits": ("toml", b"format = " + HEX),
    "a profile's number of many digits": ("profile", b"format = 1\ntarget_lufs = " + DIGITS),
    "a profile's number in base 16": ("profile", b"format = 1\ntarget_lufs = " + HEX),
    "a key of many parts": ("toml", DOTTED + b" = 1"),
    "a table of many parts": ("toml", b"[ " + DOTTED.replace(b".", b" . ") + b" ]"),
    "such a key inside a table in one line": ("toml", b"a = {b = 1, " + DOTTED + b" = 1}"),
    "such a key in quotes": ("toml", b".".join([b"'a'"] * 50_000) + b" = 1"),
    "dots in a title": ("toml", TRACK + b'title = "' + b"a." * 50_000 + b'"'),
    "brackets": ("toml", b"a = " + b"[" * 50_000),
    "spaces": ("toml", b" " * 1_000_000),
    "a base that is no address": ("xspf", XSPF % (b' xml:base="http://[bad"', b"", b"a.wav")),
    "a track's base that is none": ("xspf", XSPF % (b"", b' xml:base="//[bad"', b"a.wav")),
    "a place that is no address": ("xspf", XSPF % (b"", b"", b"http://[::1")),
    "tags in tags": ("xspf", b"<a>" * 100_000),
    "an encoding that is no text's": ("xspf", b'<?xml version="1.0" encoding="zip"?><playlist/>'),
    "quotes without an end": ("m3u", b"#EXTINF:" + b'"' * 1_000_000),
    "lists in lists": ("record", b"[" * 100_000),
    "a place of many digits": (
        "record",
        b'{"format": 1, "title": "A", "acts": [{"at":"2026-01-02T10:00:00+01:00","kind":"note",'
        b'"data":{"place_s":' + DIGITS + b"}}]}",
    ),
    "one long line": ("vote", b"AB" * 400_000),
    "arrays in arrays": ("cache", b"\x91" * 100_000),
}


@pytest.fixture(autouse=True)
def _time_limit() -> Iterator[None]:
    def over(*_: object) -> None:
        raise TimeoutError(f"still reading after {LONGEST_S} s")

    before = signal.signal(signal.SIGALRM, over)
    signal.alarm(LONGEST_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize(("reader", "data"), HARD.values(), ids=HARD)
def test_a_hard_text_is_read_or_refused_in_words(reader: str, data: bytes) -> None:
    run(reader, data)

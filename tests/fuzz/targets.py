"""Every reader of something from outside as a function of bytes: a normal answer, or the project's own error.

`seeds(name)` are valid examples, made by the program itself or as its documents show them; `ODD` are bytes
that readers stumble over; `run(name, data)` lets one reader have the bytes. Anything but a normal answer,
SimulatorError with a sentence (or ValueError where that is the reader's contract) is a fault, and so is
anything that is not what it says: odd numbers, texts that steer a terminal.
"""

from __future__ import annotations

import contextlib
import io
import math
import os
import tempfile
from collections.abc import Callable
from dataclasses import fields
from functools import cache
from pathlib import Path

import mutagen
import mutagen.id3
import numpy as np
import soundfile
from msgspec import json

from simulator.audio_files.reader import AudioReader
from simulator.audio_files.tags import read_tags
from simulator.blind_test.ballot import answer_line, read_answers
from simulator.cli.steps.sheet import answer
from simulator.common.errors import SimulatorError, UsageError
from simulator.comparison.alignment import Alignment
from simulator.delivery.sheet import (
    Sheet,
    SheetDecision,
    SheetMaster,
    StepPeak,
    changes,
    read_sheet_text,
)
from simulator.metering.meter import measure_array
from simulator.normalizer.profile import parse_profile
from simulator.page import session_log
from simulator.page.comments import Comment, comment_line, read_comments
from simulator.page.file.build import templates
from simulator.page.mail_text import texts_of
from simulator.page.sheet import sheet_html
from simulator.playlists.formats import parse_playlist
from simulator.session.log import Act, Record, ballots, from_json, to_json, votes
from simulator.session.provenance import known_ids, news
from simulator.storage.measurement_cache import pack, unpack, unpack_pair
from simulator.storage.session_file import DECISION, Decisions

ROOT = Path(__file__).resolve().parents[2]
AUDIO = {"wav": "PCM_24", "aiff": "PCM_16", "flac": "PCM_16", "ogg": "VORBIS", "mp3": "MPEG_LAYER_III"}
MOST_FRAMES = 2_000_000
ODD = [
    b"\x00", b"\xff", b"\x1b[2J", b"\xef\xbb\xbf", b"[" * 400, b"{" * 400, b"1e999", b"-1", b"nan", b"9" * 40,
    b"9" * 5000, b"0x" + b"f" * 5000, b"a." * 60, b"http://[b", b"%00", b"c:", b"file://", b"../",
    b'"', b"\n", b"\xed\xa0\x80", b"&x;", b"<" * 50, b"null", b"true", b"\\u0000", b"\\ud800",
    b"\xe2\x80\xae",
]  # fmt: skip


def profile(data: bytes) -> None:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return
    found = parse_profile(text, "fuzzed", "fuzzed.toml")
    assert found.target_lufs is None or -60.0 <= found.target_lufs <= 0.0
    assert found.title.isprintable()


def playlist(name: str) -> Callable[[bytes], None]:
    def read(data: bytes) -> None:
        found = parse_playlist(data, name, name)
        for track in found.tracks:
            for text in (track.title, track.artist, track.song or "", track.album or ""):
                assert "\x1b" not in text
                assert "\n" not in text
            assert track.problem or "\0" not in track.path

    return read


def record(data: bytes) -> None:
    found = from_json(data)
    acts = found.acts
    assert from_json(to_json(found)) == found
    ballots(acts), votes(acts), known_ids(acts), news(acts, (), {})
    with contextlib.suppress(UsageError):  # none, or nothing measurable
        Decisions("a.session.json", found.of_kind(DECISION)).of()
    session_log.notes(acts), session_log.decisions(acts), session_log.trials(acts)
    session_log.marks(acts, [])


def sheet(data: bytes) -> None:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return
    found = read_sheet_text(text, "sheet")
    for one in found.masters:
        assert one.title.isprintable()
        assert one.integrated_lufs is None or abs(one.integrated_lufs) <= 400.0
    assert {change.since for change in changes(found, found.masters)} == {"same"}
    shown = answer(changes(found, ()), found)
    assert shown.isprintable()
    read_sheet_text(sheet_html(found, templates(), "check"), "sheet")


COMMENT = Comment("ab12cd34ef", 2, 62.3, None, "00c0ffee")


def vote(data: bytes) -> None:
    try:
        texts = texts_of(data)
    except ValueError:
        return
    for text in texts:
        for found in read_answers(text)[0]:
            assert set(found.letters) <= {"A", "B"}
        for comment in read_comments(text)[0]:
            assert comment_line(comment) in " ".join(text.replace(">", " ").replace("|", " ").split())


def cache_entry(data: bytes) -> None:
    try:
        found, _ = unpack(data)
    except ValueError:
        return
    for field in fields(found):
        value = getattr(found, field.name)
        assert not isinstance(value, float) or math.isfinite(value), field.name


def cached_pair(data: bytes) -> None:
    try:
        unpack_pair(data, Alignment)
    except ValueError:
        return


def tags(data: bytes) -> None:
    """Text fields and the Opus header: the numbers among them are numbers."""
    handle, path = tempfile.mkstemp(".ogg", "fuzz-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        found = read_tags(path)
    finally:
        os.unlink(path)
    if found is not None:
        stated = (getattr(found, field.name) for field in fields(found))
        assert all(math.isfinite(one) for one in stated if isinstance(one, float))
        assert all(one.isprintable() for one in found.faults)


def audio(extension: str) -> Callable[[bytes], None]:
    def read(data: bytes) -> None:
        handle, path = tempfile.mkstemp(f".{extension}", "fuzz-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            with AudioReader(path) as reader:
                frames = 0
                for block in reader:
                    assert block.dtype == np.float32
                    assert block.shape[1] == reader.info.channels
                    frames += block.shape[0]
                    if frames > MOST_FRAMES:  # a small file may stand for hours of silence: it streams
                        break
        finally:
            os.unlink(path)

    return read


TARGETS: dict[str, Callable[[bytes], None]] = {
    "profile": profile,
    "toml": playlist("list.toml"),
    "m3u": playlist("list.m3u"),
    "xspf": playlist("list.xspf"),
    "record": record,
    "sheet": sheet,
    "vote": vote,
    "cache": cache_entry,
    "pair": cached_pair,
    "tags": tags,
    **{extension: audio(extension) for extension in AUDIO},
}


def run(name: str, data: bytes) -> None:
    """One reader, one input. Raises whatever is a fault."""
    try:
        TARGETS[name](data)
    except SimulatorError as problem:
        if not 0 < len(problem.message.strip()) < 5_000:
            raise RuntimeError(f"no sentence: {problem.message[:200]!r}") from problem


@cache
def seeds(name: str) -> tuple[bytes, ...]:
    """Valid examples for a reader."""
    if name in AUDIO:
        return (_audio(name, 1), _audio(name, 2))
    return {
        "profile": tuple(path.read_bytes() for path in sorted((ROOT / "profiles").glob("*.toml"))[:6]),
        "toml": (TOML.encode(), (ROOT / "demo_playlist" / "playlist.toml").read_bytes()),
        "m3u": (M3U.encode(),),
        "xspf": (XSPF.encode(), BOMB.encode(), OUTSIDE.encode()),
        "record": (_record(),),
        "sheet": (
            json.encode(SHEET),
            SHEET_CSV.encode(),
            sheet_html(SHEET, templates(), "check").encode(),
        ),
        "vote": (
            (answer_line("ab12cd34ef56ab78", "ABBA", False) + "\nname: A\nwords: fine\n").encode(),
            (comment_line(COMMENT) + "\nname: A\nwords: fine\n").encode(),
        ),
        "cache": (pack(measure_array(_noise(8_000, 2), 8_000)),),
        "pair": (b"\x80",),
        "tags": (_tagged("OGG", "OPUS"), _tagged("FLAC", "PCM_16"), _tagged("MP3", "MPEG_LAYER_III")),
    }[name]


def _noise(frames: int, channels: int) -> np.ndarray:
    return np.random.default_rng(3).uniform(-0.5, 0.5, (frames, channels)).astype(np.float32)


def _audio(extension: str, channels: int) -> bytes:
    memory = io.BytesIO()
    kind = {"wav": "WAV", "aiff": "AIFF", "flac": "FLAC", "ogg": "OGG", "mp3": "MP3"}[extension]
    soundfile.write(memory, _noise(900, channels), 16_000, format=kind, subtype=AUDIO[extension])
    return memory.getvalue()


def _tagged(kind: str, subtype: str) -> bytes:
    memory = io.BytesIO()
    soundfile.write(memory, _noise(900, 1), 48_000, format=kind, subtype=subtype)
    memory.seek(0)
    file = mutagen.File(memory)
    gain = {"R128_TRACK_GAIN": "-573", "REPLAYGAIN_TRACK_GAIN": "-7.60 dB"}
    for name, text in gain.items():
        if kind == "MP3":
            file.tags = file.tags or mutagen.id3.ID3()
            file.tags.add(mutagen.id3.TXXX(encoding=3, desc=name, text=text))
        else:
            file[name] = text
    memory.seek(0)
    file.save(memory)
    return memory.getvalue()


def _record() -> bytes:
    acts = (
        Act("2026-01-02T10:00:00+01:00", "mark", {"name": "bridge", "path": "/a.wav", "place_s": 3.0}),
        Act("2026-01-02T10:01:00+01:00", "note", {"text": "less", "title": "A", "place_s": 1.0}),
        Act(
            "2026-01-02T10:02:00+01:00", "decision", {"target_lufs": -14.0, "ceiling_dbtp": -1.0, "who": "A"}
        ),
        Act("2026-01-02T10:03:00+01:00", "trial", {"result": ["x"], "material": "a", "player": "b"}),
        Act(
            "2026-01-02T10:04:00+01:00",
            "material",
            {"id": "a", "tracks": [{"path": "/a.wav", "content": "c"}]},
        ),
        Act("2026-01-02T10:05:00+01:00", "vote", {"page": "ab", "letters": "AB", "names_seen": False}),
        Act("2026-01-02T10:06:00+01:00", "ballot", {"page": "ab", "title": "x"}),
    )
    return to_json(Record("A record", acts))


SHEET = Sheet(
    written_at="2026-01-02T10:00:00+01:00",
    masters=(
        SheetMaster(
            "a.wav", 44_100, 2, 44_100, 1.0, "0" * 64, "1" * 64, 1, -14.0, title="A", bits=24,
            steps=(StepPeak("at 48 kHz", -1.0),), decision=SheetDecision("club", -9.0),
        ),
    ),
)  # fmt: skip
SHEET_CSV = (
    "path,sample_rate,channels,frames,duration_s,number,file_sha256,samples_sha256\n"
    f"a.wav,44100,2,44100,1.0,1,{'0' * 64},{'1' * 64}\n"
)
TOML = """format = 1
title = "A list"
client = "A label"
profile = "r128"
[[tracks]]
path = "a.wav"
title = "A"
song = "s"
album = "b"
album_order = 1
"""
M3U = "#EXTM3U\n#EXTINF:12,Artist - Title\na/b.wav\nfile:///c%20d.flac\nhttp://example.org/x.mp3\n"
XSPF = """<?xml version="1.0" encoding="UTF-8"?>
<playlist version="1" xmlns="http://xspf.org/ns/0/"><title>A</title><trackList>
<track><location>file:///a%20b.wav</location><title>B</title><creator>C</creator><album>D</album></track>
</trackList></playlist>
"""
BOMB = """<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x "ha"><!ENTITY y "&x;&x;&x;&x;&x;&x;&x;&x;">
<!ENTITY z "&y;&y;&y;&y;&y;&y;&y;&y;">]><playlist xmlns="http://xspf.org/ns/0/"><title>&z;</title></playlist>
"""
OUTSIDE = """<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>
<playlist xmlns="http://xspf.org/ns/0/"><title>&x;</title></playlist>
"""

"""What the desk plays behind a codec is that codec's decode, through the player's chain."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from support.made_measurements import player
from support.made_session import song as song_of
from support.made_session import view

from simulator.cli import app
from simulator.common.errors import WriteError
from simulator.deck.interface import LaneKey
from simulator.desk import decodes as desk_decodes
from simulator.desk.decodes import PREFIX, Decodes
from simulator.desk.tracks import TrackLanes, lane_key, track_lanes
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Delivery
from simulator.session.levels import Source
from simulator.session.track import PlayedView
from simulator.storage.process_life import name_mark

RATE = 44_100
VORBIS = Delivery(codec="vorbis", bit_rate_kbps=160.0)


@pytest.fixture
def song(tmp_path: Path) -> Path:
    path = tmp_path / "song.wav"
    noise = np.random.default_rng(5).standard_normal((4 * RATE, 2)) * 0.15
    soundfile.write(path, np.cumsum(noise, axis=0) * 0.02 % 0.6 - 0.3, RATE, subtype="FLOAT")
    return path


def test_decodes_are_made_once_and_go_with_the_session(tmp_path: Path, song: Path) -> None:
    (tmp_path / f"{PREFIX}4194999").mkdir()  # of a session that is gone
    decodes = Decodes(tmp_path)
    decodes.make([str(song)], VORBIS)
    path = Path(decodes.paths[str(song), "", VORBIS, "decoded"])
    assert soundfile.info(path).frames == 4 * RATE
    made = path.stat().st_mtime_ns
    decodes.make([str(song)], VORBIS)
    assert path.stat().st_mtime_ns == made
    assert oct(path.parent.stat().st_mode)[-3:] == "700"
    assert [one.name for one in tmp_path.glob(f"{PREFIX}*")] == [f"{PREFIX}{name_mark(os.getpid())}"]
    decodes.close()
    assert list(tmp_path.glob(f"{PREFIX}*")) == []


def test_another_revision_under_the_same_name_gets_a_decode_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And each view of the track plays the one of its own samples."""
    monkeypatch.setattr(desk_decodes.workers, "run", lambda _, jobs, *__: enumerate(range(len(jobs))))
    decodes, wave = Decodes(tmp_path), "/music/song.wav"
    for content in ("old", "new", "old"):
        decodes.make([wave], VORBIS, "decoded", {wave: content})
    old, new = (decodes.paths[wave, content, VORBIS, "decoded"] for content in ("old", "new"))
    assert old != new
    assert len(decodes.paths) == 2
    encoding = msgspec.structs.replace(player("headroom"), id="encodes", delivery=VORBIS)
    first = view("song", measured := song_of([-14.0], -1.0))
    played = {"encodes": PlayedView(from_gain(decide(encoding, measured), measured), True)}
    for content, path in (("old", old), ("new", new)):
        one = replace(first, path=wave, content=content, played=played)
        assert track_lanes([one], {"encodes": encoding}, decodes.paths)[0].decodes == {"encodes": path}
    decodes.close()


def test_a_file_that_cannot_be_encoded_costs_itself_alone(tmp_path: Path, song: Path) -> None:
    decodes = Decodes(tmp_path)
    decodes.make([str(tmp_path / "gone.wav"), str(song)], VORBIS)
    assert "gone.wav" in decodes.problems[0].message
    assert list(decodes.paths) == [(str(song), "", VORBIS, "decoded")]
    decodes.problems.clear()
    decodes.make([str(tmp_path / "gone.wav")], VORBIS)  # its file's name is not the other one's
    assert "file not found" in decodes.problems[0].message
    decodes.close()


def test_a_lane_is_the_decode_where_the_player_has_one() -> None:
    chain = ChainSettings(-3.0)
    tracks = {0: TrackLanes("song.wav", {"codec": chain, "limited": chain}, {"codec": "decoded.wav"})}
    assert lane_key(Source(0, "codec", 0.0), tracks) == LaneKey("decoded.wav", chain)
    assert lane_key(Source(0, "limited", 0.0), tracks) == LaneKey("song.wav", chain)
    assert lane_key(Source(0, None, 0.0), tracks) == LaneKey("song.wav")


def test_the_desk_plays_what_render_writes_behind_a_codec(
    tmp_path: Path, song: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import io

    for kind in ("CACHE", "CONFIG", "DATA"):
        monkeypatch.setenv(f"XDG_{kind}_HOME", str(tmp_path / kind))
    profile = "minus14-vorbis160"
    words = ["render", str(song), "--profile", profile, "--out", str(tmp_path / "out")]
    assert app.run(words) == 0
    monkeypatch.setattr("sys.stdin", io.StringIO("play\nwait 2\nquit\n"))
    played = tmp_path / "played.wav"
    assert app.run(["listen", str(song), "--profile", profile, "--to-file", str(played)]) == 0
    heard, rendered = (
        soundfile.read(path, dtype="float32")[0][2000 : 2 * RATE - 2000]
        for path in (played, tmp_path / "out" / "01-song.wav")
    )
    assert np.abs(heard * 10.0 ** (12.0 / 20.0) - rendered).max() < 1e-6  # the trim begins at −12 dB
    assert np.abs(rendered).max() > 0.05


def test_a_disk_without_room_is_told_before_any_work(
    song: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(desk_decodes.shutil, "disk_usage", lambda _: usage._replace(free=500_000_000))
    decodes = Decodes(tmp_path)
    with pytest.raises(WriteError, match=r"decoding 1 track needs 0\.0 GB; 0\.5 GB free"):
        decodes.make([str(song)], VORBIS)
    assert decodes.paths == {}
    decodes.close()

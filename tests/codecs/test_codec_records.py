"""A codec is one record and one name: what is told of each, and a made-up one that goes the whole way.

The made-up one is FLAC at a fixed level, written by libsndfile: its decode must be the 16-bit master itself.
It is added to a copy of the package, by the two edits that adding a codec takes.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import simulator
from simulator.normalizer.codec_records import CODECS

RECORD = """
FLAC = CodecRecord(
    name="flac",
    title="FLAC",
    extension="flac",
    most_kbps=400.0,
    container="FLAC",
    subtype="PCM_16",
    sample_rates=(48000,),
    constant_kbps=(300, 400),
    level=lambda _rate, _channels, _kbps: 0.5,
)

"""
WALK = """
import json, sys
from pathlib import Path

import numpy as np
import simulator
from simulator.codecs import codec
from simulator.codecs.deliver import Delivering
from simulator.common.errors import ProfileError, UsageError
from simulator.desk.completion import _of_kind
from simulator.normalizer.profile import parse_profile
from simulator.session import codec_variants

if __name__ == "__main__":
    folder = Path(sys.argv[1])
    assert Path(simulator.__file__).is_relative_to(folder)
    text = (folder / "flac.toml").read_text()
    profile = parse_profile(text, "flac", "flac.toml")
    for old, new in (("= 300", "= 320"), ("[sources]", "sample_rate = 44100\\n[sources]")):
        try:
            parse_profile(text.replace(old, new), "flac", "flac.toml")
        except ProfileError as problem:
            print(problem.message)
    steps = np.random.default_rng(3).integers(-9000, 9000, (48_000, 2))
    master = (steps / 32768.0).astype(np.float32)
    trip = Delivering(48_000, 2, profile.delivery)
    print(trip.sample_rate, np.array_equal(np.concatenate(list(trip([master]))), master))
    print(codec.codec_rate("flac", 44_100))
    profiles = {"flac": profile}
    name = codec_variants.wanted("flac", ["flac", "400"], profiles)
    heard = codec_variants.profile_named(profiles, name + "+difference20+converter")
    print(name, heard.delivery.codec, heard.delivery.bit_rate_kbps, codec_variants.setting_of(heard.id))
    try:
        codec_variants.wanted("flac", ["flac", "350"], profiles)
    except UsageError as problem:
        print(problem.message)
    print("flac" in [word for word, _ in _of_kind(None, "codec", "", (), True)])
"""
PROFILE = """format = 1
title = "After FLAC"
sentence = "Plays at minus 14."
[loudness]
target_lufs = -14
[gain]
upward = "never"
[encoding]
codec = "flac"
bit_rate_kbps = 300
[sources]
"loudness.target_lufs" = "project choice"
"encoding.bit_rate_kbps" = "project choice"
"""


def add_flac(folder: Path) -> None:
    package = Path(simulator.__file__).parent
    shutil.copytree(package, folder / "simulator", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("profiles", "demo_playlist"):
        shutil.copytree(package.parent / name, folder / name)
    path = folder / "simulator/normalizer/codec_records.py"
    text = path.read_text(encoding="utf-8")
    for old, new in (
        ('"mp3", "aac"]\n', '"mp3", "aac", "flac"]\n'),
        ("CODECS: dict[", f"{RECORD}CODECS: dict["),
        ("MP3, AAC)}", "MP3, AAC, FLAC)}"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def run(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        capture_output=True,
        encoding="utf-8",
        timeout=100,
        check=False,
        env={
            **os.environ,
            "PYTHONPATH": str(folder),
            "XDG_CACHE_HOME": str(folder / "cache"),
            "COLUMNS": "200",
        },
    )
    assert done.returncode in (0, 1), done.stderr
    return done.stdout + done.stderr


def test_a_made_up_codec_goes_the_whole_way(tmp_path: Path) -> None:
    import soundfile

    add_flac(tmp_path)
    (tmp_path / "flac.toml").write_text(PROFILE, encoding="utf-8")
    (tmp_path / "walk.py").write_text(WALK, encoding="utf-8")
    assert run(tmp_path, "walk.py", str(tmp_path)).splitlines() == [
        "flac.toml: encoding.bit_rate_kbps is 320, which FLAC does not offer.",
        'flac.toml: encoding.codec is "flac", which does not support 44100 Hz.',
        "48000 True",
        "48000",
        "flac+flac400 flac 400.0 +flac400",
        "FLAC has no 350 kbit/s setting; available: 300 and 400.",
        "True",
    ]
    tone = 0.5 * np.sin(2.0 * np.pi * 997.0 / 48_000 * np.arange(96_000))
    soundfile.write(tmp_path / "tone.wav", np.stack([tone, tone], axis=1), 48_000, "PCM_16")
    out = run(tmp_path, "-m", "simulator", "check", "tone.wav", "--for", "flac.toml", "--detail")
    assert "FLAC at 300 kbit/s" in out


@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("kbps", [32, 64, 70, 128, 200, 499, 500])
def test_the_quality_of_vorbis_is_interpolated_between_its_nominal_rates(kbps: int, channels: int) -> None:
    """Against numpy's interpolation; below and above the rates the quality is the last one."""
    nominal = (64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 500)
    level = 1.0 - float(np.interp(kbps * 2.0 / channels, nominal, np.arange(11))) / 10.0
    assert CODECS["vorbis"].level(44_100, channels, kbps) == pytest.approx(level, abs=1e-15)


def test_each_codec_keeps_within_its_own_record() -> None:
    for name, record in CODECS.items():
        assert record.name == name
        assert record.title.casefold() == name
        assert all(32 <= kbps <= record.most_kbps for kbps in record.constant_kbps)
        rate = record.sample_rates[-1] if record.sample_rates else 44_100
        for kbps in record.constant_kbps or (32, 128, round(record.most_kbps)):
            assert record.refusal(rate, 2, kbps) is None
            assert 0.0 <= record.level(rate, 2, kbps) <= 1.0

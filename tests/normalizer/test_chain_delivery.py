"""The delivery stands before the player's gain, and its profile table says only what can be done."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pytest
from numpy.typing import NDArray
from support import signals
from support.in_memory import play_array

from simulator.common.errors import ProfileError
from simulator.common.units import db_to_gain
from simulator.normalizer.chain import ChainSettings, play
from simulator.normalizer.profile import parse_profile

RATE = 48_000
PROFILE = """
format = 1
title = "Coded"
sentence = "Changes nothing but the sound."
[loudness]
target_lufs = "none"
[gain]
upward = "never"
[encoding]
{lines}
[sources]
{sources}
"""


def hot() -> NDArray[np.float32]:
    noise = signals.noise_bursts(RATE, 2.0, seed=4)
    return noise / np.abs(noise).max() * np.float32(1.5)


def profile(lines: str) -> str:
    keys = [line.split("=")[0].strip() for line in lines.splitlines()]
    numbers = [key for key in keys if key in ("bit_rate_kbps", "sample_rate", "bits")]
    return PROFILE.format(
        lines=lines, sources="\n".join(f'encoding.{key} = "project choice"' for key in numbers)
    )


def test_full_scale_before_the_gain_cuts_every_over_and_after_the_gain_only_what_is_still_over() -> None:
    plain, _ = play_array(hot(), RATE, ChainSettings(-6.0))
    before, _ = play_array(hot(), RATE, ChainSettings(-6.0, full_scale="before_gain"))
    after, _ = play_array(hot(), RATE, ChainSettings(-6.0, full_scale="after_gain"))
    raised, _ = play_array(hot(), RATE, ChainSettings(3.0, full_scale="after_gain"))
    assert np.array_equal(after, plain)  # 1.5 at −6 dB stays below full scale
    assert np.array_equal(before, np.clip(hot(), -1.0, 1.0) * np.float32(db_to_gain(-6.0)))
    assert np.abs(raised).max() == 1.0


def test_the_delivery_gives_the_samples_that_the_gain_then_takes() -> None:
    """A stand-in that only turns the polarity: the codec's own tests stand with the codec."""

    def turned(blocks: Iterable[NDArray[np.floating]]) -> Iterator[NDArray[np.float32]]:
        return (-np.asarray(block, dtype=np.float32) for block in blocks)

    samples = hot()
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    played = np.concatenate(list(play([samples], RATE, channels, ChainSettings(-6.0), deliver=turned)))
    plain, _ = play_array(samples, RATE, ChainSettings(-6.0))
    assert np.array_equal(played.reshape(plain.shape), -plain)


def test_a_delivery_is_read_whole() -> None:
    lines = 'codec = "mp3"\nbit_rate_kbps = 192.0\nsample_rate = 44100\nbits = 16\nfull_scale = "after_gain"'
    found = parse_profile(profile(lines), "coded", "coded.toml").delivery
    assert found is not None
    assert (found.codec, found.bit_rate_kbps, found.sample_rate, found.bits, found.full_scale) == (
        "mp3",
        192.0,
        44100,
        16,
        "after_gain",
    )


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('codec = "opus"', "no bit rate is given"),
        ("bit_rate_kbps = 128.0", 'encoding.codec is "none"'),
        ('codec = "mp3"\nbit_rate_kbps = 400.0', "but MP3 goes up to 320"),
        ('codec = "mp3"\nbit_rate_kbps = 100.0', "which MP3 does not offer. Write one of 32, 40, 48"),
        ('codec = "opus"\nbit_rate_kbps = 128.0\nsample_rate = 44100', "does not support 44100 Hz"),
        ("bits = 12", "bits"),
        ("sample_rate = 32000", "sample_rate"),
    ],
)
def test_a_delivery_that_cannot_be_done_is_refused(lines: str, words: str) -> None:
    with pytest.raises(ProfileError, match=words):
        parse_profile(profile(lines), "coded", "coded.toml")


@pytest.mark.parametrize("line", ["bits = 16", "sample_rate = 48000"])
def test_whole_numbers_too_need_a_source(line: str) -> None:
    with pytest.raises(ProfileError, match="gives no source for it"):
        parse_profile(PROFILE.format(lines=line, sources=""), "coded", "coded.toml")

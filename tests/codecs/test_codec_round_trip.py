"""Through a codec and back: every frame in place, every channel itself, at the bit rate asked for."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from support import signals

from simulator.audio_files.reader import AudioReader
from simulator.codecs import codec
from simulator.codecs.deliver import DelayFinder, Delivering, delivered_rate, delivery_steps, shift_between
from simulator.common.errors import AudioError
from simulator.dsp.conversion import resampled_frames
from simulator.engine.workers import one_blas_thread
from simulator.metering.meter import measure_array
from simulator.normalizer import codec_records
from simulator.normalizer.profile import Delivery

RATE = 44_100
Audio = NDArray[np.float32]
CODECS = ("vorbis", "opus", "mp3", "aac")


def music(seconds: float, rate: int, channels: int = 2, seed: int = 5) -> Audio:
    """A stand-in with attacks: bursts of noise over tones, different in every channel."""
    found = []
    for channel in range(channels):
        noise = signals.noise_bursts(rate, seconds, seed=seed + channel)
        noise = (noise if noise.ndim == 1 else noise[:, 0]).astype(np.float64)
        tone = signals.sine(220.0 * (channel + 1), rate, seconds, -16.0)
        found.append(0.4 * noise / np.abs(noise).max() + tone[: noise.shape[0]])
    return np.ascontiguousarray(np.stack(found, axis=1), dtype=np.float32)


def through(samples: Audio, rate: int, delivery: Delivery, **more: object) -> tuple[Audio, int]:
    trip = Delivering(rate, samples.shape[1], delivery, **more)  # type: ignore[arg-type]
    blocks = [samples[at : at + 10_000] for at in range(0, samples.shape[0], 10_000)]
    return np.concatenate(list(trip(blocks))), trip.sample_rate


def needs(name: str) -> None:
    if name == "aac":
        pytest.importorskip("av", reason="AAC is the optional extra")


@pytest.mark.parametrize(
    ("name", "rate", "forced"),
    [
        ("vorbis", 44_100, 44_100),
        ("vorbis", 48_000, 48_000),
        ("vorbis", 96_000, 96_000),
        ("vorbis", 37_000, 37_000),
        ("opus", 44_100, 48_000),
        ("opus", 48_000, 48_000),
        ("opus", 24_000, 24_000),
        ("opus", 192_000, 48_000),
        ("mp3", 44_100, 44_100),
        ("mp3", 48_000, 48_000),
        ("mp3", 22_050, 22_050),
        ("mp3", 88_200, 44_100),
        ("mp3", 96_000, 48_000),
        ("aac", 44_100, 44_100),
        ("aac", 48_000, 48_000),
        ("aac", 96_000, 96_000),
        ("aac", 192_000, 48_000),
        ("aac", 37_000, 48_000),
    ],
)
def test_the_decode_lies_on_the_master_frame_for_frame(name: str, rate: int, forced: int) -> None:
    """Length and place, against the converted master; the codec may force its own rate. The length is odd
    in every unit."""
    needs(name)
    samples = music(1.5, rate)[:-17]
    kept: list[Audio] = []

    def watch(blocks):  # type: ignore[no-untyped-def]
        for block in blocks:
            kept.append(block)
            yield block

    decoded, decoded_rate = through(samples, rate, Delivery(codec=name, bit_rate_kbps=160.0), watch=watch)  # type: ignore[arg-type]
    master = np.concatenate(kept)
    assert decoded_rate == forced
    assert master.shape[0] == resampled_frames(samples.shape[0], rate, forced)
    assert decoded.shape == master.shape
    assert shift_between(master, decoded) == 0
    assert np.corrcoef(master[:, 0], decoded[:, 0])[0, 1] > 0.9


@pytest.mark.parametrize(
    ("rate", "channels", "kbps"),
    [(44_100, 2, 32), (44_100, 1, 48), (44_100, 1, 56), (48_000, 2, 56), (24_000, 2, 40), (22_050, 1, 32)],
)
def test_an_mp3_without_room_for_its_tag_lies_on_the_master_too(rate: int, channels: int, kbps: int) -> None:
    """Its decoder is not told of the delay, which is taken off here; at 56 kbit/s in mono it is told."""
    samples = music(1.5, rate, channels)[:-17]
    decoded, _ = through(samples, rate, Delivery(codec="mp3", bit_rate_kbps=float(kbps)))
    assert decoded.shape == samples.shape
    assert shift_between(samples, decoded) == 0
    assert shift_between(samples[-5000:], decoded[-5000:]) == 0


@pytest.mark.parametrize(("rate", "kbps"), [(48_000, 32), (48_000, 64), (24_000, 40)])
def test_no_moment_of_an_mp3_is_mute_where_the_reader_s_blocks_meet(
    rate: int, kbps: int, tmp_path: Path
) -> None:
    """Its frames lean on those before them, at low bit rates on more than four. Against libavcodec."""
    path, samples = tmp_path / "x.mp3", music(3.0, rate)
    codec.encode([samples], rate, 2, Delivery(codec="mp3", bit_rate_kbps=float(kbps)), path)
    decoded = []
    for block_frames in (10_000, 65_536, 2**20):
        with AudioReader(str(path), block_frames=block_frames, ahead=False) as reader:
            decoded.append(np.concatenate(list(reader)))
    assert np.array_equal(decoded[0], decoded[2])
    assert np.array_equal(decoded[1], decoded[2])
    av = pytest.importorskip("av", reason="the second decoder is PyAV")
    with av.open(str(path)) as file:
        other = np.concatenate([frame.to_ndarray().T for frame in file.decode(audio=0)])
    frames = samples.shape[0] - 3_000  # at the end the two differ in what they leave out
    assert np.abs(other[:frames] - decoded[0][:frames]).max() < 1e-5


@pytest.mark.parametrize(
    ("name", "rate", "channels", "kbps", "words"),
    [
        ("mp3", 44_100, 2, 100.0, "MP3 at 44.1 kHz does not offer 100 kbit/s. Choose one of 32, 40, "),
        ("mp3", 22_050, 2, 192.0, "MP3 at 22.05 kHz does not offer 192 kbit/s. Choose one of 8, "),
        ("mp3", 12_000, 2, 80.0, "MP3 at 12 kHz does not offer 80 kbit/s. Choose one of 8, 16, 24, "),
        ("opus", 48_000, 1, 320.0, "Opus carries up to 256 kbit/s in 1 channel. Choose 256 kbit/s or less"),
        ("opus", 48_000, 2, 510.0, ""),
    ],
)
def test_a_bit_rate_that_the_encoder_would_exchange_for_another_is_refused(
    name: str, rate: int, channels: int, kbps: float, words: str
) -> None:
    delivery = Delivery(codec=name, bit_rate_kbps=kbps)  # type: ignore[arg-type]
    if not words:
        through(music(0.2, rate, channels), rate, delivery)
        return
    with pytest.raises(AudioError) as refused:
        through(music(0.2, rate, channels), rate, delivery)
    assert str(refused.value).startswith(words)


@pytest.mark.parametrize("name", CODECS)
@pytest.mark.parametrize("frames", [1, 2, 577, 1024, 5000])
def test_the_shortest_files_come_back_with_every_frame(name: str, frames: int) -> None:
    needs(name)
    decoded, _ = through(music(0.5, 48_000)[:frames], 48_000, Delivery(codec=name, bit_rate_kbps=128.0))  # type: ignore[arg-type]
    assert decoded.shape == (frames, 2)


@pytest.mark.parametrize("name", CODECS)
@pytest.mark.parametrize("channels", [1, 6])
def test_every_channel_comes_back_as_itself(name: str, channels: int) -> None:
    """Mono and 5.1; the low-frequency channel of a codec is narrow, so it gets a low tone."""
    needs(name)
    samples = music(1.5, 48_000, channels)
    if channels == 6:
        samples[:, 3] = signals.sine(60.0, 48_000, 1.5, -12.0)[: samples.shape[0]]
    delivery = Delivery(codec=name, bit_rate_kbps=320.0 if channels == 6 else 96.0)  # type: ignore[arg-type]
    if name == "mp3" and channels == 6:
        with pytest.raises(AudioError) as refused:
            through(samples, 48_000, delivery, name="surround.wav")
        assert refused.value.message.startswith("surround.wav: MP3 carries up to 2 channels")
        return
    decoded, _ = through(samples, 48_000, delivery)
    assert decoded.shape == samples.shape
    likeness = np.corrcoef(samples.T, decoded.T)[:channels, channels:]
    assert likeness.argmax(axis=1).tolist() == list(range(channels))
    assert likeness.diagonal().min() > 0.8


@pytest.mark.parametrize("name", ["vorbis", "mp3"])
def test_overs_stay_above_full_scale_and_the_reader_s_blocks_do_not_matter(name: str) -> None:
    samples = music(1.5, RATE) * np.float32(2.5)
    delivery = Delivery(codec=name, bit_rate_kbps=192.0)  # type: ignore[arg-type]
    decoded, _ = through(samples, RATE, delivery)
    again = np.concatenate(list(Delivering(RATE, 2, delivery)([samples])))
    assert np.abs(decoded).max() > 1.2
    assert np.array_equal(decoded, again)


@pytest.mark.parametrize("kbps", [96.0, 256.0])
@pytest.mark.parametrize(("name", "within"), [("mp3", 0.03), ("opus", 0.06), ("vorbis", 0.35), ("aac", 0.1)])
def test_the_bit_rate_is_the_one_that_was_asked_for(
    name: str, within: float, kbps: float, tmp_path: Path
) -> None:
    """Vorbis has a quality, not a rate: its nominal rate holds for typical music (the encoder's words)."""
    needs(name)
    rate = codec.codec_rate(name, RATE)
    samples = music(3.0, rate)
    path = tmp_path / f"x.{codec_records.CODECS[name].extension}"
    frames = codec.encode([samples], rate, 2, Delivery(codec=name, bit_rate_kbps=kbps), path)  # type: ignore[arg-type]
    assert frames == samples.shape[0]
    real = path.stat().st_size * 8 / (frames / rate) / 1000.0
    assert real == pytest.approx(kbps, rel=within)


def test_a_shifted_decode_is_noticed_and_by_how_much() -> None:
    """The check's own negative control; a sine, whose every period looks alike, says nothing wrong."""
    samples = music(1.5, RATE)
    for shift in (1, -1, 576, -1105):
        moved = np.roll(samples, shift, axis=0)
        assert shift_between(samples, moved) == shift
        watching = DelayFinder(2)
        list(watching.master([samples]))
        list(watching.decoded([moved[:7000], moved[7000:]]))
        assert watching.shift_frames() == shift
    steady = signals.both(signals.sine(441.0, RATE, 1.0, -6.0)).astype(np.float32)
    assert shift_between(steady, steady * np.float32(0.98)) == 0
    assert shift_between(samples, np.zeros_like(samples)) is None


def test_a_decode_that_is_late_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    real = codec.decode

    def late(path: Path, frames: int):  # type: ignore[no-untyped-def]
        whole = np.concatenate(list(real(path, frames)))
        yield np.roll(whole, 100, axis=0)

    monkeypatch.setattr(codec, "decode", late)
    with pytest.raises(AudioError, match="100 frames late"):
        through(music(1.5, RATE), RATE, Delivery(codec="mp3", bit_rate_kbps=192.0))


def test_what_was_encoded_once_is_taken_from_the_cache(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples, delivery = music(1.5, RATE), Delivery(codec="vorbis", bit_rate_kbps=160.0)
    first, _ = through(samples, RATE, delivery, content=lambda: "abc", keep_in=tmp_path)
    assert len(list(tmp_path.iterdir())) == 1
    monkeypatch.setattr(codec, "encode", lambda *_: pytest.fail("encoded again"))
    again, _ = through(samples, RATE, delivery, content=lambda: "abc", keep_in=tmp_path)
    assert np.array_equal(first, again)
    with pytest.raises(pytest.fail.Exception):
        through(samples, RATE, delivery, content=lambda: "other", keep_in=tmp_path)


def test_a_damaged_cache_does_no_harm(tmp_path: Path) -> None:
    """A folder that cannot be written is no reason to fail."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way", encoding="utf-8")
    samples, delivery = music(1.5, RATE), Delivery(codec="vorbis", bit_rate_kbps=160.0)
    decoded, _ = through(samples, RATE, delivery, content=lambda: "abc", keep_in=blocked)
    assert decoded.shape == samples.shape


def test_the_steps_of_a_delivery_in_their_order() -> None:
    whole = Delivery(codec="opus", bit_rate_kbps=128.0, bits=16)
    assert delivered_rate(RATE, whole) == 48_000
    assert [name for name, _ in delivery_steps(whole, RATE)] == [
        "at 48 kHz",
        "in 16 bits at 48 kHz",
        "Opus at 128 kbit/s",
    ]
    assert [name for name, _ in delivery_steps(whole, 48_000)] == ["in 16 bits", "Opus at 128 kbit/s"]
    assert delivery_steps(Delivery(), RATE) == []


def _measured_elsewhere(job: tuple[str, float]) -> tuple[float | None, float | None]:
    """In a worker: true peak and loudness of a decode."""
    name, kbps = job
    samples = music(3.0, RATE)
    decoded, rate = through(samples, RATE, Delivery(codec=name, bit_rate_kbps=kbps))  # type: ignore[arg-type]
    found = measure_array(decoded, rate)
    return found.true_peak_dbtp, found.integrated_lufs


@pytest.mark.heavy
@pytest.mark.parametrize("name", ["vorbis", "aac"])
def test_a_decode_in_a_worker_is_the_decode_here(name: str) -> None:
    """Encoders pick their code by the processor, not by the process: figures are equal, bit for bit."""
    needs(name)
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=spawn, initializer=one_blas_thread) as pool:
        there = pool.submit(_measured_elsewhere, (name, 192.0)).result(60)
    assert there == _measured_elsewhere((name, 192.0))


@pytest.mark.parametrize(
    ("name", "kbps"),
    [(name, kbps) for name in ("mp3", "vorbis", "opus") for kbps in (64, 96, 128, 160, 192, 224, 256, 320)]
    + [("mp3", 48)],
)
def test_the_level_that_an_encoder_gives_back_is_the_one_told(name: str, kbps: int) -> None:
    wave = signals.both(signals.sine(1000.0, 48_000, 2.0, -12.0)).astype(np.float32)
    # a slow swell tells one cycle from another, so that the decode finds its place
    wave *= np.hanning(wave.shape[0]).astype(np.float32)[:, np.newaxis]
    delivery = Delivery(codec=name, bit_rate_kbps=float(kbps))  # type: ignore[arg-type]
    decoded = np.concatenate(list(Delivering(48_000, 2, delivery)([wave])))
    gain_db = 10.0 * np.log10(np.square(decoded).sum() / np.square(wave).sum())
    assert gain_db == pytest.approx(
        codec.encoder_gain_db(delivery), abs=0.02 if name == "mp3" and kbps >= 64 else 0.1
    )

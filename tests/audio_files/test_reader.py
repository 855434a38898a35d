"""Reading: what comes out of a file, and how each fault is named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.audio_files.reader import AudioReader, read_info
from simulator.common.errors import AudioError
from simulator.engine.measure import Job, measure_file
from simulator.metering.meter import measure

RATE = 44_100


def noise(frames: int, channels: int = 2, seed: int = 1) -> np.ndarray:
    return (np.random.default_rng(seed).standard_normal((frames, channels)) * 0.05).astype(np.float32)


def read(path: Path) -> np.ndarray:
    with AudioReader(str(path)) as reader:
        return np.concatenate(list(reader))


@pytest.mark.parametrize(
    ("name", "subtype", "bits"),
    [
        ("a.wav", "PCM_16", 16),
        ("a.wav", "PCM_24", 24),
        ("a.wav", "FLOAT", None),
        ("a.aiff", "PCM_24", 24),
        ("a.caf", "PCM_24", 24),
        ("a.flac", "PCM_24", 24),
        ("a.rf64", "PCM_24", 24),
    ],
)
def test_a_lossless_file_comes_back_to_the_last_bit(
    tmp_path: Path, name: str, subtype: str, bits: int | None
) -> None:
    samples = np.round(noise(100_000) * 2.0**15).astype(np.float32) / np.float32(2.0**15)
    path = tmp_path / name
    soundfile.write(path, samples, RATE, subtype=subtype, format=path.suffix[1:].upper())
    assert np.array_equal(read(path), samples)
    assert read_info(str(path)).bits == bits


def test_a_lossy_file_keeps_what_is_above_full_scale(tmp_path: Path) -> None:
    samples = np.clip(noise(60_000) * 20.0, -1.0, 1.0)
    path = tmp_path / "a.ogg"
    with soundfile.SoundFile(path, "w", RATE, 2, format="OGG", subtype="VORBIS") as file:
        for start in range(0, samples.shape[0], 16_384):
            file.write(samples[start : start + 16_384])
    assert np.abs(read(path)).max() > 1.0
    assert read_info(str(path)).lossy


def test_the_content_hash_knows_the_samples_and_not_the_name(tmp_path: Path) -> None:
    found = []
    for name, seed in (("a.wav", 1), ("b.wav", 1), ("c.wav", 2)):
        soundfile.write(tmp_path / name, noise(50_000, seed=seed), RATE, subtype="PCM_24")
        with AudioReader(str(tmp_path / name)) as reader:
            list(reader)
        found.append(reader.content)
    assert found[0] == found[1] != found[2]


def test_leaving_a_file_half_read_ends_the_decoding(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", noise(1_500_000), RATE)
    with AudioReader(str(tmp_path / "a.wav")) as reader:
        for _ in reader:
            break
    assert reader.content == ""


def _half(path: Path, source: Path) -> None:
    path.write_bytes(source.read_bytes()[: source.stat().st_size // 2])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing.wav", "file not found"),
        ("empty.wav", "the file is empty"),
        ("text.wav", "cannot read this as audio"),
        ("folder.wav", "this is a folder"),
        ("no-frames.wav", "contains no audio"),
        ("cut.wav", r"is truncated: 0:00\.9 of 0:02\.0"),
        ("cut.aiff", r"is truncated: 0:00\.9 of 0:02\.0"),
        ("cut.flac", "the decoder stopped at|is truncated"),
        ("wide.wav", "9 channels"),
        ("slow.wav", "a sample rate of 4000 Hz"),
        ("name\nwith\nlines.wav", "file not found"),
        ("nul\0byte.wav", "cannot open the file"),
    ],
)
def test_a_fault_is_named_with_the_file_and_a_cure(tmp_path: Path, name: str, words: str) -> None:
    path = tmp_path / name
    whole = tmp_path / f"whole{path.suffix}"
    if name.startswith("cut"):
        soundfile.write(whole, noise(2 * RATE), RATE, subtype="PCM_24")
        _half(path, whole)
    elif name == "empty.wav":
        path.touch()
    elif name == "text.wav":
        path.write_text("This is a note and not a sound. " * 50)
    elif name == "folder.wav":
        path.mkdir()
    elif name == "no-frames.wav":
        soundfile.write(path, np.zeros((0, 2)), RATE)
    elif name == "wide.wav":
        soundfile.write(path, noise(1000, 9), RATE)
    elif name == "slow.wav":
        soundfile.write(path, noise(1000), 4000)
    with pytest.raises(AudioError, match=words) as caught:
        measure_file(Job(str(path)))
    assert caught.value.message.startswith(str(path))
    assert caught.value.hint.endswith(".")


@pytest.mark.parametrize("ahead", [True, False])
def test_the_place_where_a_decoder_stops_is_named_within_a_tenth_of_a_second(
    tmp_path: Path, ahead: bool
) -> None:
    """Not the beginning of the reader's block, of six seconds."""
    path = tmp_path / "a.flac"
    soundfile.write(path, noise(9 * RATE), RATE, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    hole = len(data) * 7 // 9  # noise takes the same number of bytes in every second
    data[hole : hole + 50] = bytes(50)
    path.write_bytes(data)
    with pytest.raises(AudioError, match=r"the decoder stopped at 0:0(6\.9|7\.0): "):
        list(AudioReader(str(path), ahead=ahead))


def test_where_the_fault_does_not_come_again_the_ends_of_its_block_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(9 * RATE), RATE, subtype="FLOAT")
    real, asked = soundfile.SoundFile.read, []

    def once_broken(self: soundfile.SoundFile, *, out: np.ndarray) -> np.ndarray:
        asked.append(out)
        if len(asked) == 2:
            raise OSError(5, "Input/output error")
        return real(self, out=out)

    monkeypatch.setattr(soundfile.SoundFile, "read", once_broken)
    with pytest.raises(AudioError, match=r"stopped between 0:02\.2 and 0:04\.5: Input/output error\."):
        list(AudioReader(str(path), ahead=False, block_frames=100_000))


def test_a_file_that_is_taken_away_while_it_is_read_is_read_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "a.ogg"
    with soundfile.SoundFile(path, "w", RATE, 1, format="OGG", subtype="VORBIS") as file:
        for _ in range(40):
            file.write(noise(16_384, 1))
    with AudioReader(str(path)) as reader:
        blocks = iter(reader)
        frames = next(blocks).shape[0]
        path.unlink()
        frames += sum(block.shape[0] for block in blocks)
    assert frames == 40 * 16_384


@pytest.mark.parametrize(("value", "kind"), [(np.nan, "not a number"), (np.inf, "infinite")])
def test_a_sample_that_is_no_number_is_named_with_its_time(tmp_path: Path, value: float, kind: str) -> None:
    samples = noise(3 * RATE)
    samples[2 * RATE, 1] = value
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    with pytest.raises(AudioError, match=f"the sample at 0:02.0 in channel R is {kind}"):
        measure_file(Job(str(tmp_path / "a.wav")))


def test_measuring_a_file_is_measuring_its_samples(tmp_path: Path) -> None:
    samples = noise(5 * RATE)
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    found = measure_file(Job(str(tmp_path / "a.wav"))).measurement
    expected = measure([samples], RATE, 2)
    assert found.integrated_lufs == expected.integrated_lufs
    assert found.true_peak_dbtp == expected.true_peak_dbtp


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_surround_of_a_lossy_file_comes_in_the_order_that_the_meter_expects(
    tmp_path: Path, subtype: str
) -> None:
    """Both formats hold L C R Ls Rs LFE (Vorbis I specification, 4.3.9; RFC 7845, 5.1.1.2), and libsndfile
    writes the channels as they are given; that the last is treated as the LFE shows in the encoder's own
    low-pass: a tone of 1.3 kHz there does not survive."""
    rate, pitches = 48_000, (300, 500, 700, 1100, 1300, 60)  # stored L C R Ls Rs LFE
    path, time = tmp_path / "surround.ogg", np.arange(rate) / rate
    stored = np.stack([0.2 * np.sin(2 * np.pi * pitch * time) for pitch in pitches], axis=1)
    with soundfile.SoundFile(path, "w", rate, 6, format="OGG", subtype=subtype) as file:
        for start in range(0, rate, 8_192):
            file.write(stored[start : start + 8_192].astype(np.float32))
    found = read(path)[rate // 2 :]
    spectrum = np.abs(np.fft.rfft(found, axis=0))
    heard = np.argmax(spectrum, axis=0) * rate / found.shape[0]
    assert heard == pytest.approx([300, 700, 500, 60, 1100, 1300], abs=3)  # L R C LFE Ls Rs

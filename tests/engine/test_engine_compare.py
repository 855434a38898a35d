"""Two files compared whole: constructed pairs of known cost, overs after a gain, pictures, noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from support import signals
from support.in_memory import play_array
from support.made_measurements import player

from simulator.common.errors import UsageError, WriteError
from simulator.comparison.noise import noise_bed
from simulator.comparison.versions import Comparison
from simulator.engine.compare import (
    NOISE_SEED,
    UNRELATED,
    Noise,
    VersionPair,
    compare_pair,
    noise_targets,
    picture_paths,
    write_picture,
    write_under_noise,
)
from simulator.engine.predict import measure_tracks, predict
from simulator.metering.meter import measure_array
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Playlist, Track
from simulator.storage.measurement_cache import Store
from simulator.text.charts.comparison import Drawing, Drawn
from simulator.text.comparison.delivered import Names

RATE = 44_100
SECONDS = 12.0
NAMES = Names("the loud one", "the open one")
LEVELS = player("unprotected")
Audio = NDArray[np.floating]


def music(seed: int = 3) -> Audio:
    """Pink noise in two channels that swells from −42 to −22 dB RMS and back, twice."""
    frames = signals.frames_of(SECONDS, RATE)
    noise = np.stack([signals.pink_noise(frames, seed + side, RATE) for side in (0, 1)], axis=1)
    swell = 10.0 ** ((-32.0 + 10.0 * np.sin(2.0 * np.pi * np.arange(frames) / (6.0 * RATE))) / 20.0)
    return noise * swell[:, np.newaxis]


def pair_of(folder: Path, loud: Audio, open_: Audio, *profiles: Profile) -> VersionPair:
    tracks = []
    for name, samples in (("loud", loud), ("open", open_)):
        path = folder / f"{name}.wav"
        soundfile.write(path, samples, RATE, subtype="FLOAT")
        tracks.append(Track(str(path), name, song="song"))
    delivered = measure_tracks(Playlist("", "", None, tuple(tracks), "", ""), Store(None, print), 0)
    chosen = list(profiles) or [LEVELS]
    table = predict(chosen, delivered, "", Store(None, print), 0)
    measured = [one.measurement for one in delivered]
    assert measured[0] is not None
    assert measured[1] is not None
    both = [tuple(found for found in row if isinstance(found, Prediction)) for row in table]
    return VersionPair((tracks[0], tracks[1]), (measured[0], measured[1]), chosen, [(a, b) for a, b in both])


def compared(
    folder: Path, change: Callable[[Audio], Audio], *profiles: Profile
) -> tuple[VersionPair, Comparison]:
    open_ = music()
    pair = pair_of(folder, change(open_), open_, *profiles)
    return pair, compare_pair(pair, Store(None, print))


def test_a_pair_that_differs_by_a_gain_costs_nothing(tmp_path: Path) -> None:
    """6 dB up: matched by −6.00 dB, no residual above float32's rounding, nothing left as played."""
    _, found = compared(tmp_path, lambda wave: wave * 10.0 ** (6.0 / 20.0))
    assert found.alignment.kind == "aligned"
    assert found.difference is not None
    assert found.difference.match_gain_db == pytest.approx(-6.0, abs=1e-4)
    assert found.difference.residual_lu is None or found.difference.residual_lu < -110.0
    assert found.delivered.gap.integrated_lu == pytest.approx(6.0, abs=1e-3)
    assert found.delivered.gap.contrast_lu == pytest.approx(0.0, abs=1e-3)
    played = found.played[0].side.gap
    assert played.most is not None
    assert played.least is not None
    for value in (
        played.integrated_lu,
        played.punch_db,
        played.most.difference_lu,
        played.least.difference_lu,
    ):
        assert value == pytest.approx(0.0, abs=1e-3)


def test_clipping_of_known_depth_costs_its_residual(tmp_path: Path) -> None:
    """Cut flat 6 dB below the peak and raised by 6 dB: the fitted gain and the residual are those of plain
    least squares on the K-weighted signals, done here by scipy with the standard's coefficients."""
    limit = float(np.abs(music()).max()) * 0.5
    _, found = compared(tmp_path, lambda wave: np.clip(wave, -limit, limit) * 2.0)
    open_ = k_weighted(music())
    loud = k_weighted(np.clip(music(), -limit, limit) * 2.0)
    gain = float((open_ * loud).sum() / (loud * loud).sum())
    residual = 10.0 * np.log10(((open_ - gain * loud) ** 2).sum() / (open_**2).sum())
    assert found.difference is not None
    assert found.difference.match_gain_db == pytest.approx(20.0 * np.log10(gain), abs=0.002)
    assert found.difference.residual_lu == pytest.approx(residual, abs=0.05)
    assert found.delivered.gap.share_at_ceiling > 0.0
    assert found.delivered.gap.punch_db is not None
    assert -7.0 < found.delivered.gap.punch_db < -3.0


def k_weighted(samples: Audio) -> Audio:
    """ITU-R BS.1770-5 Annex 1 at 44.1 kHz: the coefficients that the bilinear transform of the 48 kHz table's
    analogue filters gives."""
    from scipy.signal import lfilter

    shelf = lfilter(
        [1.53088032413553, -2.65135129286719, 1.16934402632897], [1.0, -1.66390180049632, 0.71277485809363],
        samples, axis=0,
    )  # fmt: skip
    return np.asarray(
        lfilter(
            [0.99956006661849, -1.99912013323699, 0.99956006661849],
            [1.0, -1.98916967777235, 0.98919903990713],
            shelf,
            axis=0,
        )
    )


def test_known_gain_riding_is_called_that(tmp_path: Path) -> None:
    """±3 dB, once in 6 s, on a swell of ±10 dB of the same phase: smooth, so nearly all of the residual is
    riding; and the contrast is that of a swell of ±13 dB, computed from the two powers alone."""
    curve = 10.0 ** (
        3.0 * np.sin(2.0 * np.pi * np.arange(signals.frames_of(SECONDS, RATE)) / (6.0 * RATE)) / 20.0
    )
    _, found = compared(tmp_path, lambda wave: wave * curve[:, np.newaxis])
    assert found.difference is not None
    assert found.difference.gain_riding_share is not None
    assert found.difference.gain_riding_share > 0.95
    at = (np.arange(SECONDS * 1000) + 0.5) / 1000.0
    windows = [
        np.convolve(
            10.0 ** (depth_db * np.sin(2.0 * np.pi * at / 6.0) / 10.0), np.ones(3000) / 3000.0, "valid"
        )
        for depth_db in (10.0, 13.0)
    ]
    loudest = int(np.argmax(windows[0]))
    quietest = int(np.argsort(windows[0])[windows[0].shape[0] // 10])
    gains = [10.0 * np.log10(windows[1][place] / windows[0][place]) for place in (loudest, quietest)]
    # 0.3 LU: noise in 3 s is not its mean power
    assert found.delivered.gap.contrast_lu == pytest.approx(gains[0] - gains[1], abs=0.3)


@pytest.mark.heavy
def test_another_song_is_refused(tmp_path: Path) -> None:
    pair = pair_of(tmp_path, 2.0 * music(40), music(3))
    for whole in (True, False):
        with pytest.raises(UsageError, match=r"loud\.wav is not a version of .*open\.wav"):
            compare_pair(pair, Store(None, print), difference_too=whole)


@pytest.mark.heavy
def test_a_version_with_little_in_common_keeps_its_numbers_and_gets_no_difference(tmp_path: Path) -> None:
    """A shared part 14 dB below other music: not the same performance, and yet no other song (a remix, a
    guide track)."""
    pair = pair_of(tmp_path, music(40) + 0.2 * music(3), music(3))
    found = compare_pair(pair, Store(None, print))
    assert found.alignment.kind == "different"
    assert found.alignment.similarity > UNRELATED
    assert found.difference is None
    assert not found.passages.shared
    assert found.delivered.gap.integrated_lu is not None


@pytest.mark.heavy
def test_what_is_too_short_to_be_judged_is_not_called_another_song(tmp_path: Path) -> None:
    pair = pair_of(tmp_path, music(40)[: 2 * RATE], music(3)[: 2 * RATE])
    assert compare_pair(pair, Store(None, print)).alignment.kind == "different"


def test_overs_are_counted_again_after_a_gain(tmp_path: Path) -> None:
    """A gain moves the border: what is still over is counted on the player's own output."""
    open_ = music()
    spikes = signals.click_train(RATE, SECONDS)[: open_.shape[0], np.newaxis]
    loud = open_ + spikes * np.linspace(0.5, 3.0, open_.shape[0])[:, np.newaxis]
    profiles = [player("never", target_lufs=None), player("unprotected", max_cut_db=4.0, target_lufs=-40.0)]
    pair = pair_of(tmp_path, loud, open_, *profiles)
    found = compare_pair(pair, Store(None, print))
    before = pair.delivered[0].over_count
    untouched, cut = (played.side.loud.over_count for played in found.played)
    assert untouched == before > 10
    assert found.played[1].side.loud.gain_db == pytest.approx(-4.0)
    played, _ = play_array(loud.astype(np.float32), RATE, ChainSettings(-4.0))
    assert cut == measure_array(played, RATE).over_count
    assert 0 < cut < before
    assert found.played[1].side.open.over_count == 0


def test_pictures_are_named_after_the_profile_where_there_are_several(tmp_path: Path) -> None:
    one, two = replace_id("one"), replace_id("two")
    files = [tmp_path / "a.svg", tmp_path / "b.PNG"]
    assert picture_paths(files, [one], False) == [files]
    assert picture_paths(files[:1], [one, two], False) == [[tmp_path / "a-one.svg"], [tmp_path / "a-two.svg"]]
    with pytest.raises(UsageError, match=r"a picture must be an \.svg or \.png file"):
        picture_paths([tmp_path / "a.jpg"], [one], False)
    files[0].write_text("mine")
    with pytest.raises(WriteError, match="not overwritten"):
        picture_paths(files, [one], False)
    assert picture_paths(files, [one], True) == [files]


def replace_id(profile_id: str) -> Profile:
    from msgspec import structs

    return structs.replace(LEVELS, id=profile_id)


@pytest.mark.heavy
def test_both_kinds_of_picture_are_written_whole(tmp_path: Path) -> None:
    pair, found = compared(tmp_path, lambda wave: np.clip(wave * 3.0, -0.5, 0.5))
    played = found.played[0]
    versions = [
        Drawn(NAMES.open, None, pair.delivered[1], played.open.prediction.played, found.delivered.open,
              played.side.open),
        Drawn(NAMES.loud, found.alignment, pair.delivered[0], played.loud.prediction.played,
              found.delivered.loud, played.side.loud),
    ]  # fmt: skip
    drawing = Drawing("loud is louder.", "A player", versions, found.passages)
    for name, begins in (("a.svg", b"<?xml"), ("b.png", b"\x89PNG")):
        write_picture(tmp_path / name, drawing, False)
        assert (tmp_path / name).read_bytes().startswith(begins)
    assert "the open one" in (tmp_path / "a.svg").read_text(encoding="utf-8")
    with pytest.raises(WriteError, match=r"already exists? and w"):
        write_picture(tmp_path / "a.svg", drawing, False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.svg", "b.png", "loud.wav", "open.wav"]


@pytest.mark.heavy
@pytest.mark.parametrize("kind", ["pink", "car"])
def test_under_noise_both_get_the_same_bed_at_the_level_that_was_asked_for(tmp_path: Path, kind: str) -> None:
    """What is not the player's output, turned by the trim, is the bed: 9 LU below the open one as played."""
    pair, found = compared(tmp_path, lambda wave: np.clip(wave * 3.0, -0.5, 0.5))
    noise = Noise(9.0, "car" if kind == "car" else "pink")
    trim_db = write_under_noise(pair, 0, found, NAMES, noise, tmp_path / "out", False)
    targets = noise_targets(pair, tmp_path / "out")
    assert [path.name for path in targets] == ["01-loud-under-noise.wav", "02-open-under-noise.wav",
                                               "under-noise.txt"]  # fmt: skip
    beds = []
    for track, prediction, target in zip(pair.tracks, pair.predictions[0], targets, strict=False):
        source, _ = soundfile.read(track.path, dtype="float32")
        out, rate = soundfile.read(target, dtype="float32")
        assert (out.shape, rate) == (source.shape, RATE)
        assert np.abs(out).max() < 10.0 ** (-1.0 / 20.0) + 1e-6
        played, _ = play_array(source, RATE, ChainSettings(prediction.decision.gain_db))
        beds.append(out.astype(np.float64) / 10.0 ** (trim_db / 20.0) - played)
    np.testing.assert_allclose(beds[0], beds[1], atol=1e-6)
    assert pair.predictions[0][1].played.integrated_lufs == pytest.approx(-14.0, abs=1e-6)
    whole = noise_bed(np.random.default_rng(NOISE_SEED), noise.kind, -23.0, RATE, 2)
    np.testing.assert_allclose(beds[0], whole[: beds[0].shape[0]], atol=1e-6)
    # 0.3 LU: 12 of the bed's 20 s
    assert measure_array(beds[0].astype(np.float32), RATE).integrated_lufs == pytest.approx(-23.0, abs=0.3)
    text = targets[2].read_text(encoding="utf-8")
    assert "at −23.0 LUFS, 9.0 LU below the open one as played" in text
    with pytest.raises(WriteError, match="not overwritten"):
        write_under_noise(pair, 0, found, NAMES, noise, tmp_path / "out", False)


def test_silence_has_no_level_to_lay_a_noise_under(tmp_path: Path) -> None:
    silent = np.zeros((RATE * 4, 2))
    pair = pair_of(tmp_path, silent, silent)
    found = compare_pair(pair, Store(None, print))
    with pytest.raises(UsageError, match="no level for the noise"):
        write_under_noise(pair, 0, found, NAMES, Noise(9.0, "pink"), tmp_path / "out", False)
    assert replace(found).difference is None

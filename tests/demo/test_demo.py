"""The demo's files hold what the demo says about them: measured on what is really rendered."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from simulator.demo import demo
from simulator.demo.demo import fingerprint, playing_order, scores
from simulator.demo.score import ScoreError
from simulator.metering.measurement import Measurement
from simulator.metering.meter import measure_array

FOLDER = Path(__file__).parents[2] / "demo_playlist"
OPEN, CRUSHED, DANCE = "lanterns-open", "lanterns-crushed", "phosphor-grid"
BALLAD, ORCHESTRA, SOLO = "ferry-road", "rising-tide", "six-strings"


def texts() -> dict[str, str]:
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(FOLDER.glob("*.toml"))}


@pytest.fixture(scope="session")
def rendered() -> dict[str, tuple[np.ndarray, Measurement]]:
    """Every file of the demo and its measurement, two pieces at a time."""

    def work(piece: demo.Score) -> list[tuple[str, tuple[np.ndarray, Measurement]]]:
        return [(stem, (samples, measure_array(samples, rate))) for stem, rate, samples in demo.files(piece)]

    with ThreadPoolExecutor(2) as pool:
        return dict(entry for made in pool.map(work, scores(texts()).values()) for entry in made)


def measured(rendered: dict[str, tuple[np.ndarray, Measurement]], stem: str) -> Measurement:
    return rendered[stem][1]


def loudest_above_integrated(m: Measurement) -> float:
    assert m.max_short_term_lufs is not None
    assert m.integrated_lufs is not None
    return m.max_short_term_lufs - m.integrated_lufs


@pytest.mark.heavy
def test_the_open_master_plays_at_minus_14_untouched_with_a_loud_chorus(rendered) -> None:
    m = measured(rendered, OPEN)
    assert m.integrated_lufs == pytest.approx(-14.0, abs=0.3)
    assert -1.5 <= m.true_peak_dbtp <= -1.0
    assert loudest_above_integrated(m) >= 3.5
    assert 12.0 <= m.peak_to_loudness_db <= 14.0


@pytest.mark.heavy
def test_the_crushed_master_is_loud_flat_at_its_ceiling_and_over_between_samples(rendered) -> None:
    samples, m = rendered[CRUSHED]
    assert m.integrated_lufs > -7.5
    assert loudest_above_integrated(m) <= 2.5
    assert m.sample_peak_dbfs == pytest.approx(-0.1, abs=0.05)
    assert np.abs(samples).max() <= 1.0
    assert m.true_peak_dbtp > 0.0
    assert m.over_count > 10
    assert m.median_peak_to_short_term_db < measured(rendered, OPEN).median_peak_to_short_term_db - 2.5


@pytest.mark.heavy
def test_both_masters_are_one_song_of_one_length(rendered) -> None:
    one, two = rendered[OPEN][0], rendered[CRUSHED][0]
    assert one.shape == two.shape
    assert np.corrcoef(one[:, 0], two[:, 0])[0, 1] > 0.85


@pytest.mark.heavy
def test_the_dance_track_is_dense_and_loud_by_nature(rendered) -> None:
    m = measured(rendered, DANCE)
    assert -9.0 <= m.integrated_lufs <= -7.0
    assert loudest_above_integrated(m) < 2.5
    assert m.true_peak_dbtp < 0.0


@pytest.mark.heavy
def test_the_ballad_starts_quiet_and_ends_big(rendered) -> None:
    m = measured(rendered, BALLAD)
    energy = m.series.energy
    third = len(energy) // 3
    assert 10.0 * np.log10(energy[-third:].mean() / energy[:third].mean()) > 9.0
    assert loudest_above_integrated(m) > 3.5
    assert m.quietest_passage_lufs < m.integrated_lufs - 8.0


@pytest.mark.heavy
def test_the_orchestral_piece_has_a_plr_over_16_db(rendered) -> None:
    m = measured(rendered, ORCHESTRA)
    assert m.peak_to_loudness_db > 16.0
    assert -14.0 - m.integrated_lufs > -1.0 - m.true_peak_dbtp  # raised to -14 it would pass -1 dBTP


@pytest.mark.heavy
def test_the_interlude_is_short_and_soft(rendered) -> None:
    m = measured(rendered, SOLO)
    assert 20.0 <= m.duration_s <= 35.0
    assert m.integrated_lufs < -17.0


@pytest.mark.heavy
@pytest.mark.parametrize("stem", [OPEN, CRUSHED, DANCE, BALLAD, ORCHESTRA, SOLO])
def test_every_file_is_stereo_music_without_dc_that_ends_by_itself(rendered, stem: str) -> None:
    samples, m = rendered[stem]
    assert samples.dtype == np.float32
    assert m.sample_rate == 44100
    assert stem == SOLO or 60.0 <= m.duration_s <= 75.0
    assert 0.3 <= m.correlation <= 0.9
    # the mixes have none; a soft clip moves the mean of waves that are not symmetric
    assert max(abs(value) for value in m.dc_offset) < (2e-3 if stem in (CRUSHED, DANCE) else 1e-4)
    assert np.abs(samples[-2205:]).max() < 10.0 ** (-60.0 / 20.0)  # the last 50 ms
    power = np.square(np.abs(np.fft.rfft(samples.mean(axis=1), 1 << 22)))
    bins = np.fft.rfftfreq(1 << 22, 1.0 / m.sample_rate)
    low, middle, high = (
        10.0 * np.log10(power[(bins >= a) & (bins < b)].sum())
        for a, b in ((40.0, 500.0), (500.0, 4000.0), (4000.0, 16000.0))
    )
    assert low - 12.0 < middle < low + 8.0  # neither muffled nor nasal
    assert middle > high + 2.0  # music's spectrum falls


def test_the_playlist_names_the_files_that_the_scores_make_both_masters_first() -> None:
    order = playing_order(texts())
    assert order[:2] == (OPEN, CRUSHED)
    made = [recipe.file for piece in scores(texts()).values() for recipe in piece.head.master]
    assert tuple(made) == order


def test_a_playlist_that_names_another_file_is_refused() -> None:
    changed = texts()
    changed["playlist"] = changed["playlist"].replace("six-strings.wav", "seven-strings.wav")
    with pytest.raises(ScoreError, match=r"seven-strings"):
        scores(changed)


def test_the_fingerprint_follows_every_text_and_not_the_line_ends() -> None:
    plain = fingerprint(texts())
    assert plain == fingerprint({name: text.replace("\n", "\r\n") for name, text in texts().items()})
    changed = texts()
    changed["lanterns"] = changed["lanterns"].replace("seed = 4101", "seed = 4102")
    assert fingerprint(changed) != plain
    assert len(plain) == 16

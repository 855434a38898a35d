"""Every instrument and drum: in tune, clean at its edges, no DC, the same again."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.demo.drums import KITS
from simulator.demo.instruments import (
    ENSEMBLES,
    LOOP_FRAMES,
    NOTE_RMS,
    RMS,
    SOLOS,
    STRUCK,
    Tone,
    ensemble_loop,
    solo_phrase,
)
from simulator.demo.pattern import frequency_hz

RATE = 44100


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def strength_at(sound: np.ndarray, hertz: float, cents: float = 20.0) -> float:
    """Share of the power within `cents` of the pitch's first six partials, plus 3 Hz."""
    power = np.square(np.abs(np.fft.rfft(sound * np.hanning(len(sound)))))
    bins = np.fft.rfftfreq(len(sound), 1.0 / RATE)
    near = np.zeros(len(bins), dtype=bool)
    for number in range(1, 7):
        near |= np.abs(bins - number * hertz) < number * hertz * (2.0 ** (cents / 1200.0) - 1.0) + 3.0
    return float(power[near].sum() / power.sum())


@pytest.mark.parametrize("name", sorted(STRUCK))
@pytest.mark.parametrize("velocity", [0.3, 1.0])
def test_a_struck_note_is_in_tune_levelled_and_clean_at_its_edges(name: str, velocity: float) -> None:
    hertz = frequency_hz(45 if name in ("electric_bass", "synth_bass", "timpani") else 64)
    note = STRUCK[name].make(hertz, velocity, 2.0, RATE, rng())
    assert np.isfinite(note).all()
    rms = np.sqrt(np.mean(np.square(note[:, : int(0.3 * RATE)])))
    assert rms == pytest.approx(NOTE_RMS, rel=1e-3)
    assert strength_at(note[0], hertz) > (0.45 if name == "timpani" else 0.75)  # a kettle has other modes
    assert np.abs(note[:, [0, -1]]).max() < 0.01
    assert np.abs(note.mean(axis=1)).max() < 1e-3


@pytest.mark.parametrize("name", sorted(ENSEMBLES))
def test_a_section_loops_without_a_seam_in_tune_and_differs_left_and_right(name: str) -> None:
    hertz = frequency_hz(60)
    loop = ensemble_loop(ENSEMBLES[name], hertz, 0.8, RATE, rng())
    assert loop.shape == (2, LOOP_FRAMES)
    assert np.sqrt(np.mean(np.square(loop))) == pytest.approx(RMS, rel=1e-3)
    seam = np.abs(loop[:, 0] - loop[:, -1]).max()
    assert seam <= np.abs(np.diff(loop, axis=1)).max()
    assert strength_at(loop[0], hertz, 60.0) > 0.8
    alike = [
        np.corrcoef(ensemble_loop(ENSEMBLES[name], frequency_hz(pitch), 0.8, RATE, rng()))[0, 1]
        for pitch in (48, 55, 60, 64, 67)
    ]
    assert 0.2 < np.mean(alike) < 0.7  # few random bins hold a narrow section: single notes vary


@pytest.mark.parametrize("name", sorted(SOLOS))
def test_a_solo_phrase_arrives_at_each_note_without_clicks(name: str) -> None:
    second = RATE
    tones = [
        Tone(0, second, 62, 0.8, (1.0, 1.0)),
        Tone(second, 2 * second, 69, 0.8, (1.0, 0.5)),
    ]
    phrase = solo_phrase(SOLOS[name], tones, RATE, rng())
    assert strength_at(phrase[int(0.3 * RATE) : int(0.9 * RATE)], frequency_hz(62), 40.0) > 0.85
    assert strength_at(phrase[int(1.3 * RATE) : int(1.9 * RATE)], frequency_hz(69), 40.0) > 0.85
    steps = np.abs(np.diff(phrase))
    held = steps[int(0.3 * RATE) : int(0.9 * RATE)].max()
    joint = steps[int(0.95 * RATE) : int(1.1 * RATE)].max()
    assert joint < 1.8 * held  # the joint moves no faster than the notes themselves
    assert np.abs(phrase[[0, -1]]).max() < 1e-3


@pytest.mark.parametrize(("kit", "sound"), [(kit, sound) for kit in KITS for sound in KITS[kit]])
def test_a_drum_has_a_transient_and_dies_away(kit: str, sound: str) -> None:
    hit = KITS[kit][sound].make(1.0, RATE, rng())
    assert np.abs(hit).max() == pytest.approx(1.0, abs=1e-6)
    assert np.argmax(np.abs(hit)) < 0.05 * RATE
    tenth = len(hit) // 10
    early, late = np.square(hit[:tenth]).mean(), np.square(hit[-tenth:]).mean()
    assert 10.0 * np.log10(early / late) > 20.0
    assert abs(float(hit[0])) < 0.1
    assert abs(float(hit[-1])) < 0.01


def test_a_kick_falls_in_pitch() -> None:
    hit = KITS["studio_kit"]["kick"].make(1.0, RATE, rng())
    crossings = np.nonzero(np.diff(np.signbit(hit[int(0.015 * RATE) :])))[0]
    gaps = np.diff(crossings)
    assert gaps[0] < gaps[4]

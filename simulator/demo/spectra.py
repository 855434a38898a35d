"""Harmonics of sustained instruments by pitch and strength of playing.

Conventions: a spectrum maps harmonic numbers (1, 2, ...), their frequencies in Hz and a velocity (0
to 1) to amplitudes, unscaled. Played harder, the slope gets flatter: that, more than level, is what
"loud" sounds like. The resonances are round values of the project's own that follow what the
acoustics textbooks say about vowels, string bodies and bells (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simulator.demo.modal import Values

Spectrum = Callable[[Values, Values, float], Values]
Resonance = tuple[float, float, float]
"""Centre in Hz, bandwidth in Hz, gain over the floor."""


def resonances(hertz: Values, peaks: tuple[Resonance, ...], floor: float) -> Values:
    """The floor plus a bell for each resonance."""
    total = np.full_like(hertz, floor)
    for centre, width, gain in peaks:
        total += gain / (1.0 + np.square((hertz - centre) / (0.5 * width)))
    return total


def low_pass(hertz: Values, corner_hz: float, order: float) -> Values:
    """A gentle roll-off: half power at the corner, 6·order dB an octave above it."""
    return np.asarray((1.0 + np.square(hertz / corner_hz)) ** (-0.5 * order), dtype=np.float64)


def _voice(peaks: tuple[Resonance, ...], slope: float) -> Spectrum:
    def spectrum(number: Values, hertz: Values, velocity: float) -> Values:
        source = number ** -(slope - 0.45 * velocity)
        return source * resonances(hertz, peaks, 0.1) * low_pass(hertz, 5200.0, 2.0)

    return spectrum


AH = ((760.0, 190.0, 1.0), (1260.0, 380.0, 0.6), (2750.0, 420.0, 0.5), (3500.0, 420.0, 0.24))
OH = ((500.0, 170.0, 1.0), (900.0, 180.0, 0.6), (2600.0, 320.0, 0.18), (3300.0, 420.0, 0.12))
BOWED_BODY = ((280.0, 90.0, 0.7), (460.0, 140.0, 0.8), (1100.0, 600.0, 0.6), (2700.0, 1500.0, 0.7))
CELLO_BODY = ((105.0, 40.0, 0.6), (190.0, 60.0, 0.8), (420.0, 250.0, 0.6), (1400.0, 900.0, 0.45))


def _bowed(number: Values, hertz: Values, velocity: float) -> Values:
    corner = 2200.0 + 3800.0 * velocity
    return number**-1.0 * resonances(hertz, BOWED_BODY, 0.5) * low_pass(hertz, corner, 2.0)


def _cello(number: Values, hertz: Values, velocity: float) -> Values:
    corner = 900.0 + 2200.0 * velocity
    return number**-1.0 * resonances(hertz, CELLO_BODY, 0.4) * low_pass(hertz, corner, 2.0)


def _flute(number: Values, hertz: Values, velocity: float) -> Values:
    strength = np.where(number == 1, 1.0, np.where(number == 2, 0.25 + 0.35 * velocity, 0.3))
    return strength * number ** -(1.9 - 0.6 * velocity) * low_pass(hertz, 5000.0, 2.0)


def _horn(number: Values, hertz: Values, velocity: float) -> Values:
    corner = 420.0 + 1500.0 * velocity**1.5
    return number**-0.5 * low_pass(hertz, corner, 3.0) * resonances(hertz, ((340.0, 300.0, 0.5),), 0.8)


def _oboe(number: Values, hertz: Values, velocity: float) -> Values:
    peaks = ((1100.0, 500.0, 1.3), (2900.0, 900.0, 0.5))
    return number ** -(1.0 - 0.2 * velocity) * resonances(hertz, peaks, 0.25) * low_pass(hertz, 4500.0, 2.0)


def _saw(number: Values, hertz: Values, velocity: float) -> Values:
    return number**-1.0 * low_pass(hertz, 1500.0 + 6500.0 * velocity, 1.5)


def _warm(number: Values, hertz: Values, velocity: float) -> Values:
    return number**-1.15 * low_pass(hertz, 700.0 + 1500.0 * velocity, 1.5)


def _hollow(number: Values, hertz: Values, velocity: float) -> Values:
    odd = np.where(number % 2 == 1, 1.0, 0.3)
    return odd * number**-1.0 * low_pass(hertz, 1200.0 + 3000.0 * velocity, 1.5)


SPECTRA: dict[str, Spectrum] = {
    "ah": _voice(AH, 1.05),
    "oh": _voice(OH, 1.15),
    "bowed": _bowed,
    "cello": _cello,
    "flute": _flute,
    "horn": _horn,
    "oboe": _oboe,
    "saw": _saw,
    "warm": _warm,
    "hollow": _hollow,
}

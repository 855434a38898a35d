"""Findings on the file: rate, word length, dither, a spectrum cut by an earlier, lower rate.

These are hints: nothing in a file proves where it came from. Word lengths are counted, a missing dither is
seen only where the music is quieter than the last bits of 16, and an earlier rate only by a steep edge at one
half of it with nothing above.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simulator.delivery.finding import PRACTICE, PROJECT, Finding
from simulator.delivery.scan import SPECTRUM_WINDOW, Scan

CUSTOMARY_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
EARLIER_RATES = (22_050, 32_000, 44_100, 48_000, 88_200, 96_000)
EDGE_DROP_DB = 30.0
"""Across 6 % of the frequency: no music falls so steeply by itself, sample-rate converters do by more."""
DITHER_BITS = 16
"""Above 16 bits missing dither stays below what converters themselves add."""


def file_findings(scan: Scan, bits: int | None, lossy: bool, subtype: str) -> list[Finding]:
    """`bits` is the integer word length of the file, None for floating point or lossy."""
    findings = [_rate(scan.sample_rate)]
    if lossy:
        findings.append(
            Finding("word_length", "Effective bit depth", "look", None, "bits", None, (),
                    f"A lossy file ({subtype}) has no bit depth.",
                    "Deliver from the lossless master: encoding twice adds losses.", PRACTICE)
        )  # fmt: skip
        return findings
    findings += [_word_length(scan, bits), _dither(scan), _bandwidth(scan)]
    return findings


def _rate(sample_rate: int) -> Finding:
    known = sample_rate in CUSTOMARY_RATES
    return Finding(
        "sample_rate", "Sample rate", "fine" if known else "look", float(sample_rate), "Hz",
        text="" if known else "Not a customary rate for masters.",
        advice="" if known else "Re-export at the rate that was asked for.",
    )  # fmt: skip


def _word_length(scan: Scan, bits: int | None) -> Finding:
    used = scan.word_bits
    holds = "floating point" if bits is None else f"{bits} bit"
    where = ("word_length", "Effective bit depth")
    if used is None:
        return Finding(*where, "fine", None, "bits", None, (), f"The file is {holds}, finer than 24 bit.",
                       "", PROJECT)  # fmt: skip
    if not used:
        return Finding(*where, "fine", 0.0, "bits", None if bits is None else float(bits), (),
                       "Digital silence.", "", PROJECT)  # fmt: skip
    against = None if bits is None else float(bits)
    padded = used <= 16 and (bits is None or bits > 16)
    short = used < 16
    if not padded and not short:
        return Finding(*where, "fine", float(used), "bits", against, (), "", "", PROJECT)
    return Finding(
        *where, "look", float(used), "bits", against, (), f"The file is {holds}, the music uses {used}.",
        "Re-export from the stage before bit depth was lost, if more was intended.", PROJECT,
    )  # fmt: skip


def _dither(scan: Scan) -> Finding:
    missing = bool(scan.undithered_at_s) and scan.word_bits is not None and scan.word_bits <= DITHER_BITS
    return Finding(
        "dither", "Dither", "look" if missing else "fine", None, "", None,
        scan.undithered_at_s[:10] if missing else (),
        f"In quiet places the last of {scan.word_bits} bits does not move, as dither would make it."
        if missing else "No sign of missing dither.",
        "Reduce the bit depth again, with dither as the last step." if missing else "",
        "Lipshitz, Wannamaker, Vanderkooy, JAES 40, 1992 (from memory)",
    )  # fmt: skip


def _bandwidth(scan: Scan) -> Finding:
    earlier = earlier_rate(scan)
    return Finding(
        "upsampled", "Likely original sample rate", "fine" if earlier is None else "look",
        float(scan.sample_rate if earlier is None else earlier), "Hz", float(scan.sample_rate), (),
        "" if earlier is None else f"A steep edge at {earlier / 2000:g} kHz with nothing above it, as "
        f"after {earlier / 1000:g} kHz or a lossy file.",
        "" if earlier is None else "Check the source of this master.", PROJECT,
    )  # fmt: skip


def earlier_rate(scan: Scan) -> int | None:
    """The lower rate whose half shows as an edge in the spectrum; None where there is none."""
    if not scan.spectrum.any():
        return None
    for rate in _lower(scan.sample_rate):
        edge = rate / 2.0
        # shaped dither and a converter's skirt end well above a steep edge, so a window beyond it is judged
        below = _mean_db(scan, 0.90 * edge, 0.97 * edge)
        above = _mean_db(scan, 1.03 * edge, min(1.10 * edge, 0.49 * scan.sample_rate))
        highest = _highest_db(scan, 1.03 * edge)
        if below is None or above is None or highest is None:
            continue
        if below - above >= EDGE_DROP_DB and highest <= below - EDGE_DROP_DB / 2.0:
            return rate
    return None


def _lower(sample_rate: int) -> Sequence[int]:
    return [rate for rate in EARLIER_RATES if rate * 1.06 < sample_rate]


def _bins(scan: Scan, low_hz: float, high_hz: float) -> slice:
    per_hz = SPECTRUM_WINDOW / scan.sample_rate
    return slice(int(np.ceil(low_hz * per_hz)), int(np.floor(high_hz * per_hz)) + 1)


def _mean_db(scan: Scan, low_hz: float, high_hz: float) -> float | None:
    part = scan.spectrum[_bins(scan, low_hz, high_hz)]
    return float(10.0 * np.log10(part.mean() + 1e-30)) if part.shape[0] else None


def _highest_db(scan: Scan, low_hz: float) -> float | None:
    part = scan.spectrum[_bins(scan, low_hz, scan.sample_rate * 0.49)]
    return float(10.0 * np.log10(part.max() + 1e-30)) if part.shape[0] else None

"""Findings on the file, its channels, and its beginning and end. Limits: common practice, no source.

File: word length is counted, missing dither shows only where the music is quieter than the last bits of 16,
an earlier sample rate only by a steep edge at half of it with nothing above. These are hints, not proofs.

Channels: DC, balance (left minus right in dB over the file), correlation (−1 to 1), silent or identical
channels. Inverted polarity shows in the whole (−0.9 or less) or, in wide music, in the bass, which masters
keep in the middle: below 0 in the whole and −0.5 below 200 Hz.

Edges: silence is below −80 dBFS. An end is cut where its last 5 ms still play, a start clicks where the first
sample is high, and a burst under 5 ms with silence on both sides is a click.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulator.common.text import true_minus
from simulator.common.units import db_to_gain, format_time, gain_to_db
from simulator.delivery.finding import PRACTICE, PROJECT, Finding, Level, found_if
from simulator.delivery.scan import MIDDLE_S, SILENT, SPECTRUM_WINDOW, Scan
from simulator.metering.measurement import Measurement

CUSTOMARY_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
EARLIER_RATES = (22_050, 32_000, 44_100, 48_000, 88_200, 96_000)
EDGE_DROP_DB = 30.0
"""Across 6 % of the frequency: no music falls so steeply by itself, sample-rate converters do by more."""
DITHER_BITS = 16
"""Above 16 bits missing dither stays below what converters themselves add."""


def file_findings(scan: Scan, bits: int | None, lossy: bool, subtype: str) -> list[Finding]:
    """`bits` is the integer word length of the file, None for floating point or lossy."""
    rate = found_if(
        scan.sample_rate not in CUSTOMARY_RATES, "sample_rate", "Sample rate", float(scan.sample_rate), "Hz",
        None, (), "Not a customary rate for masters.", "Re-export at the rate that was asked for.",
    )  # fmt: skip
    if not lossy:
        return [rate, _word_length(scan, bits), _dither(scan), _bandwidth(scan)]
    return [
        rate,
        Finding("word_length", "Effective bit depth", "look", None, "bits", None, (),
                f"A lossy file ({subtype}) has no bit depth.",
                "Deliver from the lossless master: encoding twice adds losses.", PRACTICE),
    ]  # fmt: skip


def _word_length(scan: Scan, bits: int | None) -> Finding:
    used = scan.word_bits
    holds = "floating point" if bits is None else f"{bits} bit"
    where = ("word_length", "Effective bit depth")
    against = None if bits is None else float(bits)
    if used is None:
        return Finding(*where, "fine", None, "bits", None, (), f"The file is {holds}, finer than 24 bit.",
                       "", PROJECT)  # fmt: skip
    if not used:
        return Finding(*where, "fine", 0.0, "bits", against, (), "Digital silence.", "", PROJECT)
    padded = used <= 16 and (bits is None or bits > 16)
    return found_if(
        padded or used < 16, *where, float(used), "bits", against, (),
        f"The file is {holds}, the music uses {used}.",
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
    rate = scan.sample_rate if earlier is None else earlier
    return found_if(
        earlier is not None, "upsampled", "Likely original sample rate", float(rate), "Hz",
        float(scan.sample_rate), (),
        f"A steep edge at {rate / 2000:g} kHz with nothing above it, as after {rate / 1000:g} kHz or a lossy "
        "file.", "Check the source of this master.", PROJECT,
    )  # fmt: skip


def earlier_rate(scan: Scan) -> int | None:
    """The lower rate whose half shows as an edge in the spectrum; None where there is none."""
    if not scan.spectrum.any():
        return None
    for rate in (rate for rate in EARLIER_RATES if rate * 1.06 < scan.sample_rate):
        edge = rate / 2.0
        # shaped dither and a converter's skirt end well above a steep edge, so a window beyond it is judged
        top_hz = 0.49 * scan.sample_rate
        below = _band(scan, 0.90 * edge, 0.97 * edge)
        above = _band(scan, 1.03 * edge, min(1.10 * edge, top_hz))
        beyond = _band(scan, 1.03 * edge, top_hz)
        if not (below.size and above.size and beyond.size):
            continue
        level_db = _decibels(below.mean())
        steep = level_db - _decibels(above.mean()) >= EDGE_DROP_DB
        if steep and _decibels(beyond.max()) <= level_db - EDGE_DROP_DB / 2.0:
            return rate
    return None


def _band(scan: Scan, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """The powers of the spectrum from one frequency to another."""
    per_hz = SPECTRUM_WINDOW / scan.sample_rate
    return scan.spectrum[math.ceil(low_hz * per_hz) : math.floor(high_hz * per_hz) + 1]


def _decibels(power: float) -> float:
    return float(10.0 * np.log10(power + 1e-30))


DC_LIMIT = 0.001
"""−60 dBFS."""
BALANCE_DB = 0.8
CANCELLING = -0.05
"""Unrelated channels scatter around 0."""
OPPOSED = -0.9
OPPOSED_BASS = -0.5


def channel_findings(measurement: Measurement, scan: Scan) -> list[Finding]:
    """DC for every layout; the others for two channels."""
    findings = [_dc(measurement)]
    if measurement.channels == 2:
        findings += [_balance(scan), _correlation(measurement, scan)]
    return findings


def _dc(measurement: Measurement) -> Finding:
    worst = max(measurement.dc_offset, key=abs, default=0.0)
    bad = abs(worst) > DC_LIMIT
    channel = measurement.dc_offset.index(worst) + 1 if measurement.dc_offset else 1
    return Finding(
        "dc", "DC offset", "look" if bad else "fine", 100.0 * worst, "% of full scale", 100.0 * DC_LIMIT, (),
        true_minus(f"Channel {channel}: {20.0 * math.log10(abs(worst)):.0f} dBFS.") if bad else "",
        "Remove it with a high-pass below 10 Hz, before the last limiter." if bad else "",
    )  # fmt: skip


def _balance(scan: Scan) -> Finding:
    left, right = scan.channel_energy
    where = ("balance", "L/R balance")
    silent = [gain_to_db(math.sqrt(energy)) is None for energy in (left, right)]
    if all(silent):
        return Finding(*where, "fine", None, "dB", 0.0, (), "Both channels are silent.")
    if any(silent):
        side = "left" if silent[0] else "right"
        return Finding(*where, "fix", None, "dB", 0.0, (), f"The {side} channel is silent throughout.",
                       "Export again with both channels, or as mono.")  # fmt: skip
    value = 10.0 * math.log10(left / right)
    bad = abs(value) >= BALANCE_DB
    return found_if(
        bad, *where, value, "dB", BALANCE_DB if bad else 0.0, (),
        f"The {'left' if value > 0 else 'right'} channel is {abs(value):.1f} dB louder.",
        "Check that the centre image is centred.",
    )  # fmt: skip


def _correlation(measurement: Measurement, scan: Scan) -> Finding:
    value = measurement.correlation
    where = ("correlation", "L/R correlation")
    level: Level = "fine"
    text = advice = ""
    if value is None:
        text = "Not measurable."
    elif scan.same_channels:
        level, text = "look", "Both channels are identical: mono in two channels."
        advice = "Make sure this is intended."
    elif value <= OPPOSED or (value < 0.0 and (scan.bass_correlation or 0.0) <= OPPOSED_BASS):
        level, text = "fix", "One channel is polarity-inverted."
        advice = "Invert the polarity of one channel."
    elif value <= CANCELLING:
        level, text = "look", "The channels partly cancel in mono."
        advice = "Listen in mono."
    return Finding(*where, level, value, "", 0.0, (), text, advice)


HEAD_S, TAIL_S = 1.0, 5.0
END_S = 0.005
END_DBFS = -60.0
JUMP_DBFS = -40.0
CLICK_S = 0.005
AROUND_S = 0.030
CLICK_DBFS = -60.0
PLACES = 10


def edge_findings(scan: Scan, *, runs_on: bool = False) -> list[Finding]:
    """`runs_on`: the next track of the album follows without a gap, so that the end is meant to sound."""
    whole_s = scan.frames / scan.sample_rate
    return [
        _silence("head_silence", "Silence at the head", scan.head_s, HEAD_S, 0.0),
        _silence("tail_silence", "Silence at the tail", scan.tail_s, TAIL_S, whole_s - scan.tail_s),
        _start(scan),
        _end(scan, runs_on),
        _clicks(scan),
        _middle(scan),
        _dropouts(scan),
    ]


def _silence(check: str, name: str, seconds: float, most: float, at_s: float) -> Finding:
    at = (max(at_s, 0.0),)
    return found_if(seconds > most, check, name, seconds, "s", most, at, "Longer than usual.",
                    "Trim it, unless intended.")  # fmt: skip


def _start(scan: Scan) -> Finding:
    value = gain_to_db(float(np.abs(scan.head[0]).max())) if scan.head.shape[0] else None
    return found_if(
        value is not None and value > JUMP_DBFS, "start", "First sample", value, "dBFS", JUMP_DBFS, (0.0,),
        "The file starts on a non-zero sample and will click.",
        "Fade in over a few milliseconds, or start earlier.",
    )  # fmt: skip


def end_level_dbfs(scan: Scan) -> float | None:
    """The RMS of the last 5 ms about their mean (an offset is not sound); None for silence."""
    last = scan.tail[-max(round(END_S * scan.sample_rate), 1) :].astype(np.float64)
    return gain_to_db(float(last.std(axis=0).max())) if last.shape[0] else None


def _end(scan: Scan, runs_on: bool) -> Finding:
    value = end_level_dbfs(scan)
    where, sounds = ("end", "Level at the end"), value is not None and value > END_DBFS
    if sounds and runs_on:
        return Finding(*where, "fine", value, "dBFS", END_DBFS, (), "Runs into the next track.")
    return found_if(
        sounds, *where, value, "dBFS", END_DBFS, ((scan.frames - 1) / scan.sample_rate,),
        "Audio is still running at the end: the fade or reverb tail is cut off.",
        "Let it ring out, and fade to silence.",
    )  # fmt: skip


def _clicks(scan: Scan) -> Finding:
    offset_s = max(scan.frames - scan.tail.shape[0], 0) / scan.sample_rate
    at = _bursts(scan.head, scan.sample_rate)
    at += [offset_s + place for place in _bursts(scan.tail, scan.sample_rate) if offset_s + place not in at]
    return found_if(
        bool(at), "edge_clicks", "Clicks at the edges", float(len(at)), "clicks", 0.0, tuple(at),
        "A short burst with silence on both sides.", "Listen there and remove it.",
    )  # fmt: skip


def _middle(scan: Scan) -> Finding:
    longest = sorted(scan.silences, key=lambda gap: (-gap.seconds, gap.at_s))[:PLACES]
    return found_if(
        bool(longest), "middle_silence", "Silence in the middle", longest[0].seconds if longest else 0.0, "s",
        MIDDLE_S, tuple(gap.at_s for gap in longest), "All channels are silent, with music before and after.",
        "Listen there; cut it unless intended.",
    )  # fmt: skip


def _dropouts(scan: Scan) -> Finding:
    moments: dict[float, float] = {}
    for gap in scan.dropouts:
        moments[gap.at_s] = max(gap.seconds, moments.get(gap.at_s, 0.0))
    longest = sorted(moments, key=lambda at_s: (-moments[at_s], at_s))[:PLACES]
    text = ""
    if longest:
        channels = sorted({gap.channel + 1 for gap in scan.dropouts if gap.channel is not None})
        which = f"channel{'s' if len(channels) > 1 else ''} {', '.join(map(str, channels))}"
        text = (
            f"Digital silence in the middle of audio, in {which}. "
            f"The longest: {1000.0 * moments[longest[0]]:.1f} ms at {format_time(longest[0])}."
        )
    count = float(len(moments))
    return found_if(bool(longest), "dropouts", "Dropouts", count, "dropouts", 0.0, tuple(longest), text,
                    "Listen there; unless intended, export again.")  # fmt: skip


def _bursts(samples: NDArray[np.float32], rate: int) -> list[float]:
    """Seconds at which a burst of at most 5 ms has 30 ms of silence on both sides; what goes on beyond the
    window counts as sound, anything before or after the file as silence."""
    level = np.abs(samples).max(axis=1) if samples.shape[0] else np.zeros(0)
    loud = np.flatnonzero(level >= SILENT)
    if not loud.shape[0]:
        return []
    around = round(AROUND_S * rate)
    breaks = np.flatnonzero(np.diff(loud) > around) + 1
    begins = loud[np.concatenate([[0], breaks])]
    ends = loud[np.concatenate([breaks, [loud.shape[0]]]) - 1] + 1
    found = []
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        inside = begin >= around and end + around <= samples.shape[0]
        if inside and end - begin <= CLICK_S * rate and level[begin:end].max() > 10 ** (CLICK_DBFS / 20.0):
            found.append(begin / rate)
    return found


def within_after(finding: Finding, gain_db: float) -> bool:
    """True where a level at the edges, or an offset, is within its limit after this gain."""
    if finding.value is None or finding.against is None:
        return False
    if finding.check in ("start", "end"):
        return finding.value + gain_db <= finding.against
    return finding.check == "dc" and abs(finding.value) * db_to_gain(gain_db) <= finding.against

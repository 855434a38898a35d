"""Findings on channels: DC, balance, correlation, one silent or the same twice.

A channel with its polarity turned shows in the whole (correlation −0.9 and less), or, where the sides of the
music are wide, in the bass, which masters hold in the middle: less than 0 in the whole and −0.5 below 200 Hz.
Balance is left minus right in dB over the whole file; correlation −1 to 1. Limits: common practice, no
source.
"""

from __future__ import annotations

import math

from simulator.common.numbers import true_minus
from simulator.common.units import gain_to_db
from simulator.delivery.finding import Finding, Level
from simulator.delivery.scan import Scan
from simulator.metering.measurement import Measurement

DC_LIMIT = 0.001
"""−60 dBFS."""
BALANCE_DB = 0.8
OPPOSED = -0.9
OPPOSED_BASS = -0.5


def channel_findings(found: Measurement, scan: Scan) -> list[Finding]:
    """DC for every layout; the others for two channels."""
    findings = [_dc(found)]
    if found.channels == 2:
        findings += [_balance(scan), _correlation(found, scan)]
    return findings


def _dc(found: Measurement) -> Finding:
    worst = max(found.dc_offset, key=abs, default=0.0)
    bad = abs(worst) > DC_LIMIT
    channel = found.dc_offset.index(worst) + 1 if found.dc_offset else 1
    return Finding(
        "dc", "DC offset", "look" if bad else "fine", 100.0 * worst, "% of full scale", 100.0 * DC_LIMIT, (),
        true_minus(f"Channel {channel}: {20.0 * math.log10(abs(worst)):.0f} dBFS.") if bad else "",
        "Remove it with a high-pass below 10 Hz, before the last limiter." if bad else "",
    )  # fmt: skip


def _balance(scan: Scan) -> Finding:
    left, right = scan.channel_energy
    where = ("balance", "L/R balance")
    silent = [gain_to_db(math.sqrt(energy)) is None for energy in (left, right)]
    if any(silent):
        both = all(silent)
        side = "left" if silent[0] else "right"
        return Finding(
            *where, "fine" if both else "fix", None, "dB", 0.0, (),
            "Both channels are silent." if both else f"The {side} channel is silent throughout.",
            "" if both else "Export again with both channels, or as mono.",
        )  # fmt: skip
    value = 10.0 * math.log10(left / right)
    bad = abs(value) >= BALANCE_DB
    return Finding(
        *where, "look" if bad else "fine", value, "dB", BALANCE_DB if bad else 0.0, (),
        f"The {'left' if value > 0 else 'right'} channel is {abs(value):.1f} dB louder." if bad else "",
        "Check that the centre image is centred." if bad else "",
    )  # fmt: skip


def _correlation(found: Measurement, scan: Scan) -> Finding:
    value = found.correlation
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
    elif value < 0.0:
        level, text = "look", "The channels partly cancel in mono."
        advice = "Listen in mono."
    return Finding(*where, level, value, "", 0.0, (), text, advice)

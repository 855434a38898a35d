"""Findings on beginning and end: silence, cut fades, clicks.

Silence is what stays below −80 dBFS. An end is cut where the last 5 ms still sound; a start jumps where the
very first sample stands high; a click is a burst shorter than 5 ms with silence on both sides. All limits:
common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import format_time, gain_to_db
from simulator.delivery.finding import Finding
from simulator.delivery.scan import MIDDLE_S, SILENT, Scan

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
    long = seconds > most
    return Finding(
        check, name, "look" if long else "fine", seconds, "s", most, (max(at_s, 0.0),) if long else (),
        "Longer than usual." if long else "", "Trim it, unless intended." if long else "",
    )  # fmt: skip


def _start(scan: Scan) -> Finding:
    value = gain_to_db(float(np.abs(scan.head[0]).max())) if scan.head.shape[0] else None
    bad = value is not None and value > JUMP_DBFS
    return Finding(
        "start", "First sample", "look" if bad else "fine", value, "dBFS", JUMP_DBFS, (0.0,) if bad else (),
        "The file starts on a non-zero sample and will click." if bad else "",
        "Fade in over a few milliseconds, or start earlier." if bad else "",
    )  # fmt: skip


def end_level_dbfs(scan: Scan) -> float | None:
    """The RMS of the last 5 ms about their mean (an offset is no sound); None for silence."""
    last = scan.tail[-max(round(END_S * scan.sample_rate), 1) :].astype(np.float64)
    return gain_to_db(float(last.std(axis=0).max())) if last.shape[0] else None


def _end(scan: Scan, runs_on: bool) -> Finding:
    value = end_level_dbfs(scan)
    sounds = value is not None and value > END_DBFS
    bad = sounds and not runs_on
    at = ((scan.frames - 1) / scan.sample_rate,) if bad else ()
    text = "Audio is still running at the end: the fade or reverb tail is cut off." if bad else ""
    if sounds and runs_on:
        text = "Runs into the next track."
    return Finding(
        "end", "Level at the end", "look" if bad else "fine", value, "dBFS", END_DBFS, at, text,
        "Let it ring out, and fade to silence." if bad else "",
    )  # fmt: skip


def _clicks(scan: Scan) -> Finding:
    offset_s = max(scan.frames - scan.tail.shape[0], 0) / scan.sample_rate
    at = _bursts(scan.head, scan.sample_rate)
    at += [offset_s + place for place in _bursts(scan.tail, scan.sample_rate) if offset_s + place not in at]
    return Finding(
        "edge_clicks", "Clicks at the edges", "look" if at else "fine", float(len(at)), "clicks", 0.0,
        tuple(at), "A short burst with silence on both sides." if at else "",
        "Listen there and remove it." if at else "",
    )  # fmt: skip


def _middle(scan: Scan) -> Finding:
    longest = sorted(scan.silences, key=lambda gap: (-gap.seconds, gap.at_s))[:PLACES]
    return Finding(
        "middle_silence", "Silence in the middle", "look" if longest else "fine",
        longest[0].seconds if longest else 0.0, "s", MIDDLE_S, tuple(gap.at_s for gap in longest),
        "All channels are silent, with music before and after." if longest else "",
        "Listen there; cut it unless intended." if longest else "",
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
    return Finding(
        "dropouts", "Dropouts", "look" if longest else "fine", float(len(moments)), "dropouts", 0.0,
        tuple(longest), text,
        "Listen there; unless intended, export again." if longest else "",
    )  # fmt: skip


def _bursts(samples: NDArray[np.float32], rate: int) -> list[float]:
    """Seconds at which a burst of at most 5 ms stands between two silences of 30 ms; what goes on beyond the
    window counts as sound, what lies before the file or after it as silence."""
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

"""Findings on loudness and peaks against what was decided, and how far the output must come down.

Loudness is held against the decided target: within 0.2 LU it is met, within 1 LU it deserves a look (EBU
R 128 allows ±0.2 LU for measuring and ±1.0 LU live; secondary). The true peak is held against the
decided ceiling, both by more than the meter may err. Without a decision a peak above full scale is to be
fixed, and one above −1 dBTP deserves a look (EBU R 128 and AES TD1008 section 4; both secondary). As long as
only gain acts the cure is arithmetic: the output comes down by peak minus ceiling.
"""

from __future__ import annotations

from simulator.common.units import TIE_LU, format_time
from simulator.delivery.finding import PROJECT, Decided, Finding, Level, db_words
from simulator.metering.measurement import Measurement, OverEvent

CUSTOMARY_CEILING_DBTP = -1.0
FULL_SCALE_DBTP = 0.0
SAMPLES_OVER_DB = 0.001
"""A sample at full scale, and the least that two decimals could show."""
MET_LU, NEAR_LU = TIE_LU, 1.0
READING_DB = 0.05
"""The meter's own uncertainty: a peak this little above a ceiling may well stand on it."""
WORST = 10
R128 = "EBU R 128 (secondary)"
CEILING_SOURCE = "EBU R 128 and AES TD1008 section 4 (both secondary): at most −1 dBTP"
FULL_SCALE_SOURCE = "ITU-R BS.1770-5 Annex 2: true peak; 0 dBTP is full scale by definition"


def level_findings(found: Measurement, decided: Decided) -> list[Finding]:
    """Loudness, true peak, overs and clipped runs of a master as it is."""
    return [
        _loudness(found, decided),
        _true_peak(found, decided),
        *_above_full_scale(found),
        _overs(found),
        _clipped(found),
    ]


def _loudness(found: Measurement, decided: Decided) -> Finding:
    value, target = found.integrated_lufs, decided.target_lufs
    where = ("loudness", "Loudness")
    if value is None:
        why = " ".join(note.text for note in found.warnings)
        return Finding(*where, "look", None, "LUFS", target, (), f"It cannot be measured. {why}".strip(),
                       "Make sure that this is the right file.", "ITU-R BS.1770-5")  # fmt: skip
    if target is None:
        return Finding(*where, "fine", value, "LUFS", text="No target was decided.", source="ITU-R BS.1770-5")
    away = value - target
    if abs(away) <= MET_LU:
        return Finding(*where, "fine", value, "LUFS", target, source=R128)
    level: Level = "look" if abs(away) <= NEAR_LU else "fix"
    text = f"{abs(away):.2f} LU {'above' if away > 0.0 else 'below'} the target."
    if away > 0.0:
        advice = f"Lower the output by {abs(away):.2f} dB."
    else:
        peak = found.true_peak_dbtp
        ceiling = CUSTOMARY_CEILING_DBTP if decided.ceiling_dbtp is None else decided.ceiling_dbtp
        room = None if peak is None else max(ceiling - peak, 0.0)
        advice = f"Raise the output by {abs(away):.2f} dB"
        advice += (
            f"; plain gain has room for {room:.2f} dB under {db_words(ceiling)} dBTP."
            if room is not None and f"{room:.2f}" != f"{abs(away):.2f}" and room < abs(away)
            else "."
        )
    return Finding(*where, level, value, "LUFS", target, (), text, advice, R128)


def _true_peak(found: Measurement, decided: Decided) -> Finding:
    value = found.true_peak_dbtp
    ceiling, source = decided.ceiling_dbtp, decided.ceiling_source
    where = ("true_peak", "True peak")
    if value is None:
        return Finding(*where, "fine", None, "dBTP", ceiling, (), "Digital silence.", "", FULL_SCALE_SOURCE)
    if ceiling is not None:
        over = value - ceiling > READING_DB
        level: Level = "fix" if over else "fine"
    elif value > FULL_SCALE_DBTP + READING_DB:
        ceiling, source, level = FULL_SCALE_DBTP, FULL_SCALE_SOURCE, "fix"
    else:
        ceiling, source = CUSTOMARY_CEILING_DBTP, CEILING_SOURCE
        level = "look" if value - ceiling > READING_DB else "fine"
    if level == "fine":
        return Finding(*where, level, value, "dBTP", ceiling, (), "", "", source)
    at = () if found.true_peak_at_s is None else (found.true_peak_at_s,)
    return Finding(*where, level, value, "dBTP", ceiling, at, f"{value - ceiling:.2f} dB above.",
                   lower_advice(value - ceiling), source)  # fmt: skip


def lower_advice(by_db: float) -> str:
    """The cure where only gain acts: exact, shown a hundredth of a dB on the far side."""
    return f"Lower the output by {_upward(by_db):.2f} dB; plain gain moves the peak by just that."


def samples_over(found: Measurement) -> bool:
    """Are the samples themselves above full scale, as only floating point and decoders hold them?"""
    return found.sample_peak_dbfs is not None and found.sample_peak_dbfs > SAMPLES_OVER_DB


def overs_words(found: Measurement) -> str:
    """What rises above full scale: the wave between samples, or samples as well."""
    return "over full scale" if samples_over(found) else "between samples"


def _above_full_scale(found: Measurement) -> list[Finding]:
    """Only where it is so."""
    if not samples_over(found):
        return []
    peak = found.sample_peak_dbfs or 0.0
    return [
        Finding(
            "sample_peak", "Sample peak", "fix", peak, "dBFS", 0.0, (),
            f"Samples above full scale: as integers (16 or 24 bits) they clip by up to {peak:.2f} dB.",
            f"Lower the output by {_upward(peak):.2f} dB before it is written as integers.",
            "an integer holds nothing above full scale, by definition",
        )
    ]  # fmt: skip


def _overs(found: Measurement) -> Finding:
    worst = worst_overs(found.overs)
    highest = worst[0].peak_dbtp if worst else found.true_peak_dbtp or 0.0
    look = bool(found.over_count) and highest > FULL_SCALE_DBTP + READING_DB
    level: Level = "look" if look else "fine"
    text = ""
    if worst:
        places = ", ".join(f"{format_time(over.start_s)} ({over.peak_dbtp:+.2f})" for over in worst)
        text = f"{'The worst' if found.over_count > len(worst) else 'At'}: {places}."
    if worst and not look:
        text += f" That is within the {READING_DB:.2f} dB by which the meter may err."
    advice = "Lower the output, or let a limiter hold true peaks." if look else ""
    return Finding("overs", f"Overs {overs_words(found)}", level, float(found.over_count), "events", 0.0,
                   tuple(over.start_s for over in worst), text, advice, FULL_SCALE_SOURCE)  # fmt: skip


def worst_overs(overs: tuple[OverEvent, ...]) -> list[OverEvent]:
    """The ten highest, the highest first."""
    return sorted(overs, key=lambda over: (-over.peak_dbtp, over.start_s))[:WORST]


def _clipped(found: Measurement) -> Finding:
    runs = sorted(found.clipped_runs, key=lambda run: (-run.length_frames, run.start_s))[:WORST]
    level: Level = "look" if runs else "fine"
    text = advice = ""
    if runs:
        longest = runs[0]
        text = (
            f"The longest: {longest.length_frames} samples at {db_words(longest.level_dbfs)} dBFS, "
            f"channel {longest.channel + 1}, {format_time(longest.start_s)}."
        )
        advice = "Listen there; if the clipping was not meant, go back to the mix or ease the clipper."
    return Finding("clipped_runs", "Clipped runs", level, float(found.clipped_run_count), "runs", 0.0,
                   tuple(run.start_s for run in runs), text, advice, PROJECT)  # fmt: skip


def _upward(by_db: float) -> float:
    """To the next hundredth on the far side, so that what is shown is enough."""
    hundredths = round(by_db * 100.0)
    return (hundredths if hundredths >= by_db * 100.0 - 1e-6 else hundredths + 1) / 100.0

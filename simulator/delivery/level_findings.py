"""Findings on loudness and peaks: against the decided target and ceiling, and on each player.

Loudness within 0.2 LU of the target meets it; within 1 LU it is a look (EBU R 128: ±0.2 LU for measuring,
±1.0 LU live; secondary). Further above is a fix; further below a fix only where plain gain can raise it under
the ceiling, else a look with what it means on the players. A true peak above the ceiling by more than the
meter's error is a fix; with no ceiling decided, above full scale is a fix and above −1 dBTP a look (EBU R
128, AES TD1008 section 4; both secondary). Where only gain acts, the cure is the peak minus the ceiling.

On a player, peaks above full scale and a limiter that takes 3 dB or more are looks (common practice, no
source).

A loudness tag more than 0.5 dB off the measurement is a look. An album gain is held against the album as one
programme, a peak against both the sample and the true peak.
"""

from __future__ import annotations

from collections.abc import Sequence

from simulator.common.text import capital
from simulator.common.units import TIE_LU, format_time
from simulator.delivery.finding import PRACTICE, PROJECT, Decided, Finding, Level, db_words, found_if
from simulator.metering.loudness_tags import LoudnessTags, TagScheme
from simulator.metering.measurement import Measurement, OverEvent
from simulator.normalizer.decision import TAG_TOLERANCE_DB
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile

CUSTOMARY_CEILING_DBTP = -1.0
FULL_SCALE_DBTP = 0.0
SAMPLES_OVER_DB = 0.001
"""A sample at full scale, and the least that two decimals could show."""
MET_LU, NEAR_LU = TIE_LU, 1.0
READING_DB = 0.05
"""The meter's own uncertainty: a peak this little above a ceiling may well be on it."""
SHOWN_DB = 0.005
"""What two decimals do not show."""
WORST = 10
R128 = "tolerance: EBU R 128 (secondary)"
CEILING_SOURCE = "EBU R 128 and AES TD1008 section 4 (both secondary): at most −1 dBTP"
FULL_SCALE_SOURCE = "ITU-R BS.1770-5 Annex 2: true peak; 0 dBTP is full scale by definition"


def level_findings(
    measurement: Measurement, decided: Decided, *, may_raise: bool = True, held: bool = True, means: str = ""
) -> list[Finding]:
    """Loudness, true peak, overs and clipped runs of a master as it is. `may_raise`: every step holds its
    limits after the raise too. `held` is False for a track of an album whose target is another's (it may be
    quieter) or the programme's (it may be louder too). `means` says what being below the target means on
    players."""
    return [
        _loudness(measurement, decided, may_raise, held, means),
        _true_peak(measurement, decided),
        *_above_full_scale(measurement),
        _overs(measurement),
        _clipped(measurement),
    ]


def room_db(measurement: Measurement, decided: Decided) -> float:
    """How far plain gain can raise the master under its ceiling (without a decided one: −1 dBTP)."""
    ceiling = CUSTOMARY_CEILING_DBTP if decided.ceiling_dbtp is None else decided.ceiling_dbtp
    return 0.0 if measurement.true_peak_dbtp is None else max(ceiling - measurement.true_peak_dbtp, 0.0)


def _loudness(measurement: Measurement, decided: Decided, may_raise: bool, held: bool, means: str) -> Finding:
    value, target = measurement.integrated_lufs, decided.target_lufs
    where = ("loudness", "Loudness")
    if value is None:
        why = " ".join(note.text for note in measurement.warnings)
        return Finding(*where, "look", None, "LUFS", target, (), f"Not measurable. {why}".strip(),
                       "Make sure that this is the right file.", "ITU-R BS.1770-5")  # fmt: skip
    if target is None:
        return Finding(*where, "fine", value, "LUFS", text="No target given.", source="ITU-R BS.1770-5")
    away, source = value - target, f"{decided.target_source}; {R128}"
    if abs(away) <= MET_LU:
        return Finding(*where, "fine", value, "LUFS", target, source=source)
    programme = decided.target_of == "programme"
    if not held and (programme or away < 0.0):
        text = "The album as a programme has the target." if programme else (
            "Quieter than the album's loudest track."
        )  # fmt: skip
        return Finding(*where, "fine", value, "LUFS", None, (), text, source=source)
    text = f"{abs(away):.2f} LU {'above' if away > 0.0 else 'below'} the target."
    if away > 0.0:
        return Finding(*where, "look" if away <= NEAR_LU else "fix", value, "LUFS", target, (), text,
                       f"Turn the output down {away:.2f} dB.", source)  # fmt: skip
    room = room_db(measurement, decided)
    fits = room >= -away - SHOWN_DB
    possible = may_raise and fits
    if possible:
        advice = f"Turn the output up {-away:.2f} dB."
    elif room < 0.1:
        advice = "Plain gain cannot raise it: its peaks are at the ceiling."
    elif fits:
        advice = "Plain gain cannot raise it: a codec's peaks would pass their limit."
    else:
        advice = f"Plain gain can raise it by {min(room, -away):.2f} dB before its peaks hit the ceiling."
    return Finding(*where, "fix" if possible and away < -NEAR_LU else "look", value, "LUFS", target, (),
                   means or text, advice, source)  # fmt: skip


def _true_peak(measurement: Measurement, decided: Decided) -> Finding:
    value = measurement.true_peak_dbtp
    ceiling, source = decided.ceiling_dbtp, decided.ceiling_source
    where = ("true_peak", "True peak")
    if value is None:
        return Finding(*where, "fine", None, "dBTP", ceiling, (), "Digital silence.", "", FULL_SCALE_SOURCE)
    level: Level = "fix"
    if ceiling is None and value > FULL_SCALE_DBTP + READING_DB:
        ceiling, source = FULL_SCALE_DBTP, FULL_SCALE_SOURCE
    elif ceiling is None:
        ceiling, source, level = CUSTOMARY_CEILING_DBTP, CEILING_SOURCE, "look"
    at, over = () if measurement.true_peak_at_s is None else (measurement.true_peak_at_s,), value - ceiling
    return found_if(
        over > READING_DB, *where, value, "dBTP", ceiling, at, f"{over:.2f} dB above the limit.",
        f"Turn the output down {upward(over, 100):.2f} dB; the peak moves by the same amount.", source, level,
    )  # fmt: skip


def samples_over(measurement: Measurement) -> bool:
    """True where the samples themselves are above full scale, as only floating point and decoders hold
    them."""
    return measurement.sample_peak_dbfs is not None and measurement.sample_peak_dbfs > SAMPLES_OVER_DB


def overs_words(measurement: Measurement) -> str:
    """What is above full scale: the wave between samples, or samples as well."""
    return "overs, samples included" if samples_over(measurement) else "inter-sample overs"


def _above_full_scale(measurement: Measurement) -> list[Finding]:
    """Only where it is so."""
    if not samples_over(measurement):
        return []
    peak = measurement.sample_peak_dbfs or 0.0
    return [
        Finding(
            "sample_peak", "Sample peak", "fix", peak, "dBFS", 0.0, (),
            f"Samples above full scale clip in a 16- or 24-bit file, by up to {peak:.2f} dB.",
            f"Turn the output down {upward(peak, 100):.2f} dB before writing an integer file.",
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
        text = f"{'The highest at' if found.over_count > len(worst) else 'At'} {over_places(worst)}."
    if worst and not look:
        text += f" Within the {READING_DB:.2f} dB of the meter's own error."
    advice = "Turn the output down, or limit true peaks." if look else ""
    return Finding("overs", capital(overs_words(found)), level, float(found.over_count), "events", 0.0,
                   tuple(over.start_s for over in worst), text, advice, FULL_SCALE_SOURCE)  # fmt: skip


def worst_overs(overs: tuple[OverEvent, ...]) -> list[OverEvent]:
    """The ten highest, the highest first."""
    return sorted(overs, key=lambda over: (-over.peak_dbtp, over.start_s))[:WORST]


def over_places(overs: Sequence[OverEvent]) -> str:
    """Their times, with the peaks in dBTP."""
    return ", ".join(f"{format_time(over.start_s)} ({over.peak_dbtp:+.2f})" for over in overs)


def _clipped(measurement: Measurement) -> Finding:
    runs = sorted(measurement.clipped_runs, key=lambda run: (-run.length_frames, run.start_s))[:WORST]
    text = "".join(
        f"The longest: {run.length_frames} samples at {db_words(run.level_dbfs)} dBFS, channel "
        f"{run.channel + 1}, at {format_time(run.start_s)}."
        for run in runs[:1]
    )
    return found_if(
        bool(runs), "clipped_runs", "Clipped runs", float(measurement.clipped_run_count), "runs", 0.0,
        tuple(run.start_s for run in runs), text,
        "Listen there. If the clipping is not intended, ease the clipper or go back to the mix.", PROJECT,
    )  # fmt: skip


def upward(by_db: float, parts: int) -> float:
    """To the next whole part of a dB (tenth: 10, hundredth: 100) on the far side, so that what is shown is
    enough."""
    count = round(by_db * parts)
    return (count if count >= by_db * parts - 1e-6 else count + 1) / parts


TAG_SOURCE = {
    TagScheme.REPLAYGAIN: "ReplayGain 2.0: −18 LUFS (secondary); tolerance: project choice",
    TagScheme.R128: "IETF RFC 7845, 5.2.1: −23 LUFS (secondary); tolerance: project choice",
}


def tag_findings(
    measurement: Measurement, tags: LoudnessTags | None, album_lufs: float | None
) -> list[Finding]:
    """Only for files with loudness tags. `album_lufs` is the album as one programme, None where no album is
    known."""
    if tags is None:
        return []
    source = TAG_SOURCE[tags.scheme]
    findings = [
        Finding("tag_form", "Loudness tags", "look", None, "", None, (), text,
                "Write the tags again, or remove them.", source)
        for text in tags.faults
    ]  # fmt: skip
    gains = (
        ("tag_track_gain", "Track gain tag", tags.track_gain_db, measurement.integrated_lufs),
        ("tag_album_gain", "Album gain tag", tags.album_gain_db, album_lufs),
    )
    for check, name, gain_db, measured in gains:
        if gain_db is not None:
            right = None if measured is None else tags.reference_lufs - measured
            findings.append(_tag_gain(check, name, gain_db, right, source))
    if tags.track_peak_db is not None:
        findings.append(_tag_peak(measurement, tags.track_peak_db, source))
    if tags.header_gain_db:
        findings.append(
            Finding("tag_header_gain", "Output gain in the Opus header", "fine", tags.header_gain_db, "dB",
                    text="Every decoder applies it; it is in all figures.", source="IETF RFC 7845, 5.1")
        )  # fmt: skip
    return findings


def _tag_gain(check: str, name: str, gain_db: float, right_db: float | None, source: str) -> Finding:
    off = 0.0 if right_db is None else gain_db - right_db
    return found_if(
        abs(off) > TAG_TOLERANCE_DB, check, name, gain_db, "dB", right_db, (),
        f"Players that trust tags play it {abs(off):.2f} dB too {'loud' if off > 0.0 else 'quiet'}.",
        "Tag the final file again.", source,
    )  # fmt: skip


def _tag_peak(measurement: Measurement, peak_db: float, source: str) -> Finding:
    """The scheme leaves open which peak: between the sample and the true peak all is right."""
    sample, true = measurement.sample_peak_dbfs, measurement.true_peak_dbtp
    where = ("tag_track_peak", "Track peak tag")
    if sample is None or true is None:
        return Finding(*where, "fine", peak_db, "dB", source=source)
    nearest = min(max(peak_db, min(sample, true)), max(sample, true))
    off = peak_db - nearest
    return found_if(
        abs(off) > TAG_TOLERANCE_DB, *where, peak_db, "dB", nearest, (),
        f"{abs(off):.2f} dB {'above' if off > 0.0 else 'below'} the file's peak.",
        "Tag the final file again.", source,
    )  # fmt: skip


HARD_LIMITING_DB = 3.0


def player_finding(profile: Profile, prediction: Prediction) -> Finding:
    """Loudness as played against the player's target."""
    played, reduction = prediction.played, prediction.limiter.max_reduction_db
    peak = played.true_peak_dbtp
    over = peak is not None and peak > FULL_SCALE_DBTP + READING_DB
    words = []
    if reduction >= 0.05:
        words.append(f"The player limits it by up to {reduction:.1f} dB.")
    if peak is not None:
        words.append(f"As played it peaks at {db_words(peak)} dBTP.")
    words.append(prediction.decision.reason)
    advice = ""
    if over:
        advice = "Some D/A converters clip peaks above full scale; a lower ceiling avoids that."
    elif reduction >= HARD_LIMITING_DB:
        advice = "Listen to that limiter: a master with lower peaks gives it less to do."
    at = (played.true_peak_at_s,) if over and played.true_peak_at_s is not None else ()
    source = profile.sources.get("loudness.target_lufs", PRACTICE)
    return Finding(
        "player", f"On {profile.title}", "look" if advice else "fine", played.integrated_lufs, "LUFS",
        profile.target_lufs, at, " ".join(words), advice, source,
    )  # fmt: skip

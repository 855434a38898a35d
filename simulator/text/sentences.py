"""Sentences on the figures of two versions, by rule.

Each rule holds in both directions and for a tie. Differences up to TIE_LU are equal; up to the profile's
uncertainty they are named with it, since real players may have measured a different copy. A difference beside
its two figures is that of the printed figures. PLR here is the true peak, capped at 0 dBTP, minus integrated
loudness: overs add nothing. Nothing judges taste.

Shortfalls up to SHORTFALL_SAID_LU are left out; with album gain the sentence names the album where it is the
album that falls short. Loudness lost against the plain gain is put down to whatever acts on the track: the
encoding, the limiter, a converter that clips.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from simulator.common.text import capital, counted, level, printed_gap, share, signed
from simulator.common.units import TIE_LU
from simulator.comparison.versions import punch_db
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import TAG_TOLERANCE_DB, Decision, track_lufs
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile

SHORTFALL_SAID_LU = 0.1
LEAST_DB = 0.05
"""What is less is written 0.0 dB."""


def shortfall_sentences(
    name: str, delivered: Measurement, prediction: Prediction, profile: Profile
) -> list[str]:
    """One sentence at most; none where nothing is short, or where the album was meant so."""
    decision, lost = prediction.decision, prediction.limiter_loss_lu
    own = track_lufs(profile, delivered)
    if decision.target_lufs is None or decision.counted_lufs is None or own is None:
        return []
    away = decision.target_lufs - own - decision.gain_db + lost
    if decision.gain_from == "track_tag":
        off = decision.counted_lufs - own
        return (
            [f"The loudness tag of {name} is {level(abs(off))} LU off."]
            if abs(off) > TAG_TOLERANCE_DB
            else []
        )
    if _is_albums(profile, decision, delivered, own):
        short = decision.target_lufs - decision.counted_lufs - decision.gain_db
        why = _why(f"the album with {name}", "its highest peak hits", decision, short)
        if short > SHORTFALL_SAID_LU and why:
            return [f"{why}; {name} itself ends up {_away(away)}."]
        if lost > SHORTFALL_SAID_LU and (takers := _takers(delivered, prediction, profile)):
            return [f"{takers} {_verb(takers, 'cost')} {name} {level(lost)} LU."]
        return []
    if away <= SHORTFALL_SAID_LU:
        return []
    if why := _why(name, "its peaks hit", decision, away):
        return [f"{why}."]
    takers = _takers(delivered, prediction, profile)
    if lost <= SHORTFALL_SAID_LU or not takers:
        return []
    if decision.limited_by == "nothing":
        return [f"{takers} {_verb(takers, 'keep')} {name} {level(away)} LU under target."]
    return [f"{takers} {_verb(takers, 'cost')} {name} {level(lost)} LU."]


def peak_sentences(name: str, prediction: Prediction, profile: Profile) -> list[str]:
    """What the player's limiter does, and what a raise without one leads to."""
    report, gain_db = prediction.limiter, prediction.decision.gain_db
    sentences = []
    if report.max_reduction_db >= LEAST_DB:
        does = (
            f"Raised by this player, {name} hits its limiter"
            if gain_db >= LEAST_DB
            else f"The player's limiter acts on {name}"
        )
        sentences.append(
            f"{does}: gain reduction up to {level(report.max_reduction_db)} dB, over 1 dB for "
            f"{share(report.share_over_1_db)} of the time."
        )
    if profile.upward == "unprotected" and gain_db >= LEAST_DB:
        peak = prediction.played.true_peak_dbtp
        if peak is not None and peak > LEAST_DB:
            sentences.append(
                f"Raised with no peak protection, {name} peaks at {signed(peak)} dBTP and clips."
            )
    return sentences


def _is_albums(profile: Profile, decision: Decision, delivered: Measurement, own_lufs: float) -> bool:
    """True where the gain is decided from an album that is louder, or has a higher peak, than this track."""
    if profile.scope == "track" or decision.counted_lufs is None:
        return False
    if abs(decision.counted_lufs - own_lufs) > LEAST_DB:
        return True
    peak = delivered.peak_db(profile.ceiling.counts)
    if decision.limited_by != "headroom" or peak is None:
        return False
    return max(profile.ceiling.level_db - peak, 0.0) > decision.gain_db + LEAST_DB


def _why(who: str, reached: str, decision: Decision, short: float) -> str:
    """What keeps it from the target, without a full stop; empty where none of the player's rules does."""
    who = capital(who)
    if decision.limited_by == "headroom" and decision.gain_db < LEAST_DB:
        return f"{who} has no headroom to go up, so it ends up {level(short)} LU under target"
    if decision.limited_by == "headroom":
        return (
            f"{who} can go up only {level(decision.gain_db)} dB before {reached} the player's ceiling, so it "
            f"ends up {level(short)} LU under target"
        )
    if decision.limited_by == "no_upward_gain":
        return f"{who} is {level(short)} LU under target, and this player never raises a level"
    return ""


def _away(lu: float) -> str:
    """Where a track ends up, relative to the target."""
    if abs(lu) < LEAST_DB:
        return "on target"
    return f"{level(abs(lu))} LU {'under' if lu > 0.0 else 'over'}"


def _takers(delivered: Measurement, prediction: Prediction, profile: Profile) -> str:
    """What takes loudness from the plain gain; empty where nothing can."""
    found = []
    if profile.delivery is not None:
        found.append("the encoding" if profile.delivery.codec != "none" else "the conversion")
    limited = prediction.limiter.max_reduction_db >= LEAST_DB
    if limited:
        found.append("the player's limiter")
    headroom_db, peak = profile.converter_headroom_db, delivered.true_peak_dbtp
    if headroom_db is not None and peak is not None:
        gain_db, limiter = prediction.decision.gain_db, profile.limiter
        held = limited and limiter is not None and limiter.detection == "true"
        reaches = limiter.ceiling_db if held and limiter is not None else peak + gain_db
        if reaches > headroom_db:
            found.append("the clipping D/A converter")
    return capital(listed(found))


def _verb(takers: str, verb: str) -> str:
    """`keep` or `keeps`, after one taker or several."""
    return verb if " and " in takers else f"{verb}s"


def listed(parts: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return f"{', '.join(parts[:-1])} and {parts[-1]}" if len(parts) > 1 else "".join(parts)


def span(values: Sequence[float], form: Callable[[float], str] = level) -> str:
    """`0.3 to 2.2`, or the one value where all print the same."""
    low, high = form(min(values)), form(max(values))
    return low if low == high else f"{low} to {high}"


def no_loudness(names: Sequence[str]) -> str:
    """That these have none, without a full stop."""
    return f"{' and '.join(names)} {'has' if len(names) == 1 else 'have'} no measurable loudness"


PUNCH_TIE_DB = 0.5  # of PLR


@dataclass(frozen=True, slots=True)
class Version:
    """One of the two: what it is called in a sentence, as delivered, and as played."""

    name: str
    delivered: Measurement
    prediction: Prediction


def delivered_sentence(first: Version, second: Version) -> str:
    """How loud the two are as delivered."""
    a, b = first.delivered.integrated_lufs, second.delivered.integrated_lufs
    loud, quiet, difference = _ordered(first, second, a, b)
    if difference is None:
        return _unmeasurable(first, second)
    levels = "({} LUFS and {} LUFS)".format(*(level(one.delivered.integrated_lufs) for one in (loud, quiet)))
    if difference <= TIE_LU:
        return f"As delivered, {loud.name} and {quiet.name} are equally loud {levels}."
    return f"As delivered, {loud.name} is {_by(a, b)} LU louder than {quiet.name} {levels}."


def played_sentence(first: Version, second: Version, profile: Profile) -> str:
    """What is left of that through the player, over the whole track."""
    heard = [version.prediction.played.integrated_lufs for version in (first, second)]
    loud, quiet, difference = _ordered(first, second, heard[0], heard[1])
    if difference is None:
        return ""
    gains = _gains(first, second)
    if difference <= TIE_LU:
        return f"On this player both play at the same loudness overall ({gains})."
    tail = _within(difference, profile)
    return f"On this player {loud.name} is {_by(*heard)} LU louder than {quiet.name} overall ({gains}){tail}."


def passage_sentence(first: Version, second: Version, profile: Profile) -> str:
    """How the loudest passages compare as played."""
    heard = [version.prediction.played.max_short_term_lufs for version in (first, second)]
    loud, quiet, difference = _ordered(first, second, heard[0], heard[1])
    if difference is None:
        return ""
    if difference <= TIE_LU:
        return "As played, their loudest passages are equally loud."
    return (
        f"As played, {loud.name} is {_by(*heard)} LU louder than {quiet.name} in its loudest passage"
        f"{_within(difference, profile)}."
    )


def widened(delivered_lu: float, played_lu: float) -> bool:
    """True where the difference is larger as played: the player raises a dense version further than an open
    one, or its limiter turns down the open one. Differences that print the same do not count."""
    return played_lu > delivered_lu and level(played_lu) != level(delivered_lu)


def headroom_sentences(version: Version, profile: Profile) -> list[str]:
    """Why a version stays below the target, and what its raising cost."""
    return [
        *shortfall_sentences(version.name, version.delivered, version.prediction, profile),
        *peak_sentences(version.name, version.prediction, profile),
    ]


def punch_sentence(first: Version, second: Version) -> str:
    """The peak-to-loudness ratios of the two; no gain changes them."""
    ratios = [punch_db(version.delivered) for version in (first, second)]
    more, less, difference = _ordered(first, second, ratios[0], ratios[1])
    if difference is None:
        return ""
    numbers = f"{level(punch_db(more.delivered))} vs {level(punch_db(less.delivered))} dB"
    if difference <= PUNCH_TIE_DB:
        return f"Both have the same peak-to-loudness ratio (PLR {numbers})."
    return (
        f"{capital(more.name)} keeps {_by(*ratios)} dB more peak-to-loudness ratio (PLR {numbers}). "
        "Turning a track up or down does not change that."
    )


def overs_sentence(version: Version) -> str:
    """Inter-sample overs as delivered, and the peak as played; empty without overs."""
    found, peak = version.delivered, version.delivered.true_peak_dbtp
    if not found.over_count or peak is None:
        return ""
    overs = counted(found.over_count, "inter-sample over")
    played = version.prediction.played.true_peak_dbtp
    then = ""
    if played is not None and version.prediction.decision.gain_db < 0.0:
        if played <= 0.0:
            then = f"; as played it peaks at {level(played)} dBTP"
        elif level(played) == "0.0":
            then = "; as played it still peaks less than 0.1 dB over full scale"
        else:
            then = f"; as played it still peaks at {signed(played)} dBTP"
    return f"As delivered, {version.name} has {overs} (peaks {over_words(peak)}){then}."


def over_words(peak_dbtp: float) -> str:
    """How high peaks go; an over is never "up to 0.0 dBTP", which would contradict it."""
    if peak_dbtp > 0.0 and level(peak_dbtp) == "0.0":
        return "less than 0.1 dB over full scale"
    return f"up to {signed(peak_dbtp)} dBTP"


def uncertainty_sentence(profile: Profile) -> str:
    """How far the gains may be trusted."""
    if profile.target_lufs is None:
        return ""
    return (
        "Gains are exact for these files; real players may have measured a different copy: allow "
        f"±{level(profile.uncertainty_db)} dB."
    )


def pair_sentences(first: Version, second: Version, profile: Profile) -> list[str]:
    """Every sentence on the two, in reading order."""
    sentences = [
        delivered_sentence(first, second),
        played_sentence(first, second, profile),
        passage_sentence(first, second, profile),
        *headroom_sentences(first, profile),
        *headroom_sentences(second, profile),
        punch_sentence(first, second),
        overs_sentence(first),
        overs_sentence(second),
        uncertainty_sentence(profile),
    ]
    return [sentence for sentence in sentences if sentence]


def _ordered(
    first: Version, second: Version, a: float | None, b: float | None
) -> tuple[Version, Version, float | None]:
    """The one with more first, and by how much; None where either has no value."""
    if a is None or b is None:
        return first, second, None
    return (first, second, a - b) if a >= b else (second, first, b - a)


def _by(a: float | None, b: float | None) -> str:
    """By how much two figures differ, as a reader works it out from them."""
    gap = printed_gap(a, b)
    return level(None if gap is None else abs(gap))


def _gains(first: Version, second: Version) -> str:
    return ", ".join(
        f"{version.name} {turned(version.prediction.decision.gain_db)}" for version in (first, second)
    )


def turned(gain_db: float) -> str:
    """What a gain does to a version."""
    if abs(gain_db) < LEAST_DB:
        return "unchanged"
    return f"turned {'up' if gain_db > 0.0 else 'down'} {level(abs(gain_db))} dB"


def _within(difference: float, profile: Profile) -> str:
    if profile.target_lufs is None or difference > profile.uncertainty_db:
        return ""
    return f", within the ±{level(profile.uncertainty_db)} dB that real players differ by"


def _unmeasurable(first: Version, second: Version) -> str:
    silent = [version.name for version in (first, second) if version.delivered.integrated_lufs is None]
    return f"{capital(no_loudness(silent))}."

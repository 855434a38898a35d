"""Sentences on two versions' figures, made by rule.

Each rule looks at numbers and says what they say, in either direction: louder, equal or quieter, with
headroom or without. Differences up to TIE_LU are equal; up to the profile's uncertainty they are named
together with it, since real players measure other copies and editions of a track. Punch here is the
peak to loudness ratio with the true peak held at 0 dBTP: overs are no punch. Nothing judges taste.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulator.common.report_numbers import level, signed
from simulator.common.units import TIE_LU
from simulator.comparison.versions import punch_db
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.text.shortfall import peak_sentences, shortfall_sentences

PUNCH_TIE_DB = 0.5


@dataclass(frozen=True, slots=True)
class Version:
    """One of the two: what it is called in a sentence, as delivered, and as played."""

    name: str
    delivered: Measurement
    prediction: Prediction


def delivered_sentence(first: Version, second: Version) -> str:
    """How loud the two are as delivered."""
    loud, quiet, difference = _ordered(
        first, second, first.delivered.integrated_lufs, second.delivered.integrated_lufs
    )
    if difference is None:
        return _unmeasurable(first, second)
    levels = f"({_lufs(loud.delivered.integrated_lufs)} and {_lufs(quiet.delivered.integrated_lufs)})"
    if difference <= TIE_LU:
        return f"As delivered, {loud.name} and {quiet.name} are equally loud {levels}."
    return f"As delivered, {loud.name} is {level(difference)} LU louder than {quiet.name} {levels}."


def played_sentence(first: Version, second: Version, profile: Profile) -> str:
    """What is left of that through the player, over the whole track."""
    heard = [version.prediction.played.integrated_lufs for version in (first, second)]
    loud, quiet, difference = _ordered(first, second, heard[0], heard[1])
    if difference is None:
        return ""
    gains = _gains(first, second)
    if difference <= TIE_LU:
        return f"Through this player both play equally loud over the whole track ({gains})."
    tail = _within(difference, profile)
    return (
        f"Through this player {loud.name} plays {level(difference)} LU louder than {quiet.name} "
        f"over the whole track ({gains}){tail}."
    )


def passage_sentence(first: Version, second: Version, profile: Profile) -> str:
    """How the loudest passages compare as played."""
    heard = [version.prediction.played.max_short_term_lufs for version in (first, second)]
    loud, quiet, difference = _ordered(first, second, heard[0], heard[1])
    if difference is None:
        return ""
    if difference <= TIE_LU:
        return "Their loudest passages play equally loud."
    return (
        f"The loudest passage of {loud.name} then plays {level(difference)} LU louder than that of "
        f"{quiet.name}{_within(difference, profile)}."
    )


def widened(delivered_lu: float, played_lu: float) -> bool:
    """Does a player leave more of a difference than there was? So where it raises a dense version further
    than an open one, or its limiter takes from the open one. Less than a tenth of it is none."""
    return played_lu > delivered_lu and level(played_lu) != level(delivered_lu)


def headroom_sentences(version: Version, profile: Profile) -> list[str]:
    """Why a version stays below the target, and what its raising cost."""
    return [
        *shortfall_sentences(version.name, version.delivered, version.prediction, profile),
        *peak_sentences(version.name, version.prediction, profile),
    ]


def punch_sentence(first: Version, second: Version) -> str:
    """How far the peaks of each stand out; no gain changes that."""
    ratios = [punch_db(version.delivered) for version in (first, second)]
    more, less, difference = _ordered(first, second, ratios[0], ratios[1])
    if difference is None:
        return ""
    numbers = f"({level(punch_db(more.delivered))} against {level(punch_db(less.delivered))} dB)"
    if difference <= PUNCH_TIE_DB:
        return f"The peaks of both stand equally far above their loudness {numbers}."
    return (
        f"The peaks of {more.name} stand {level(difference)} dB further above its loudness {numbers}, "
        f"and a player's plain gain does not change that."
    )


def overs_sentence(version: Version) -> str:
    """What lies above full scale between the samples, delivered and played; empty where nothing does."""
    found, peak = version.delivered, version.delivered.true_peak_dbtp
    if not found.over_count or peak is None:
        return ""
    times = "once" if found.over_count == 1 else f"{found.over_count} times"
    played = version.prediction.played.true_peak_dbtp
    then = ""
    if played is not None and version.prediction.decision.gain_db < 0.0:
        if played <= 0.0:
            then = f"; as played it peaks at {level(played)} dBTP"
        elif level(played) == "0.0":
            then = f"; as played it still does so, {over_words(played)}"
        else:
            then = f"; as played it still peaks at {signed(played)} dBTP"
    return (
        f"As delivered, {version.name} rises over full scale between the samples {times}, "
        f"{over_words(peak)}{then}."
    )


def over_words(peak_dbtp: float) -> str:
    """How far over full scale a peak goes: never "up to 0.0 dBTP"."""
    return f"up to {signed(peak_dbtp)} dBTP" if level(peak_dbtp) != "0.0" else "by less than 0.1 dB"


def uncertainty_sentence(profile: Profile) -> str:
    """How far the gains may be trusted."""
    if profile.target_lufs is None:
        return ""
    return (
        f"Gains are exact for these files; a real player may measure another copy or edition: count on "
        f"±{level(profile.uncertainty_db)} dB."
    )


def pair_sentences(first: Version, second: Version, profile: Profile) -> list[str]:
    """All that the two say, in reading order."""
    said = [
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
    return [sentence for sentence in said if sentence]


def _ordered(
    first: Version, second: Version, a: float | None, b: float | None
) -> tuple[Version, Version, float | None]:
    """The one with more first, and by how much; None where either has no value."""
    if a is None or b is None:
        return first, second, None
    return (first, second, a - b) if a >= b else (second, first, b - a)


def _gains(first: Version, second: Version) -> str:
    return ", ".join(
        f"{version.name} {_moved(version.prediction.decision.gain_db)}" for version in (first, second)
    )


def _moved(gain_db: float) -> str:
    if abs(gain_db) < 0.05:
        return "left as it is"
    return f"turned {'up' if gain_db > 0.0 else 'down'} by {level(abs(gain_db))} dB"


def _within(difference: float, profile: Profile) -> str:
    if profile.target_lufs is None or difference > profile.uncertainty_db:
        return ""
    return f", within the ±{level(profile.uncertainty_db)} dB by which real players differ"


def _unmeasurable(first: Version, second: Version) -> str:
    names = [v.name for v in (first, second) if v.delivered.integrated_lufs is None]
    return f"{_cap(' and '.join(names))} {'has' if len(names) == 1 else 'have'} no measurable loudness."


def _lufs(value: float | None) -> str:
    return f"{level(value)} LUFS"


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]

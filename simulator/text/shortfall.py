"""Why a version stays below the player's target, and what its peaks pay for being raised.

A player that counts albums turns all tracks of one by one gain, so what is short may be the album's: then it
is said of the album, and the track's own distance beside it. Nothing is said of a shortfall up to
SHORTFALL_SAID_LU. What is lost against the plain gain is put down to whatever acts on this track: the
encoding, the player's limiter, a converter that clips.
"""

from __future__ import annotations

from simulator.common.report_numbers import level, share, signed
from simulator.metering.measurement import Measurement
from simulator.normalizer.counting import track_lufs
from simulator.normalizer.decision import Decision
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile

SHORTFALL_SAID_LU = 0.1
LEAST_DB = 0.05
"""What is less is written 0.0 dB."""


def shortfall_sentences(
    name: str, delivered: Measurement, prediction: Prediction, profile: Profile
) -> list[str]:
    """At most one sentence; none where nothing is short, or where that is how the album was meant."""
    decision, lost = prediction.decision, prediction.limiter_loss_lu
    own = track_lufs(profile, delivered)
    if decision.target_lufs is None or decision.counted_lufs is None or own is None:
        return []
    away = decision.target_lufs - own - decision.gain_db + lost
    if _is_albums(profile, decision, delivered, own):
        short = decision.target_lufs - decision.counted_lufs - decision.gain_db
        why = _why(f"the album with {name}", "its highest peak reaches", decision, short)
        if short > SHORTFALL_SAID_LU and why:
            return [f"{why}; {name} itself plays {_away(away)}."]
        if lost > SHORTFALL_SAID_LU and (takers := _takers(delivered, prediction, profile)):
            return [f"{takers} {_verb(takers, 'take')} {level(lost)} LU from {name}."]
        return []
    if away <= SHORTFALL_SAID_LU:
        return []
    if why := _why(name, "its peaks reach", decision, away):
        return [f"{why}."]
    takers = _takers(delivered, prediction, profile)
    if lost <= SHORTFALL_SAID_LU or not takers:
        return []
    if decision.limited_by == "nothing":
        return [f"{takers} {_verb(takers, 'keep')} {name} {level(away)} LU below the target."]
    return [f"{takers} {_verb(takers, 'take')} {level(lost)} LU from {name}."]


def peak_sentences(name: str, prediction: Prediction, profile: Profile) -> list[str]:
    """What the player's limiter does, and what a raise without one leads to."""
    report, gain_db = prediction.limiter, prediction.decision.gain_db
    said = []
    if report.max_reduction_db >= LEAST_DB:
        does = (
            f"Raising {name} makes the player's limiter press its peaks down"
            if gain_db >= LEAST_DB
            else f"The player's limiter presses the peaks of {name} down"
        )
        said.append(
            f"{does}, by {level(report.max_reduction_db)} dB at most, and by more than 1 dB for "
            f"{share(report.share_over_1_db)} of the time."
        )
    if profile.upward == "unprotected" and gain_db >= LEAST_DB:
        peak = prediction.played.true_peak_dbtp
        if peak is not None and peak > LEAST_DB:
            said.append(f"Raised without protection, {name} peaks at {signed(peak)} dBTP and clips.")
    return said


def _is_albums(profile: Profile, decision: Decision, delivered: Measurement, own_lufs: float) -> bool:
    """Is the gain decided from an album that is louder, or has a higher peak, than this track?"""
    if profile.scope == "track" or decision.counted_lufs is None:
        return False
    if abs(decision.counted_lufs - own_lufs) > LEAST_DB:
        return True
    peak = delivered.peak_db(profile.ceiling.counts)
    if decision.limited_by != "headroom" or peak is None:
        return False
    return max(profile.ceiling.level_db - peak, 0.0) > decision.gain_db + LEAST_DB


def _why(who: str, reached: str, decision: Decision, short: float) -> str:
    """What keeps it from the target, without a full stop; empty where no rule of the player does."""
    who = who[:1].upper() + who[1:]
    if decision.limited_by == "headroom" and decision.gain_db < LEAST_DB:
        return f"{who} has no headroom to be raised and stays {level(short)} LU below the player's target"
    if decision.limited_by == "headroom":
        return (
            f"{who} can be raised by only {level(decision.gain_db)} dB before {reached} the player's "
            f"ceiling, and stays {level(short)} LU below the target"
        )
    if decision.limited_by == "no_upward_gain":
        return f"{who} lies {level(short)} LU below the target, and this player never raises a level"
    return ""


def _away(lu: float) -> str:
    """Where a track lies against the target."""
    if abs(lu) < LEAST_DB:
        return "on it"
    return f"{level(abs(lu))} LU {'below' if lu > 0.0 else 'above'} it"


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
            found.append("the converter's clipping")
    words = f"{', '.join(found[:-1])} and {found[-1]}" if len(found) > 1 else "".join(found)
    return words[:1].upper() + words[1:]


def _verb(takers: str, verb: str) -> str:
    """`keep` or `keeps`, after one taker or several."""
    return verb if " and " in takers else f"{verb}s"

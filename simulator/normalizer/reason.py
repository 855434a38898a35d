"""Reasons of a decision in words.

Every number is rounded to 0.1, and a gain that rounds to 0.0 dB is said to leave the level as it is. Two
numbers that differ and would be written alike are "just" over or under each other, or get a second decimal.
"""

from __future__ import annotations

from simulator.normalizer.counting import Counted
from simulator.normalizer.profile import Profile


def one_decimal(value: float) -> str:
    """The number with one decimal, a true minus sign, and no minus before zero."""
    return f"{round(value, 1) + 0.0:.1f}".replace("-", "−")


def gain_reason(
    profile: Profile,
    counted: Counted,
    album: str | None,
    target_lufs: float | None,
    wanted_gain_db: float | None,
    gain_db: float,
    limited_by: str,
    limiter_acts: bool,
) -> str:
    """The sentences for one gain. `album` is the album's name where one gain plays the whole of it."""
    if target_lufs is None:
        return "This player has no target loudness and leaves the level as it is."
    it, its_peak = ("it", "its") if album is None else ("the whole album", "the album's highest")
    if wanted_gain_db is None or counted.lufs is None:
        whose = "The track" if album is None else f"The album “{album}”"
        return f"{whose} has no measurable loudness, so the player {_does(gain_db, it)}."
    loudness, distance = _distance(counted.lufs, wanted_gain_db, target_lufs)
    measured = f"{_subject(profile, album)} {loudness} LUFS" + (
        " as one programme" if album is not None and profile.scope == "album_programme" else ""
    )
    does = f"so the player {_does(gain_db, it)}"
    unit = "dBTP" if profile.ceiling.counts == "true" else "dBFS"
    ceiling = f"the ceiling of {one_decimal(profile.ceiling.level_db)} {unit}"
    level = "" if counted.peak_db is None else f"{one_decimal(counted.peak_db)} {unit}"
    peak = f"{its_peak} {profile.ceiling.counts} peak of {level}"
    why = {
        "no_upward_gain": f"; this player never raises a level, {does}.",
        "headroom": f"; {peak} leaves {_room(gain_db)} up to {ceiling}, {does}.",
        "ceiling": f"; {peak} is {_over(profile, counted, gain_db)} {ceiling}, {does}.",
        "max_boost": f"; this player raises a level by at most {one_decimal(gain_db)} dB, {does}.",
        "max_cut": f"; this player turns a level down by at most {one_decimal(-gain_db)} dB, {does}.",
    }.get(limited_by, f", {does}.")
    return measured + distance + why + _peak_sentence(profile, counted, gain_db, limiter_acts, peak, ceiling)


def conditional_reason(profile: Profile, counted: Counted) -> str:
    """The sentence on a target that depends on the peak-to-loudness ratio; empty where none does."""
    condition, ratio = profile.conditional, counted.peak_to_loudness_db
    if condition is None or ratio is None or profile.target_lufs is None:
        return ""
    limit = condition.peak_to_loudness_below_db
    under = ratio < limit
    target = condition.target_lufs if under else profile.target_lufs
    if one_decimal(ratio) == one_decimal(limit):
        place = "just under" if under else "at"
    else:
        place = "under" if under else "over"
    return (
        f"Its peak-to-loudness ratio of {one_decimal(ratio)} dB is {place} this player's limit of "
        f"{one_decimal(limit)} dB, so its target is {one_decimal(target)} LUFS. "
    )


def _subject(profile: Profile, album: str | None) -> str:
    if album is None:
        return "The track measures"
    if profile.scope == "album_loudest":
        return f"The loudest track of the album “{album}” measures"
    return f"The album “{album}” measures"


def _distance(lufs: float, wanted_gain_db: float, target_lufs: float) -> tuple[str, str]:
    """The counted loudness as it is written beside this target, and where it lies against it."""
    loudness, target = one_decimal(lufs), one_decimal(target_lufs)
    if one_decimal(wanted_gain_db) == "0.0":
        place = "on" if loudness == target else "less than 0.1 dB from"
    else:
        if loudness == target:
            loudness, target = (f"{value:.2f}".replace("-", "−") for value in (lufs, target_lufs))
        side = "below" if wanted_gain_db > 0.0 else "above"
        place = f"{one_decimal(abs(wanted_gain_db))} dB {side}"
    return loudness, f", {place} the target of {target} LUFS"


def _over(profile: Profile, counted: Counted, gain_db: float) -> str:
    """How a peak stands that turns the level down: one that does so by next to nothing is just over."""
    level = "" if counted.peak_db is None else one_decimal(counted.peak_db)
    alike = level == one_decimal(profile.ceiling.level_db)
    return "just over" if alike or one_decimal(gain_db) == "0.0" else "over"


def _does(gain_db: float, it: str) -> str:
    if one_decimal(gain_db) == "0.0":
        return f"leaves {it} as it is"
    if gain_db > 0.0:
        return f"raises {it} by {one_decimal(gain_db)} dB"
    return f"turns {it} down by {one_decimal(-gain_db)} dB"


def _room(gain_db: float) -> str:
    return "no room" if one_decimal(gain_db) == "0.0" else f"only {one_decimal(gain_db)} dB of room"


def _peak_sentence(
    profile: Profile, counted: Counted, gain_db: float, limiter_acts: bool, peak: str, ceiling: str
) -> str:
    """What becomes of the peaks where the gain itself does not keep them down."""
    peak = peak[0].upper() + peak[1:]
    if limiter_acts and counted.peak_db is not None:
        just = one_decimal(counted.peak_db + gain_db) == one_decimal(profile.ceiling.level_db)
        passes = "just pass" if just else "pass"
        return f" {peak} would then {passes} {ceiling}, so the limiter presses the peaks down."
    if profile.upward == "unprotected" and gain_db > 0.0 and counted.peak_db is not None:
        reached = counted.peak_db + gain_db
        if one_decimal(reached) != "0.0" and reached > 0.0:
            return f" {peak} then goes {one_decimal(reached)} dB over full scale, and nothing holds it."
    return ""

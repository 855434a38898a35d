"""What is left of a loud version's loudness on one player, and where it is still louder, by rule.

The match is always the player's: each version with its own gain, which is set over the whole track (or the
album). So passages need not match, and each sentence names its passage. "Never louder" is only said where no
3 s window (of those that pass EBU Tech 3342's gates, at common moments) plays more than TIE_LU louder, and
"neither is louder" only where none differs by more than that in either direction.
"""

from __future__ import annotations

from simulator.common.text import level, printed_gap
from simulator.common.units import TIE_LU, format_time
from simulator.comparison.versions import Comparison, Heard, Played
from simulator.normalizer.profile import Profile
from simulator.text import sentences
from simulator.text.comparison.delivered import SECONDS, Names, Said, ordered, said, tied


def played_sentences(comparison: Comparison, played: Played, names: Names) -> list[Said]:
    """Every sentence on one player, in reading order."""
    profile = played.profile
    versions = ((names.loud, played.loud), (names.open, played.open))
    return said(
        [
            ("played", _overall(played, names)),
            ("left", _left(comparison, played, names)),
            ("played_loudest", _passage("loudest", comparison, played, names)),
            ("played_quietest", _passage("quietest", comparison, played, names)),
            *_anywhere(played, names),
            *(
                ("headroom", text)
                for name, heard in versions
                for text in sentences.headroom_sentences(
                    sentences.Version(name, heard.delivered, heard.prediction), profile
                )
            ),
            ("stays_quieter", _stays_quieter(played, names)),
            ("unused_headroom", _below_full_scale(played, names)),
            *(("overs", _overs(heard, name)) for name, heard in versions),
            ("uncertainty", sentences.uncertainty_sentence(profile)),
        ]
    )


def integrated_gap(played: Played) -> float | None:
    """How much louder the loud version is overall on this player, of the printed figures."""
    return printed_gap(played.side.loud.integrated_lufs, played.side.open.integrated_lufs)


def _overall(played: Played, names: Names) -> str:
    """Both over the whole track, and what the player did to them."""
    gap, profile = integrated_gap(played), played.profile
    if gap is None:
        return ""
    gains = ", ".join(
        f"{name} {sentences.turned(side.gain_db)}"
        for name, side in ((names.loud, played.side.loud), (names.open, played.side.open))
    )
    louder, other, amount = ordered(names, gap)
    if tied(gap):
        return f"On this player both play at the same loudness overall ({gains})."
    within = profile.target_lufs is not None and amount <= profile.uncertainty_db
    allowance = f", within the ±{level(profile.uncertainty_db)} dB to allow for" if within else ""
    return f"On this player {louder} is {level(amount)} LU louder than {other} overall ({gains}){allowance}."


def _left(comparison: Comparison, played: Played, names: Names) -> str:
    """Of what the louder one had as delivered, what the player leaves over the whole track."""
    before = printed_gap(comparison.delivered.loud.integrated_lufs, comparison.delivered.open.integrated_lufs)
    after = integrated_gap(played)
    if before is None or after is None or tied(before):
        return ""
    louder, other, amount = ordered(names, before)
    left = after if before >= 0.0 else -after
    if left > amount and not tied(after):
        return (
            f"As delivered {louder} is {level(amount)} LU louder, as played {level(left)} LU: this player "
            "widens the difference."
        )
    if tied(after):
        remains = "nothing remains as played"
    elif left > 0.0:
        remains = f"{level(left)} LU remains as played"
    else:
        remains = f"nothing remains: as played {other} is {level(-left)} LU louder"
    return f"Of {louder}’s {level(amount)} LU advantage as delivered, {remains}."


def _passage(which: str, comparison: Comparison, played: Played, names: Names) -> str:
    """The loudest or the quietest passage: where it is, and how the two are matched there. Of the quietest
    one also why it is not level: the gain is set over the whole track."""
    key = f"{which}_passage_lufs"
    gap, profile = printed_gap(getattr(played.side.loud, key), getattr(played.side.open, key)), played.profile
    if gap is None:
        return ""
    window = comparison.passages.loudest if which == "loudest" else comparison.passages.quietest
    place = "each at its own"
    if comparison.passages.shared and window.open_s is not None:
        place = f"from {format_time(window.open_s)} of {names.open}, the same moment in both"
    louder, other, amount = ordered(names, gap)
    start = f"In the {which} passage ({place}; {match_words(profile)})"
    if tied(gap):
        return f"{start} both are equally loud."
    why, whole = "", integrated_gap(played)
    if which == "quietest" and profile.target_lufs is not None and whole is not None:
        scope = "track" if profile.scope == "track" else "album"
        if not tied(round(gap - whole, 1)):
            why = f": one gain is set for the whole {scope}, not per section"
    return f"{start} {louder} is {level(amount)} LU louder than {other}{why}."


def match_words(profile: Profile) -> str:
    """How this player matches the two."""
    if profile.target_lufs is None:
        return "no gain applied"
    return f"each with its {'track' if profile.scope == 'track' else 'album'} gain applied"


def _anywhere(played: Played, names: Names) -> list[tuple[str, str]]:
    """The extremes over all 3 s windows at common moments, after the whole-track gains."""
    gap = played.side.gap
    if gap.most is None or gap.least is None:
        return []
    up, down = gap.most.difference_lu, -gap.least.difference_lu
    if up <= TIE_LU and down <= TIE_LU:
        totals = (gap.integrated_lu, gap.loudest_passage_lu, gap.quietest_passage_lu)
        if any(value is None or abs(value) > TIE_LU for value in totals):
            return []
        text = f"On this player neither is louder: overall and in every {SECONDS} (near-silence aside) they "
        return [("no_level_difference", f"{text}differ by {level(TIE_LU)} LU or less.")]
    louder = f"up to {level(up)} LU louder (at {format_time(gap.most.open_s)})"
    quieter = f"up to {level(down)} LU quieter (at {format_time(gap.least.open_s)})"
    if down <= TIE_LU:
        text = f"{louder} and never more than {level(TIE_LU)} LU quieter"
    elif up <= TIE_LU:
        text = f"{quieter} and never more than {level(TIE_LU)} LU louder"
    else:
        text = f"{louder} and {quieter}"
    return [("anywhere", f"Moment to moment, near-silence aside, {names.loud} is {text}.")]


def _stays_quieter(played: Played, names: Names) -> str:
    """The player leaves headroom, so that a version without any stays quieter than the other."""
    gap, profile = integrated_gap(played), played.profile
    if gap is None or tied(gap) or profile.scope != "track":
        return ""
    louder, other, amount = ordered(names, gap)
    quieter = played.open if gap > 0.0 else played.loud
    if quieter.prediction.decision.limited_by not in ("headroom", "ceiling"):
        return ""
    ratios = printed_gap(played.side.loud.peak_to_loudness_db, played.side.open.peak_to_loudness_db)
    if ratios is None or ratios == 0.0 or (ratios > 0.0) is (gap > 0.0):
        return ""  # the other one was over the ceiling as delivered
    unit = "dBTP" if profile.ceiling.counts == "true" else "dBFS"
    return (
        f"This player keeps peaks below {level(profile.ceiling.level_db)} {unit}. {other} has the higher "
        f"PLR, so it plays {level(amount)} LU quieter than {louder}."
    )


def _below_full_scale(played: Played, names: Names) -> str:
    loud, open_ = played.side.loud.true_peak_dbtp, played.side.open.true_peak_dbtp
    if loud is None or open_ is None:
        return ""
    return f"As played, {names.loud} peaks {_room(loud)} and {names.open} {_room(open_)}."


def _room(peak_dbtp: float) -> str:
    return f"{level(abs(peak_dbtp))} dB {'over' if peak_dbtp > 0.0 else 'below'} full scale"


def _overs(heard: Heard, name: str) -> str:
    """Overs before and after the player's gain; nothing where there are none in either state."""
    before, after = heard.delivered.over_count, heard.played_over_count
    peaks = heard.delivered.true_peak_dbtp, heard.prediction.played.true_peak_dbtp
    if peaks[0] is None or peaks[1] is None or not (before or after):
        return ""
    overs = f"{before or 'no'} inter-sample over{'' if before == 1 else 's'}"
    delivered, played = (f"peaks {sentences.over_words(peak)}" for peak in peaks if peak is not None)
    return f"{name} has {overs} as delivered ({delivered}) and {after or 'none'} as played ({played})."

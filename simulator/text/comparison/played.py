"""What is left of a loud version's loudness through one player, and where it is still louder, by rule.

The match is always the player's: each version turned by its own gain, which is set over the whole track (or
the album). So passages need not match, and each sentence names its passage. "Nowhere louder" is only said
where no 3 s window (of those that pass EBU Tech 3342's gates, at common moments) plays more than TIE_LU
louder, and "neither gains anything" only where none differs by more than that in either direction.
"""

from __future__ import annotations

from simulator.common.numbers import level, signed
from simulator.common.text import capital
from simulator.common.units import TIE_LU, format_time
from simulator.comparison.versions import Comparison, Heard, Played
from simulator.normalizer.profile import Profile
from simulator.text import sentences
from simulator.text.comparison.terms import SECONDS, Names, Said, ordered


def played_sentences(found: Comparison, played: Played, names: Names) -> list[Said]:
    """All that one player's part says, in reading order."""
    first, second = _version(played.loud, names.loud), _version(played.open, names.open)
    said = [
        Said("played", sentences.played_sentence(first, second, played.profile)),
        *_left(found, played, names),
        *_passage("loudest", played.side.gap.loudest_passage_lu, found, played, names),
        *_quietest(found, played, names),
        *_anywhere(played, names),
        *(Said("headroom", text) for text in sentences.headroom_sentences(first, played.profile)),
        *(Said("headroom", text) for text in sentences.headroom_sentences(second, played.profile)),
        *_stays_quieter(played, names),
        *_unused(played, names),
        *_overs(played.loud, names.loud),
        *_overs(played.open, names.open),
        Said("uncertainty", sentences.uncertainty_sentence(played.profile)),
    ]
    return [one for one in said if one.text]


def _version(heard: Heard, name: str) -> sentences.Version:
    return sentences.Version(name, heard.delivered, heard.prediction)


def _left(found: Comparison, played: Played, names: Names) -> list[Said]:
    """Of what the louder one had as delivered, what the player leaves over the whole track."""
    before, after = found.delivered.gap.integrated_lu, played.side.gap.integrated_lu
    if before is None or after is None or abs(before) <= TIE_LU:
        return []
    louder, other, amount = ordered(names, before)
    left = after if before >= 0.0 else -after
    start = f"Of the {level(amount)} LU by which {louder} is louder as delivered"
    if abs(after) <= TIE_LU:
        text = f"{start}, the player's gains leave a tie over the whole track."
    elif sentences.widened(amount, left):
        text = (
            f"As delivered {louder} is {level(amount)} LU louder, and over the whole track as played "
            f"{level(left)} LU: this player widens the difference."
        )
    elif left > 0.0:
        text = f"{start}, {level(left)} LU are left over the whole track as played."
    else:
        text = f"{start}, none are left: over the whole track {other} plays {level(-left)} LU louder."
    return [Said("left", text)]


def _passage(
    which: str, gap: float | None, found: Comparison, played: Played, names: Names, why: str = ""
) -> list[Said]:
    """The loudest or the quietest passage: where it is, and how the two are matched there."""
    if gap is None:
        return []
    window = found.passages.loudest if which == "loudest" else found.passages.quietest
    if found.passages.shared and window.open_s is not None:
        place = f"from {format_time(window.open_s)} of {names.open}, the same moment in both"
    else:
        place = "each at its own"
    louder, other, amount = ordered(names, gap)
    start = f"In the {which} passage ({place}; {match_words(played.profile)})"
    if amount <= TIE_LU:
        text = f"{start} the two play equally loud."
    else:
        text = f"{start} {louder} plays {level(amount)} LU louder than {other}{why}."
    return [Said(f"played_{which}", text)]


def match_words(profile: Profile) -> str:
    """How this player matches the two."""
    if profile.target_lufs is None:
        return "neither turned"
    return f"each turned by {'its whole-track' if profile.scope == 'track' else 'its album’s'} gain"


def _quietest(found: Comparison, played: Played, names: Names) -> list[Said]:
    """The verse, as it were: the passage that a gain set over the whole track does not level."""
    gap = played.side.gap
    whole, quiet = gap.integrated_lu, gap.quietest_passage_lu
    why = ""
    if played.profile.target_lufs is None:
        whole = None
    if whole is not None and quiet is not None and abs(quiet) > TIE_LU and abs(quiet - whole) > TIE_LU:
        whole_what = "track" if played.profile.scope == "track" else "album"
        why = f": the gain is set over the whole {whole_what}, not for a verse"
    return _passage("quietest", quiet, found, played, names, why)


def _anywhere(played: Played, names: Names) -> list[Said]:
    """The extremes over all 3 s windows at common moments, after the whole-track gains."""
    gap = played.side.gap
    if gap.most is None or gap.least is None:
        return []
    most, least = gap.most, gap.least
    up, down = most.difference_lu, -least.difference_lu
    if up <= TIE_LU and down <= TIE_LU:
        totals = (gap.integrated_lu, gap.loudest_passage_lu, gap.quietest_passage_lu)
        if any(value is None or abs(value) > TIE_LU for value in totals):
            return []
        return [
            Said(
                "no_level_difference",
                "As this player plays them, neither gains anything in level: over the whole track, and in "
                f"every {SECONDS} of it (near-silence aside), the two differ by {level(TIE_LU)} LU at most.",
            )
        ]
    at_most = (
        f"louder by {level(up)} LU at most (the {SECONDS} from {format_time(most.open_s)} of {names.open})"
    )
    at_least = f"quieter by {level(down)} LU at most (the {SECONDS} from {format_time(least.open_s)})"
    if down <= TIE_LU:
        text = f"{at_most}, and nowhere quieter by more than {level(TIE_LU)} LU"
    elif up <= TIE_LU:
        text = f"{at_least}, and nowhere louder by more than {level(TIE_LU)} LU"
    else:
        text = f"{at_most}, and {at_least}"
    start = f"Moment by moment (near-silence aside), {match_words(played.profile)}, {names.loud} plays"
    return [Said("anywhere", f"{start} {text}.")]


def _stays_quieter(played: Played, names: Names) -> list[Said]:
    """The player leaves headroom, so that a version without any stays quieter than the other."""
    gap, profile = played.side.gap.integrated_lu, played.profile
    if gap is None or abs(gap) <= TIE_LU or profile.scope != "track":
        return []
    louder, other, amount = ordered(names, gap)
    low = played.open if gap > 0.0 else played.loud
    if low.prediction.decision.limited_by not in ("headroom", "ceiling"):
        return []
    unit = "dBTP" if profile.ceiling.counts == "true" else "dBFS"
    return [
        Said(
            "stays_quieter",
            f"This player keeps peaks under {level(profile.ceiling.level_db)} {unit}: {other}, whose peaks "
            f"stand higher above its loudness, therefore plays {level(amount)} LU quieter than {louder} over "
            "the whole track.",
        )
    ]


def _unused(played: Played, names: Names) -> list[Said]:
    loud, open_ = played.side.loud.unused_headroom_db, played.side.open.unused_headroom_db
    if loud is None or open_ is None:
        return []
    more, less, amount = ordered(names, loud - open_)
    high, low = max(loud, open_), min(loud, open_)
    if amount <= TIE_LU:
        text = f"As played, the true peaks of both stand as high: {_room(loud)} and {_room(open_)}."
    else:
        text = f"As played, the true peak of {more} leaves {_room(high)}, that of {less} {_room(low)}."
        if high < 0.0:
            text = f"As played, the true peak of {more} stands {_room(high)}, that of {less} {_room(low)}."
    return [Said("unused_headroom", text)]


def _room(headroom_db: float) -> str:
    if headroom_db < 0.0:
        return f"{level(-headroom_db)} dB over full scale"
    return f"{level(headroom_db)} dB of headroom unused"


def _overs(heard: Heard, name: str) -> list[Said]:
    """Overs before and after the player's gain; nothing where there are none in either state."""
    before, after = heard.delivered.over_count, heard.played_over_count
    highest = heard.delivered.true_peak_dbtp, heard.prediction.played.true_peak_dbtp
    if highest[0] is None or highest[1] is None or not (before or after):
        return []
    text = (
        f"{capital(name)} rises over full scale between the samples {_times(before)} as "
        f"delivered ({_highest(before, highest[0])}), and {_times(after)} after the player's gain "
        f"({_highest(after, highest[1])})."
    )
    return [Said("overs", text)]


def _highest(count: int, peak_dbtp: float) -> str:
    """Beside a count of overs "0.0 dBTP" would contradict it."""
    if count and level(peak_dbtp) == "0.0":
        return sentences.over_words(peak_dbtp)
    return f"{signed(peak_dbtp)} dBTP at most"


def _times(count: int) -> str:
    return "never" if not count else "once" if count == 1 else f"{count} times"

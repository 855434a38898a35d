"""Sentences on two versions, whatever the player, by rule.

Each sentence carries the name of its rule, and every rule speaks in both directions and of a tie
(differences up to TIE_LU, of peaks up to PUNCH_TIE_DB, shares up to TIE_SHARE). Beside every difference of
level stands which passage it is about and how the two were matched. Nothing judges taste, and the difference
of the two is never called a loss. What is left of a difference as played: see balance_played.
"""

from __future__ import annotations

from simulator.common.report_numbers import level
from simulator.common.units import TIE_LU, format_time
from simulator.comparison.versions import Comparison
from simulator.text.comparison.paid import paid_sentences
from simulator.text.comparison.terms import SECONDS, Names, Said, capital, ordered


def place_sentences(found: Comparison, names: Names) -> list[Said]:
    """Whether the two belong together, and which passages are read."""
    said = [Said("alignment", found.alignment.reason)] if found.alignment.reason else []
    if not found.alignment.fits:
        what = {
            "different": "are not the same performance",
            "ambiguous": "fit each other at more than one place",
            "aligned": "fit each other only in part",
        }[found.alignment.kind]
        said.append(
            Said(
                "no_difference",
                f"Since {names.loud} and {names.open} {what}, every number stands for itself: the "
                "passages are each one's own, and no residual between the two is given.",
            )
        )
    said += _mono(found, names)
    loudest, quietest = found.passages.loudest, found.passages.quietest
    if loudest.open_s is None or quietest.open_s is None:
        said.append(Said("passages", f"{capital(names.open)} has no passage of {SECONDS} to read."))
    elif found.passages.shared:
        said.append(
            Said(
                "passages",
                f"Loudest passage: the {SECONDS} from {format_time(loudest.open_s)} of {names.open}; "
                f"quietest: the {SECONDS} from {format_time(quietest.open_s)}. Both were chosen there, and "
                f"are read at the same moments of {names.loud}.",
            )
        )
    elif found.alignment.fits:
        said.append(Said("passages", "The two have too little in common: each is read at its own passages."))
    return said


def delivered_sentences(found: Comparison, names: Names) -> list[Said]:
    """What was gained as delivered: whole track, loudest and quietest passage."""
    gap = found.delivered.gap
    said: list[Said] = []
    if gap.integrated_lu is None:
        return [Said("delivered", "Not both have a measurable loudness, so they are not compared.")]
    louder, quieter, amount = ordered(names, gap.integrated_lu)
    levels = [level(value.integrated_lufs) for value in (found.delivered.loud, found.delivered.open)]
    if gap.integrated_lu < 0.0 and amount > TIE_LU:
        levels.reverse()
    if amount <= TIE_LU:
        said.append(
            Said(
                "delivered",
                f"As delivered, over the whole track, {names.loud} and {names.open} are equally loud "
                f"({levels[0]} and {levels[1]} LUFS).",
            )
        )
    else:
        said.append(
            Said(
                "delivered",
                f"As delivered, over the whole track, {louder} is {level(amount)} LU louder than {quieter} "
                f"({levels[0]} and {levels[1]} LUFS): so much is heard wherever nothing is normalised.",
            )
        )
    if gap.loudest_passage_lu is not None and gap.quietest_passage_lu is not None:
        own = "" if found.passages.shared else ", each at its own passages"
        said.append(
            Said(
                "delivered_passages",
                f"As delivered, {names.loud} lies {_against(gap.loudest_passage_lu)} {names.open} in the "
                f"loudest passage and {_against(gap.quietest_passage_lu)} it in the quietest{own}.",
            )
        )
    return said


def open_sentences(found: Comparison, names: Names) -> list[Said]:
    """What the open version costs: its quiet passages lie lower, and a noisy place may cover them."""
    open_, loud = found.delivered.open, found.delivered.loud
    if open_.contrast_lu is None or loud.contrast_lu is None:
        return []
    where = "the same moments" if found.passages.shared else "each at its own passages"
    start = (
        f"The quietest passage of {names.open} lies {level(open_.contrast_lu)} LU below its loudest, that of "
        f"{names.loud} {level(loud.contrast_lu)} LU ({where}, before any gain)."
    )
    difference = open_.contrast_lu - loud.contrast_lu
    if difference > TIE_LU:
        end = f"That is what {names.open} costs: the noise of a car or a street may mask that passage sooner."
    elif difference < -TIE_LU:
        end = f"So the noise of a car or a street may mask the passage of {names.loud} sooner."
    else:
        end = "That is a tie: the noise of a car or a street may mask one as soon as the other."
    return [Said("open_quiet", f"{start} {end}")]


def caution_sentences(found: Comparison, names: Names) -> list[Said]:
    """Before anyone listens to the two as delivered, one after the other."""
    gap = found.delivered.gap.integrated_lu
    if gap is None or abs(gap) <= TIE_LU:
        return []
    louder, other, amount = ordered(names, gap)
    return [
        Said(
            "caution",
            f"Before you listen: as delivered, {louder} comes {level(amount)} LU louder than {other}, so "
            "turn your monitors down first. Software cannot know the sound pressure at your ears; local "
            "rules and licensed practice come first.",
        )
    ]


def whole_sentences(found: Comparison, names: Names) -> list[Said]:
    """All that the two say whatever the player, in reading order."""
    return [
        *place_sentences(found, names),
        *delivered_sentences(found, names),
        *paid_sentences(found, names),
        *open_sentences(found, names),
        *caution_sentences(found, names),
    ]


def _mono(found: Comparison, names: Names) -> list[Said]:
    """One channel against two: BS.1770 reads it lower, which is no difference of the masters."""
    if not found.played:
        return []
    pair = ((names.loud, found.played[0].loud), (names.open, found.played[0].open))
    single = [name for name, heard in pair if heard.delivered.channels == 1]
    if len(single) != 1:
        return []
    return [
        Said(
            "mono",
            f"{capital(single[0])} is mono: one channel reads 3.0 LU lower than the same sound on two "
            "loudspeakers, and so does every figure of it here.",
        )
    ]


def _against(gap: float) -> str:
    if abs(gap) <= TIE_LU:
        return "level with"
    return f"{level(abs(gap))} LU {'above' if gap > 0.0 else 'below'}"

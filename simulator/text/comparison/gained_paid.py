"""Sentences on two versions, whatever the player, by rule.

Each sentence carries the name of its rule, and every rule speaks in both directions and of a tie
(differences up to TIE_LU, of peaks up to PUNCH_TIE_DB, shares up to TIE_SHARE). Beside every difference of
level stands which passage it is about and how the two were matched. Nothing judges taste, and the difference
of the two is never called a loss. What is left of a difference as played: see `played`.

What the louder version pays, in plain words: PLR, loud-to-quiet span, time at the ceiling, the split
residual.

Each sentence speaks in both directions and of a tie. The residual is never called a loss, and that its size
does not rank quality stands beside it.
"""

from __future__ import annotations

from simulator.common.numbers import level, share, signed
from simulator.common.text import capital
from simulator.common.units import TIE_LU, format_time
from simulator.comparison.difference import Difference
from simulator.comparison.versions import Comparison, Gap
from simulator.text.comparison.terms import SECONDS, TIE_SHARE, Names, Said, ordered
from simulator.text.sentences import PUNCH_TIE_DB

FILTERED = 0.05
"""Up to this share a filter is not spoken of: pure gains leave less (measured on four songs)."""


def paid_sentences(found: Comparison, names: Names) -> list[Said]:
    """What stands on the other side: punch, contrast, the ceiling, the difference itself."""
    delivered, gap = found.delivered, found.delivered.gap
    said = [
        *_punch(
            "punch",
            names,
            gap.punch_db,
            (delivered.loud.punch_db, delivered.open.punch_db),
            "above the loudness of the whole track (PLR, overs not counted",
        ),
        *_punch(
            "punch_short",
            names,
            gap.median_peak_to_short_term_db,
            (delivered.loud.median_peak_to_short_term_db, delivered.open.median_peak_to_short_term_db),
            f"above the {SECONDS} around them (median PSR",
        ),
        *_contrast(found, names, gap),
        _ceiling(found, names),
    ]
    return [*said, *_difference(found.difference, names)]


def _punch(
    rule: str, names: Names, gap: float | None, values: tuple[float | None, float | None], what: str
) -> list[Said]:
    if gap is None:
        return []
    more, less, amount = ordered(names, gap)
    numbers = [level(value) for value in (values if gap >= 0.0 else values[::-1])]
    if amount <= PUNCH_TIE_DB:
        return [
            Said(
                rule,
                f"The peaks of both stand equally far {what}: {level(values[0])} dB for {names.loud}, "
                f"{level(values[1])} dB for {names.open}).",
            )
        ]
    return [
        Said(
            rule,
            f"The peaks of {more} stand {level(amount)} dB further {what}: {numbers[0]} against "
            f"{numbers[1]} dB for {less}); a plain gain of the player does not change that.",
        )
    ]


def _contrast(found: Comparison, names: Names, gap: Gap) -> list[Said]:
    if gap.contrast_lu is None:
        return []
    values = (found.delivered.loud.contrast_lu, found.delivered.open.contrast_lu)
    more, less, amount = ordered(names, gap.contrast_lu)
    numbers = [level(value) for value in (values if gap.contrast_lu >= 0.0 else values[::-1])]
    where = "the same moments of both" if found.passages.shared else "each at its own passages"
    if amount <= TIE_LU:
        text = (
            f"From the quietest to the loudest passage both rise by as much ({numbers[0]} and {numbers[1]} LU"
        )
    else:
        text = (
            f"From the quietest to the loudest passage {more} rises by {level(amount)} LU more than {less} "
            f"({numbers[0]} against {numbers[1]} LU"
        )
    return [Said("contrast", f"{text}; {where}).")]


def _ceiling(found: Comparison, names: Names) -> Said:
    values = (found.delivered.loud.share_at_ceiling, found.delivered.open.share_at_ceiling)
    gap = found.delivered.gap.share_at_ceiling
    if abs(gap) <= TIE_SHARE:
        text = (
            f"Both spend as much time at their own ceiling (within 0.1 dB of the highest sample): "
            f"{names.loud} {share(values[0])}, {names.open} {share(values[1])} of the samples."
        )
    else:
        more, less, _ = ordered(names, gap)
        numbers = values if gap > 0.0 else values[::-1]
        text = (
            f"{capital(more)} spends {share(numbers[0])} of its samples at its own ceiling (within 0.1 dB of "
            f"the highest one), {less} {share(numbers[1])}."
        )
    return Said("ceiling", text)


def _difference(found: Difference | None, names: Names) -> list[Said]:
    """The split residual: how it was matched, how large it is, of what kind, and what it does not say."""
    if found is None or found.match_gain_db is None:
        return []
    match = (
        f"Matched by one gain of {signed(found.match_gain_db)} dB on {names.loud} (least squares of the "
        f"K-weighted signals, over the {format_time(found.common_seconds)} that both hold)"
    )
    if found.residual_lu is None or found.gain_riding_lu is None:  # nothing, or rounding
        return [Said("difference", f"{match}, the two are the same: nothing differs but the level.")]
    said = [
        Said(
            "difference", f"{match}, their difference lies {level(-found.residual_lu)} LU below {names.open}."
        )
    ]
    if found.conversion_only:
        return [
            *said,
            Said(
                "difference_conversion",
                "That is as little as a conversion leaves (another sample rate, a drift, a fraction of a "
                "sample): the two are the same but for conversion. A change smaller than this floor of "
                f"{level(found.residual_lu)} LU could not be seen.",
            ),
        ]
    if found.tonal_balance_differs:
        explained = (
            "" if found.linear_filter_share is None else f" ({share(found.linear_filter_share)} of it)"
        )
        said.append(
            Said(
                "difference_tonal",
                f"A fixed filter explains more than half of that residual{explained}: the tonal balance "
                "differs; the residual is not attributed to limiting.",
            )
        )
    elif found.gain_riding_share is not None:
        filtered = found.linear_filter_share is not None and found.linear_filter_share > FILTERED
        rest = "a filter or a changed waveform" if filtered else "a changed waveform"
        said.append(
            Said(
                "difference_split",
                f"{share(found.gain_riding_share)} of its power is gain riding (a level that moves, "
                f"{_below(found.gain_riding_lu)}), the rest is {rest} "
                f"({_below(found.waveform_change_lu)}).",
            )
        )
    said.append(
        Said(
            "difference_no_rank",
            "The size of a difference does not rank quality: smooth gain riding leaves more of it than hard "
            "clipping.",
        )
    )
    return said


def _below(value: float | None) -> str:
    return "none at all" if value is None else f"{level(-value)} LU below"


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

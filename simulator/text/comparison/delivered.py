"""Sentences on two versions, whatever the player, by rule.

Each sentence carries the name of its rule, and every rule speaks in both directions and of a tie (differences
up to TIE_LU, of peaks up to PUNCH_TIE_DB, shares up to TIE_SHARE; differences are those of the printed
figures). Beside every difference of level stands which passage it is about and how the two were matched.
Nothing judges taste; the difference signal is never called a loss, and that its size does not rank quality
stands beside it. What a player leaves of a difference: see `played`.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulator.common.text import level, printed_gap, share
from simulator.common.units import TIE_LU, format_time
from simulator.comparison.difference import Difference
from simulator.comparison.versions import Comparison, Side
from simulator.text.sentences import PUNCH_TIE_DB

TIE_SHARE = 0.001
SECONDS = "3 s"


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence, and the rule that made it."""

    rule: str
    text: str


@dataclass(frozen=True, slots=True)
class Names:
    """What the two are called in a sentence ("crushed", "open")."""

    loud: str
    open: str


def tied(gap: float | None) -> bool:
    """True where the difference in LU, or its absence, is none to speak of."""
    return gap is None or abs(gap) <= TIE_LU


def ordered(names: Names, gap: float) -> tuple[str, str, float]:
    """The name of the one with more, of the other, and by how much."""
    return (names.loud, names.open, gap) if gap >= 0.0 else (names.open, names.loud, -gap)


FILTERED = 0.05
"""Up to this share a filter is not spoken of: pure gains leave less (measured on four songs)."""
NOT_JUDGED = 0.5
"""Confidence of an alignment where nothing could be judged: too short, silent, no place in common."""
LEAST_GAIN_DB = 0.05
"""What is less is written 0.0 dB."""


def whole_sentences(comparison: Comparison, names: Names) -> list[Said]:
    """All that the two say whatever the player, in reading order."""
    loud, open_ = comparison.delivered.loud, comparison.delivered.open
    return [
        *_places(comparison, names),
        *_delivered(comparison, names),
        *_peaks("punch", "peak-to-loudness ratio (PLR, overs capped at 0 dBTP)", loud.punch_db,
                open_.punch_db, names),
        *_peaks("punch_short", f"peak above the {SECONDS} around it (median PSR)",
                loud.median_peak_to_short_term_db, open_.median_peak_to_short_term_db, names),
        *_contrast(comparison, names),
        _ceiling(comparison, names),
        *_difference(comparison.difference, names),
        *_open_quiet(comparison, names),
        *_caution(comparison),
    ]  # fmt: skip


def _places(comparison: Comparison, names: Names) -> list[Said]:
    """Whether the two belong together, and which passages are read."""
    said = [Said("alignment", comparison.alignment.reason)] if comparison.alignment.reason else []
    if not comparison.alignment.fits:
        what = {
            "different": "are not the same performance",
            "ambiguous": "fit each other at more than one place",
            "aligned": "fit each other only in part",
        }[comparison.alignment.kind]
        if comparison.alignment.kind == "different" and comparison.alignment.confidence <= NOT_JUDGED:
            what = "could not be time-aligned"
        said.append(
            Said(
                "no_difference",
                f"{names.loud} and {names.open} {what}: each is measured at its own passages, and there is "
                "no difference signal.",
            )
        )
    said += _mono(comparison, names)
    loudest, quietest = comparison.passages.loudest, comparison.passages.quietest
    if loudest.open_s is None or quietest.open_s is None:
        said.append(Said("passages", f"{names.open} has no passage of {SECONDS} to measure."))
    elif comparison.passages.shared:
        said.append(
            Said(
                "passages",
                f"Loudest passage: {SECONDS} from {format_time(loudest.open_s)} of {names.open}; quietest: "
                f"{SECONDS} from {format_time(quietest.open_s)}.",
            )
        )
        said.append(
            Said(
                "passages_shared",
                f"Both passages were picked from {names.open} and measured at the same moments in "
                f"{names.loud}.",
            )
        )
    elif comparison.alignment.fits:
        said.append(
            Said("passages", "The two have too little in common: each is measured at its own passages.")
        )
    return said


def _mono(comparison: Comparison, names: Names) -> list[Said]:
    """One channel against two: BS.1770 reads it lower, which is no difference of the masters."""
    if not comparison.played:
        return []
    pair = ((names.loud, comparison.played[0].loud), (names.open, comparison.played[0].open))
    single = [name for name, heard in pair if heard.delivered.channels == 1]
    if len(single) != 1:
        return []
    return [
        Said(
            "mono",
            f"{single[0]} is mono: one channel reads 3.0 LU lower than the same sound on two loudspeakers, "
            "and so do all its levels here.",
        )
    ]


def _delivered(comparison: Comparison, names: Names) -> list[Said]:
    """What was gained as delivered: whole track, loudest and quietest passage."""
    loud, open_ = comparison.delivered.loud, comparison.delivered.open
    gap = printed_gap(loud.integrated_lufs, open_.integrated_lufs)
    if gap is None:
        return [Said("delivered", f"{unmeasurable(comparison.delivered, names)}.")]
    louder, quieter, amount = ordered(names, gap)
    levels = [level(value.integrated_lufs) for value in (loud, open_)]
    if tied(gap):
        text = f"As delivered, {names.loud} and {names.open} are equally loud overall"
        said = [Said("delivered", f"{text} ({levels[0]} and {levels[1]} LUFS).")]
    else:
        numbers = " and ".join(levels if gap >= 0.0 else levels[::-1])
        said = [
            Said(
                "delivered",
                f"As delivered, {louder} is {level(amount)} LU louder than {quieter} overall ({numbers} "
                "LUFS): that is the difference heard wherever nothing is normalised.",
            )
        ]
    loudest = printed_gap(loud.loudest_passage_lufs, open_.loudest_passage_lufs)
    quietest = printed_gap(loud.quietest_passage_lufs, open_.quietest_passage_lufs)
    if loudest is not None and quietest is not None:
        own = "" if comparison.passages.shared else ", each at its own passages"
        than = "as" if tied(loudest) else "than"
        said.append(
            Said(
                "delivered_passages",
                f"As delivered, {names.loud} is {_against(loudest)} {than} {names.open} in the loudest "
                f"passage and {_against(quietest)} in the quietest{own}.",
            )
        )
    return said


def unmeasurable(side: Side, names: Names) -> str:
    """Which of the two has no loudness, without a full stop."""
    pair = ((names.loud, side.loud), (names.open, side.open))
    silent = [name for name, one in pair if one.integrated_lufs is None]
    return f"{' and '.join(silent)} {'has' if len(silent) == 1 else 'have'} no measurable loudness"


def _against(gap: float) -> str:
    return "as loud" if tied(gap) else f"{level(abs(gap))} LU {'louder' if gap > 0.0 else 'quieter'}"


def _peaks(rule: str, what: str, loud: float | None, open_: float | None, names: Names) -> list[Said]:
    gap = printed_gap(loud, open_)
    if gap is None:
        return []
    more, less, amount = ordered(names, gap)
    numbers = [level(value) for value in (loud, open_)]
    if amount <= PUNCH_TIE_DB:
        return [
            Said(
                rule,
                f"Both keep the same {what}: {numbers[0]} dB for {names.loud}, {numbers[1]} dB for "
                f"{names.open}.",
            )
        ]
    high, low = numbers if gap >= 0.0 else numbers[::-1]
    return [
        Said(
            rule,
            f"{more} keeps {level(amount)} dB more {what} than {less}: {high} vs {low} dB. Turning a track "
            "up or down does not change that.",
        )
    ]


def _contrast(comparison: Comparison, names: Names) -> list[Said]:
    values = (comparison.delivered.loud.contrast_lu, comparison.delivered.open.contrast_lu)
    gap = printed_gap(*values)
    if gap is None:
        return []
    more, less, amount = ordered(names, gap)
    numbers = [level(value) for value in (values if gap >= 0.0 else values[::-1])]
    where = "same moments in both" if comparison.passages.shared else "each at its own passages"
    if tied(gap):
        text = f"Both have the same loud–quiet span ({numbers[0]} and {numbers[1]} LU; {where})."
    else:
        text = (
            f"{more} has a loud–quiet span {level(amount)} LU wider than {less} ({numbers[0]} vs "
            f"{numbers[1]} LU; {where})."
        )
    return [Said("contrast", text)]


def _ceiling(comparison: Comparison, names: Names) -> Said:
    values = (comparison.delivered.loud.share_at_ceiling, comparison.delivered.open.share_at_ceiling)
    gap = values[0] - values[1]
    if abs(gap) <= TIE_SHARE:
        text = (
            f"Both spend as much time within 0.1 dB of their own peak: {names.loud} {share(values[0])}, "
            f"{names.open} {share(values[1])} of the samples."
        )
    else:
        more, less, _ = ordered(names, gap)
        numbers = values if gap > 0.0 else values[::-1]
        text = (
            f"{more} spends {share(numbers[0])} of its samples within 0.1 dB of its own peak, {less} "
            f"{share(numbers[1])}."
        )
    return Said("ceiling", text)


def _difference(found: Difference | None, names: Names) -> list[Said]:
    """The split difference signal: how it was matched, how large it is, of what kind, and what it does not
    say."""
    if found is None or found.match_gain_db is None:
        return []
    gain_db = found.match_gain_db
    turned = f"turned {'up' if gain_db > 0.0 else 'down'} {level(abs(gain_db))} dB to match"
    match = f"With {names.loud} {'unchanged' if abs(gain_db) < LEAST_GAIN_DB else turned}"
    if found.residual_lu is None or found.gain_riding_lu is None:  # nothing, or rounding
        return [Said("difference", f"{match}, the two are identical: only the level differs.")]
    said = [
        Said("difference", f"{match}, the difference signal sits {level(-found.residual_lu)} LU below "
             f"{names.open}.")
    ]  # fmt: skip
    if found.conversion_only:
        return [
            *said,
            Said(
                "difference_conversion",
                "That is as little as a conversion leaves (another sample rate, a drift, a fraction of a "
                f"sample). A change below that floor of {level(found.residual_lu)} LU would not show.",
            ),
        ]
    if found.tonal_balance_differs:
        filtered = found.linear_filter_share
        explained = "more than half" if filtered is None else share(filtered)
        said.append(
            Said(
                "difference_tonal",
                f"A fixed filter explains {explained}: the tonal balance differs, which is not limiting.",
            )
        )
    elif found.gain_riding_share is not None:
        filtered = found.linear_filter_share
        rest = "filtering or waveform change" if filtered is not None and filtered > FILTERED else (
            "waveform change"
        )  # fmt: skip
        said.append(
            Said(
                "difference_split",
                f"{share(found.gain_riding_share)} is gain movement ({_down(found.gain_riding_lu)}); "
                f"the rest is {rest} ({_down(found.waveform_change_lu)}).",
            )
        )
    said.append(
        Said(
            "difference_no_rank",
            "A bigger difference is not a worse master: smooth gain movement leaves more residue than hard "
            "clipping.",
        )
    )
    return said


def _down(value: float | None) -> str:
    return "none" if value is None else f"{level(-value)} LU down"


def _open_quiet(comparison: Comparison, names: Names) -> list[Said]:
    """What a wide loud–quiet span costs: a noisy place covers the quiet passages sooner."""
    gap = printed_gap(comparison.delivered.open.contrast_lu, comparison.delivered.loud.contrast_lu)
    if gap is None:
        return []
    if tied(gap):
        text = "Car or street noise masks the quiet passages of both alike."
    else:
        wider = names.open if gap > TIE_LU else names.loud
        text = f"The price of {wider}: car or street noise masks its quiet passages first."
    return [Said("open_quiet", text)]


def _caution(comparison: Comparison) -> list[Said]:
    """Before anyone listens to the two as delivered, one after the other."""
    if tied(
        printed_gap(comparison.delivered.loud.integrated_lufs, comparison.delivered.open.integrated_lufs)
    ):
        return []
    return [
        Said("caution", "Turn your monitors down before you hear both as delivered."),
        Said(
            "caution_ears", "The program cannot know how loud it is at your ears; local safety rules apply."
        ),
    ]

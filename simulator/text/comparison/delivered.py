"""Sentences on two versions, whatever the player, by rule.

Each sentence carries the name of its rule, and every rule speaks in both directions and of a tie (differences
up to TIE_LU, of peaks up to PUNCH_TIE_DB, shares up to TIE_SHARE; differences are those of the printed
figures). Every difference of level names its passage and how the two were matched. Nothing judges taste; the
difference signal is never called a loss, and a sentence says that its size does not rank quality. What a
player leaves of a difference: see `played`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from simulator.common.text import level, printed_gap, share
from simulator.common.units import TIE_LU, format_time
from simulator.comparison.difference import Difference
from simulator.comparison.versions import Comparison, Side
from simulator.text.sentences import PUNCH_TIE_DB, no_loudness, turned

TIE_SHARE = 0.001
SECONDS = "3 s"


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence, and the rule that made it."""

    rule: str
    text: str


def said(rules: Iterable[tuple[str, str]]) -> list[Said]:
    """Rules and their sentences; an empty text says nothing."""
    return [Said(rule, text) for rule, text in rules if text]


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
"""Up to this share a filter is not mentioned: pure gains leave less (measured on four songs)."""
NOT_JUDGED = 0.5
"""Confidence of an alignment where nothing could be judged: too short, silent, no place in common."""


def whole_sentences(comparison: Comparison, names: Names) -> list[Said]:
    """Every sentence that holds on any player, in reading order."""
    loud, open_ = comparison.delivered.loud, comparison.delivered.open
    plr = _peaks("peak-to-loudness ratio (PLR, overs capped at 0 dBTP)", loud.punch_db, open_.punch_db, names)
    psr = _peaks(
        f"peak above the {SECONDS} around it (median PSR)",
        loud.median_peak_to_short_term_db,
        open_.median_peak_to_short_term_db,
        names,
    )
    rules = [
        *_alignment(comparison, names),
        *_passages(comparison, names),
        *_levels(comparison, names),
        ("punch", plr),
        ("punch_short", psr),
        ("contrast", _contrast(comparison, names)),
        ("ceiling", _ceiling(comparison, names)),
        *_difference(comparison.difference, names),
        ("open_quiet", _open_quiet(comparison, names)),
    ]
    if not tied(printed_gap(loud.integrated_lufs, open_.integrated_lufs)):
        ears = "The program cannot know how loud it is at your ears; local safety rules apply."
        rules += [
            ("caution", "Turn your monitors down before you hear both as delivered."),
            ("caution_ears", ears),
        ]
    return said(rules)


def _alignment(comparison: Comparison, names: Names) -> list[tuple[str, str]]:
    """Whether the two belong together. One channel against two: BS.1770 reads it lower, which is no
    difference of the masters."""
    alignment = comparison.alignment
    rules = [("alignment", alignment.reason)]
    if not alignment.fits:
        why = {
            "different": "are not the same performance",
            "ambiguous": "fit each other at more than one place",
            "aligned": "fit each other only in part",
        }[alignment.kind]
        if alignment.kind == "different" and alignment.confidence <= NOT_JUDGED:
            why = "could not be time-aligned"
        text = f"{names.loud} and {names.open} {why}: each is measured at its own passages, and there is no "
        rules.append(("no_difference", f"{text}difference signal."))
    if comparison.played:
        pair = ((names.loud, comparison.played[0].loud), (names.open, comparison.played[0].open))
        mono = [name for name, heard in pair if heard.delivered.channels == 1]
        if len(mono) == 1:
            reads = "one channel reads 3.0 LU lower than the same sound on two loudspeakers"
            rules.append(("mono", f"{mono[0]} is mono: {reads}, and so do all its levels here."))
    return rules


def _passages(comparison: Comparison, names: Names) -> list[tuple[str, str]]:
    """Which passages are measured."""
    loudest, quietest = comparison.passages.loudest.open_s, comparison.passages.quietest.open_s
    if loudest is None or quietest is None:
        return [("passages", f"{names.open} has no passage of {SECONDS} to measure.")]
    if comparison.passages.shared:
        where = f"{SECONDS} from {format_time(loudest)} of {names.open}"
        both = f"Both passages were picked from {names.open} and measured at the same moments in"
        return [
            ("passages", f"Loudest passage: {where}; quietest: {SECONDS} from {format_time(quietest)}."),
            ("passages_shared", f"{both} {names.loud}."),
        ]
    if comparison.alignment.fits:
        return [("passages", "The two have too little in common: each is measured at its own passages.")]
    return []


def _levels(comparison: Comparison, names: Names) -> list[tuple[str, str]]:
    """What was gained as delivered: whole track, loudest and quietest passage."""
    loud, open_ = comparison.delivered.loud, comparison.delivered.open
    gap = printed_gap(loud.integrated_lufs, open_.integrated_lufs)
    if gap is None:
        return [("delivered", f"{unmeasurable(comparison.delivered, names)}.")]
    louder, quieter, amount = ordered(names, gap)
    levels = [level(figures.integrated_lufs) for figures in (loud, open_)]
    if tied(gap):
        text = f"As delivered, {names.loud} and {names.open} are equally loud overall"
        rules = [("delivered", f"{text} ({levels[0]} and {levels[1]} LUFS).")]
    else:
        numbers = " and ".join(levels if gap >= 0.0 else levels[::-1])
        text = f"As delivered, {louder} is {level(amount)} LU louder than {quieter} overall ({numbers} LUFS)"
        rules = [("delivered", f"{text}: that is the difference heard wherever nothing is normalised.")]
    loudest = printed_gap(loud.loudest_passage_lufs, open_.loudest_passage_lufs)
    quietest = printed_gap(loud.quietest_passage_lufs, open_.quietest_passage_lufs)
    if loudest is not None and quietest is not None:
        own = "" if comparison.passages.shared else ", each at its own passages"
        than = "as" if tied(loudest) else "than"
        parts = f"in the loudest passage and {louder_words(quietest)} in the quietest{own}"
        text = f"As delivered, {names.loud} is {louder_words(loudest)} {than} {names.open} {parts}."
        rules.append(("delivered_passages", text))
    return rules


def unmeasurable(side: Side, names: Names) -> str:
    """Which of the two has no loudness, without a full stop."""
    pair = ((names.loud, side.loud), (names.open, side.open))
    return no_loudness([name for name, figures in pair if figures.integrated_lufs is None])


def louder_words(gap: float) -> str:
    """`2.2 LU louder`, `0.7 LU quieter`, `as loud`."""
    return "as loud" if tied(gap) else f"{level(abs(gap))} LU {'louder' if gap > 0.0 else 'quieter'}"


def _peaks(what: str, loud: float | None, open_: float | None, names: Names) -> str:
    gap = printed_gap(loud, open_)
    if gap is None:
        return ""
    more, less, amount = ordered(names, gap)
    numbers = [level(loud), level(open_)]
    if amount <= PUNCH_TIE_DB:
        return (
            f"Both keep the same {what}: {numbers[0]} dB for {names.loud}, {numbers[1]} dB for {names.open}."
        )
    high, low = numbers if gap >= 0.0 else numbers[::-1]
    return (
        f"{more} keeps {level(amount)} dB more {what} than {less}: {high} vs {low} dB. Turning a track up or "
        "down does not change that."
    )


def _contrast(comparison: Comparison, names: Names) -> str:
    values = (comparison.delivered.loud.contrast_lu, comparison.delivered.open.contrast_lu)
    gap = printed_gap(*values)
    if gap is None:
        return ""
    more, less, amount = ordered(names, gap)
    high, low = (level(value) for value in (values if gap >= 0.0 else values[::-1]))
    where = "same moments in both" if comparison.passages.shared else "each at its own passages"
    if tied(gap):
        return f"Both have the same loud–quiet span ({high} and {low} LU; {where})."
    return f"{more} has a loud–quiet span {level(amount)} LU wider than {less} ({high} vs {low} LU; {where})."


def _ceiling(comparison: Comparison, names: Names) -> str:
    loud, open_ = comparison.delivered.loud.share_at_ceiling, comparison.delivered.open.share_at_ceiling
    if abs(loud - open_) <= TIE_SHARE:
        return (
            f"Both spend as much time within 0.1 dB of their own peak: {names.loud} {share(loud)}, "
            f"{names.open} {share(open_)} of the samples."
        )
    more, less, _ = ordered(names, loud - open_)
    return (
        f"{more} spends {share(max(loud, open_))} of its samples within 0.1 dB of its own peak, {less} "
        f"{share(min(loud, open_))}."
    )


def _difference(difference: Difference | None, names: Names) -> list[tuple[str, str]]:
    """The split difference signal: how it was matched, its level and kind, and what it does not say."""
    if difference is None or difference.match_gain_db is None:
        return []
    matching = turned(difference.match_gain_db)
    match = f"With {names.loud} {matching}{'' if matching == 'unchanged' else ' to match'}"
    if difference.residual_lu is None or difference.gain_riding_lu is None:  # nothing, or rounding
        return [("difference", f"{match}, the two are identical: only the level differs.")]
    below = f"{level(-difference.residual_lu)} LU below {names.open}"
    rules = [("difference", f"{match}, the difference signal sits {below}.")]
    if difference.conversion_only:
        text = (
            "That is as little as a conversion leaves (another sample rate, a drift, a fraction of a "
            f"sample). A change below that floor of {level(difference.residual_lu)} LU would not show."
        )
        return [*rules, ("difference_conversion", text)]
    filtered = difference.linear_filter_share
    if difference.tonal_balance_differs:
        explained = "more than half" if filtered is None else share(filtered)
        text = f"A fixed filter explains {explained}: the tonal balance differs, which is not limiting."
        rules.append(("difference_tonal", text))
    elif difference.gain_riding_share is not None:
        filtering = "filtering or " if filtered is not None and filtered > FILTERED else ""
        gain = f"{share(difference.gain_riding_share)} is gain movement ({_down(difference.gain_riding_lu)})"
        rest = f"the rest is {filtering}waveform change ({_down(difference.waveform_change_lu)})"
        rules.append(("difference_split", f"{gain}; {rest}."))
    smooth = "smooth gain movement leaves more residue than hard clipping"
    return [*rules, ("difference_no_rank", f"A bigger difference is not a worse master: {smooth}.")]


def _down(value: float | None) -> str:
    return "none" if value is None else f"{level(-value)} LU down"


def _open_quiet(comparison: Comparison, names: Names) -> str:
    """What a wide loud–quiet span costs: a noisy place covers the quiet passages sooner."""
    gap = printed_gap(comparison.delivered.open.contrast_lu, comparison.delivered.loud.contrast_lu)
    if gap is None:
        return ""
    if tied(gap):
        return "Car or street noise masks the quiet passages of both alike."
    wider = names.open if gap > 0.0 else names.loud
    return f"The price of {wider}: car or street noise masks its quiet passages first."

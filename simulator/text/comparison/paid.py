"""What the louder version pays, in plain words: PLR, loud-to-quiet span, time at the ceiling, the split
residual.

Each sentence speaks in both directions and of a tie. The residual is never called a loss, and that its size
does not rank quality stands beside it.
"""

from __future__ import annotations

from simulator.common.report_numbers import level, share, signed
from simulator.common.units import TIE_LU, format_time
from simulator.comparison.difference import Difference
from simulator.comparison.versions import Comparison, Gap
from simulator.text.comparison.terms import SECONDS, TIE_SHARE, Names, Said, capital, ordered
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

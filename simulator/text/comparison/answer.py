"""The answer of `compare` in three sentences, to be read aloud: what the loud version gains where nothing is
normalised, what is left of that as played, and what it costs.

By rule, in both directions and of ties. Every difference is that of the printed figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from simulator.common.text import counted, level, printed_gap
from simulator.common.units import TIE_LU
from simulator.comparison.versions import Comparison, Figures, Played, Side
from simulator.text.comparison.delivered import Names, Said, louder_words, ordered, tied, unmeasurable
from simulator.text.comparison.played import integrated_gap
from simulator.text.sentences import LEAST_DB, PUNCH_TIE_DB, listed, span

WHERE, SHORT_WHERE = "where nothing is normalised", "as delivered"
SHORT_NAMES = 15
"""Characters of the three names in the answer up to which it has room for the longer words in three lines."""


def answer_sentences(comparison: Comparison, names: Names) -> list[Said]:
    """The answer for all players of the comparison together; `names` as in it."""
    same, gap = _same(comparison, names), _integrated(comparison.delivered)
    sentences = [Said("answer_same", same) if same else _gain(comparison.delivered, names)]
    if gap is None or same.endswith("player."):
        return sentences
    if len(comparison.played) == 1:
        sentences.append(_left(gap, comparison.played[0], names))
    elif comparison.played:
        sentences.append(_on_players(gap, comparison.played, names))
    return [*sentences, _cost(comparison.delivered, gap, names)]


def further_sentence(comparison: Comparison, names: Names) -> Said:
    """A further version, here in the part of the loud one, against the open one: as delivered, and on the
    first player."""
    sides = [("as delivered", comparison.delivered)]
    sides += [("as played", played.side) for played in comparison.played[:1]]
    parts = [
        f"{louder_words(gap)} {state}" for state, side in sides if (gap := _integrated(side)) is not None
    ]
    than = f"Against {names.open}, {names.loud}"
    if not parts:
        return Said("further", f"{than} has no measurable loudness.")
    costs = _costs(comparison.delivered.loud, comparison.delivered.open)
    cost = f" and costs {listed(costs)}" if costs else ""
    return Said("further", f"{than} is {' and '.join(parts)}{',' if cost else ''}{cost}.")


def _integrated(side: Side) -> float | None:
    return printed_gap(side.loud.integrated_lufs, side.open.integrated_lufs)


def _loudest(side: Side) -> float | None:
    return printed_gap(side.loud.loudest_passage_lufs, side.open.loudest_passage_lufs)


def _same(comparison: Comparison, names: Names) -> str:
    """Where the two hold the same audio; empty where they do not, or where that is not known."""
    difference = comparison.difference
    if difference is None or difference.match_gain_db is None:
        return ""
    identical = difference.residual_lu is None or difference.gain_riding_lu is None  # nothing, or rounding
    if not identical and not difference.conversion_only:
        return ""
    louder, other, gain_db = ordered(names, -difference.match_gain_db)
    apart = " but for a conversion" if difference.conversion_only else ""
    if gain_db >= LEAST_DB:
        return f"{louder} is the same audio as {other}{apart}, {level(gain_db)} dB louder."
    return f"{names.loud} and {names.open} are the same audio{apart}: no difference on any player."


def _gain(side: Side, names: Names) -> Said:
    gap = _integrated(side)
    if gap is None:
        return Said("answer_gain", f"{unmeasurable(side, names)}: nothing to compare.")
    louder, other, amount = ordered(names, gap)
    where = WHERE if len(names.loud) + 2 * len(names.open) <= SHORT_NAMES else SHORT_WHERE
    if tied(gap):
        return Said("answer_gain", f"{names.loud} and {names.open} are equally loud {where}.")
    return Said("answer_gain", f"{louder} is {level(amount)} LU louder than {other} {where}.")


Case = Literal["gone", "smaller", "whole", "widened", "reversed"]


def _case(left: float, delivered: float) -> Case:
    """What a player leaves of an advantage of `delivered` LU."""
    if tied(left):
        return "gone"
    if left < 0.0:
        return "reversed"
    if left > delivered + TIE_LU:
        return "widened"
    return "whole" if left >= delivered - TIE_LU else "smaller"


def _words(delivered: float, advantage: Names) -> dict[Case, str]:
    """Each case in words, with a place for the LU; others where both are equally loud as delivered."""
    if tied(delivered):
        return {
            "gone": "they are too",
            "widened": f"{advantage.loud} is {{}} LU louder",
            "reversed": f"{advantage.open} is {{}} LU louder",
        }
    return {
        "gone": "that is gone",
        "smaller": "{} LU of that remains",
        "whole": "all of that remains",
        "widened": "that grows to {} LU",
        "reversed": f"it turns round: {advantage.open} is {{}} LU louder",
    }


def _left(delivered: float, played: Played, names: Names) -> Said:
    """Of the advantage, what one player leaves: gone, smaller, whole, widened or reversed."""
    after, loudest = integrated_gap(played), _loudest(played.side)
    if after is None:
        return Said("answer_left", "This player plays nothing measurable of one of them.")
    advantage, sign = (names, 1.0) if delivered >= 0.0 else (Names(names.open, names.loud), -1.0)
    left, loudest = sign * after, None if loudest is None else sign * loudest
    who = "On this player"
    if played.profile.target_lufs is None:
        who = f"This player changes no levels, {'and' if tied(delivered) else 'so'}"
    text = _words(delivered, advantage)[_case(left, abs(delivered))].format(level(abs(left)))
    return Said("answer_left", f"{who} {text}{_in_loudest(left, loudest, advantage)}.")


def _in_loudest(left: float, loudest: float | None, names: Names) -> str:
    """How the loudest passage compares, after what was said of the whole track; positive: `names.loud`."""
    if loudest is None:
        return ""
    louder, _, amount = ordered(names, loudest)
    if tied(loudest):
        return ", in the loudest passage too" if tied(left) else ", but nothing in the loudest passage"
    if tied(left):
        return f", and {louder} is {level(amount)} LU louder in the loudest passage"
    if (left > 0.0) is (loudest > 0.0):
        return f", and {level(amount)} LU in the loudest passage"
    return f", but {louder} is {level(amount)} LU louder in the loudest passage"


def _on_players(delivered: float, players: Sequence[Played], names: Names) -> Said:
    """How many players leave what: a group for each case."""
    advantage, sign = (names, 1.0) if delivered >= 0.0 else (Names(names.open, names.loud), -1.0)
    groups: dict[Case, list[float]] = {}
    for played in players:
        after = integrated_gap(played)
        if after is not None:
            groups.setdefault(_case(sign * after, abs(delivered)), []).append(abs(after))
    words = _words(delivered, advantage)
    texts = [
        (len(groups[case]), text.format(span(groups[case]))) for case, text in words.items() if case in groups
    ]
    if len(texts) == 1:
        return Said("answer_left", f"On all {len(players)} players {texts[0][1]}.")
    first = f"On {texts[0][0]} of {len(players)} players {texts[0][1]}"
    return Said("answer_left", f"{listed([first, *(f'on {count} {text}' for count, text in texts[1:])])}.")


def _cost(side: Side, gap: float, names: Names) -> Said:
    """What the louder version has less of (PLR, loud–quiet span) or more of (overs); of equally loud ones
    each."""
    both = [(names.loud, _costs(side.loud, side.open)), (names.open, _costs(side.open, side.loud))]
    none = "Neither costs any"
    if not tied(gap):
        both = both[:1] if gap > 0.0 else both[1:]
        none = f"{both[0][0]} costs no"
    costs = " ".join(f"{name} costs {listed(parts)}." for name, parts in both if parts)
    return Said("answer_cost", costs or f"{none} PLR, loud–quiet span or overs.")


def _costs(worse: Figures, better: Figures) -> list[str]:
    costs = []
    peaks = printed_gap(better.punch_db, worse.punch_db)
    if peaks is not None and peaks > PUNCH_TIE_DB:
        costs.append(f"{level(peaks)} dB of peaks (PLR)")
    span = printed_gap(better.contrast_lu, worse.contrast_lu)
    if span is not None and span > TIE_LU:
        costs.append(f"{level(span)} LU of loud–quiet span")
    if worse.over_count > better.over_count:
        count = worse.over_count - better.over_count
        costs.append(counted(count, "more over" if better.over_count else "over"))
    return costs

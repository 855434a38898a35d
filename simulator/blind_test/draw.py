"""Draw of a blind trial: the versions under each letter in each round, from a seed.

*Discrimination*: which version is A and which is B is drawn once; X is an independent fair draw every
round, so that nothing of the past helps a guesser. *Preference*: every pair of versions comes equally
often, in random order; within a pair each version is A in half of its rounds (one more, drawn, where the
number is odd), so that a habit of answering A favours none. The bits are PCG64's raw output, whose
stream is fixed by its authors; a log also keeps the draws themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Literal, TypeVar

import numpy as np

T = TypeVar("T")
_WORD = 1 << 64


TrialKind = Literal["preference", "discrimination"]


@dataclass(frozen=True, slots=True)
class Round:
    """One round: the versions under A (`first`) and B (`second`), and in discrimination which is X."""

    first: int
    second: int
    x_is_second: bool = False


def draw(kind: TrialKind, versions: int, rounds: int, seed: int) -> tuple[Round, ...]:
    """The rounds of a trial; `seed` is 0 or more. In preference `rounds` is a multiple of the number of
    pairs (`trial.problem_of` sees to it)."""
    chance = _Chance(seed)
    if kind == "discrimination":
        first = chance.below(2)
        return tuple(Round(first, 1 - first, chance.below(2) == 1) for _ in range(rounds))
    pairs = list(combinations(range(versions), 2))
    each = rounds // len(pairs)
    drawn = []
    for low, high in pairs:
        swapped = [False] * (each // 2) + [True] * (each // 2)
        if each % 2:
            swapped.append(chance.below(2) == 1)
        drawn += [Round(high, low) if swap else Round(low, high) for swap in swapped]
    return tuple(chance.shuffled(drawn))


class _Chance:
    """Fair draws from one seed."""

    def __init__(self, seed: int) -> None:
        self._bits = np.random.PCG64(seed)

    def below(self, count: int) -> int:
        """One of 0 … count − 1, each equally likely: words past the last whole multiple are drawn again."""
        limit = _WORD - _WORD % count
        while True:
            word = int(self._bits.random_raw())
            if word < limit:
                return word % count

    def shuffled(self, items: list[T]) -> list[T]:
        """Every order equally likely (Fisher and Yates)."""
        out = list(items)
        for place in range(len(out) - 1, 0, -1):
            other = self.below(place + 1)
            out[place], out[other] = out[other], out[place]
        return out

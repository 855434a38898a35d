"""The one answer of a text, for tests that expect one."""

from __future__ import annotations

from simulator.blind_test.ballot import VoteAnswer, read_answers


def read_answer(text: str) -> VoteAnswer:
    """Raises ValueError with the first thing that is wrong, or where there is not just one answer."""
    found, problems = read_answers(text)
    if problems:
        raise ValueError(problems[0])
    (one,) = found
    return one

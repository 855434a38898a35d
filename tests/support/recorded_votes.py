"""The votes that a session file holds, replayed as anyone could who has the file."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from simulator.blind_test.ballot import VoteAnswer
from simulator.blind_test.trial import Trial, replay
from simulator.session.blind.record import VOTE
from simulator.session.log import Act


def votes(acts: Iterable[Act]) -> list[tuple[VoteAnswer, Trial]]:
    """The votes of a record, in order, each replayed; one that does not replay is left out."""
    found = []
    for act in acts:
        if act.kind == VOTE:
            try:
                given = msgspec.convert(act.data, VoteAnswer)
                found.append((given, replay(act.data.get("trial") or {})))
            except (msgspec.ValidationError, ValueError):
                continue
    return found

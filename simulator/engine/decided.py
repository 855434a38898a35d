"""The last decision in a session file.

A decision is an act of the kind "decision" with `destination` (words), `target_lufs` and `ceiling_dbtp`
(numbers, or null where that was not decided), and beside them who and why.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from simulator.common.errors import UsageError
from simulator.delivery.finding import Decided
from simulator.session.log import Act, from_json
from simulator.storage.small_files import LARGEST_RECORD_BYTES, read_small

KIND = "decision"
_RANGES = {"target_lufs": (-60.0, 0.0), "ceiling_dbtp": (-40.0, 6.0)}
"""What `check --target` and `--ceiling` take too."""


def last_decided(acts: Iterable[Act]) -> Decided | None:
    """What was decided last, or None where nothing measurable was."""
    for act in reversed([one for one in acts if one.kind == KIND]):
        try:
            return _decided("the record", act)
        except UsageError:
            continue
    return None


def read_decided(path: str) -> Decided:
    """Raises UsageError for a file that is no record, holds no decision, or decides nothing measurable."""
    try:
        data = read_small(path, LARGEST_RECORD_BYTES)
    except OSError as problem:
        raise UsageError(
            f"{path}: the record cannot be read: {problem.strerror or problem}.", "Check the path."
        ) from None
    try:
        record = from_json(data)
    except UsageError as problem:
        problem.message = f"{path}: {problem.message}"
        raise
    acts = record.of_kind(KIND)
    if not acts:
        raise UsageError(
            f"{path}: no decision is recorded there.",
            "Decide in the session first, or use --target and --ceiling.",
        )
    return _decided(path, acts[-1])


def _decided(path: str, last: Act) -> Decided:
    target, ceiling = (_number(path, last.data, key) for key in ("target_lufs", "ceiling_dbtp"))
    if target is None and ceiling is None:
        raise UsageError(
            f"{path}: its last decision names no loudness and no ceiling.", "Use --target and --ceiling."
        )
    destination = last.data.get("destination")
    return Decided(target, ceiling, destination if isinstance(destination, str) else "", f"on {last.at[:10]}")


def _number(path: str, data: dict[str, Any], key: str) -> float | None:
    value = data.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"{path}: {key} of the last decision is {value!r}, no number.", "Decide again.")
    low, high = _RANGES[key]
    if not low <= value <= high:
        raise UsageError(
            f"{path}: {key} of the last decision is outside {low:g} to {high:g}.", "Decide again."
        )
    return float(value)

"""Results as data on standard output: JSON, and CSV with the columns of all rows."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Mapping, Sequence
from typing import Any


def print_json(objects: object) -> None:
    """Unrounded; a NaN or an infinity would be a fault of the program and is refused (ValueError)."""
    print(json.dumps(objects, indent=1, allow_nan=False, ensure_ascii=False))


def print_csv(rows: Sequence[Mapping[str, Any]]) -> None:
    """A line a row; columns in the order of first appearance, `error` last."""
    names = list(dict.fromkeys(key for row in rows for key in row if key != "error"))
    writer = csv.DictWriter(sys.stdout, [*names, "error"], restval="")
    writer.writeheader()
    writer.writerows(rows)

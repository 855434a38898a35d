"""What outside the project may a check need, and what happens where it is missing?

A check against something that is not a Python package of the test extra (a system library, music from a
distribution's package) is marked `external`. Where its object is missing it is skipped, with a reason.
In CI the variable FAIRHEARING_REQUIRE_EXTERNAL=1 makes such a skip a failure, so that a check can not
fall silent there.
"""

from __future__ import annotations

import os
from typing import NoReturn

import pytest

VARIABLE = "FAIRHEARING_REQUIRE_EXTERNAL"


def external_required() -> bool:
    return os.environ.get(VARIABLE, "") not in ("", "0")


def require_external(reason: str) -> NoReturn:
    """Skips the test that calls it, or fails it where external checks are required."""
    if external_required():
        pytest.fail(f"{reason} ({VARIABLE} is set)", pytrace=False)
    pytest.skip(reason)

"""How a ceiling is held: by which peaks, how fast gain moves. Without numpy: profiles are read with it."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

PeakKind = Literal["true", "sample"]


class LimiterSettings(Struct, frozen=True):
    """Ceiling in dBFS or dBTP (by `detection`), look-ahead, and the release: the time for 10 dB."""

    ceiling_db: float
    detection: PeakKind
    look_ahead_ms: float
    release_ms: float

"""Closed sets of a listening session: the level state, what is heard of the channels, the transport."""

from __future__ import annotations

from typing import Literal

State = Literal["delivered", "played", "matched"]
"""As delivered; as the profile's player plays it; matched: the same passage of all versions equally loud."""
STATES: tuple[State, ...] = ("delivered", "played", "matched")
STATE_WORDS: dict[State, str] = {
    "delivered": "as delivered",
    "played": "as played",
    "matched": "matched",
}
Listen = Literal["stereo", "mono", "side"]
"""Both channels; (L + R) / 2 on both loudspeakers; (L − R) / 2 on both."""
LISTENS: tuple[Listen, ...] = ("stereo", "mono", "side")
Motion = Literal["stopped", "playing", "paused"]

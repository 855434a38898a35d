"""Closed sets of a listening session: the level state, what is heard of the channels, the transport."""

from __future__ import annotations

from typing import Literal

State = Literal["delivered", "played", "matched"]
"""As delivered; as played, by the profile; matched: the same passage of the versions equally loud."""
STATES: tuple[State, ...] = ("delivered", "played", "matched")
STATE_WORDS: dict[State, str] = {
    "delivered": "as delivered",
    "played": "as played",
    "matched": "matched",
}
Listen = Literal["stereo", "mono", "side"]
"""What the loudspeakers get: the channels; (L + R) / 2 in both; (L − R) / 2 in both."""
LISTENS: tuple[Listen, ...] = ("stereo", "mono", "side")
Motion = Literal["stopped", "playing", "paused"]

"""Findings on what players do to a master, one a profile.

Worth a look are peaks above full scale as played (by more than the meter may err), and a limiter that takes 3
dB and more (common practice, no source); all else is only worth knowing.
"""

from __future__ import annotations

from simulator.delivery.finding import PRACTICE, Finding, db_words
from simulator.delivery.level_findings import FULL_SCALE_DBTP, READING_DB
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile

HARD_LIMITING_DB = 3.0


def player_finding(profile: Profile, found: Prediction) -> Finding:
    """Loudness as played against the player's target."""
    played, reduction = found.played, found.limiter.max_reduction_db
    peak = played.true_peak_dbtp
    over = peak is not None and peak > FULL_SCALE_DBTP + READING_DB
    words = []
    if reduction >= 0.05:
        words.append(f"The player limits it by up to {reduction:.1f} dB.")
    if peak is not None:
        words.append(f"As played it peaks at {db_words(peak)} dBTP.")
    words.append(found.decision.reason)
    advice = ""
    if over:
        advice = "Some D/A converters clip peaks above full scale; a lower ceiling avoids that."
    elif reduction >= HARD_LIMITING_DB:
        advice = "Listen to that limiter: a master with lower peaks gives it less to do."
    at = (played.true_peak_at_s,) if over and played.true_peak_at_s is not None else ()
    source = profile.sources.get("loudness.target_lufs", PRACTICE)
    return Finding(
        "player", f"On {profile.title}", "look" if advice else "fine", played.integrated_lufs, "LUFS",
        profile.target_lufs, at, " ".join(words), advice, source,
    )  # fmt: skip

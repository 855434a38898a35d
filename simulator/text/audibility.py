"""What is likely to be heard, in an engineer's and an artist's words; and as JSON.

Nothing is called bad; what is heard at a moment is in audibility/audibility (`moment_words`).
"""

from __future__ import annotations

from typing import Any

from simulator.audibility.audibility import Audibility, Moment, moment_words
from simulator.common.units import format_time

CAVEAT = "An estimate by a model: your ears decide."
NOTHING = "No audible change is expected."


def audibility_answer(audibility: Audibility) -> str:
    """The whole in one sentence."""
    share = audibility.share_audible
    if share is None:
        return "There is nothing to hear in the open version."
    if not audibility.moments and share < 0.01:
        return NOTHING
    if share < 0.01:
        return "The change stays masked nearly everywhere."
    return f"The change is likely to be audible in {100.0 * share:.0f} % of the music."


def audibility_line(audibility: Audibility) -> str:
    """The whole and the first moment to hear, in one line."""
    if not audibility.moments or audibility.share_audible is None:
        return f"{NOTHING[:-1]} (a model's estimate)."
    percent = "under 1" if audibility.share_audible < 0.01 else f"{100.0 * audibility.share_audible:.0f}"
    first = format_time(max(0.0, audibility.worst(1)[0].at_s))
    return f"Likely audible in {percent} % of the music (a model's estimate): listen at {first}."


def moment_line(moment: Moment) -> str:
    """The moment in the open version's time: "0:48.0: the level pumps by 3.1 dB"."""
    return f"{format_time(max(0.0, moment.at_s))}: {moment_words(moment)}"


def audibility_object(audibility: Audibility) -> dict[str, Any]:
    """The value as JSON, with its words."""
    form = audibility.as_json()
    for one, moment in zip(form["moments"], audibility.moments, strict=True):
        one["text"] = moment_words(moment)
    worst = [moment_line(moment) for moment in audibility.worst()]
    return {**form, "sentences": [audibility_answer(audibility), *worst, CAVEAT]}

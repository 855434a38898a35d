"""Remarks of a session as open formats: rows for CSV, WebVTT chapters, labels for cue points.

A remark is a decision, a mark, a note, or a client's comment, each at a place in a track. WebVTT: W3C
Candidate Recommendation of 4 April 2019, chapters (section 1.5); one file is for one track. Session files may
be edited by hand: what is not a number or a text counts as missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from simulator.common.text import level, visible
from simulator.session.log import Act

MOST_S, MOST_DB = 1e6, 200.0
SHORTEST_CHAPTER_S, LAST_CHAPTER_S = 0.001, 10.0
"""Of a remark at the very end, and of the last one in a track of unknown length."""
COLUMNS = (
    "path", "title", "track", "place_s", "kind", "name", "text", "who", "at", "destination", "target_lufs",
    "ceiling_dbtp", "state", "profile",
)  # fmt: skip
"""Of CSV; only ever added to."""
Kind = Literal["decision", "mark", "note", "comment"]
KINDS: dict[str, Kind] = {"decision": "decision", "mark": "mark", "note": "note"}
"""By the kind of the act."""


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark, at `place_s` (seconds) in a track: `track` is its number in the session, `text` what was
    said, `name` that of a mark, `who` the speaker where known. A decision may have no place."""

    kind: Kind
    at: str
    track: int | None
    title: str
    path: str
    place_s: float | None
    name: str
    text: str
    who: str
    data: dict[str, Any]

    @property
    def label(self) -> str:
        """In one line: a mark's name, or what was said."""
        if self.kind == "decision":
            return f"decision: {self.text}"
        return " – ".join(part for part in (self.name, self.text) if part)


def remarks(acts: Sequence[Act]) -> list[Remark]:
    """All remarks, by track and place. A mark that was set again counts where it was set last."""
    found: dict[object, Remark] = {}
    for number, act in enumerate(acts):
        one = _remark(act)
        if one is not None:
            key = (one.kind, one.name.casefold()) if one.name else number
            found.pop(key, None)
            found[key] = one
    return sorted(found.values(), key=lambda one: (one.track or 0, one.path, one.place_s or 0.0))


def _remark(act: Act) -> Remark | None:
    data = act.data
    place_s, track = number_in(data, "place_s", MOST_S), number_in(data, "track", MOST_S)
    kind = KINDS.get(act.kind)
    if kind is None or (place_s is None and kind != "decision") or (place_s or 0.0) < 0.0:
        return None
    comment = kind == "mark" and "comment" in data
    said = decision_words(data) if act.kind == "decision" else text_in(data, "text")
    return Remark(
        kind="comment" if comment else kind,
        at=act.at,
        track=None if track is None else int(track),
        title=visible(text_in(data, "title")),
        path=text_in(data, "path"),
        place_s=place_s,
        name=visible(text_in(data, "name")),
        text=visible(said),
        who=visible(text_in(data, "by" if comment else "who")),
        data=data,
    )


def decision_words(data: dict[str, Any]) -> str:
    """For which destination, target loudness, ceiling, by whom, why."""
    target, ceiling = (number_in(data, key, MOST_DB) for key in ("target_lufs", "ceiling_dbtp"))
    parts = (
        text_in(data, "destination"),
        f"{level(target)} LUFS" if target is not None else "",
        f"ceiling {level(ceiling)} dBTP" if ceiling is not None else "",
        f"decided by {who}" if (who := text_in(data, "who")) else "",
        f"because {why}" if (why := text_in(data, "why")) else text_in(data, "text"),
    )
    return ", ".join(part for part in parts if part)


def number_in(data: dict[str, Any], key: str, most: float) -> float | None:
    """A number that can be meant; None for what is none, or is further from 0 than `most` (a file that was
    written by hand may hold integers of any length)."""
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not -most <= value <= most:
        return None
    return float(value)


def text_in(data: dict[str, Any], key: str) -> str:
    """The text under a key; empty where there is none."""
    value = data.get(key)
    return value if isinstance(value, str) else ""


def remark_rows(found: Sequence[Remark]) -> list[dict[str, Any]]:
    """A row a remark for CSV, unrounded; `at` is when it was made (ISO 8601)."""
    rows = []
    for one in found:
        numbers = {key: number_in(one.data, key, MOST_DB) for key in ("target_lufs", "ceiling_dbtp")}
        texts = {key: text_in(one.data, key) for key in ("destination", "state", "profile")}
        own = {key: getattr(one, key) for key in COLUMNS if key not in (*numbers, *texts)}
        rows.append({**own, **numbers, **texts})
    return rows


def webvtt(found: Sequence[Remark], duration_s: float | None) -> str:
    """Chapters of one track: each remark lasts until the next, the last one to the track's end. Remarks at
    the same millisecond share a chapter."""
    chapters: dict[int, list[str]] = {}
    for one in found:
        if one.place_s is not None:
            chapters.setdefault(round(one.place_s * 1000.0), []).append(_chapter_title(one.label))
    starts = sorted(chapters)
    lines = ["WEBVTT"]
    for place, start in enumerate(starts):
        if place + 1 < len(starts):
            end = starts[place + 1]
        else:
            end = start + round(LAST_CHAPTER_S * 1000.0) if duration_s is None else round(duration_s * 1000.0)
        end = max(end, start + round(SHORTEST_CHAPTER_S * 1000.0))
        lines += ["", str(place + 1), f"{_clock(start)} --> {_clock(end)}", " / ".join(chapters[start])]
    return "\n".join(lines) + "\n"


def _chapter_title(label: str) -> str:
    """As WebVTT cue text: one line, with its three characters escaped; so "-->" cannot be in it."""
    return label.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;") or "mark"


def _clock(milliseconds: int) -> str:
    """hh:mm:ss.ttt; hours have two or more digits."""
    seconds, rest = divmod(milliseconds, 1000)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest:03d}"

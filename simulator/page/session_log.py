"""Session log on the page: marks as passages, decisions and notes as sentences.

Acts belong to a track by its path. Kinds and keys that are not known are left out; nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simulator.common.text import as_utf8, level
from simulator.page.passages import DeskMark
from simulator.playlists.playlist import Track
from simulator.session.acts.words import note_place
from simulator.session.blind.record import unfinished, unfinished_words
from simulator.session.log import Act

MOST_S, MOST_DB = 1e6, 200.0


def marks(acts: Sequence[Act], tracks: Sequence[Track]) -> list[DeskMark]:
    """The marks on these tracks; a name that was set again counts where it was set last."""
    found: dict[str, DeskMark] = {}
    places = {as_utf8(track.path): index for index, track in reversed(list(enumerate(tracks)))}
    for act in acts:
        if act.kind != "mark":
            continue
        name, path, at = (act.data.get(key) for key in ("name", "path", "place_s"))
        place_s = _number(at, MOST_S)
        if isinstance(name, str) and place_s is not None and path in places:
            found.pop(name.casefold(), None)
            found[name.casefold()] = DeskMark(places[path], place_s, name)
    return list(found.values())


def notes(acts: Sequence[Act]) -> list[str]:
    """Each note with the place it was said at."""
    return [
        f"{act.data['text']}{_where(act.data)}"
        for act in acts
        if act.kind == "note" and isinstance(act.data.get("text"), str)
    ]


def trials(acts: Sequence[Act]) -> list[str]:
    """The result of each blind trial at the desk, in the words it was told in; of one without an end, how far
    it went."""
    no_end = {id(act): unfinished_words(trial) for act, trial in unfinished(acts)}
    said = []
    for act in acts:
        words = act.data.get("result") if act.kind == "trial" else None
        if isinstance(words, list) and all(isinstance(one, str) for one in words):
            said.append(f"{act.at[:10]}: {' '.join(words)}")
        elif id(act) in no_end:
            said.append(f"{act.at[:10]}: {no_end[id(act)]}")
    return said


def decisions(acts: Sequence[Act]) -> list[str]:
    """Each decision: for which destination, target loudness, ceiling, by whom, why."""
    said = []
    for act in acts:
        if act.kind != "decision":
            continue
        target, ceiling = (_number(act.data.get(key), MOST_DB) for key in ("target_lufs", "ceiling_dbtp"))
        parts = [
            _text(act.data, "destination"),
            f"{level(target)} LUFS" if target is not None else "",
            f"ceiling {level(ceiling)} dBTP" if ceiling is not None else "",
            f"decided by {who}" if (who := _text(act.data, "who")) else "",
            f"because {why}" if (why := _text(act.data, "why")) else _text(act.data, "text"),
        ]
        day = act.at[:10]
        said.append(f"{day}: {', '.join(part for part in parts if part)}.")
    return said


def _where(data: dict[str, Any]) -> str:
    place = note_place({**data, "place_s": _number(data.get("place_s"), MOST_S)})
    return f" ({place})" if place else ""


def _number(value: object, most: float) -> float | None:
    """A number that can be meant; None for what is none, or is further from 0 than `most` (a file that was
    written by hand may hold integers of any length)."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not -most <= value <= most:
        return None
    return float(value)


def _text(data: dict[str, Any], key: str) -> str:
    value = data.get(key)
    return value if isinstance(value, str) else ""

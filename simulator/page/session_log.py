"""Session log on the page: marks as passages, decisions and notes as sentences.

Acts belong to a track by its path. Kinds and keys that are not known are left out; nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simulator.common.text import as_utf8
from simulator.page.passages import DeskMark
from simulator.playlists.playlist import Track
from simulator.session.acts.now_playing import note_place
from simulator.session.log import Act, unfinished, unfinished_words
from simulator.text.remarks import MOST_S, decision_words, number_in


def marks(acts: Sequence[Act], tracks: Sequence[Track]) -> list[DeskMark]:
    """The marks on these tracks; a name that was set again counts where it was set last."""
    found: dict[str, DeskMark] = {}
    places = {as_utf8(track.path): index for index, track in reversed(list(enumerate(tracks)))}
    for act in acts:
        if act.kind != "mark":
            continue
        name, path = act.data.get("name"), act.data.get("path")
        place_s = number_in(act.data, "place_s", MOST_S)
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
    """The result of each blind trial at the desk, as it was reported; of an unfinished one, how far
    it went."""
    no_end = {id(act): unfinished_words(trial) for act, trial in unfinished(acts)}
    results = []
    for act in acts:
        words = act.data.get("result") if act.kind == "trial" else None
        if isinstance(words, list) and all(isinstance(word, str) for word in words):
            results.append(f"{act.at[:10]}: {' '.join(words)}")
        elif id(act) in no_end:
            results.append(f"{act.at[:10]}: {no_end[id(act)]}")
    return results


def decisions(acts: Sequence[Act]) -> list[str]:
    """Each decision with its day: for which destination, target loudness, ceiling, by whom, why."""
    return [f"{act.at[:10]}: {decision_words(act.data)}." for act in acts if act.kind == "decision"]


def _where(data: dict[str, Any]) -> str:
    place = note_place({**data, "place_s": number_in(data, "place_s", MOST_S)})
    return f" ({place})" if place else ""

"""Evidence behind the acts of a session: the files and the player, with their numbers.

A record outlives the files and profiles it speaks of. So two kinds of act stand in it: "material", the list
as it was (each file's content hash and measured figures, with the version of the method), and "player", all
numbers of a profile. Each has an id made from what it holds, is written once, before the first act that rests
on it, and notes, decisions and trials name both ids. Values only; the hash of a file's decoded samples comes
from where it was read, "" where it is not known.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import msgspec

from simulator.common.text import as_utf8, counted
from simulator.metering import figures
from simulator.metering.figures import View
from simulator.normalizer.profile import Profile
from simulator.session.log import Act, keepable, unfinished, unfinished_words
from simulator.session.track import TrackView

MATERIAL, PLAYER = "material", "player"
KEPT = ("note", "mark", "decision", "trial", "ballot", "vote", "revision")
"""Kinds of act that somebody wants to find again."""
RESTING = ("opened", "note", "mark", "decision", "trial", "trial begun")
"""Kinds of act that name what they rest on."""


def identity(view: TrackView) -> dict[str, Any]:
    """What the session file keeps of a file: enough to recognise it, and its measured figures."""
    known: dict[str, Any] = {"title": view.title, "path": view.path}
    if view.delivered is None:
        return {**known, "problem": view.problem}
    measured = {one.name: one.value(view.delivered) for one in figures.columns(View.RECORD)}
    return {
        **known,
        "role": view.role,
        "song": view.song,
        "album": view.album,
        "content": view.content,
        **measured,
        "method": view.delivered.method,
    }


def material(tracks: Sequence[TrackView]) -> dict[str, Any]:
    """The data of a "material" act."""
    return _with_id({"tracks": [identity(track) for track in tracks]})


def player(profile: Profile) -> dict[str, Any]:
    """The data of a "player" act."""
    return _with_id({"profile": msgspec.to_builtins(profile)})


def known_ids(acts: Iterable[Act]) -> frozenset[str]:
    """What a record has already."""
    ids = (act.data.get("id") for act in acts if act.kind in (MATERIAL, PLAYER))
    return frozenset(one for one in ids if isinstance(one, str))


def rested(
    acts: Sequence[Act], tracks: Sequence[TrackView], profile: Profile | None, known: frozenset[str]
) -> tuple[tuple[Act, ...], frozenset[str]]:
    """These acts with what they rest on, written before them where the record has it not; and what it knows
    then. Acts of other kinds are left as they are."""
    if not any(act.kind in RESTING for act in acts):
        return tuple(acts), known
    bases = {MATERIAL: material(tracks)}
    if profile is not None:
        bases[PLAYER] = player(profile)
    ids = {kind: data["id"] for kind, data in bases.items()}
    new = tuple(Act(acts[0].at, kind, data) for kind, data in bases.items() if data["id"] not in known)
    named = (replace(act, data={**act.data, **ids}) if act.kind in RESTING else act for act in acts)
    return (*new, *named), known | set(ids.values())


def news(
    acts: Sequence[Act], tracks: Sequence[TrackView], profiles: Mapping[str, Profile]
) -> tuple[str, ...]:
    """What has changed since the last decision and since each version was last tried, as sentences; and the
    trials that the last session did not bring to an end."""
    bases = {str(act.data.get("id")): act.data for act in acts if act.kind in (MATERIAL, PLAYER)}
    now = {as_utf8(track.path): track for track in tracks}
    said = dict.fromkeys((*_broken_off(acts), *_still_old(acts, tracks)))
    last = {act.kind: act for act in acts if act.kind in ("decision", "trial")}
    for kind, act in last.items():
        then_at = f"the last {kind} ({act.at[:10]})"
        then = bases.get(str(act.data.get(MATERIAL)), {}).get("tracks")
        for one in then if isinstance(then, list) else []:
            view = now.get(str(one.get("path"))) if isinstance(one, dict) else None
            if view is not None and view.content and one.get("content") and view.content != one["content"]:
                said[f"“{view.title}” has changed since {then_at}: {view.path}"] = None
        numbers = bases.get(str(act.data.get(PLAYER)), {}).get("profile")
        if isinstance(numbers, dict):
            profile = profiles.get(str(numbers.get("id")))
            if profile is not None and _rules(player(profile)["profile"]) != _rules(numbers):
                said[f"The player {profile.id} has changed since {then_at}."] = None
    return tuple(said)


def copy_words(name: str, acts: Sequence[Act]) -> str:
    """What another session file of the list holds that this one has not; empty where it is nothing that
    anybody said or decided."""
    summary = counts(acts)
    if not summary:
        return ""
    return f"Another session file of this list, {name}, holds more: {summary}. To add it to this one: merge"


def counts(acts: Iterable[Act]) -> str:
    """Counts of notes, marks, decisions and so on, in words; empty for none."""
    kinds = Counter(act.kind for act in acts)
    return ", ".join(counted(kinds[kind], kind) for kind in KEPT if kinds[kind])


def revised(acts: Iterable[Act]) -> dict[str, str]:
    """Paths of loaded revisions → the path that the list had first."""
    first: dict[str, str] = {}
    for act in acts:
        if act.kind == "revision":
            old, new = (act.data.get(key) for key in ("old", "new"))
            before = old.get("path") if isinstance(old, dict) else None
            after = new.get("path") if isinstance(new, dict) else None
            if isinstance(before, str) and isinstance(after, str):
                first.pop(after, None)  # the last revision of a file counts, also one back to an older file
                first[after] = first.get(before, before)
    return first


def _still_old(acts: Sequence[Act], tracks: Sequence[TrackView]) -> Iterable[str]:
    """A revision changes the session and no list: whoever opens the list again has the older file."""
    now = {as_utf8(view.path): number for number, view in enumerate(tracks, 1)}
    last = {first: path for path, first in revised(acts).items()}
    for first, path in last.items():
        if first in now and path != first and path not in now:
            yield (
                f"Track {now[first]} was replaced by {path} in an earlier session; the list still names "
                f"{first}. To hear the newer one: replace {now[first]} {path}"
            )


def _broken_off(acts: Sequence[Act]) -> Iterable[str]:
    """Told by the next session only, though it stays in the record."""
    last = max((i for i, act in enumerate(acts) if act.kind == "opened"), default=0)
    for begun, trial in unfinished(acts[last:]):
        yield f"{begun.at[:10]}: {unfinished_words(trial)}"


def _rules(profile: dict[str, Any]) -> bytes:
    """What a player does, without the words about it, as it would be kept. A rule at its default counts as
    one that an older record does not know."""
    words = ("title", "sentence", "sources")
    plain = {field.name: field.default for field in msgspec.structs.fields(Profile)}
    return msgspec.json.encode(
        {
            key: profile[key]
            for key in sorted(profile)
            if key not in words and profile[key] != plain.get(key, ...)
        }
    )


def _with_id(data: dict[str, Any]) -> dict[str, Any]:
    data = keepable(data)
    identity_hash = hashlib.sha256(msgspec.json.encode(data, order="sorted")).hexdigest()[:16]
    return {"id": identity_hash, **data}

"""Completion at the cursor, from the one command table and what the session knows."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from dataclasses import dataclass

from simulator.common.errors import UsageError
from simulator.normalizer.profile import CODEC_NAMES
from simulator.playlists.playlist import is_audio_name
from simulator.session.commands import COMMANDS, Kind, find_command
from simulator.session.excerpts import KINDS as PLACES
from simulator.session.sound import STATES
from simulator.session.state import Session

LISTEN = ("stereo", "mono", "difference")
IN_TRIAL = (
    "a",
    "b",
    "x",
    "answer A",
    "answer B",
    "note ",
    "pause",
    "dim",
    "mute",
    "trim ",
    "trial stop",
    "help",
)
"""All that a blind trial takes; words of the session could tell which version sounds."""


@dataclass(frozen=True, slots=True)
class Word:
    """A word that may take the place of the last `replaces` characters, and what it stands for."""

    text: str
    replaces: int
    meaning: str = ""


def candidates(session: Session, before: str, devices: Iterable[str] = ()) -> list[Word]:
    """The words that may stand at the end of `before`; `devices` are the names last seen."""
    line = before.lstrip()
    if session.trial is not None:
        return [Word(one, len(line)) for one in IN_TRIAL if one.startswith(line)]
    command, space, rest = line.partition(" ")
    if not space:
        begins = [one for one in COMMANDS if one.name.startswith(command.casefold())]
        return [Word(f"{one.name} " if one.kinds else one.name, len(line), one.help) for one in begins]
    try:
        found = find_command(command)
    except UsageError:
        return []
    kinds = found.kinds
    if len(kinds) == 1:  # one argument is all that follows, with its blanks
        typed, place = rest.lstrip(), 0
    else:
        typed, place = rest.rpartition(" ")[2], len(rest.split(" ")) - 1
    if place >= len(kinds):
        return []
    pairs = [
        pair for kind in kinds[place] for pair in _of_kind(session, kind, typed, devices, len(kinds) == 1)
    ]
    return [
        Word(text, len(typed), meaning)
        for text, meaning in dict(pairs).items()
        if text.casefold().startswith(typed.casefold())
    ]


def _of_kind(
    session: Session, kind: Kind, typed: str, devices: Iterable[str], whole: bool
) -> list[tuple[str, str]]:
    """Words of a kind with their meanings. `whole`: a name with blanks in it may stand there."""
    match kind:
        case "command":
            return [(one.name, one.help) for one in COMMANDS]
        case "track":
            numbers = [(str(i + 1), one.title) for i, one in enumerate(session.tracks)]
            titles = [(one.title, f"track {i + 1}") for i, one in enumerate(session.tracks)]
            return titles if typed and whole and not typed.isdigit() else numbers
        case "profile":
            shown = session.profiles.items()
            return [(name, profile.title) for name, profile in shown if "+" not in name]
        case "switch":
            return [("on", ""), ("off", "")]
        case "codec":
            ways = [("on", "the decode"), ("off", "the master"), ("difference", "what was changed")]
            return [*((name, "a bit rate follows") for name in CODEC_NAMES), *ways]
        case "trial":
            return [
                ("which", "is X A or B?"),
                ("preference", "which is better?"),
                ("stop", "without a result"),
            ]
        case "state":
            return [(state, "") for state in STATES]
        case "place":
            return [(place, "") for place in PLACES]
        case "mark":
            return [(mark.name, "mark") for mark in session.marks]
        case "device":
            return [("default", "the system's own"), *((name, "") for name in devices)]
        case "listen":
            return [(name, "") for name in LISTEN]
        case "path":
            return _paths(typed)
        case _:
            return []


def _paths(typed: str) -> list[tuple[str, str]]:
    """Folders, and files that look like audio, below what is typed."""
    folder, name = os.path.split(typed)
    found = []
    with contextlib.suppress(OSError):
        for entry in sorted(os.scandir(os.path.expanduser(folder) or "."), key=lambda one: one.name):
            if not entry.name.startswith(name) or (entry.name.startswith(".") and not name):
                continue
            whole = os.path.join(folder, entry.name)
            if entry.is_dir():
                found.append((whole + os.sep, "folder"))
            elif is_audio_name(entry.name):
                found.append((whole, ""))
    return found

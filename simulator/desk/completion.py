"""Completion at the cursor, from the one command table and what the session knows."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from dataclasses import dataclass

from simulator.common.errors import UsageError
from simulator.normalizer.codec_records import CODEC_NAMES
from simulator.playlists.playlist import is_audio_name
from simulator.session import commands
from simulator.session.acts.command import Choice, Command, Kind
from simulator.session.acts.trial_steps import LETTERS
from simulator.session.excerpts import KINDS as PLACES
from simulator.session.excerpts import WORST
from simulator.session.state import Session

ANSWERS = (*LETTERS, "answer A", "answer B")
"""What a blind trial takes beside the commands that its table allows; words of the session could tell which
version sounds."""


@dataclass(frozen=True, slots=True)
class Word:
    """A word that may replace the last `replaces` characters, and what it means."""

    text: str
    replaces: int
    meaning: str = ""


def candidates(session: Session, before: str, devices: Iterable[str] = ()) -> list[Word]:
    """The words that may stand at the end of `before`; `devices` are the names last seen."""
    line = before.lstrip()
    if session.trial is not None:
        allowed = [one.trial_line or _begun(one) for one in commands.COMMANDS if one.in_trial]
        return [Word(one, len(line)) for one in (*ANSWERS, *allowed) if one.startswith(line)]
    command, space, rest = line.partition(" ")
    if not space:
        begins = [one for one in commands.COMMANDS if one.name.startswith(command.casefold())]
        return [Word(_begun(one), len(line), one.help) for one in begins]
    try:
        named = commands.find_command(command)
    except UsageError:
        return []
    kinds = named.kinds
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


def _begun(command: Command) -> str:
    """Its name, with the blank before what may follow."""
    return f"{command.name} " if command.kinds else command.name


def _of_kind(
    session: Session, kind: Kind | Choice, typed: str, devices: Iterable[str], whole: bool
) -> list[tuple[str, str]]:
    """Words of a kind with their meanings. `whole`: a name with blanks in it may stand there."""
    match kind:
        case Choice():
            return [(kind.text, kind.meaning)]
        case "command":
            return [(command.name, command.help) for command in commands.COMMANDS]
        case "track":
            numbers = [(str(i + 1), view.title) for i, view in enumerate(session.tracks)]
            titles = [(view.title, f"track {i + 1}") for i, view in enumerate(session.tracks)]
            return titles if typed and whole and not typed.isdigit() else numbers
        case "profile":
            shown = session.profiles.items()
            return [(name, profile.title) for name, profile in shown if "+" not in name]
        case "codec":
            return [(name, "a bit rate follows") for name in CODEC_NAMES]
        case "place":
            return [(place, "") for place in (*PLACES, WORST)]
        case "mark":
            return [(mark.name, "mark") for mark in session.marks]
        case "device":
            return [(name, "") for name in devices]
        case "path":
            return _paths(typed)
        case _:
            return []


def _paths(typed: str) -> list[tuple[str, str]]:
    """Folders, and files that look like audio, below what is typed."""
    folder, name = os.path.split(typed)
    paths = []
    with contextlib.suppress(OSError):
        for entry in sorted(os.scandir(os.path.expanduser(folder) or "."), key=lambda one: one.name):
            if not entry.name.startswith(name) or (entry.name.startswith(".") and not name):
                continue
            whole = os.path.join(folder, entry.name)
            if entry.is_dir():
                paths.append((whole + os.sep, "folder"))
            elif is_audio_name(entry.name):
                paths.append((whole, ""))
    return paths

"""The one table of desk commands: names, short forms, arguments, help, completion.

The prompt, its plain twin, the help and the completion all read it; `session` has an act for each name.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Literal

from simulator.common.errors import UsageError

Kind = Literal[
    "command",
    "track",
    "profile",
    "state",
    "place",
    "mark",
    "path",
    "device",
    "listen",
    "seconds",
    "text",
    "db",
    "switch",
    "trial",
    "codec",
]


@dataclass(frozen=True, slots=True)
class Command:
    """One command. `short` are other words for it; `arguments` is shown in the help, `kinds` says for each
    argument what may stand there; `key` is the key that does it on an empty line."""

    name: str
    short: tuple[str, ...]
    arguments: str
    kinds: tuple[tuple[Kind, ...], ...]
    help: str
    example: str
    key: str = ""


KEY_LINES = {"loudest": "go loudest"}
"""Keys whose name is no line; every other key is the command of its name."""
COMMANDS = (
    Command("list", ("ls",), "", (), "Every track as delivered and as played.", "list"),
    Command("play", ("p",), "[TRACK]", (("track",),), "Play the list from here, or from a track.", "play 2"),
    Command("pause", (), "", (), "Silence, and on again from the same place.", "pause", "space"),
    Command("stop", (), "", (), "Stop, and back to the track's beginning.", "stop"),
    Command("next", ("n",), "", (), "The next track, or the next passage of a round.", "next"),
    Command("previous", ("prev", "b"), "", (), "The track or passage before.", "previous"),
    Command(
        "go",
        ("g",),
        "TIME|loudest|quietest|turn|MARK",
        (("place", "mark"),),
        "To a time (1:23, +10), a passage or a mark.",
        "go loudest",
        "!",
    ),
    Command(
        "swap",
        ("s", "x"),
        "[TRACK]",
        (("track",),),
        "The other version, same moment; or any track.",
        "swap",
        "tab",
    ),
    Command(
        "round",
        ("r",),
        "[loudest|quietest|turn|TIME|MARK] [SECONDS]",
        (("place", "mark"), ("seconds",)),
        "A passage of each track, back to back.",
        "round loudest 8",
    ),
    Command(
        "transitions",
        ("t",),
        "[SECONDS]",
        (("seconds",),),
        "Each track's end and the next one's start.",
        "transitions 6",
    ),
    Command(
        "loop",
        ("l",),
        "[FROM TO|SECONDS|off]",
        (("place", "seconds"), ("place",)),
        "Repeat a passage; alone: 12 s from here.",
        "loop 1:02 1:10",
    ),
    Command("profile", ("player",), "[NAME]", (("profile",),), "Play as another player.", "profile r128"),
    Command(
        "state",
        (),
        "[delivered|played|matched]",
        (("state",),),
        "As delivered, as played, matched; alone: next.",
        "state delivered",
        ".",
    ),
    Command(
        "converter",
        (),
        "[on|off]",
        (("switch",),),
        "Behind a converter without headroom, or not.",
        "converter on",
    ),
    Command(
        "codec",
        (),
        "[NAME KBPS|on|off|difference [DB]]",
        (("codec",), ("text",), ("text",)),
        "The decode, the master, what was changed.",
        "codec opus 128",
    ),
    Command("trim", ("vol",), "[DB]", (("db",),), "Monitor trim, 0 dB at most.", "trim -18"),
    Command("dim", (), "", (), "20 dB down while somebody talks, and back.", "dim", "-"),
    Command("mute", (), "", (), "Silence while it runs on, and back.", "mute", "0"),
    Command(
        "hear",
        ("mono",),
        "[stereo|mono|difference]",
        (("listen",),),
        "Stereo, mono or L−R; alone: mono and back.",
        "hear difference",
    ),
    Command(
        "replace",
        (),
        "TRACK FILE",
        (("track",), ("path",)),
        "A new revision takes the track's place.",
        "replace 1 song-v2.wav",
    ),
    Command("explain", ("why",), "[TRACK]", (("track",),), "Why this track gets this gain.", "explain 2"),
    Command("note", (), "TEXT", (("text",),), "Keep what was said, with track and place.", "note too harsh"),
    Command("mark", ("m",), "[NAME]", (("text",),), "Name this moment.", "mark chorus"),
    Command(
        "decide",
        (),
        "FOR LUFS DBTP [WHO: WHY]",
        (("text",),),
        "Keep what was decided, for check.",
        "decide streaming -14 -1 Anna: keeps the chorus open",
    ),
    Command(
        "trial",
        (),
        "which|preference|stop [ROUNDS]",
        (("trial",), ("text",), ("track",)),
        "A blind trial; in it a, b, x, answer A.",
        "trial which 16",
    ),
    Command("marks", (), "", (), "All marks and notes.", "marks"),
    Command("devices", ("device",), "[NAME|default]", (("device",),), "Find devices; choose one.", "devices"),
    Command("wait", (), "SECONDS|end", (("seconds",),), "For scripts: let it play that long.", "wait 2"),
    Command("help", ("h", "?"), "[COMMAND]", (("command",),), "This list, or one command.", "help round"),
    Command("quit", ("q", "exit"), "", (), "Leave; everything is kept.", "quit"),
)  # fmt: skip

_BY_WORD = {word: command for command in COMMANDS for word in (command.name, *command.short)}


def find_command(word: str) -> Command:
    """The command of a word, or of a beginning that fits one only. Raises UsageError with a suggestion."""
    lowered = word.casefold()
    if lowered in _BY_WORD:
        return _BY_WORD[lowered]
    begins = sorted({one.name for one in COMMANDS if one.name.startswith(lowered)})
    if len(begins) == 1:
        return _BY_WORD[begins[0]]
    if begins:
        raise UsageError(f"“{word}” could be {' or '.join(begins)}.", "Type a letter more.")
    near = difflib.get_close_matches(lowered, [one.name for one in COMMANDS], 1, 0.6)
    hint = f"Did you mean {near[0]}?" if near else "All commands: help"
    raise UsageError(f"There is no command “{word}”.", hint)

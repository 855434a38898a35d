"""Table of the commands of the listening prompt: put together from what each module of acts exports.

To add a command, write its act and its entry in a module of `acts`; it is then dispatched, completed, listed
in the help and refused or allowed in a blind trial by what the entry says. The order is that of the help.
"""

from __future__ import annotations

import difflib

from simulator.common.errors import UsageError
from simulator.session.acts import monitoring, montage, notes, transport
from simulator.session.acts import trial_steps as steps
from simulator.session.acts.command import Command, Outcome, on_words
from simulator.session.events import Show
from simulator.session.state import Session


def _help(session: Session, words: list[str]) -> Outcome:
    """All commands, or one."""
    return session, (Show("help", find_command(words[0]).name if words else ""),)


HELP = Command(
    "help",
    on_words(_help),
    "This list, or one command.",
    "help montage",
    short=("h", "?"),
    arguments="[COMMAND]",
    kinds=(("command",),),
    in_trial=True,
    record="none",
)
COMMANDS: tuple[Command, ...] = (
    *notes.LIST,
    *transport.COMMANDS,
    *montage.COMMANDS,
    *monitoring.COMMANDS,
    *notes.NOTES,
    *steps.COMMANDS,
    *notes.MARKS,
    *notes.RUNNING,
    HELP,
    *notes.QUIT,
)


def find_command(word: str) -> Command:
    """The command of a word, or of a beginning that fits one only. Raises UsageError with a suggestion."""
    lowered = word.casefold()
    by_word = {word: command for command in COMMANDS for word in (command.name, *command.short, *command.old)}
    if lowered in by_word:
        return by_word[lowered]
    begins = sorted({one.name for one in COMMANDS if one.name.startswith(lowered)})
    if len(begins) == 1:
        return by_word[begins[0]]
    if begins:
        raise UsageError(f"“{word}” could be {' or '.join(begins)}.", "Type a letter more.")
    near = difflib.get_close_matches(lowered, [one.name for one in COMMANDS], 1, 0.6)
    hint = f"Did you mean {near[0]}?" if near else "All commands: help"
    raise UsageError(f"Unknown command “{word}”.", hint)


def keys() -> dict[str, str]:
    """The line each key stands for while the line is empty."""
    return {key: line for command in COMMANDS for key, line in command.keys}

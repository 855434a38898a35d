"""The project's one tree of errors: what went wrong, where, and the cure.

Every error carries a message (what and where), a hint (what to do) and the exit code that the
command line gives when this error ends the command. Only `simulator.cli.app` catches them all. Where several
codes fit, INTERRUPTED comes first, then WRONG_USE, NOTHING_DONE, SOME_FAILED, NEEDS_FIXING: an answer that
is not whole is said to be that before anything in it.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What a command's end means to the shell and to scripts."""

    DONE = 0
    SOME_FAILED = 1
    """Some tracks, players or answers failed; the rest is complete."""
    WRONG_USE = 2
    """The words of the command, a profile or a playlist; nothing was begun."""
    NEEDS_FIXING = 3
    """`check` read every master whole and found something to fix."""
    NOTHING_DONE = 4
    """No track could be read, or none played by any player, or the result, or what a session kept, could not
    be written."""
    INTERRUPTED = 130


class SimulatorError(Exception):
    """Base of all errors that the user can understand and cure."""

    exit_code = ExitCode.NOTHING_DONE

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __reduce__(self) -> tuple[object, ...]:  # so that it crosses a process border whole
        return (type(self), (self.message, self.hint))

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()


class UsageError(SimulatorError):
    """The command was given something it cannot use."""

    exit_code = ExitCode.WRONG_USE


class ProfileError(SimulatorError):
    """A player profile is unreadable or says something impossible."""

    exit_code = ExitCode.WRONG_USE


class PlaylistError(SimulatorError):
    """A playlist is unreadable."""

    exit_code = ExitCode.WRONG_USE


class AudioError(SimulatorError):
    """An audio file is missing, unreadable or holds what no file should."""


class WriteError(SimulatorError):
    """A result could not be written, or would overwrite something of the user's."""


class NothingDoneError(SimulatorError):
    """Every track failed, or every player with it."""

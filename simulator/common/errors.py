"""The project's one tree of errors: what went wrong, where, and the cure.

Every error carries a message (what and where), a hint (the cure) and the command's exit code; `cli/app`
catches them all. Where several codes fit, INTERRUPTED wins, then WRONG_USE, NOTHING_DONE, SOME_FAILED,
NEEDS_FIXING: an incomplete result is reported as incomplete before its content counts.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What a command's end means to the shell and to scripts."""

    DONE = 0
    SOME_FAILED = 1
    """Some tracks, players or answers failed; the rest is complete."""
    WRONG_USE = 2
    """The command line, a profile or a playlist is wrong; nothing was started."""
    NEEDS_FIXING = 3
    """`check` read every master in full and found something to fix."""
    NOTHING_DONE = 4
    """No track could be read, no player played any, or the result or session file could not be written."""
    INTERRUPTED = 130


class SimulatorError(Exception):
    """Base of all errors that the user can understand and cure."""

    exit_code = ExitCode.NOTHING_DONE

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __reduce__(self) -> tuple[object, ...]:  # pickled between processes with its hint
        return (type(self), (self.message, self.hint))

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()


class UsageError(SimulatorError):
    """The command was given something it cannot use."""

    exit_code = ExitCode.WRONG_USE


class ProfileError(SimulatorError):
    """A player profile is unreadable or contradicts itself."""

    exit_code = ExitCode.WRONG_USE


class PlaylistError(SimulatorError):
    """A playlist is unreadable."""

    exit_code = ExitCode.WRONG_USE


class AudioError(SimulatorError):
    """An audio file is missing, unreadable or faulty."""


class WriteError(SimulatorError):
    """A result could not be written, or would overwrite a file of the user's."""


class NothingDoneError(SimulatorError):
    """Every track failed, or every player did."""

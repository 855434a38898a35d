"""A real terminal for tests: tmux holds the program, takes keys and gives the screen back as text."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

LIMIT_SECONDS = 15.0


def has_tmux() -> bool:
    """Is tmux there? (Debian: tmux)"""
    return shutil.which("tmux") is not None


class Terminal:
    """One window of `columns` by `rows` in a tmux server of its own."""

    def __init__(self, folder: Path) -> None:
        self._socket = os.fspath(folder / "tmux")

    def _tmux(self, *words: str, check: bool = True) -> str:
        done = subprocess.run(
            ["tmux", "-S", self._socket, "-f", "/dev/null", *words],
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=10,
            check=False,
        )
        if check and done.returncode:
            raise RuntimeError(f"tmux {' '.join(words)}: {done.stderr.strip()}")
        return done.stdout

    def start(self, command: Sequence[str], columns: int, rows: int, environment: Mapping[str, str]) -> None:
        """Starts a shell in the window that runs the command, says its exit code, and waits to be read."""
        after = "printf 'left with %s\\n' \"$?\"; stty -a | grep -oE -- '-?icanon|-?echo ' | xargs; exec cat"
        words = [f"{name}={value}" for name, value in environment.items()]
        shell = ["bash", "--norc", "-c", f"{shlex.join(command)}; {after}"]
        size = ["-x", str(columns), "-y", str(rows)]
        self._tmux("new-session", "-d", *size, "env", *words, *shell)

    def type(self, text: str) -> None:
        """Types characters as they are."""
        self._tmux("send-keys", "-l", text)

    def press(self, *keys: str) -> None:
        """Presses keys by tmux's names: Enter, Tab, Space, C-c, Up."""
        self._tmux("send-keys", *keys)

    def enter(self, line: str) -> None:
        """Types a line and Enter."""
        self.type(line)
        self.press("Enter")

    def screen(self) -> str:
        """What stands on the screen now, without trailing blanks."""
        return self._tmux("capture-pane", "-p").rstrip("\n")

    def history(self) -> str:
        """The screen with all that has scrolled off above it."""
        return self._tmux("capture-pane", "-p", "-S", "-2000").rstrip("\n")

    def resize(self, columns: int, rows: int) -> None:
        """Changes the window's size, as a person does by its edge."""
        self._tmux("resize-window", "-x", str(columns), "-y", str(rows))

    def process(self) -> int:
        """The id of the window's first process, the shell."""
        return int(self._tmux("display-message", "-p", "#{pane_pid}"))

    def wait_for(self, text: str, seconds: float = LIMIT_SECONDS) -> str:
        """The screen once it holds `text`; AssertionError with the screen where it does not come."""
        return self._poll(lambda found: text in found, f"{text!r} did not appear", seconds)

    def wait_without(self, text: str, seconds: float = LIMIT_SECONDS) -> str:
        """The screen once `text` is gone from it."""
        return self._poll(lambda found: text not in found, f"{text!r} did not go", seconds)

    def _poll(self, true: Callable[[str], bool], otherwise: str, seconds: float) -> str:
        end = time.monotonic() + seconds
        while not true(found := self.screen()):
            if time.monotonic() > end:
                raise AssertionError(f"{otherwise} within {seconds:g} s on:\n{found}")
            time.sleep(0.05)
        return found

    def close(self) -> None:
        """Ends the window and the server."""
        self._tmux("kill-session", check=False)


@contextmanager
def terminal(
    folder: Path, command: Sequence[str], columns: int, rows: int, environment: Mapping[str, str]
) -> Iterator[Terminal]:
    """A window that runs the command, closed at the end whatever happens."""
    window = Terminal(folder)
    window.start(command, columns, rows, environment)
    try:
        yield window
    finally:
        window.close()

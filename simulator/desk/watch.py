"""Watch over the folders of the tracks: which audio files were written, once they are quiet.

A file is reported when its size and time of change were the same for a second, so that a bounce is read
whole. Everything happens in a thread of its own; the desk takes what was found between two ticks. The
system tells of changes (inotify, through watchdog); where it cannot, the folders are listed again and again,
and where not even that works nothing is watched. Either is reported in one line.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Callable, Collection
from typing import TYPE_CHECKING

from simulator.playlists.playlist import is_audio_name

if TYPE_CHECKING:
    from watchdog.events import FileSystemEvent, FileSystemEventHandler
    from watchdog.observers.api import BaseObserver

QUIET_SECONDS = 1.0
LIST_SECONDS = 2.0
LOOKS_EACH = 4
"""How often a file is looked at within QUIET_SECONDS."""
Seen = tuple[int, int]


class FolderWatch:
    """Watches folders from `start` on; `take` gives the files that were written since then. `observers` are
    tried in turn; the first is the system's own."""

    def __init__(
        self,
        folders: Collection[str],
        quiet_s: float = QUIET_SECONDS,
        observers: Callable[[], list[Callable[[], BaseObserver]]] | None = None,
    ) -> None:
        self._folders, self._quiet_s = sorted(folders), quiet_s
        self._observers = observers or _observers
        self._written: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._found: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._notices: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.watching = True
        """False where nothing is watched."""
        self._closed, self.ready = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begins to watch; `ready` is set once changes are seen, or it is known that they cannot be."""
        self._thread.start()

    def take(self) -> tuple[list[str], list[str]]:
        """The files that are written and quiet since the last call, and what is to be said of the watch."""
        return list(_drained(self._found)), list(_drained(self._notices))

    def close(self) -> None:
        """Ends the watch; waits for nothing."""
        self._closed.set()

    def _run(self) -> None:
        observer = self._observed()
        self.ready.set()
        if observer is None:
            return
        waiting: dict[str, tuple[Seen | None, float]] = {}
        while not self._closed.wait(self._quiet_s / LOOKS_EACH):
            now = time.monotonic()
            for path in dict.fromkeys(_drained(self._written)):
                waiting[path] = _seen(path), now
            for path, (seen, since) in list(waiting.items()):
                now_seen = _seen(path)
                if now_seen != seen:
                    waiting[path] = now_seen, now
                elif now - since >= self._quiet_s:
                    del waiting[path]
                    if now_seen is not None and now_seen[0] > 0:
                        self._found.put(path)
        observer.stop()

    def _observed(self) -> BaseObserver | None:
        """What tells of changes, started; None where nothing does."""
        for number, make in enumerate(self._observers()):
            observer = None
            try:
                observer = make()
                for folder in self._folders:
                    observer.schedule(_handler(self._written.put), folder)
                observer.start()
            except (OSError, RuntimeError) as problem:  # no more watches, files or threads
                reason = getattr(problem, "strerror", None) or str(problem)
                if observer is not None:
                    observer.stop()
                continue
            if number:
                self._notices.put(f"New bounces are looked for every {LIST_SECONDS:g} s ({reason}).")
            return observer
        self.watching = False
        self._notices.put(f"New bounces are not watched for ({reason}). To load one: replace TRACK FILE")
        return None


def _handler(written: Callable[[str], None]) -> FileSystemEventHandler:
    """What an observer calls, from its own thread: passes on the audio files that were written."""
    from watchdog.events import FileSystemEventHandler

    class Handler(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            if event.is_directory or event.event_type not in ("created", "modified", "moved"):
                return
            path = os.fsdecode(event.dest_path if event.event_type == "moved" else event.src_path)
            if is_audio_name(path):
                written(path)

    return Handler()


def _observers() -> list[Callable[[], BaseObserver]]:
    from watchdog.observers import Observer
    from watchdog.observers.polling import PollingObserver

    return [Observer, lambda: PollingObserver(timeout=LIST_SECONDS)]


def _seen(path: str) -> Seen | None:
    """Size and time of the last change, or None for what is gone or no file."""
    try:
        status = os.stat(path)
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _drained(waiting: queue.SimpleQueue[str]) -> list[str]:
    items = []
    while not waiting.empty():
        items.append(waiting.get_nowait())
    return items

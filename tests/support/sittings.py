"""A listening session in a process of its own, that reads its lines from a pipe: driven and waited for."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from simulator.storage.process_life import name_mark

LIMIT_SECONDS = 60.0


@dataclass
class Sitting:
    """A session in a folder of its own: its process, and what it leaves there."""

    folder: Path
    name: str
    process: subprocess.Popen[bytes]
    everyone: dict[int, psutil.Process] = field(default_factory=dict)

    @property
    def seen(self) -> psutil.Process:
        return psutil.Process(self.process.pid)

    @property
    def record(self) -> Path:
        return self.folder / f"{self.name}.session.json"

    @property
    def part(self) -> Path:
        """The record while it is written."""
        return self.folder / f".{self.name}.session.json.{name_mark(self.process.pid)}.part"

    def said(self) -> str:
        return (self.folder / "out").read_text(encoding="utf-8", errors="replace")

    def flat(self) -> str:
        """What it has said, as one line."""
        return " ".join(self.said().split())

    def enter(self, *lines: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("".join(f"{line}\n" for line in lines).encode())
        self.process.stdin.flush()

    def children(self) -> list[psutil.Process]:
        """All that work for it now (and are remembered for the end)."""
        found = [one for one in self.seen.children(recursive=True) if one.is_running()]
        self.everyone |= {one.pid: one for one in found}
        return found

    def until(self, true: Callable[[], object], what: str) -> None:
        end = time.monotonic() + LIMIT_SECONDS
        while not true():
            assert self.process.poll() is None, f"ended before {what}: {self.said()} {self.errors()}"
            assert time.monotonic() < end, f"no sign of {what}: {self.said()}"
            time.sleep(0.005)

    def hear(self, words: str) -> None:
        """Waits until it has said so, wherever its lines end."""
        self.until(lambda: words in self.flat(), words)

    def errors(self) -> str:
        return (self.folder / "err").read_text(encoding="utf-8")

    def acts(self) -> list[dict[str, object]]:
        found = json.loads(self.record.read_text(encoding="utf-8"))["acts"]
        assert isinstance(found, list)
        return found

    def notes(self) -> list[object]:
        return [act["data"]["text"] for act in self.acts() if act["kind"] == "note"]  # type: ignore[index]


def folders(folder: Path) -> dict[str, str]:
    (folder / "tmp").mkdir(exist_ok=True)
    homes = {f"XDG_{name.upper()}_HOME": os.fspath(folder / name) for name in ("cache", "config", "data")}
    return homes | {"TMPDIR": os.fspath(folder / "tmp"), "LANG": "C.UTF-8"}


def left_over(folder: Path) -> list[str]:
    """What a session may not leave: passing files, locks, scratch folders, temporary ones."""
    scratch = folder / "cache" / "fairhearing" / "scratch"
    found = [
        *folder.glob(".*"),
        *(folder / "tmp").iterdir(),
        *(scratch.iterdir() if scratch.is_dir() else ()),
    ]
    return [os.fspath(one.relative_to(folder)) for one in found]


def none_lives(processes: list[psutil.Process], seconds: float = 10.0) -> bool:
    """Have they all ended? One that waits only to be taken off the system's list has."""
    end = time.monotonic() + seconds
    while any(one.is_running() and one.status() != psutil.STATUS_ZOMBIE for one in existing(processes)):
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


def existing(processes: list[psutil.Process]) -> list[psutil.Process]:
    return [one for one in processes if psutil.pid_exists(one.pid)]


@contextmanager
def sitting(home: Path, name: str, arguments: Sequence[str], around: Mapping[str, str]) -> Iterator[Sitting]:
    """The desk on `home/NAME.toml`, ended whatever happens."""
    with (home / "out").open("wb") as out, (home / "err").open("wb") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "simulator", "listen", f"{name}.toml", *arguments],
            cwd=home, env={**os.environ, **around, **folders(home)},
            stdin=subprocess.PIPE, stdout=out, stderr=err, start_new_session=True,
        )  # fmt: skip
    try:
        yield Sitting(home, name, process)
    finally:
        process.kill()
        process.wait()
        with contextlib.suppress(BrokenPipeError):
            assert process.stdin is not None
            process.stdin.close()

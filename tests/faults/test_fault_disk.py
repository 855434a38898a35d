"""A full disk, really: a small file system where mounting is allowed, else a limit on the size of files."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
from support.signals import both, pink_noise

RATE = 44_100
ROOM_BYTES = 300 * 1024
LIMIT_SECONDS = 60


class SmallDisk:
    """A folder with little room. `full` is how that is said."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder = folder
        wanted = ["mount", "-t", "tmpfs", "-o", f"size={ROOM_BYTES},mode=0755", "tmpfs", os.fspath(folder)]
        try:
            self.mounted = (
                subprocess.run(wanted, capture_output=True, timeout=10, check=False).returncode == 0
            )
        except FileNotFoundError:
            self.mounted = False
        self.full = "No space left on the disk of" if self.mounted else os.strerror(errno.EFBIG)

    def limit(self) -> None:
        """In the child: without a small disk its files may not grow beyond the same size."""
        if not self.mounted:
            resource.setrlimit(resource.RLIMIT_FSIZE, (ROOM_BYTES, ROOM_BYTES))

    def run(self, where: Path, words: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "simulator", *words.split()],
            cwd=where, env={**os.environ, **environment}, stdin=subprocess.DEVNULL, capture_output=True,
            text=True, encoding="utf-8", timeout=LIMIT_SECONDS, check=False, preexec_fn=self.limit,
        )  # fmt: skip


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    small = SmallDisk(tmp_path / "disk")
    yield small
    if small.mounted:
        subprocess.run(["umount", os.fspath(small.folder)], timeout=10, check=True)


@pytest.fixture
def masters(tmp_path: Path) -> Path:
    """Two masters whose render and page have no room on the small disk."""
    folder = tmp_path / "masters"
    folder.mkdir()
    noise = both(0.1 * pink_noise(8 * RATE, seed=6, sample_rate=RATE))
    for name, gain in (("a", 1.0), ("b", 0.5)):
        soundfile.write(folder / f"{name}.wav", gain * noise, RATE, subtype="PCM_24")
    return folder


@pytest.mark.heavy
@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("render a.wav b.wav --out {}/out --workers 0", 4),
        ("render a.wav b.wav --out {}/out --workers 2 --format flac24", 4),
        ("page a.wav b.wav -o {}/page.html", 4),
        ("compare a.wav b.wav --difference residual --out {}/out", 4),
    ],
    ids=["render", "render in workers", "page", "difference"],
)
def test_a_full_disk_is_named_and_holds_no_half_file(
    disk: SmallDisk, masters: Path, tmp_path: Path, words: str, code: int
) -> None:
    done = disk.run(masters, words.format(disk.folder), XDG_CACHE_HOME=os.fspath(tmp_path / "cache"))
    assert done.returncode == code, done.stderr
    assert disk.full in done.stderr
    assert os.fspath(disk.folder) in done.stderr
    assert "Traceback" not in done.stderr
    assert [path for path in disk.folder.rglob("*") if path.is_file()] == []
    assert sorted(path.name for path in masters.iterdir()) == ["a.wav", "b.wav"]


@pytest.mark.heavy
def test_a_demo_that_has_no_room_leaves_nothing_of_it(disk: SmallDisk, tmp_path: Path) -> None:
    done = disk.run(tmp_path, "measure demo", XDG_CACHE_HOME=os.fspath(disk.folder))
    assert done.returncode == 4, done.stderr
    assert "cannot be written" in done.stderr
    assert "Free some disk space" in done.stderr
    assert "Traceback" not in done.stderr
    assert list((disk.folder / "fairhearing" / "demo").iterdir()) == []


@pytest.mark.heavy
def test_a_cache_without_room_costs_only_the_cache(disk: SmallDisk, masters: Path) -> None:
    if disk.mounted:
        (disk.folder / "theirs").write_bytes(bytes(ROOM_BYTES - 4096))
        cache = disk.folder
    else:
        cache = Path("/dev/null")  # a limit on sizes does not stop a cache as small as this one
    done = disk.run(masters, "measure a.wav", XDG_CACHE_HOME=os.fspath(cache))
    assert done.returncode == 0, done.stderr
    assert "LUFS" in done.stdout
    assert "cache" in done.stderr.lower()
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
@pytest.mark.parametrize("words", ["profiles list", "--help"])
def test_results_that_cannot_be_printed_are_no_crash(words: str) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "simulator", *words.split()],
            stdin=subprocess.DEVNULL, stdout=full, stderr=subprocess.PIPE, timeout=LIMIT_SECONDS, check=False,
        )  # fmt: skip
    assert done.returncode == 4
    assert done.stderr.decode() == (
        "Standard output cannot be written: No space left on device. Output incomplete.\n"
        "  Free some disk space, or redirect it elsewhere.\n"
    )


@pytest.mark.heavy
def test_a_record_without_room_keeps_what_was_said_in_memory_and_tells_it(
    disk: SmallDisk, masters: Path, tmp_path: Path
) -> None:
    """The playlist lies on the full disk, and the record beside it."""
    if not disk.mounted:
        pytest.skip("a limit on sizes does not stop a record as small as this one, and mounting is refused")
    path = os.fspath(masters / "a.wav")
    (disk.folder / "list.toml").write_text(f'format = 1\n[[tracks]]\npath = "{path}"\n', encoding="utf-8")
    with open(disk.folder / "theirs", "wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4096))
    folders = {f"XDG_{name}_HOME": os.fspath(tmp_path / name) for name in ("CACHE", "CONFIG", "DATA")}
    done = subprocess.run(
        [sys.executable, "-m", "simulator", "listen", "list.toml", "--to-file", str(tmp_path / "o.wav")],
        cwd=disk.folder, input="note too dull\nnote too loud\nmarks\nquit\n", env={**os.environ, **folders},
        capture_output=True, text=True, encoding="utf-8", timeout=LIMIT_SECONDS, check=False,
    )  # fmt: skip
    words = " ".join(done.stdout.split())
    assert done.returncode == 4, done.stderr
    assert words.count("Not saved: cannot write the session file") == 1
    assert words.count("Still not saved.") == 2  # the first is said at the opening
    assert "too dull" in words.partition("> marks")[2]
    assert "NOT saved in" in words
    [copy] = (tmp_path / "DATA").rglob("*.unsaved-1")
    assert os.fspath(copy) in done.stdout.replace("\n", "")
    assert [act["data"]["text"] for act in json.loads(copy.read_text())["acts"] if act["kind"] == "note"] == [
        "too dull",
        "too loud",
    ]
    assert "Traceback" not in done.stdout + done.stderr
    assert sorted(one.name for one in disk.folder.iterdir()) == ["list.toml", "theirs"]

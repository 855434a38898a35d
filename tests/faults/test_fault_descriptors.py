"""Standard streams that are closed, open the wrong way or read by nobody: the work is done all the same, and
the exit code is the work's."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.signals import both, pink_noise

RATE = 44_100
LIMIT_SECONDS = 60
CLOSED = {"stdin": (0,), "stdout": (1,), "stderr": (2,), "stdout and stderr": (1, 2), "all": (0, 1, 2)}


@pytest.fixture(scope="module")
def masters(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("masters")
    noise = both(0.1 * pink_noise(2 * RATE, seed=12, sample_rate=RATE))
    soundfile.write(folder / "a.wav", noise, RATE, subtype="PCM_24")
    soundfile.write(folder / "b.wav", 0.5 * noise, RATE, subtype="PCM_24")
    (folder / "text.wav").write_text("this is no audio", encoding="utf-8")
    return folder


def closing(descriptors: Sequence[int]) -> Callable[[], None]:
    """In the child, before it begins: as a shell's `>&-` does."""

    def close() -> None:
        for one in descriptors:
            os.close(one)

    return close


def opposed() -> None:
    """In the child: standard output is open to be read only, standard input to be written only."""
    for descriptor, how in ((0, os.O_WRONLY), (1, os.O_RDONLY)):
        os.dup2(os.open(os.devnull, how), descriptor)


def run(
    where: Path, cache: Path, words: Sequence[str], before: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[bytes]:
    """In a child in which a decoder has a worker, as in the program itself."""
    folders = {f"XDG_{name}_HOME": os.fspath(cache / name) for name in ("CACHE", "CONFIG", "DATA")}
    environment = {**os.environ, **folders}
    environment.pop("FAIRHEARING_IN_PROCESS", None)
    return subprocess.run(
        [sys.executable, "-m", "simulator", *words],
        cwd=where, env=environment, stdin=subprocess.DEVNULL, capture_output=True, timeout=LIMIT_SECONDS,
        check=False, preexec_fn=before,
    )  # fmt: skip


def into_a_broken_pipe(
    where: Path, cache: Path, words: Sequence[str], *, stderr_too: bool
) -> tuple[int, bytes]:
    """The exit code and standard error of a command whose output nobody reads any more from the beginning."""
    reading, writing = os.pipe()
    os.close(reading)
    folders = {f"XDG_{name}_HOME": os.fspath(cache / name) for name in ("CACHE", "CONFIG", "DATA")}
    try:
        done = subprocess.run(
            [sys.executable, "-m", "simulator", *words],
            cwd=where, env={**os.environ, **folders}, stdin=subprocess.DEVNULL, stdout=writing,
            stderr=writing if stderr_too else subprocess.PIPE, timeout=LIMIT_SECONDS, check=False,
        )  # fmt: skip
    finally:
        os.close(writing)
    return done.returncode, done.stderr or b""


@pytest.mark.parametrize("closed", ["stdout", "all"])
def test_a_file_is_written_whole_with_streams_closed(tmp_path: Path, closed: str) -> None:
    """Nothing that was meant for the screen gets into it, which could have had the screen's descriptor."""
    kept = run(tmp_path, tmp_path, ["profiles", "new", "open.toml"])
    done = run(tmp_path, tmp_path, ["profiles", "new", "closed.toml"], closing(CLOSED[closed]))
    assert (kept.returncode, done.returncode) == (0, 0)
    assert done.stdout + done.stderr == b""
    assert (tmp_path / "closed.toml").read_bytes() == (tmp_path / "open.toml").read_bytes()


@pytest.mark.parametrize("words", ["--help", "profiles list", "profiles show nothing"])
def test_a_pipe_that_nobody_reads_is_no_fault(tmp_path: Path, words: str) -> None:
    code, err = into_a_broken_pipe(tmp_path, tmp_path, words.split(), stderr_too=False)
    assert code == (2 if "nothing" in words else 0)
    assert b"Traceback" not in err
    assert b"Broken" not in err


@pytest.mark.heavy
def test_a_warning_for_closed_standard_error_does_not_get_into_the_results(masters: Path) -> None:
    words, nowhere = ["measure", "a.wav", "--json", "--workers", "0"], Path(os.devnull)  # no cache to be had
    kept = run(masters, nowhere, words)
    done = run(masters, nowhere, words, closing((2,)))
    assert (kept.returncode, done.returncode) == (0, 0)
    assert b"cache" in kept.stderr
    assert done.stdout == kept.stdout


def test_streams_that_are_open_the_wrong_way_count_as_closed(tmp_path: Path) -> None:
    done = run(tmp_path, tmp_path, ["profiles", "list"], opposed)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.heavy
@pytest.mark.parametrize("closed", CLOSED)
def test_a_render_is_the_same_with_any_stream_closed(masters: Path, tmp_path: Path, closed: str) -> None:
    """With workers, who are started with the same streams."""
    kept = run(masters, tmp_path, f"render a.wav b.wav --workers 2 --out {tmp_path / 'open'}".split())
    words = f"render a.wav b.wav text.wav --workers 2 --out {tmp_path / 'closed'}".split()
    done = run(masters, tmp_path, words, closing(CLOSED[closed]))
    assert (kept.returncode, done.returncode) == (0, 1)
    assert b"Traceback" not in done.stderr + done.stdout
    for name in ("01-a.wav", "02-b.wav"):
        found, wanted = (soundfile.read(tmp_path / folder / name)[0] for folder in ("closed", "open"))
        assert np.array_equal(found, wanted)


@pytest.mark.heavy
@pytest.mark.parametrize("stderr_too", [False, True])
@pytest.mark.parametrize(("words", "code"), [("a.wav b.wav", 0), ("a.wav b.wav text.wav", 1)])
def test_a_render_into_a_pipe_that_nobody_reads_is_whole(
    masters: Path, tmp_path: Path, words: str, code: int, stderr_too: bool
) -> None:
    """Its progress and its results fill no pipe: every line is written, and none of them stops the work."""
    line = ["render", *words.split(), "--workers", "0", "--out", os.fspath(tmp_path / "out")]
    found, err = into_a_broken_pipe(masters, tmp_path, line, stderr_too=stderr_too)
    assert found == code
    assert b"Traceback" not in err
    for name in ("01-a.wav", "02-b.wav", "montage-played.wav"):
        assert soundfile.info(tmp_path / "out" / name).frames > 0


@pytest.mark.heavy
def test_a_session_into_a_file_goes_on_when_nobody_reads_its_output(masters: Path, tmp_path: Path) -> None:
    """`listen --to-file` says every line as it comes; each has met the broken pipe before."""
    reading, writing = os.pipe()
    os.close(reading)
    folders = {f"XDG_{name}_HOME": os.fspath(tmp_path / name) for name in ("CACHE", "CONFIG", "DATA")}
    try:
        done = subprocess.run(
            [sys.executable, "-m", "simulator", "listen", "a.wav", "--to-file", tmp_path / "o.wav"],
            cwd=masters, env={**os.environ, **folders}, input=b"play\nwait 1\nnote too dull\nquit\n",
            stdout=writing, stderr=subprocess.PIPE, timeout=LIMIT_SECONDS, check=False,
        )  # fmt: skip
    finally:
        os.close(writing)
    assert (done.returncode, done.stderr) == (0, b"")
    assert soundfile.info(tmp_path / "o.wav").frames >= RATE
    [record] = (tmp_path / "DATA").rglob("*.session.json")
    assert b"too dull" in record.read_bytes()

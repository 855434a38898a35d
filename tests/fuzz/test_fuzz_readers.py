"""Bad input: whatever the bytes are, a reader gives a normal answer or the project's own error in words.

Here valid examples are bent by rule (hypothesis); `guided.py` looks for new paths by coverage. Audio is read
in a process of its own, whose death by a decoder would be seen and named.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz.targets import AUDIO, ODD, TARGETS, run, seeds
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

TEXTS = [name for name in TARGETS if name not in AUDIO]
ROOT = Path(__file__).resolve().parents[2]


def bent(data: bytes, chance: random.Random) -> bytes:
    """One to six changes: bytes flipped, cut out, repeated, moved, or something odd put in."""
    work = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        size = len(work) or 1
        at, other = chance.randrange(size), chance.randrange(size)
        match chance.randrange(6):
            case 0:
                work[at : at + 1] = bytes([chance.randrange(256)])
            case 1:
                del work[at : at + chance.choice((1, 4, 40, size))]
            case 2:
                work[at:at] = work[other : other + chance.choice((1, 8, 64))] * chance.choice((1, 3, 50))
            case 3:
                work[at:at] = chance.choice(ODD)
            case 4:
                work[at : at + 4] = chance.choice(
                    (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\0\0\0\x80")
                )
            case _:
                del work[at:]
    return bytes(work)


@pytest.mark.parametrize("name", TEXTS)
@settings(max_examples=120, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.randoms(use_true_random=False))
def test_bent_examples_are_read_or_refused_in_words(name: str, chance: random.Random) -> None:
    run(name, bent(chance.choice(seeds(name)), chance))


@pytest.mark.parametrize("name", TEXTS)
@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_in_words(name: str, data: bytes) -> None:
    run(name, data)


@pytest.mark.parametrize("name", TEXTS)
def test_every_seed_is_what_its_reader_reads(name: str) -> None:
    run(name, seeds(name)[0])


def many(names: list[str], rounds: int, seed: int) -> None:
    """In a process of its own; says which input it had before each, so that a crash is named."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.bend", *names, "--rounds", str(rounds), "--seed", str(seed)],
        capture_output=True, text=True, cwd=ROOT, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{done.returncode}: {done.stdout[-300:]} {done.stderr[-2000:]}"


def test_bent_audio_is_read_or_refused_in_words() -> None:
    many(list(AUDIO), 60, 1)


@pytest.mark.heavy
def test_many_bent_examples_of_everything() -> None:
    many(list(TARGETS), 1500, 2)


@pytest.mark.heavy
def test_guided_by_coverage_nothing_new_breaks_a_reader(tmp_path: Path) -> None:
    # The same way in every run: new ground is looked for by hand, and what it finds is kept as a test.
    pytest.importorskip("atheris", reason="the coverage-guided fuzzer is the extra fuzz")
    asked = ["--seconds", "1", "--seed", "1", "--corpus", str(tmp_path)]
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.guided", *TARGETS, *asked],
        capture_output=True, text=True, cwd=ROOT, timeout=300, check=False,
        env={**os.environ, "PYTHONHASHSEED": "0"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stderr.count("Done ") == len(TARGETS)

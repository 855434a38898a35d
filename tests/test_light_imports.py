"""Commands that need no numbers start quickly: they load no numeric, audio or prompt library.

A fresh interpreter loads the command line's own function, and a fork of it runs each command and then says
which of the heavy ones are there.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import simulator
from simulator import __version__

PACKAGE = Path(simulator.__file__).resolve().parent

HEAVY = ("numpy", "scipy", "soundfile", "sounddevice", "soxr", "matplotlib", "prompt_toolkit")
RUNNER = """
import json, os, sys, tempfile
heavy, runs = json.loads(sys.argv[1]), json.loads(sys.argv[2])
from simulator.cli.app import main
for arguments, environment in runs:
    if os.fork():
        os.wait()
        continue
    os.environ.update(environment)
    answers, out = os.dup(1), tempfile.TemporaryFile()
    os.dup2(out.fileno(), 1)
    code = None
    try:
        main(arguments)
    except SystemExit as leaving:
        code = leaving.code
    sys.stdout.flush()
    out.seek(0)
    loaded = [name for name in heavy if name in sys.modules]
    answer = {"code": code or 0, "loaded": loaded, "out": out.read().decode()}
    os.write(answers, (json.dumps(answer) + "\\n").encode())
    os._exit(0)
"""
COMMANDS = (
    ("--help", "predict"),
    ("--version", "fairhearing"),
    ("profiles --help", "list"),
    ("profiles list", "minus14-headroom"),
    ("profiles list --json", "minus14-headroom"),
    ("profiles show minus14-headroom", "-1"),
    ("measure --help", "--json"),
    ("predict --help", "--profile"),
    ("render --help", "--format"),
    ("demo --help", "--out"),
    ("listen --help", "--to-file"),
    ("compare --help", "--noise"),
    ("check --help", "--for"),
    ("page --help", "--vote"),
    ("votes --help", "--session"),
    ("ladder --help", "--detect"),
    ("guide", "glossary"),
    ("guide artist", "swap"),
    ("completion zsh", "compdef"),
)
COMPLETED = (
    ("fairhearing pred", 1, "predict"),
    ("fairhearing predict --pro", 2, "--profile"),
    ("fairhearing predict --profile r128,minus14-h", 3, "r128,minus14-headroom"),
    ("fairhearing guide glo", 2, "glossary"),
)
SHELLS = ("bash", "zsh", "fish")


def run(runs: list[tuple[list[str], dict[str, str]]], before: str = "") -> list[dict[str, Any]]:
    """What the runner found for each list of arguments in its environment."""
    done = subprocess.run(
        [sys.executable, "-c", before + RUNNER, json.dumps(HEAVY), json.dumps(runs)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(found) == len(runs)
    return found


@cache
def commands() -> dict[str, dict[str, Any]]:
    lines = [line for line, _ in COMMANDS]
    return dict(zip(lines, run([(line.split(), {}) for line in lines]), strict=True))


@cache
def completions() -> dict[tuple[str, str], dict[str, Any]]:
    asked, runs = [], []
    for shell in SHELLS:
        for words, index, _ in COMPLETED:
            current = words.split()[-1] if shell == "fish" else str(index)
            asked.append((words, shell))
            runs.append(([], {
                "_FAIRHEARING_COMPLETE": f"{shell}_complete", "COMP_WORDS": words, "COMP_CWORD": current,
            }))  # fmt: skip
    return dict(zip(asked, run(runs), strict=True))


@pytest.mark.parametrize(("line", "expected"), COMMANDS)
def test_the_command_loads_nothing_heavy(line: str, expected: str) -> None:
    found = commands()[line]
    assert expected in found["out"]
    assert (found["code"], found["loaded"]) == (0, [])


@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize(
    ("words", "expected"), [(words, expected) for words, _, expected in COMPLETED],
    ids=["a command", "an option", "a profile", "a topic"],
)  # fmt: skip
def test_completion_loads_nothing_heavy(words: str, expected: str, shell: str) -> None:
    found = completions()[words, shell]
    assert expected in found["out"]
    assert found["loaded"] == []


def test_the_check_itself_sees_a_heavy_import() -> None:
    (found,) = run([(["--version"], {})], before="import numpy\n")
    assert found["loaded"] == ["numpy"]


def started(arguments: list[str], folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Python in that folder, able to import the package that is tested here."""
    return subprocess.run(
        [sys.executable, *arguments], cwd=folder, env={**os.environ, **environment}, capture_output=True,
        text=True, encoding="utf-8", timeout=60, check=False,
    )  # fmt: skip


def test_python_m_takes_nothing_from_the_folder_it_is_started_in(tmp_path: Path) -> None:
    """Songs in a folder `simulator/` are no package; a script of the user's may be called like a library."""
    (tmp_path / "simulator").mkdir()
    (tmp_path / "click.py").write_text("raise SystemExit('this is not click')", encoding="utf-8")
    done = started(["-m", "simulator", "--version"], tmp_path, PYTHONPATH=str(PACKAGE.parent))
    assert (done.returncode, done.stdout, done.stderr) == (0, f"fairhearing {__version__}\n", "")


def test_another_package_of_that_name_is_named_and_nothing_is_run(tmp_path: Path) -> None:
    (tmp_path / "simulator").mkdir()
    (tmp_path / "simulator" / "__init__.py").write_text("", encoding="utf-8")
    done = started([str(PACKAGE), "--version"], tmp_path, PYTHONPATH=str(tmp_path))
    assert (done.returncode, done.stdout) == (2, "")
    assert f"Another package called simulator is in the way: {tmp_path / 'simulator'}" in done.stderr
    assert "Type fairhearing instead" in done.stderr
    done = started(["-m", "simulator", "--version"], tmp_path)  # Python's own words, before any line of ours
    assert (done.returncode, done.stdout) == (1, "")
    assert "cannot be directly executed" in done.stderr

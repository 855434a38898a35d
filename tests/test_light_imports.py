"""Commands that need no numbers start quickly: they load no numeric, audio or prompt library.

A fresh interpreter runs the command line's own function and then says which of the heavy ones are there.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import simulator
from simulator import __version__

PACKAGE = Path(simulator.__file__).resolve().parent

HEAVY = ("numpy", "scipy", "soundfile", "sounddevice", "soxr", "matplotlib", "prompt_toolkit")
RUNNER = """
import json, sys
heavy, arguments = json.loads(sys.argv[1]), json.loads(sys.argv[2])
from simulator.cli.app import main
code = None
try:
    main(arguments)
except SystemExit as leaving:
    code = leaving.code
loaded = [name for name in heavy if name in sys.modules]
print(json.dumps({"code": code or 0, "loaded": loaded}), file=sys.stderr)
"""


def run(arguments: list[str], **environment: str) -> tuple[str, dict[str, object]]:
    """Standard output, and what the runner found."""
    done = subprocess.run(
        [sys.executable, "-c", RUNNER, json.dumps(HEAVY), json.dumps(arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout, json.loads(done.stderr.splitlines()[-1])


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--help"], "predict"),
        (["--version"], "fairhearing"),
        (["profiles", "--help"], "list"),
        (["profiles", "list"], "minus14-headroom"),
        (["profiles", "list", "--json"], "minus14-headroom"),
        (["profiles", "show", "minus14-headroom"], "-1"),
        (["measure", "--help"], "--json"),
        (["predict", "--help"], "--profile"),
        (["render", "--help"], "--format"),
        (["demo", "--help"], "--out"),
        (["listen", "--help"], "--to-file"),
        (["compare", "--help"], "--noise"),
        (["check", "--help"], "--for"),
        (["page", "--help"], "--vote"),
        (["votes", "--help"], "--session"),
        (["ladder", "--help"], "--detect"),
        (["guide"], "glossary"),
        (["guide", "artist"], "swap"),
        (["completion", "zsh"], "compdef"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_the_command_loads_nothing_heavy(arguments: list[str], expected: str) -> None:
    output, found = run(arguments)
    assert expected in output
    assert found == {"code": 0, "loaded": []}


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
@pytest.mark.parametrize(
    ("words", "index", "expected"),
    [
        ("fairhearing pred", "1", "predict"),
        ("fairhearing predict --pro", "2", "--profile"),
        ("fairhearing predict --profile r128,minus14-h", "3", "r128,minus14-headroom"),
        ("fairhearing guide glo", "2", "glossary"),
    ],
    ids=["a command", "an option", "a profile", "a topic"],
)
def test_completion_loads_nothing_heavy(words: str, index: str, expected: str, shell: str) -> None:
    last = words.split()[-1]
    output, found = run(
        [],
        _FAIRHEARING_COMPLETE=f"{shell}_complete",
        COMP_WORDS=words,
        COMP_CWORD=last if shell == "fish" else index,
    )
    assert expected in output
    assert found["loaded"] == []


def test_the_check_itself_sees_a_heavy_import() -> None:
    done = subprocess.run(
        [sys.executable, "-c", f"import numpy\n{RUNNER}", json.dumps(HEAVY), json.dumps(["--version"])],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=True,
    )
    assert json.loads(done.stderr.splitlines()[-1])["loaded"] == ["numpy"]


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

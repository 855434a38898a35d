"""Rules on names and paths that hold for every file in git: no audio, no path of one machine, sources stated,
the README's commands on one line each.
"""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections import defaultdict
from functools import cache
from pathlib import Path

import pytest
from support import source

ROOT = Path(__file__).resolve().parent.parent
AUDIO = {
    ".wav", ".wave", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".flac", ".ogg", ".oga", ".opus",
    ".mp3", ".m4a", ".aac", ".wma", ".au", ".raw", ".mid",
}  # fmt: skip
LARGEST_BYTES = 400_000
# a path below a person's or a machine's own folder; the (?<!...) keeps URLs and relative paths out
HOME_PATH = re.compile(r"(?<![\w~.:/-])/(?:home|Users|root|work|tmp)/[\w.-]+|[A-Z]:\\Users\\")
ADDRESS = re.compile(r"https?://([\w.-]+)")
PLACEHOLDER_TRACKS = {"tests/test_names.py"}
PROFILES = sorted((ROOT / "profiles").glob("*.toml"))


@cache
def tracked() -> list[str]:
    """Paths in git; the check needs a checkout (an sdist has none)."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout, so nothing is tracked here")
    done = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, encoding="utf-8", check=True
    )
    return [name for name in done.stdout.split("\0") if name and (ROOT / name).exists()]


def text_of(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def test_no_audio_is_tracked() -> None:
    assert len(tracked()) > 30
    assert [name for name in tracked() if Path(name).suffix.lower() in AUDIO] == []


def test_no_large_file_is_tracked() -> None:
    assert [name for name in tracked() if (ROOT / name).stat().st_size > LARGEST_BYTES] == []


def test_every_tracked_file_is_text_in_utf_8_with_plain_line_ends() -> None:
    for name in tracked():
        assert "\r" not in text_of(name), name


def test_no_path_of_one_machine_stands_in_a_file() -> None:
    for name in tracked():
        if name in PLACEHOLDER_TRACKS:
            continue
        for number, line in enumerate(text_of(name).splitlines(), 1):
            found = HOME_PATH.search(line)
            assert found is None, f"{name}:{number}: {line.strip()}"


@pytest.mark.parametrize(
    ("line", "caught"),
    [
        ("open('/home/ann/mix.wav')", True),
        ("cd /root/project", True),
        ("C:\\Users\\ann", True),
        ("/usr/lib/x", False),
        ("see ~/work/songs", False),
        ("songs/tmp/x", False),
        ("example.org/home/page", False),
    ],
)
def test_the_check_itself_tells_a_path_of_one_machine(line: str, caught: bool) -> None:
    assert (HOME_PATH.search(line) is not None) is caught


def fenced_blocks(text: str) -> list[list[str]]:
    """The lines of each fenced block."""
    parts = re.split(r"^```.*$", text, flags=re.MULTILINE)
    return [part.strip("\n").split("\n") for part in parts[1::2]]


@pytest.mark.parametrize(
    ("index", "install", "then"),
    [
        (0, r"pip install( -q| --only-binary :all:)* '\.\[aac\]'", r"\.venv/bin/fairhearing demo"),
        (
            1,
            r"pip install( -q| --only-binary :all:)* -e '\.\[test,aac\]'",
            r"\.venv/bin/(python -m )?pytest( -q)?",
        ),
    ],
    ids=["the demo", "the tests"],
)
def test_the_first_two_fenced_blocks_of_the_readme_open_with_the_two_commands(
    index: int, install: str, then: str
) -> None:
    """Each one physical line that makes an environment, installs and runs, and that plain bash takes."""
    line = fenced_blocks(text_of("README.md"))[index][0]
    assert re.fullmatch(rf"python3 -m venv \.venv && \.venv/bin/(python -m )?{install} && {then}", line), line
    subprocess.run(["bash", "-n", "-c", line], check=True, timeout=10)


def test_what_a_bare_debian_lacks_stands_above_the_commands() -> None:
    above = text_of("README.md").split("```")[0]
    for package in ("git", "python3-venv", "libportaudio2"):
        assert package in above


def leaves(table: dict[str, object], prefix: str = "") -> dict[str, object]:
    """Values by dotted key."""
    found: dict[str, object] = {}
    for key, value in table.items():
        found |= leaves(value, f"{prefix}{key}.") if isinstance(value, dict) else {f"{prefix}{key}": value}
    return found


@pytest.mark.parametrize("profile", PROFILES, ids=lambda path: path.stem)
def test_every_number_of_a_bundled_profile_has_a_source(profile: Path) -> None:
    """Each number but the format's own version has a source under its own key, in words."""
    values = leaves(tomllib.loads(profile.read_text(encoding="utf-8")))
    numbers = [key for key, value in values.items() if type(value) in (int, float) and key != "format"]
    assert numbers
    for key in numbers:
        assert re.search(r"\w{3}", str(values.get(f"sources.{key}", ""))), (
            f"{profile.name}: {key} has no source"
        )


def test_there_are_bundled_profiles() -> None:
    assert len(PROFILES) >= 15


def test_no_class_name_of_the_program_exists_twice() -> None:
    """A name that means two things is looked up twice, and one of the two has a better one."""
    found = defaultdict(list)
    for module in source.modules():
        for node in source.nodes(module):
            if isinstance(node, ast.ClassDef):
                found[node.name].append(f"{module}:{node.lineno}")
    assert len(found) > 200
    assert {name: places for name, places in found.items() if len(places) > 1} == {}

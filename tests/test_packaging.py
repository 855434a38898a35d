"""Does the project install, and does the installed command find its data from another folder?

Heavy: builds sdist and wheel, makes fresh environments and installs from the package index. In each, the
profiles are listed and the demo is run from a folder that is not the checkout.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.heavy

ROOT = Path(__file__).resolve().parent.parent
SECONDS = 240
PIP_CACHE = str(Path.home() / ".cache" / "pip")


def run(arguments: list[str | Path], folder: Path, home: Path) -> str:
    """Standard output; fails with both outputs where the command fails. The home is an empty one, so that
    neither a cache nor a setting of the person at this machine takes part; only pip's own cache is kept,
    since every wheel would be fetched again."""
    environment = {
        key: value
        for key, value in os.environ.items()
        if key not in ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV") and not key.startswith("XDG_")
    }
    done = subprocess.run(
        [str(argument) for argument in arguments],
        cwd=folder,
        env={"PIP_CACHE_DIR": PIP_CACHE, **environment, "HOME": str(home)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=SECONDS,
        check=False,
    )
    assert done.returncode == 0, f"{arguments}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def script(environment: Path, name: str) -> Path:
    return environment / ("Scripts" if os.name == "nt" else "bin") / name


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The sdist, and the wheel that is built from it (not from the checkout)."""
    out, home = tmp_path_factory.mktemp("dist"), tmp_path_factory.mktemp("home")
    run([sys.executable, "-m", "build", "--outdir", out, ROOT], out, home)
    return {"sdist": next(out.glob("*.tar.gz")), "wheel": next(out.glob("*.whl"))}


def data_names() -> set[str]:
    return {
        path.relative_to(ROOT).as_posix()
        for folder in ("profiles", "demo_playlist")
        for path in (ROOT / folder).rglob("*")
        if path.is_file()
    }


def test_the_wheel_holds_the_data_and_no_tests(built: dict[str, Path]) -> None:
    with zipfile.ZipFile(built["wheel"]) as wheel:
        names = wheel.namelist()
    held = {name.removeprefix("simulator/_data/") for name in names if name.startswith("simulator/_data/")}
    assert held == data_names()
    assert not [name for name in names if name.startswith(("tests/", "profiles/", "demo_playlist/"))]
    assert "simulator/py.typed" in names
    assert [name for name in names if name.endswith(".dist-info/licenses/LICENSE")]
    for form in ("*.py", "*.md"):
        assert {str(path.relative_to(ROOT)) for path in (ROOT / "simulator").rglob(form)} <= set(names)


def test_the_sdist_holds_what_the_tests_need_and_no_audio(built: dict[str, Path]) -> None:
    with tarfile.open(built["sdist"]) as sdist:
        names = {name.split("/", 1)[1] for name in sdist.getnames() if "/" in name}
    assert data_names() <= names
    assert {
        "README.md",
        "CHANGELOG.md",
        "LICENSE",
        "pyproject.toml",
        "tests/conftest.py",
        "tests/support/signals.py",
    } <= names
    assert not [name for name in names if name.endswith((".wav", ".flac", ".ogg", ".mp3", ".deb"))]


def test_a_fresh_environment_runs_the_command_from_another_folder(
    built: dict[str, Path], tmp_path: Path
) -> None:
    """From the wheel; the README's test command installs the checkout itself."""
    environment, home, elsewhere = tmp_path / "venv", tmp_path / "home", tmp_path / "elsewhere"
    home.mkdir()
    elsewhere.mkdir()
    run([sys.executable, "-m", "venv", environment], tmp_path, home)
    run([script(environment, "python"), "-m", "pip", "install", "-q", built["wheel"]], elsewhere, home)

    command = script(environment, "fairhearing")
    where = run(
        [script(environment, "python"), "-c", "import simulator; print(simulator.__file__)"], elsewhere, home
    )
    assert Path(where.strip()).is_relative_to(environment)
    listed = run([command, "profiles", "list"], elsewhere, home)
    for profile in (ROOT / "profiles").glob("*.toml"):
        assert profile.stem in listed
    assert "BS.1770-5" in run([command, "guide", "numbers"], elsewhere, home)
    demo = run([command, "demo", "--out", elsewhere / "heard"], elsewhere, home)
    assert "LUFS" in demo
    rendered = sorted((elsewhere / "heard").rglob("*.wav"))
    assert len(rendered) >= 6
    assert all(path.stat().st_size > 100_000 for path in rendered)

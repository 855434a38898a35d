"""Imports point down the list of rooms, and the core touches no disk, clock, thread, chance or device.

The rooms and their order are those of DEVELOPERS.md; every module is read as text (ast), so that imports
inside functions and for type checkers count too.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path, PurePosixPath

import pytest

import simulator

PACKAGE = Path(simulator.__file__).resolve().parent
LAYERS = {
    "common": 0,
    "dsp": 1,
    "metering": 2,
    "playlists": 3,
    "normalizer": 4,
    "audibility": 4,
    "comparison": 5,
    "delivery": 5,
    "blind_test": 5,
    "rungs": 6,
    "session": 6,
    "text": 7,
    "demo": 7,
    "page": 8,
    "storage": 9,
    "audio_files": 10,
    "codecs": 11,
    "engine": 12,
    "deck": 13,
    "page/file": 14,
    "desk": 14,
    "api": 15,
    "cli": 15,
    "__main__": 16,
}
"""A room imports itself and the rooms of lower layers; of the rooms of one layer, none imports another.
A folder in a room belongs to it, unless it is named here itself."""

PURE = {
    "common", "dsp", "metering", "playlists", "normalizer", "audibility", "comparison", "delivery",
    "blind_test", "rungs", "session", "text", "demo", "page",
}  # fmt: skip
OUTSIDE_WORLD = {
    "asyncio", "concurrent", "ctypes", "datetime", "fcntl", "ftplib", "getpass", "glob", "http", "io",
    "locale", "mmap", "multiprocessing", "os", "platform", "platformdirs", "prompt_toolkit", "psutil",
    "queue", "random", "secrets", "select", "shutil", "signal", "smtplib", "socket", "sounddevice",
    "soundfile", "sqlite3", "ssl", "subprocess", "sys", "tempfile", "threading", "time", "urllib.request",
    "uuid",
}  # fmt: skip
"""`datetime` for its clock; a date that is passed in is a value, and would have to be argued for here."""

DISK_CALLS = {"open", "input", "print", "exec", "eval", "__import__"}
PURE_PATHS = {"PurePath", "PurePosixPath", "PureWindowsPath"}


def modules() -> list[str]:
    return sorted(str(path.relative_to(PACKAGE)) for path in PACKAGE.rglob("*.py"))


@cache
def tree(module: str) -> ast.Module:
    return ast.parse((PACKAGE / module).read_text(encoding="utf-8"), module)


def room_of(path: PurePosixPath) -> str:
    """The innermost folder, or file of the package itself, that is a room."""
    names = [path.as_posix().removesuffix(".py"), *(parent.as_posix() for parent in path.parents)]
    return next((name for name in names if name in LAYERS), "")


def room(module: str) -> str:
    return room_of(PurePosixPath(module))


def imports(module: str) -> list[tuple[int, str, tuple[str, ...]]]:
    """(line, absolute module, names taken from it) of every import."""
    found: list[tuple[int, str, tuple[str, ...]]] = []
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name, ()) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}:{node.lineno}: relative imports hide which way they point"
            found.append((node.lineno, node.module or "", tuple(alias.name for alias in node.names)))
    return found


def rooms_imported(module: str) -> list[tuple[int, str]]:
    found: list[tuple[int, str]] = []
    for line, name, taken in imports(module):
        parts = name.split(".")
        if parts[0] != "simulator":
            continue
        base = PurePosixPath(*parts[1:])
        if (PACKAGE / base).is_dir():  # `from simulator.dsp import interpolation`; the version is in no room
            found += [(line, room_of(base / one)) for one in taken if one != "__version__"]
        else:
            found.append((line, room_of(base)))
    return found


def outside(name: str, taken: tuple[str, ...]) -> bool:
    every = {name, *(f"{name}.{one}" for one in taken)}
    if name.split(".")[0] == "pathlib":
        return not set(taken) <= PURE_PATHS or not taken
    return any(one == banned or one.startswith(f"{banned}.") for one in every for banned in OUTSIDE_WORLD)


def test_every_module_stands_in_a_known_room() -> None:
    assert len(modules()) > 20
    unknown = [module for module in modules() if module != "__init__.py" and room(module) not in LAYERS]
    assert unknown == []


@pytest.mark.parametrize("module", [module for module in modules() if module != "__init__.py"])
def test_imports_point_down(module: str) -> None:
    own = room(module)
    for line, other in rooms_imported(module):
        assert other in LAYERS, f"{module}:{line}: imports from no known room"
        assert other == own or LAYERS[other] < LAYERS[own], (
            f"{module}:{line}: {own} (layer {LAYERS[own]}) imports {other} ({LAYERS[other]})"
        )


@pytest.mark.parametrize("folder", sorted({str(PurePosixPath(one).parent) for one in modules()}))
def test_a_folder_has_at_most_15_files(folder: str) -> None:
    assert len([path for path in (PACKAGE / folder).iterdir() if path.is_file()]) <= 15


def test_the_package_loads_its_interface_only_when_it_is_used() -> None:
    """So that `--help` stays quick; `typing` is all that is loaded at once."""
    at_once = [node for node in tree("__init__.py").body if isinstance(node, ast.Import | ast.ImportFrom)]
    assert [ast.unparse(node) for node in at_once] == ["from typing import TYPE_CHECKING, Any"]
    assert {name for _, name, _ in imports("__init__.py")} == {"typing", "simulator", "simulator.api"}


@pytest.mark.parametrize("module", [module for module in modules() if room(module) in PURE])
def test_the_core_does_not_reach_the_outside_world(module: str) -> None:
    for line, name, taken in imports(module):
        assert not outside(name, taken), f"{module}:{line}: {name} is outside the core"
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in DISK_CALLS, f"{module}:{node.lineno}: calls {node.func.id}()"


@pytest.mark.parametrize("module", [module for module in modules() if room(module) in PURE])
def test_chance_in_the_core_comes_from_a_seed(module: str) -> None:
    """numpy's hidden global generator and a generator without a seed differ from run to run."""
    for node in ast.walk(tree(module)):
        if not isinstance(node, ast.Attribute):
            continue
        if isinstance(node.value, ast.Attribute) and node.value.attr == "random":
            known = {"default_rng", "Generator", "PCG64", "SeedSequence", "Philox"}
            assert node.attr in known, f"{module}:{node.lineno}: numpy's global generator"
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(("default_rng", "PCG64", "Philox")):
            assert node.args or node.keywords, f"{module}:{node.lineno}: a generator without a seed"


@pytest.mark.parametrize("module", modules())
def test_no_room_needs_scipy_and_matplotlib_is_imported_where_it_draws(module: str) -> None:
    """scipy is 139 MB on the disk, and either takes most of a second to import."""
    assert [line for line, name, _ in imports(module) if name.split(".")[0] == "scipy"] == []
    drawing = [line for line, name, _ in imports(module) if name.split(".")[0] == "matplotlib"]
    at_import = [
        node.lineno
        for node in tree(module).body
        if isinstance(node, ast.Import | ast.ImportFrom) and node.lineno in drawing
    ]
    assert at_import == [], f"{module}: import it inside the function that uses it"
    if drawing:
        assert room(module) in (
            "text",
            "page",
            "storage",
            "api",
        )  # the last two write or hand on what text draws


def test_only_app_catches_every_error_of_the_project() -> None:
    """`except SimulatorError` is about one file's share of the work: outside the pure rooms."""
    for module in modules():
        if room(module) not in PURE:
            continue
        for node in ast.walk(tree(module)):
            if isinstance(node, ast.ExceptHandler) and node.type is not None:
                caught = ast.unparse(node.type)
                assert "SimulatorError" not in caught, f"{module}:{node.lineno}"
                assert caught not in ("Exception", "BaseException"), f"{module}:{node.lineno}"
            elif isinstance(node, ast.ExceptHandler):
                pytest.fail(f"{module}:{node.lineno}: a bare except")


@pytest.mark.parametrize(
    ("name", "taken", "banned"),
    [
        ("os", (), True),
        ("os.path", ("join",), True),
        ("pathlib", ("Path",), True),
        ("pathlib", (), True),
        ("pathlib", ("PurePath",), False),
        ("urllib", ("request",), True),
        ("urllib.parse", ("quote",), False),
        ("soundfile", (), True),
        ("timeit", (), False),
        ("numpy", (), False),
    ],
)
def test_the_check_itself_tells_outside_from_inside(name: str, taken: tuple[str, ...], banned: bool) -> None:
    assert outside(name, taken) is banned

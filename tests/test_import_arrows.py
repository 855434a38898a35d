"""Imports point down the list of rooms, and the core touches no disk, clock, thread, chance or device.

The rooms and their order are those of DEVELOPERS.md; every module is read as text (ast), so that imports
inside functions and for type checkers count too.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import PurePosixPath

import pytest
from support.source import PACKAGE, modules, nodes, tree

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


def room_of(path: PurePosixPath) -> str:
    """The innermost folder, or file of the package itself, that is a room."""
    names = [path.as_posix().removesuffix(".py"), *(parent.as_posix() for parent in path.parents)]
    return next((name for name in names if name in LAYERS), "")


def room(module: str) -> str:
    return room_of(PurePosixPath(module))


def pure() -> list[str]:
    return [module for module in modules() if room(module) in PURE]


@cache
def imports(module: str) -> list[tuple[int, str, tuple[str, ...]]]:
    """(line, absolute module, names taken from it) of every import."""
    found: list[tuple[int, str, tuple[str, ...]]] = []
    for node in nodes(module):
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


def test_imports_point_down() -> None:
    wrong = [
        f"{module}:{line}: {own} (layer {LAYERS[own]}) imports {other or 'from no known room'}"
        for module in modules()
        if (own := room(module))
        for line, other in rooms_imported(module)
        if other != own and LAYERS.get(other, LAYERS[own]) >= LAYERS[own]
    ]
    assert wrong == []


def test_a_folder_has_at_most_15_files() -> None:
    folders = {(PACKAGE / module).parent for module in modules()}
    full = [folder for folder in folders if sum(path.is_file() for path in folder.iterdir()) > 15]
    assert full == []


def test_the_package_loads_its_interface_only_when_it_is_used() -> None:
    """So that `--help` stays quick; `typing` is all that is loaded at once."""
    at_once = [node for node in tree("__init__.py").body if isinstance(node, ast.Import | ast.ImportFrom)]
    assert [ast.unparse(node) for node in at_once] == ["from typing import TYPE_CHECKING, Any"]
    assert {name for _, name, _ in imports("__init__.py")} == {"typing", "simulator", "simulator.api"}


def test_the_core_does_not_reach_the_outside_world() -> None:
    wrong = [
        f"{module}:{line}: {name}"
        for module in pure()
        for line, name, taken in imports(module)
        if outside(name, taken)
    ]
    wrong += [
        f"{module}:{node.lineno}: calls {node.func.id}()"
        for module in pure()
        for node in nodes(module)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in DISK_CALLS
    ]
    assert wrong == []


def test_chance_in_the_core_comes_from_a_seed() -> None:
    """numpy's hidden global generator and a generator without a seed differ from run to run."""
    generators, wrong = ("default_rng", "PCG64", "Philox"), []
    for module in pure():
        for node in nodes(module):
            if isinstance(node, ast.Attribute):
                hidden = isinstance(node.value, ast.Attribute) and node.value.attr == "random"
                known = (*generators, "Generator", "SeedSequence")
                wrong += [f"{module}:{node.lineno}: {node.attr}"] * (hidden and node.attr not in known)
            elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith(generators):
                seeded = node.args or node.keywords
                wrong += [] if seeded else [f"{module}:{node.lineno}: a generator without a seed"]
    assert wrong == []


def test_no_room_needs_scipy_and_matplotlib_is_imported_where_it_draws() -> None:
    """scipy is 139 MB on the disk, and either takes most of a second to import. Storage and api write or
    hand on what text draws."""
    for module in modules():
        libraries = {line: name.split(".")[0] for line, name, _ in imports(module)}
        assert "scipy" not in libraries.values(), module
        drawing = [line for line, name in libraries.items() if name == "matplotlib"]
        assert not drawing or room(module) in ("text", "page", "storage", "api"), module
        at_import = [node.lineno for node in tree(module).body if node.lineno in drawing]
        assert at_import == [], f"{module}: import it inside the function that uses it"


def test_only_app_catches_every_error_of_the_project() -> None:
    """`except SimulatorError` is about one file's share of the work: outside the pure rooms."""
    for module in pure():
        for node in nodes(module):
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

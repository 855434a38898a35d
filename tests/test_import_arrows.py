"""Imports point down the list of rooms, and the core touches no disk, clock, thread, chance or device.

The rooms and their order are those of DEVELOPERS.md; every module is read as text (ast), so that imports
inside functions and for type checkers count too.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

import simulator

PACKAGE = Path(simulator.__file__).resolve().parent
LAYERS = {
    "units": 0,
    "errors": 0,
    "numbers": 0,
    "plain_text": 0,
    "measure": 1,
    "player": 2,
    "delivery": 3,
    "compare": 3,
    "hearing": 4,
    "report": 5,
    "demo": 5,
    "shell": 6,
    "commands": 7,
    "app": 7,
    "__main__": 7,
}
"""Of the rooms of one layer, none imports another (units and errors neither)."""

BELOW_COMMANDS_IN_LAYER_7 = {"app": {"commands"}, "__main__": {"app"}, "commands": set[str]()}
PURE = {
    "units", "errors", "numbers", "plain_text", "measure", "player", "delivery", "compare", "hearing",
    "report", "demo",
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


def room(module: str) -> str:
    return Path(module).parts[0].removesuffix(".py")


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
        if len(parts) > 1:
            found.append((line, parts[1]))
        else:  # `from simulator import app`, or the version, which is in no room
            found += [(line, one) for one in taken if one in LAYERS]
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
        assert other in LAYERS, f"{module}:{line}: simulator.{other} is in no known room"
        allowed = (
            other == own or LAYERS[other] < LAYERS[own] or other in BELOW_COMMANDS_IN_LAYER_7.get(own, set())
        )
        assert allowed, f"{module}:{line}: {own} (layer {LAYERS[own]}) imports {other} ({LAYERS[other]})"


def test_the_package_itself_imports_nothing() -> None:
    assert [name for _, name, _ in imports("__init__.py") if name != "__future__"] == []


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
def test_the_measuring_path_does_without_scipy(module: str) -> None:
    """scipy.signal costs 0.6 to 0.9 s at import: comparing and judging import it where they use it, and
    what measures and plays does not."""
    everywhere = [line for line, name, _ in imports(module) if name.split(".")[0] in ("scipy", "matplotlib")]
    at_import = [
        node.lineno
        for node in tree(module).body
        if isinstance(node, ast.Import | ast.ImportFrom) and node.lineno in everywhere
    ]
    assert at_import == [], f"{module}: import it inside the function that uses it"
    if room(module) in ("measure", "player", "demo", "units", "errors"):
        assert everywhere == []


def test_only_app_catches_every_error_of_the_project() -> None:
    """`except SimulatorError` elsewhere must be about one file's share of the work: in shell or commands."""
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

"""Rules of the house that no one file shows: no code for tests alone, and nothing there twice."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from functools import cache

import pytest
from support import source

CALLED_BY_LIBRARIES = {
    "list_commands", "get_command", "format_commands",  # click
    "do_GET", "do_POST", "process_request", "shutdown_request", "handle_error", "log_message",  # http.server
    "store_string", "load_history_strings",  # prompt_toolkit
    "_repr_html_",  # IPython
    "on_any_event",  # watchdog
    "handle_starttag", "handle_endtag", "handle_data",  # html.parser
}  # fmt: skip


@cache
def modules() -> dict[str, ast.Module]:
    """By dotted name."""
    return {
        f"simulator/{path}".removesuffix(".py").replace("/", ".").removesuffix(".__init__"): source.tree(path)
        for path in source.modules()
    }


def defined(tree: ast.Module) -> Iterator[tuple[str, ast.stmt]]:
    """Names that a module defines at its top, but for commands, which click calls."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            if not any(".command(" in f"{ast.unparse(one)}" for one in node.decorator_list):
                yield node.name, node
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                yield from ((one.id, node) for one in ast.walk(target) if isinstance(one, ast.Name))


@cache
def used() -> dict[str, set[str]]:
    """Names of each module that the product uses: imported from it, or read in it outside of their own
    definition."""
    found: dict[str, set[str]] = defaultdict(set)
    for module, tree in modules().items():
        short, attributes = {}, []
        own = defaultdict(set)
        for name, statement in defined(tree):
            own[statement].add(name)
        for statement in tree.body:
            read = set()
            for node in ast.walk(statement):
                if isinstance(node, ast.Name):
                    if isinstance(node.ctx, ast.Load):
                        read.add(node.id)
                elif isinstance(node, ast.Attribute):
                    if isinstance(node.value, ast.Name):
                        attributes.append((node.value.id, node.attr))
                elif isinstance(node, ast.ImportFrom) and node.module:
                    for one in node.names:
                        whole = f"{node.module}.{one.name}"
                        if whole in modules():
                            short[one.asname or one.name] = whole
                        else:
                            found[node.module].add(one.name)
                elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                    found[module].add(node.value)  # a forward reference, or an entry of __all__
            found[module] |= read - own[statement]
        for name, attribute in attributes:
            if name in short:
                found[short[name]].add(attribute)
    return found


def test_every_function_class_and_constant_is_used_by_the_product() -> None:
    idle = [
        f"{module}.{name}"
        for module, tree in modules().items()
        for name, _ in defined(tree)
        if name not in used()[module] and not name.startswith("__")
    ]
    assert idle == []


def test_every_method_is_called_by_the_product() -> None:
    """By name only: one method called is enough for all of that name."""
    called: set[str] = set()
    methods: dict[str, str] = {}
    for module in source.modules():
        for node in source.nodes(module):
            if isinstance(node, ast.Attribute):
                called.add(node.attr)
            elif isinstance(node, ast.ClassDef):
                methods.update({one.name: module for one in node.body if isinstance(one, ast.FunctionDef)})
    called |= CALLED_BY_LIBRARIES
    idle = [
        f"{module}: {name}" for name, module in methods.items() if name not in called and name[:2] != "__"
    ]
    assert idle == []


@pytest.mark.parametrize(
    ("what", "pattern", "homes"),
    [
        ("the typographic minus", r'\("[-−]", "[-−]"\)', {"common/text.py"}),
        (
            "a sentence's capital",
            r"\[:1\]\.upper\(\)|\.capitalize\(\)|\[0\]\.upper\(\) \+",
            {"common/text.py"},
        ),
        ("triangular dither", r"noise\[\.\.\., 0\]|\.triangular\(", {"dsp/conversion.py"}),
        ("the raised cosine", r"0\.5 - 0\.5 \* np\.cos\(np\.pi", {"dsp/fades.py", "demo/instruments.py"}),
        ("the dim", r"^DIM_DB\b.*=", {"session/state.py"}),
        ("the first trim", r"^FIRST_TRIM_DB\b.*=", {"session/state.py"}),
        ("the lowest trim", r"^LOWEST_TRIM_DB\b.*=", {"session/state.py"}),
        ("the tick", r"^TICK_SECONDS\b.*=", {"session/events.py"}),
    ],
)
def test_a_thing_is_there_once(what: str, pattern: str, homes: set[str]) -> None:
    """A glide of pitch in the demo's sounds is the one raised cosine that is no fade."""
    found = {
        module
        for module in source.modules()
        if re.search(pattern, (source.PACKAGE / module).read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert found == homes, what


@pytest.mark.parametrize("script", ["run", "other_kernels"])
def test_what_ci_runs_is_there(script: str) -> None:
    root = source.PACKAGE.parent
    paths = re.findall(r"\btests/[\w/.]+", (root / ".ci" / script).read_text(encoding="utf-8"))
    assert paths
    assert [path for path in paths if not (root / path).exists()] == []

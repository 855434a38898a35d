"""The program's source, parsed once for all tests that read it."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import simulator

PACKAGE = Path(simulator.__file__).resolve().parent


@cache
def modules() -> tuple[str, ...]:
    """Paths below the package, with slashes."""
    return tuple(sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py")))


@cache
def tree(module: str) -> ast.Module:
    return ast.parse((PACKAGE / module).read_text(encoding="utf-8"), module)


@cache
def nodes(module: str) -> tuple[ast.AST, ...]:
    """Every node of a module, from the top down, as `ast.walk` yields them."""
    return tuple(ast.walk(tree(module)))

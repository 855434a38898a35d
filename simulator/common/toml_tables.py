"""TOML tables checked against a format: which key, which value, and the cure.

The shape of a format is a tree of msgspec structs; every error is worded for the person who wrote the text
and names its keys as the file does (`gain.max_boost_db`, `track 3: path`). Source of the syntax: TOML 1.0.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

from simulator.common.errors import SimulatorError

Shape = TypeVar("Shape", bound=msgspec.Struct)

FORMAT = 1
"""The newest format of profiles and playlists that this program reads."""
_LONG_DOTTED_KEY = re.compile(
    r"""(?:^[ \t]*+\[{0,2}|[{,])(?:[ \t]*+(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.){50}""", re.MULTILINE
)
"""The time that tomllib takes grows with the square of such a key's parts: a minute at 50,000."""


def read_toml(
    text: str,
    shape: type[Shape],
    where: str,
    error: type[SimulatorError],
    older: Mapping[str, str] = MappingProxyType({}),
) -> Shape:
    """The value of `shape` that the text describes. `where` names the file in messages; everything
    that does not fit raises `error`: syntax, a newer format, an unknown key (the nearest known one
    is suggested), a number that is not finite, a value of the wrong kind or out of range. `older` maps
    former names of tables, which are still read, to their present ones."""
    if _LONG_DOTTED_KEY.search(text):
        raise error(f"{where}: a key has dozens of dotted parts.", "Write the intended key.")
    try:
        raw: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise error(f"{where}: not valid TOML: {problem}.", "Correct the file there.") from None
    except ValueError:  # Python's own limit for the digits of a whole number
        raise error(f"{where}: an integer has thousands of digits.", "Write the intended number.") from None
    except RecursionError:
        raise error(f"{where}: brackets are nested too deeply.", "Remove the nesting.") from None
    for former, present in older.items():
        if former in raw and present in raw:
            raise error(f"{where}: [{former}] is the former name of [{present}].", f"Keep only [{present}].")
        if former in raw:
            raw[present] = raw.pop(former)
    _check_format(raw, where, error)
    info = inspect.type_info(shape)
    _refuse_strangers(raw, info, "", where, error)
    try:
        return msgspec.convert(raw, shape)
    except msgspec.ValidationError as problem:
        raise error(*_worded(str(problem), raw, info, where)) from None


def nearest(word: str, known: list[str]) -> str | None:
    """The known word that `word` was probably meant to be: by spelling, else by its last part in
    another table."""
    leaves = {name.rpartition(".")[2]: name for name in reversed(known)}
    by_spelling = {name: name for name in known}
    leaf = word.rpartition(".")[2]
    for text, names, cutoff in ((word, by_spelling, 0.75), (leaf, leaves, 0.6), (word, by_spelling, 0.5)):
        for close in difflib.get_close_matches(text, list(names), n=1, cutoff=cutoff):
            return names[close]
    return None


def _check_format(raw: dict[str, Any], where: str, error: type[SimulatorError]) -> None:
    number = raw.get("format")
    if number is None:
        raise error(f"{where}: the key `format` is missing.", f"Write `format = {FORMAT}` as its first line.")
    if type(number) is not int or number < 1:
        raise error(f"{where}: format must be {FORMAT}, got {_shown(number)}.", f"Write `format = {FORMAT}`.")
    if number > FORMAT:
        raise error(
            f"{where}: this file uses format {_shown(number)}, but this program reads only format {FORMAT}.",
            "Use a newer version of this program, or rewrite the file in the older format.",
        )


def _refuse_strangers(
    value: Any, kind: inspect.Type, path: str, where: str, error: type[SimulatorError]
) -> None:
    """Unknown keys and numbers that are not finite, anywhere in the tree."""
    if isinstance(value, float) and not math.isfinite(value):
        raise error(f"{where}: {path} must be a finite number, got {value}.", "Write a plain number.")
    if isinstance(kind, inspect.UnionType):
        kind = next((member for member in kind.types if not isinstance(member, inspect.NoneType)), kind)
    if isinstance(value, dict) and isinstance(kind, inspect.StructType):
        fields = {field.encode_name: field.type for field in kind.fields}
        for key, inner in value.items():
            name = _joined(path, key)
            if key not in fields:
                leaf = _cut(name)[len(path) :].lstrip(".")
                meant = nearest(leaf, list(fields)) or nearest(leaf, _keys(kind))
                cure = f"Did you mean `{_joined(path, meant)}`?" if meant else ""
                cure = cure or f"Keys allowed here: {', '.join(fields)}."
                raise error(f"{where}: unknown key `{_cut(name)}`.", cure)
            _refuse_strangers(inner, fields[key], name, where, error)
    elif isinstance(value, list) and isinstance(kind, inspect.ListType):
        for number, inner in enumerate(value, start=1):
            _refuse_strangers(inner, kind.item_type, f"{path.rstrip('s')} {number}: ", where, error)


def _joined(path: str, key: str) -> str:
    """A key as the file spells it: `gain.max_boost_db`, `track 3: path`."""
    return f"{path}.{key}" if path and not path.endswith(": ") else path + key


def _keys(kind: inspect.Type, prefix: str = "") -> list[str]:
    """Every key of a table and of the tables in it."""
    if isinstance(kind, inspect.UnionType):
        return [key for member in kind.types for key in _keys(member, prefix)]
    keys = []
    for field in kind.fields if isinstance(kind, inspect.StructType) else ():
        name = prefix + field.encode_name
        keys += [name, *_keys(field.type, name + ".")]
    return keys


def _worded(problem: str, raw: Any, info: inspect.Type, where: str) -> tuple[str, str]:
    """msgspec's message with the key as the file spells it, its value, and the values allowed."""
    message, _, location = problem.partition(" - at `")
    value, kind, name = raw, info, ""
    for key, number in re.findall(r"\.([^.\[\]`]+)|\[(\d+)\]", location):
        kind = _inside(kind, key)
        value = value[key] if key else value[int(number)]
        name = _joined(name, key) if key else f"{name.rstrip('s')} {int(number) + 1}: "
    missing = re.match(r"Object missing required field `(\w+)`", message)
    if missing:
        key = missing.group(1)
        return (
            f"{where}: the key `{_joined(name, key)}` is missing.",
            f"It must be {_described(_inside(kind, key))}.",
        )
    return (
        f"{where}: {name.removesuffix(': ') or 'the file'} must be {_described(kind)}, got {_shown(value)}.",
        "Correct the value.",
    )


def _inside(kind: inspect.Type, key: str) -> inspect.Type:
    if isinstance(kind, inspect.UnionType):
        kind = next(
            (member for member in kind.types if isinstance(member, inspect.StructType)), kind.types[0]
        )
    if isinstance(kind, inspect.ListType):
        return kind.item_type
    if isinstance(kind, inspect.StructType):
        return next(field.type for field in kind.fields if field.encode_name == key)
    return kind


def _described(kind: inspect.Type) -> str:
    """The values allowed, in words."""
    if isinstance(kind, inspect.UnionType):
        return " or ".join(_described(one) for one in kind.types if not isinstance(one, inspect.NoneType))
    if isinstance(kind, inspect.LiteralType):
        return " or ".join(f'"{value}"' for value in kind.values)
    if isinstance(kind, inspect.FloatType | inspect.IntType):
        noun = "a number" if isinstance(kind, inspect.FloatType) else "a whole number"
        if kind.ge is not None and kind.le is not None:
            return f"{noun} from {kind.ge:g} to {kind.le:g}"
        return f"{noun} of {kind.ge:g} or more" if kind.ge is not None else noun
    if isinstance(kind, inspect.StrType):
        long = f" of 1 to {kind.max_length} characters" if kind.max_length else ""
        return f"text in quotes{long}"
    if isinstance(kind, inspect.ListType):
        return "a list of tables"
    return "a table"


def _shown(value: Any) -> str:
    """A value as the file would spell it, shortened where it is long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    try:
        text = f'"{value}"' if isinstance(value, str) else str(value)
    except ValueError:  # 0xfff... is read, and is too long for decimal digits
        text = "a whole number of thousands of digits"
    return _cut(text)


def _cut(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."

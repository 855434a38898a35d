"""JSON answers held to their schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema

import simulator

SCHEMAS = Path(simulator.__file__).parent / "schemas"


def valid(text: str, name: str) -> Any:
    """The parsed answer, which must hold to the schema of this name and to strict JSON (no NaN)."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    found = json.loads(text, parse_constant=refuse)
    rules = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(rules)
    jsonschema.Draft202012Validator(rules).validate(found)
    return found

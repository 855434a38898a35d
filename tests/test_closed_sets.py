"""A closed set of words is one type, and every table over it has all of its words."""

from __future__ import annotations

import ast
from collections import defaultdict
from typing import Any, get_args

import pytest
from support import source

from simulator.common.errors import ExitCode, SimulatorError
from simulator.common.listening import LISTENS, STATE_WORDS, STATES, Listen, Motion, State
from simulator.delivery.finding import LEVELS, Level, worst
from simulator.normalizer.codec_records import CODEC_NAMES
from simulator.normalizer.decision import LimitedBy
from simulator.normalizer.profile import Codec, Scope, Upward
from simulator.page.content import _SCOPES, _UPWARD
from simulator.session.acts.monitoring import LISTEN_WORDS
from simulator.text.desk.status_bar import SHORT_STATES, SIGNS
from simulator.text.findings import VERDICT
from simulator.text.players import LIMITED_WORDS


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (STATES, State),
        (STATE_WORDS, State),
        (SHORT_STATES, State),
        (LISTENS, Listen),
        (LISTEN_WORDS, Listen),
        (SIGNS, Motion),
        (LEVELS, Level),
        (VERDICT, Level),
        (LIMITED_WORDS, LimitedBy),
        (_SCOPES, Scope),
        (_UPWARD, Upward),
        (("none", *CODEC_NAMES), Codec),
    ],
)
def test_every_word_of_a_closed_set_stands_in_its_tables(table: Any, words: Any) -> None:
    assert set(table) == set(get_args(words))
    assert len(tuple(table)) == len(get_args(words))


def test_no_closed_set_is_written_down_twice() -> None:
    """Whatever the types are called: two with the same words are one set."""
    found = defaultdict(list)
    for module in source.modules():
        for node in source.nodes(module):
            if not isinstance(node, ast.Subscript) or ast.unparse(node.value) != "Literal":
                continue
            if isinstance(node.slice, ast.Tuple):
                words = [part.value for part in node.slice.elts if isinstance(part, ast.Constant)]
                if all(isinstance(word, str) for word in words):
                    found[frozenset(words)].append(f"{module}:{node.lineno}")
    assert len(found) > 15
    assert {tuple(sorted(words)): places for words, places in found.items() if len(places) > 1} == {}


def test_the_worst_of_nothing_is_fine() -> None:
    assert worst([]) == "fine"


def test_exit_codes_keep_the_numbers_that_scripts_know() -> None:
    assert {code.name: int(code) for code in ExitCode} == {
        "DONE": 0,
        "SOME_FAILED": 1,
        "WRONG_USE": 2,
        "NEEDS_FIXING": 3,
        "NOTHING_DONE": 4,
        "INTERRUPTED": 130,
    }


def test_every_error_ends_with_a_code_of_the_set() -> None:
    def below(kind: type[SimulatorError]) -> list[type[SimulatorError]]:
        return [kind, *(each for sub in kind.__subclasses__() for each in below(sub))]

    assert len(below(SimulatorError)) > 5
    for kind in below(SimulatorError):
        assert isinstance(kind.exit_code, ExitCode), kind

"""A desk that only notes what it is asked, for tests of the prompt and its plain twin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from simulator.text.desk.stage import Stage
from simulator.text.desk.status_bar import Bar

QUIET = Bar(1, "The song", "stopped", 0.0, 245.0, "made", "played", -7.1, -12.0)


@dataclass(frozen=True)
class Word:
    """A candidate for completion."""

    text: str
    replaces: int
    meaning: str = ""


@dataclass
class FakeDesk:
    """Notes lines and keys in `heard`; `quit` leaves, `ask` opens a question, the next line closes it."""

    say: Callable[[str], None] = lambda _: None
    heard: list[str] = field(default_factory=list)
    left: bool = False
    asks: bool = False
    in_trial: bool = False
    ticks: int = 0
    widths: list[int] = field(default_factory=list)
    fails_at_tick: int | None = None
    leaves_at_tick: int | None = None

    def enter(self, line: str) -> None:
        self.heard.append(line)
        self.asks = line == "ask"
        self.left = line == "quit"
        self.say(f"did {line}")

    def press(self, key: str) -> None:
        self.heard.append(f"<{key}>")

    def interrupt(self) -> None:
        self.heard.append("<stop>")

    def tick(self) -> None:
        self.ticks += 1
        if self.ticks == self.fails_at_tick:
            raise RuntimeError("the desk fell over")
        if self.ticks == self.leaves_at_tick:
            self.left = True

    def resize(self, width: int) -> None:
        self.widths.append(width)

    def bar(self) -> Bar:
        return replace(QUIET, place_s=self.ticks / 10)

    def stage(self, columns: int) -> Stage:  # noqa: ARG002
        return Stage(self.bar())

    def candidates(self, before: str) -> list[Word]:
        known = {"play": "plays", "pause": "", "profile": "the player"}
        return [Word(name, len(before), what) for name, what in known.items() if name.startswith(before)]

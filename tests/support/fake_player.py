"""A deck without sound or processes for tests of the desk: it notes its orders; time is given by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import UsageError
from simulator.deck.interface import DeckProgram, DeviceView, LaneKey, LaneView, Now


@dataclass
class FakeLanes:
    """Every lane is ready at once; `problems` says which are not."""

    wanted: list[tuple[LaneKey, bool]] = field(default_factory=list)
    problems: dict[str, str] = field(default_factory=dict)

    def want(self, key: LaneKey, *, urgent: bool = False) -> LaneView:
        self.wanted.append((key, urgent))
        return self.look(key)

    def hold(self, keys: Sequence[LaneKey]) -> str | None:
        self.wanted += [(key, True) for key in keys]
        return None

    def read(self, key: LaneKey, first: int, end: int) -> NDArray[np.float32]:  # noqa: ARG002
        return np.zeros((0, 2), np.float32)

    def look(self, key: LaneKey) -> LaneView:
        return LaneView(1, 1, True, self.problems.get(key.path))


@dataclass
class FakePlayer:
    """`orders` holds what was asked of it. `lengths` are the frames of each file's lane."""

    kind: str = "file"
    sample_rate: int = 48000
    lengths: dict[str, int] = field(default_factory=dict)
    state: Now = field(default_factory=Now)
    program: DeckProgram | None = None
    orders: list[tuple[object, ...]] = field(default_factory=list)
    lanes: FakeLanes = field(default_factory=FakeLanes)
    paused: bool = False
    device: str | None = None
    silent_because: str | None = None
    latency_s: float = 0.0
    found: list[DeviceView] = field(default_factory=list)
    level: float = 0.1

    def ready(self) -> None:
        """It is."""

    def sound(
        self,
        program: DeckProgram,
        segment: int = 0,
        frame: int = 0,
        ramp_s: float = 0.0,
        ramp_from: float = 0.0,  # noqa: ARG002
        since: int | None = None,
    ) -> None:
        self.orders.append(("sound", segment, frame, ramp_s, since))
        self.program = program
        played = 0 if since is None else self.state.clock - since
        self.state = replace(
            self.state, segment=segment, frame=frame + played, playing=not self.paused, ended=False
        )

    def pause(self) -> None:
        self.orders.append(("pause",))
        self.paused = True
        self.state = replace(self.state, playing=False)

    def resume(self) -> None:
        self.orders.append(("resume",))
        self.paused = False
        self.state = replace(self.state, playing=self.program is not None and not self.state.ended)

    def output(self, gain: float, listen: str = "stereo", ramp_s: float = 0.0) -> None:
        self.orders.append(("output", round(gain, 6), listen, ramp_s))

    def now(self) -> Now:
        return self.state

    def recent(self, seconds: float) -> NDArray[np.float32]:
        return np.full((int(seconds * self.sample_rate), 2), self.level, np.float32)

    def devices(self) -> list[DeviceView]:
        return self.found

    def choose(self, name: str | None) -> None:
        if name not in [None, *(one.name for one in self.found)]:
            raise UsageError(f"No output device “{name}”.", "All of them: devices")
        self.orders.append(("choose", name))
        self.device = name
        self.state = replace(self.state, alive=True, why=None)

    def pass_time(self, seconds: float) -> None:
        """Moves on through the program's segments (no silences between them)."""
        if not self.state.playing or self.program is None:
            return
        frames = round(seconds * self.sample_rate)
        now = replace(self.state, clock=self.state.clock + frames)
        segment, frame = now.segment, now.frame + frames
        while True:
            one = self.program.segments[segment]
            end = self.lengths[one.lane.path] if one.end_frame is None else one.end_frame
            if frame < end:
                break
            if self.program.repeat:
                frame = one.first_frame + frame - end
            elif segment + 1 < len(self.program.segments):
                segment += 1
                frame = self.program.segments[segment].first_frame + frame - end
            else:
                now = replace(now, ended=True, playing=False)
                frame = end
                break
        self.state = replace(now, segment=segment, frame=frame)

    def lose(self, why: str) -> None:
        self.state = replace(self.state, alive=False, why=why)

    def close(self) -> None:
        self.orders.append(("close",))

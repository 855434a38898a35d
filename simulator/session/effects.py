"""Effects: values that a step gives back, carried out by the desk in their order."""

from __future__ import annotations

from dataclasses import dataclass

from simulator.common.listening import Listen
from simulator.session.levels import Program, Source, Span
from simulator.session.log import Act


@dataclass(frozen=True, slots=True)
class Sound:
    """Play this program from here instead of what sounds. `follow`: the place is that of the last tick,
    and what has been played since is added, so that a switch stays at the same moment. `ramp_s` 0 is the
    plain switch (5 ms out, 5 ms in); else it rises over that time, from `ramp_from_db` against its own level
    (None: from silence)."""

    program: Program
    segment: int
    place_s: float
    follow: bool = False
    ramp_s: float = 0.0
    ramp_from_db: float | None = None


@dataclass(frozen=True, slots=True)
class Pause:
    """Silence; the place stays."""


@dataclass(frozen=True, slots=True)
class Resume:
    """On from where the pause began."""


@dataclass(frozen=True, slots=True)
class Output:
    """What happens to everything before it leaves, reached over `ramp_s` (0: the short fade)."""

    trim_db: float
    dim: bool
    mute: bool
    listen: Listen
    ramp_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Say:
    """A sentence or two for the people at the desk, not yet wrapped."""

    text: str


@dataclass(frozen=True, slots=True)
class Show:
    """A whole screen, drawn from the session by `text/desk_screens`: opening, list, explain, marks,
    help, keys."""

    screen: str
    argument: str = ""


@dataclass(frozen=True, slots=True)
class Keep:
    """Append this act to the record."""

    act: Act


@dataclass(frozen=True, slots=True)
class Merge:
    """Take in what other session files of this list hold; answered by `Merged`."""


@dataclass(frozen=True, slots=True)
class ChooseDevice:
    """Play through the device of this name; None is the system's own choice."""

    name: str | None


@dataclass(frozen=True, slots=True)
class ListDevices:
    """Look for devices anew and show them."""


@dataclass(frozen=True, slots=True)
class Predict:
    """Work out what this player does to every track; answered by `Predicted`."""

    profile: str


@dataclass(frozen=True, slots=True)
class Replace:
    """Measure this file as the new revision of a track; answered by `Replaced`."""

    track: int
    path: str


@dataclass(frozen=True, slots=True)
class FindMoments:
    """Find where the versions of these pairs of tracks (the open one first) are likely to be heard to
    differ, while all goes on; answered by `MomentsFound`."""

    pairs: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Prepare:
    """Have all of these ready to sound, whole, finish what is worked out, and measure a passage of each;
    answered by `Prepared`."""

    sources: tuple[Source, ...]
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class RememberTrim:
    """Keep the monitor trim for the next session."""

    trim_db: float


@dataclass(frozen=True, slots=True)
class Wait:
    """Let it play for that long before the next line of a script; None: until the program has ended."""

    seconds: float | None


@dataclass(frozen=True, slots=True)
class Leave:
    """The session is over."""


Effect = (
    Sound | Pause | Resume | Output | Say | Show | Keep | Merge | ChooseDevice | ListDevices | Predict
    | Replace | FindMoments | Prepare | RememberTrim | Wait | Leave
)  # fmt: skip

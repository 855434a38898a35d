"""Events of a session, passed in by the desk, and effects that a step gives back, carried out in their order.

`at` is a time stamp in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simulator.audibility.audibility import Audibility
from simulator.common.listening import Listen
from simulator.session.excerpts import Mark
from simulator.session.levels import Source, Span
from simulator.session.log import Act
from simulator.session.plans import Program
from simulator.session.track import PlayedView, TrackView


@dataclass(frozen=True, slots=True)
class Typed:
    """A line from the prompt, or the answer to an open question."""

    line: str
    at: str = ""
    chance: int = 0
    """Drawn by the desk with every line: the seed, if the line begins a trial."""


@dataclass(frozen=True, slots=True)
class Pressed:
    """A key on an empty line: the line that it stands for; in a trial, the line that offers an answer."""

    key: str
    at: str = ""


TICK_SECONDS = 0.1
"""How often the desk tells the session where the deck is."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Where the deck is: the segment of the last program, and the place in its track."""

    segment: int
    place_s: float
    ended: bool = False
    dropouts: int = 0


@dataclass(frozen=True, slots=True)
class DeviceLost:
    """The device went away, hangs, or was refused; the deck keeps the place."""

    why: str
    at: str = ""


@dataclass(frozen=True, slots=True)
class DeviceFound:
    """Sound goes on through this device."""

    name: str
    at: str = ""


@dataclass(frozen=True, slots=True)
class Predicted:
    """A player was worked out, by track; a track that is missing could not be read."""

    profile: str
    views: Mapping[int, PlayedView]


@dataclass(frozen=True, slots=True)
class Replaced:
    """A new revision of a track was measured; or it could not be (`problem`)."""

    track: int
    view: TrackView | None
    problem: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True)
class Revised:
    """A newer revision of a track is there, called `name`, and was measured; or it cannot be read
    (`problem`). `louder_lu`: its integrated loudness against the one that plays. `shift_s`: by how much later
    a moment is in it, and `timing` says it; None where that is not known."""

    track: int
    path: str
    name: str
    louder_lu: float | None = None
    shift_s: float | None = None
    timing: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Merged:
    """What was taken in from other session files, by their names; the marks that there are now, and how many
    notes the file holds."""

    acts: Mapping[str, tuple[Act, ...]]
    marks: tuple[Mark, ...]
    notes: int


@dataclass(frozen=True, slots=True)
class Aligned:
    """The versions of songs were time-aligned: offsets by track, and remarks as sentences."""

    offsets_s: Mapping[int, float]
    text: str = ""


@dataclass(frozen=True, slots=True)
class MomentsFound:
    """The answer to `FindMoments`, by pair of tracks; a text where there is none. `contents` are the files
    (path, content) that it is true of."""

    found: Mapping[tuple[int, int], Audibility | str]
    contents: Mapping[int, tuple[str, str]]
    at: str = ""


@dataclass(frozen=True, slots=True)
class Prepared:
    """What `Prepare` asked for is there, whole; or it cannot be (`problem`). `levels_lufs`: how loud each
    passage is in its lane, before the source's gain; empty where that was not measured."""

    problem: str = ""
    at: str = ""
    levels_lufs: tuple[float, ...] = ()


Event = (
    Typed
    | Pressed
    | Tick
    | DeviceLost
    | DeviceFound
    | Predicted
    | Replaced
    | Revised
    | Merged
    | Aligned
    | MomentsFound
    | Prepared
)


@dataclass(frozen=True, slots=True)
class Sound:
    """Play this program from here instead of the current one. `follow`: the place is that of the last tick,
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
    """Look for devices again and list them."""


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

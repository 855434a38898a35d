"""Values and interface of all decks: what one is asked to play, and what it reports.

Conventions: frames are at the deck's own sample rate, in the lane's own time (0 is the file's first frame);
gains are linear; a lane is one track as the chain puts it out, resampled, in two channels (mono goes to both
loudspeakers; surround is folded down after ITU-R BS.775-3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from simulator.common.listening import Listen
from simulator.normalizer.chain import ChainSettings
from simulator.storage.small_files import Stamp

if TYPE_CHECKING:
    from simulator.deck.callback import Hold, Leaving, Order
    from simulator.deck.lanes import LaneBook
    from simulator.deck.orders import Orders

Kind = Literal["device", "silent", "file"]


@dataclass(frozen=True, slots=True)
class OutputChoice:
    """What is asked of the output: the device by name (None: the system's own), its rate in Hz (None: its
    own), its channels for left and right, from 0 (None: the first two), and whether no other program may use
    it meanwhile."""

    device: str | None = None
    sample_rate: int | None = None
    pair: tuple[int, int] | None = None
    exclusive: bool = False


@dataclass(frozen=True, slots=True)
class LaneKey:
    """Which samples: a file as it is (`chain` None), or as this chain puts it out, gain and all. A player
    that only changes the gain needs no lane of its own: the file's, and the gain as a number. With `stamp`
    and `content` (the hash of its samples) it is the file as it was measured, whatever lies there now."""

    path: str
    chain: ChainSettings | None = None
    stamp: Stamp | None = None
    content: str = ""


@dataclass(frozen=True, slots=True)
class DeckSegment:
    """A stretch of a lane, [first_frame, end_frame), then silence. An `end_frame` of None, or one that lies
    past the lane's end, is the lane's end. Without fades two neighbours join sample by sample."""

    lane: LaneKey
    first_frame: int
    end_frame: int | None
    gain: float = 1.0
    fade_in: bool = False
    fade_out: bool = False
    silence_frames: int = 0


@dataclass(frozen=True, slots=True)
class DeckProgram:
    """Segments back to back, once or for ever."""

    segments: tuple[DeckSegment, ...]
    repeat: bool = False


@dataclass(frozen=True, slots=True)
class Now:
    """Where the deck is. `frame` is the next one of `segment` that goes to the device; `clock` counts the
    frames that the program has moved on since the deck was opened, pauses left out. `waiting`: it plays, but
    the lane is not made that far yet, so there is silence. `dropouts` counts gaps in what sounded: blocks
    that came too late, lanes that ran dry, streams that were lost. `alive` is False while there is no
    stream, and `why` says what happened, in a sentence; the place is kept."""

    segment: int = 0
    frame: int = 0
    playing: bool = False
    ended: bool = False
    waiting: bool = False
    dropouts: int = 0
    alive: bool = True
    why: str | None = None
    clock: int = 0


@dataclass(frozen=True, slots=True)
class LaneView:
    """How far a lane is made: `ready_frames` of `frames`, which is an estimate until `finished`. `problem`
    says why it cannot be made."""

    ready_frames: int = 0
    frames: int = 0
    finished: bool = False
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class DeviceView:
    """An output device by its name; `default` is what the system would take, `chosen` what plays now."""

    name: str
    channels: int
    sample_rate: int
    default: bool = False
    chosen: bool = False


class Deck(Protocol):
    """What every deck can do, whatever its sink. No method waits for sound; all belong to one thread."""

    def ready(self) -> None:
        """Waits until it runs. Opening a device takes a moment, which a session can use for other things;
        every other method waits too. Raises UsageError for a device that is not there."""

    @property
    def kind(self) -> Kind: ...
    @property
    def sample_rate(self) -> int:
        """In Hz; one for the whole session."""
        return self._orders.sample_rate

    @property
    def latency_s(self) -> float:
        """Between a frame of `now` and its sound, by the device's own word; 0 where nothing sounds."""

    @property
    def device(self) -> str | None:
        """The name of the device that plays."""

    @property
    def silent_because(self) -> str | None:
        """For a silent clock: why nothing sounds, and how to get sound."""

    @property
    def lanes(self) -> LaneBook:
        """The tracks as they are made ready to play."""
        return self._orders.book

    def sound(
        self,
        program: DeckProgram,
        segment: int = 0,
        frame: int = 0,
        ramp_s: float = 0.0,
        ramp_from: float = 0.0,
        since: int | None = None,
    ) -> None:
        """Plays the program from `frame` of `segment` on, in place of what sounds: 5 ms out, 5 ms in, or up
        over `ramp_s` from the gain `ramp_from` (0: silence). With `since`, a `Now.clock`, the frame is where
        the program stood at that clock: the deck adds what has been played since then, so that a switch stays
        at the same moment of the song to the sample. While paused it stays paused, at that place."""
        self._send(self._orders.program(program, segment, frame, ramp_s, ramp_from, since))

    def pause(self) -> None:
        """5 ms out, and then silence; the place stays."""
        self._send(self._orders.hold(True))

    def resume(self) -> None:
        """5 ms in, from where the pause began to be silent."""
        self._send(self._orders.hold(False))

    def output(self, gain: float, listen: Listen = "stereo", ramp_s: float = 0.0) -> None:
        """What happens to everything before it leaves: the monitor's gain (trim, dim, mute), reached over
        `ramp_s` (at least 5 ms), and what the loudspeakers get."""
        self._send(self._orders.output(gain, listen, ramp_s))

    def now(self) -> Now:
        """Where it is. Also keeps the deck going (lost devices, coming lanes): call it ten times a second."""

    def recent(self, seconds: float) -> NDArray[np.float32]:
        """The last frames (frames, 2) that left the program; at most 4 s of them."""
        return self._orders.cells.recent(round(seconds * self.sample_rate))

    def devices(self) -> Sequence[DeviceView]:
        """The devices that are there now, looked for anew (takes about half a second)."""

    def choose(self, name: str | None) -> None:
        """Goes on with the device of this name (or of which it is a part), None for the system's own; at the
        same place, in over 2 s. Raises UsageError where none or several fit."""

    def pass_time(self, seconds: float) -> None:
        """For a file: plays that much into it (as if the user waited). Elsewhere time passes by itself."""

    def close(self) -> None:
        """5 ms out, all processes ended, all lanes removed."""

    @property
    def _orders(self) -> Orders:
        """What is asked of the callback; waits until there is one."""

    def _send(self, order: Order | Leaving | Hold) -> None:
        """Passes it on to the callback."""

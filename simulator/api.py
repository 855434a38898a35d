"""The Python interface: `from simulator import measure, predict, compare, ladder, check`.

Audio is a path, or a tuple (samples, sample_rate) with samples float (frames,) or (frames, channels). Players
are ids of bundled profiles or paths to .toml files. What comes back are the program's own frozen values; a
notebook shows them as a table, and `.figure()` draws them. All work is done in the calling thread: no worker
is started, so notebooks, threads and scripts without a main guard are safe. What a command keeps in its cache
is used and kept here too.

    >>> from simulator import measure, predict
    >>> measure("master.wav").integrated_lufs          # doctest: +SKIP
    -9.31
    >>> predict("master.wav", player="minus14-headroom")[0].decision.gain_db   # doctest: +SKIP
    -4.69
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import threadpoolctl
from numpy.typing import NDArray

from simulator.common.errors import NothingDoneError, SimulatorError
from simulator.common.text import level, signed
from simulator.comparison.versions import Comparison
from simulator.delivery.finding import Decided, worst
from simulator.dsp.ceiling import PeakKind
from simulator.dsp.mastering_limiter import Style
from simulator.engine import check as checking
from simulator.engine import ladder as climbing
from simulator.engine.check import Checked
from simulator.engine.compare import VersionPair, compare_pair
from simulator.engine.predict import MeasuredTrack, measure_tracks
from simulator.engine.predict import predict as predict_all
from simulator.engine.workers import in_this_process
from simulator.metering import figures
from simulator.metering.figures import View
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Playlist, Track, one_album, title_from_path
from simulator.rungs.advice import DEFAULT_DESTINATIONS, Destination, default_levels, enough
from simulator.rungs.rung import Ladder, Rung
from simulator.storage.bundled import load_profiles
from simulator.storage.folders import cache_folder
from simulator.storage.measurement_cache import Store
from simulator.storage.writing import drawn
from simulator.text import findings
from simulator.text import ladder as ladder_text
from simulator.text.charts.comparison import Drawing, Drawn, comparison_figure
from simulator.text.charts.ladder import ladder_figure
from simulator.text.charts.measured import levels_figure, loudness_figure
from simulator.text.charts.style import STYLE
from simulator.text.comparison.answer import answer_sentences
from simulator.text.comparison.delivered import Names
from simulator.text.comparison.table import GAIN, figure_rows
from simulator.text.players import limited_words
from simulator.text.short_names import short_names

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Audio = str | os.PathLike[str] | tuple[NDArray[np.floating], int]
PLAYER = "minus14-headroom"
NAMES = Names("loud", "open")
Base = TypeVar("Base")


@dataclass(frozen=True, slots=True)
class MeasuredAudio(Measurement):
    """A measurement under a name."""

    name: str = ""

    def _repr_html_(self) -> str:
        rows = [(one.label, one.text(self), one.unit) for one in figures.rows(View.MEASURE)]
        return _table(self.name, ("", "", ""), rows)

    def figure(self) -> Figure:
        """Short-term loudness and true peak over time."""
        return drawn(lambda: loudness_figure(self.name, self), STYLE)


class PlayedTracks(tuple[Prediction, ...]):
    """Predictions in the order of the tracks, with the tracks' names and the player."""

    names: tuple[str, ...]
    profile: Profile

    def _repr_html_(self) -> str:
        heads = (self.profile.title, "gain dB", "played LUFS", "loudest 3 s LUFS", "peak dBTP", "limited by")
        rows = [
            (
                name,
                signed(one.decision.gain_db),
                level(one.played.integrated_lufs),
                level(one.played.max_short_term_lufs),
                level(one.played.true_peak_dbtp),
                limited_words(one),
            )
            for name, one in zip(self.names, self, strict=True)
        ]
        return _table("", heads, rows)

    def figure(self) -> Figure:
        """Each track as played, from its loudness to its true peak, against the player's target."""
        played = [(name, one.played) for name, one in zip(self.names, self, strict=True)]
        title = f"As played: {self.profile.title}"
        return drawn(lambda: levels_figure(title, played, self.profile.target_lufs, None), STYLE)


@dataclass(frozen=True, slots=True)
class ComparedVersions(Comparison):
    """A comparison with the short names of the two versions."""

    names: Names = NAMES

    def _repr_html_(self) -> str:
        first, second = self.names.loud, self.names.open
        sides = [("delivered", self.delivered), *((one.profile.id, one.side) for one in self.played)]
        heads = [
            "",
            "",
            *(f"{state}: {part}" for state, _ in sides for part in (first, second, "difference")),
        ]
        columns = [one for _, side in sides for one in (side.loud, side.open)]
        rows = []
        for row in figure_rows(columns):
            cells = [
                (row.cell(at), row.cell(at + 1), "" if row.label == GAIN else row.gap(at, at + 1))
                for at in range(0, len(columns), 2)
            ]
            rows.append((row.label, row.unit, *(cell for three in cells for cell in three)))
        return _table(self.answer, heads, rows)

    @property
    def answer(self) -> str:
        """What the loud version gains and what is left of that as played, in sentences."""
        return " ".join(said.text for said in answer_sentences(self, self.names))

    def figure(self, player: int = 0) -> Figure:
        """Both over time, as delivered and on one of the players (by its place), and their headroom."""
        one = self.played[player]
        only = replace(self, played=(one,))
        aligned = self.alignment if self.passages.shared else None
        heard = [
            Drawn(name, place, found.delivered, found.prediction.played, delivered, played)
            for name, place, found, delivered, played in (
                (self.names.open, None, one.open, self.delivered.open, one.side.open),
                (self.names.loud, aligned, one.loud, self.delivered.loud, one.side.loud),
            )
        ]
        drawing = Drawing(only.answer, one.profile.title, heard, self.passages)
        return drawn(lambda: comparison_figure(drawing), STYLE)


@dataclass(frozen=True, slots=True)
class NamedLadder(Ladder):
    """A ladder with its mix's name and the destinations that it was climbed for."""

    name: str = ""
    destinations: tuple[Destination, ...] = ()

    def _repr_html_(self) -> str:
        marked = [enough(self.rungs, destination.profile) for destination in self.destinations]
        heads = ("LUFS", "PLR dB", "reduction dB", *(f"{one.name} LUFS" for one in self.destinations))
        rows = [
            (
                level(rung.measurement.integrated_lufs),
                level(rung.measurement.peak_to_loudness_db),
                level(rung.action.mean_reduction_db),
                *(
                    level(rung.played[one.profile.id].played.integrated_lufs)
                    + (" (enough)" if at == place else "")
                    for one, at in zip(self.destinations, marked, strict=True)
                ),
            )
            for place, rung in enumerate(self.rungs)
        ]
        return _table(self.answer, heads, rows)

    @property
    def answer(self) -> str:
        """Which rung is enough where, in sentences."""
        return " ".join(ladder_text.answer(self.rungs, self.destinations))

    def figure(self) -> Figure:
        """Gain as played against its cost in PLR, a curve for each destination."""
        return drawn(lambda: ladder_figure(self.rungs, self.destinations, self.name), STYLE)


class CheckedMasters(tuple[Checked, ...]):
    """Masters as checked, in their order, with what they were held against."""

    decided: Decided

    def _repr_html_(self) -> str:
        rows = []
        for one in self:
            found = one.measurement
            rows.append(
                (
                    one.track.title,
                    findings.readiness(one.findings),
                    level(None if found is None else found.integrated_lufs),
                    level(None if found is None else found.true_peak_dbtp),
                    findings.move_cell(one.move),
                    ", ".join(findings.headline(left) for left in one.remaining),
                )
            )
        return _table("", ("Master", "", "LUFS", "dBTP", "gain change", "what remains"), rows)

    @property
    def ready(self) -> bool:
        """True where no master has anything to fix."""
        return all(worst(list(one.findings)) != "fix" for one in self)

    def figure(self) -> Figure:
        """Each master from its loudness to its true peak, against target and ceiling."""
        levels = [(one.track.title, one.measurement) for one in self if one.measurement is not None]
        limits = self.decided.target_lufs, self.decided.ceiling_dbtp
        return drawn(lambda: levels_figure("As delivered", levels, *limits), STYLE)


def measure(audio: Audio) -> MeasuredAudio:
    """Loudness (LUFS), peaks (dBTP, dBFS) and dynamics of one recording, by ITU-R BS.1770-5, EBU Tech 3341
    and Tech 3342. Raises AudioError for a file that cannot be read."""
    with _opened(audio) as (playlist, store):
        [(track, found)] = _measured(measure_tracks(playlist, store, 0))
        return _made(MeasuredAudio, found, name=track.title)


def predict(*audio: Audio, player: str = PLAYER) -> PlayedTracks:
    """What a player makes of each track, in order: gain (dB), reason, and the figures as played. Where the
    player sets one gain for an album, the tracks are one. Raises AudioError, ProfileError."""
    with _opened(*audio) as (playlist, store):
        [profile] = load_profiles([player])
        played_tracks = PlayedTracks(_predicted([profile], measure_tracks(playlist, store, 0), store)[0])
        played_tracks.names, played_tracks.profile = tuple(track.title for track in playlist.tracks), profile
        return played_tracks


def compare(loud: Audio, open_: Audio, *, players: Sequence[str] = (PLAYER,)) -> ComparedVersions:
    """Two versions of one song: alignment, difference, and both as delivered and on each player. Differences
    ("gap") are loud minus open. Raises AudioError, ProfileError, and UsageError for two different songs."""
    with _opened(loud, open_) as (playlist, store):
        profiles = load_profiles(players)
        versions = tuple(replace(track, song="compared", album=None) for track in playlist.tracks)
        delivered = measure_tracks(replace(playlist, tracks=versions), store, 0)
        (first, one), (second, other) = _measured(delivered)
        rows = [(row[0], row[1]) for row in _predicted(profiles, delivered, store)]
        comparison = compare_pair(VersionPair((first, second), (one, other), profiles, rows), store)
        names = short_names([first.title, second.title])
        return _made(ComparedVersions, comparison, names=Names(names[0], names[1]))


def ladder(
    mix: Audio,
    *,
    loudness_lufs: Sequence[float] = (),
    ceiling_dbtp: float = -1.0,
    players: Sequence[str] = DEFAULT_DESTINATIONS,
    detect: PeakKind = "true",
    style: Style = "limit",
    out: str | os.PathLike[str] | None = None,
) -> NamedLadder:
    """What each loudness target costs a mix and gains on each player. Without `loudness_lufs` five rungs
    around the mix. With `out` the rungs are written into that folder, and nothing there is overwritten.
    Raises AudioError, ProfileError, WriteError, and NothingDoneError for a mix without loudness."""
    with _opened(mix) as (playlist, store):
        profiles = tuple(load_profiles(players))
        [(track, measured)] = _measured(measure_tracks(playlist, store, 0))
        if measured.integrated_lufs is None:
            raise NothingDoneError(f"{track.path}: no measurable loudness.", "Choose another mix.")
        wanted = tuple(sorted(loudness_lufs)) or default_levels(measured, ceiling_dbtp)
        folder = None if out is None else Path(out)
        request = climbing.LadderRequest(
            track.path, measured, wanted, ceiling_dbtp, (detect,), style, profiles, folder
        )
        rungs = []
        for one in climbing.build(request):
            if not isinstance(one, Rung):
                raise one
            rungs.append(one)
        destinations = tuple(Destination(profile) for profile in profiles)
        return NamedLadder(track.path, ceiling_dbtp, detect, style, tuple(rungs), track.title, destinations)


def check(
    *audio: Audio,
    target_lufs: float | None = None,
    ceiling_dbtp: float | None = None,
    players: Sequence[str] = (),
    album: bool = False,
) -> CheckedMasters:
    """Whether masters can go out: for each its findings, the one gain change that is enough (`move`), and
    what remains. With `album` they are one album in this order. Raises AudioError, ProfileError."""
    with _opened(*audio) as (playlist, store):
        profiles = load_profiles(players) if players else []
        decided = Decided(target_lufs, ceiling_dbtp)
        each = [decided] * len(playlist.tracks)
        done = checking.check(playlist, profiles, each, store, 0, as_album=album)
        for one in done:
            if one.problem is not None:
                raise one.problem
        checked_masters = CheckedMasters(done)
        checked_masters.decided = decided
        return checked_masters


def _made(kind: Callable[..., Base], found: Any, **more: object) -> Base:
    """The value as one of a kind that has further fields."""
    return kind(**{one.name: getattr(found, one.name) for one in fields(found)}, **more)


def _table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A small HTML table; every text in it is escaped."""
    lines = ["<table>"]
    if caption:
        lines.append(f'<caption style="text-align: left">{escape(caption)}</caption>')
    if any(heads):
        lines.append(f"<thead><tr>{''.join(f'<th>{escape(head)}</th>' for head in heads)}</tr></thead>")
    lines.append("<tbody>")
    lines += [f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows]
    return "\n".join([*lines, "</tbody>", "</table>"])


@contextlib.contextmanager
def _opened(*audio: Audio) -> Iterator[tuple[Playlist, Store]]:
    """The recordings as a playlist, arrays as 32-bit float files for the time of the block; and the cache."""
    import soundfile

    with contextlib.ExitStack() as held:
        held.enter_context(in_this_process())
        held.enter_context(threadpoolctl.threadpool_limits(1, user_api="blas"))
        folder: Path | None = None
        paths = []
        for number, one in enumerate(audio, 1):
            if isinstance(one, tuple):
                if folder is None:
                    folder = Path(held.enter_context(tempfile.TemporaryDirectory(prefix="fairhearing-")))
                path = folder / f"samples-{number}.wav"
                soundfile.write(path, np.asarray(one[0], np.float32), one[1], subtype="FLOAT")
                paths.append(os.fspath(path))
            else:
                paths.append(os.path.abspath(one))
        store = Store(cache_folder(), lambda _: None)
        held.callback(store.close)
        tracks = tuple(Track(path=path, title=title_from_path(path)) for path in paths)
        yield one_album("", "call", tracks, ""), store


def _measured(delivered: list[MeasuredTrack]) -> list[tuple[Track, Measurement]]:
    found = []
    for one in delivered:
        if one.measurement is None:
            raise one.problem or SimulatorError(f"{one.track.path}: could not be measured.")
        found.append((one.track, one.measurement))
    return found


def _predicted(
    profiles: list[Profile], delivered: list[MeasuredTrack], store: Store
) -> list[tuple[Prediction, ...]]:
    _measured(delivered)
    rows = []
    for row in predict_all(profiles, delivered, "", store, 0):
        for one, track in zip(row, delivered, strict=True):
            if not isinstance(one, Prediction):
                raise one or SimulatorError(f"{track.track.path}: could not be played.")
        rows.append(tuple(one for one in row if isinstance(one, Prediction)))
    return rows

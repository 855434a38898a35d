"""How `predict --album` shows an album: its songs one after the other, as delivered and as played."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulator.cli.options import say_problems
from simulator.cli.output import Amount, Readout
from simulator.cli.steps.predict import show_reasons
from simulator.common.errors import UsageError
from simulator.common.text import level, printed_gap, signed, typed_minus
from simulator.common.units import TIE_LU
from simulator.delivery.album import Relation, gaps_s, trims_db
from simulator.metering import gating
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import BARE_FILES, Playlist, Track
from simulator.storage.writing import refuse_sources, save_picture
from simulator.text.short_names import short_names
from simulator.text.tables import grid, shortened

if TYPE_CHECKING:
    from simulator.cli.steps.prepare import PreparedPlaylist

MOST_PLAYERS = 2
"""Columns of players that 80 characters hold."""
LARGEST_OFFSET_LU = 30.0
LONGEST_SONG, SHORTEST_SONG = 30, 8
NARROW = 60
"""Columns of a terminal from which on all figures of the songs fit."""
RELATIONS = "equal, loudest, as-is, or an offset in LU for each song (0,-3,0)"


def as_one_album(playlist: Playlist) -> Playlist:
    """The masters as one album in their order: no references, and the first version of each song."""
    songs: set[str] = set()
    tracks: list[Track] = []
    for track in playlist.tracks:
        if track.role == "reference" or (track.song is not None and track.song in songs):
            continue
        songs.update({track.song} if track.song is not None else ())
        tracks.append(replace(track, album=playlist.title, song=None))
    reason = "The masters count as one album, in this order."
    return replace(playlist, tracks=tuple(tracks), album_reason=reason)


def parse_relation(text: str | None) -> Relation | None:
    """What --relation asks for; None for no trims. Raises UsageError."""
    word = (text or "as-is").strip().casefold()
    if word in ("as-is", "equal", "loudest"):
        return None if word == "as-is" else Relation(by_loudest=word == "loudest")
    try:
        offsets = tuple(float(typed_minus(part)) for part in word.split(","))
    except ValueError:
        raise UsageError(f"--relation {text}: not a relation.", f"Use {RELATIONS}.") from None
    if not all(abs(offset) <= LARGEST_OFFSET_LU for offset in offsets):
        raise UsageError(
            f"--relation {text}: offsets go up to {LARGEST_OFFSET_LU:g} LU.", f"Use {RELATIONS}."
        )
    return Relation(offsets_lu=offsets)


class Album:
    """The readable songs of a prepared album, with what is shown of them."""

    def __init__(self, ready: PreparedPlaylist, relation: Relation | None) -> None:
        """Raises UsageError where the relation or the number of players does not fit."""
        if len(ready.profiles) > MOST_PLAYERS:
            raise UsageError(
                f"--album shows at most {MOST_PLAYERS} players, got {len(ready.profiles)}.", "Choose fewer."
            )
        if len(ready.tracks) < 2:
            raise UsageError(
                "--album needs two or more songs, got one.", "Give the album's masters, in order."
            )
        measured = {place: one.measurement for place, one in enumerate(ready.tracks) if one.measurement}
        self.ready = ready
        title = ready.playlist.title
        self.title = "The album" if title == BARE_FILES else title
        self.profiles = ready.profiles
        self.songs: list[Measurement] = list(measured.values())
        self.places = list(measured)
        self.names = short_names([ready.tracks[place].track.title for place in self.places], LONGEST_SONG)
        self.played: list[list[Prediction | None]] = [
            [one if isinstance(one := row[place], Prediction) else None for place in self.places]
            for row in ready.predictions
        ]
        if relation is not None and len(relation.offsets_lu) not in (0, len(self.songs)):
            raise UsageError(
                f"--relation needs {len(self.songs)} offsets, one for each song, "
                f"got {len(relation.offsets_lu)}.",
                "Give them in the album's order, with commas between them.",
            )
        self.relation = relation
        self.gaps = gaps_s(self.songs)
        self.trims = None if relation is None else trims_db(self.songs, relation)
        self.programme_lufs = gating.album_loudness_lufs(song.series.energy for song in self.songs)

    def answer(self, players: int) -> str:
        """The album as delivered, and what the first `players` do to its relations."""
        said = [f"{self.title} measures {level(self.programme_lufs)} LUFS as a programme."]
        said += [self._span("As delivered", [song.integrated_lufs for song in self.songs])]
        for profile, row in list(zip(self.profiles, self.played, strict=True))[:players]:
            gains = {signed(one.decision.gain_db) for one in row if one is not None}
            if len(gains) == 1:
                said.append(f"{profile.id} {_turned(gains.pop())}, so the songs keep their relations.")
            elif gains:
                said.append(self._span(f"On {profile.id}", list(map(_played_lufs, row))))
        return " ".join(one for one in said if one)

    def _span(self, where: str, levels: Sequence[float | None]) -> str:
        known = [(value, name) for value, name in zip(levels, self.names, strict=True) if value is not None]
        if len(known) < 2:
            return ""
        (high, loud), (low, quiet) = max(known), min(known)
        gap = printed_gap(high, low)
        if gap is None or gap <= TIE_LU:
            return f"{where} all songs are equally loud."
        return f"{where} {loud} is {level(gap)} LU louder than {quiet}."

    def show(self, amount: Amount, *, reasons: bool) -> None:
        """The whole screen."""
        out = Readout(amount)
        say_problems(self.ready.problems)
        out.answer(self.answer(len(self.profiles)))
        if out.quiet:
            return
        figures: list[tuple[str, list[str]]] = [
            ("LUFS", [level(song.integrated_lufs) for song in self.songs]),
            ("loudest\n3 s", [level(song.max_short_term_lufs) for song in self.songs]),
            ("quietest\n3 s", [level(song.quietest_passage_lufs) for song in self.songs]),
            ("gap\ns", [level(gap) for gap in self.gaps]),
            *(
                (profile.id.replace("-", "-\n"), [level(_played_lufs(one)) for one in row])
                for profile, row in zip(self.profiles, self.played, strict=True)
            ),
        ]
        if out.width < NARROW:
            figures = [figures[0], figures[4]]
        if self.trims is not None:
            figures.append(("trim\ndB", [signed(trim) for trim in self.trims]))
        used = sum(max(6, *(len(part) for part in head.split("\n"))) + 2 for head, _ in figures) + 6
        names = [shortened(name, max(SHORTEST_SONG, out.width - used)) for name in self.names]
        table = grid(["", "song", *(head for head, _ in figures)], [True, False, *[True] * len(figures)])
        for at, name in enumerate(names):
            table.add_row(str(at + 1), name, *(cells[at] for _, cells in figures))
        out.table(table)
        if self.relation is not None:
            out.paragraph(self._trim_words(self.relation))
        if out.detail:
            out.paragraph("Gap: below −80 dBFS from the end of a song to the sound of the next.")
        if out.detail or reasons:
            show_reasons(out, self.ready)

    def _trim_words(self, relation: Relation) -> str:
        songs = zip(self.songs, self.trims or [], strict=True)
        after = [
            (song.max_short_term_lufs if relation.by_loudest else song.integrated_lufs or 0.0, trim)
            for song, trim in songs
            if trim is not None
        ]
        if relation.offsets_lu:
            to = "the songs to these offsets"
        else:
            what = "every loudest passage" if relation.by_loudest else "every song"
            to = f"{what} to {level(next(((lufs or 0.0) + trim for lufs, trim in after), None))} LUFS"
        return (
            f"The trims bring {to}. No raised song then peaks above −1 dBTP, and none is louder than the "
            "loudest is now. This is advice; nothing is written."
        )

    def draw(self, paths: Sequence[Path], force: bool) -> None:
        """Writes the picture of the album over time, as the first player plays it."""
        from simulator.text.charts.album import AlbumSong, album_figure
        from simulator.text.charts.style import STYLE

        played = self.played[0]
        songs = [
            AlbumSong(name, song, None if one is None else one.played)
            for name, song, one in zip(self.names, self.songs, played, strict=True)
        ]
        target = next((one.decision.target_lufs for one in played if one is not None), None)
        refuse_sources(paths, [track.track.path for track in self.ready.tracks])
        answer, player = self.answer(1), self.profiles[0].title
        for path in paths:
            save_picture(path, lambda: album_figure(songs, answer, player, target), STYLE, force)

    def columns(self, row: int) -> dict[str, Any]:
        """What JSON and CSV hold of a track besides its prediction."""
        if row not in self.places:
            return {"gap_s": None, "trim_db": None}
        at = self.places.index(row)
        return {"gap_s": self.gaps[at], "trim_db": None if self.trims is None else self.trims[at]}


def _played_lufs(prediction: Prediction | None) -> float | None:
    return None if prediction is None else prediction.played.integrated_lufs


def _turned(gain: str) -> str:
    """What one gain does to the album."""
    if gain == "0.0":
        return "leaves the whole album unchanged"
    verb = "raises the whole album" if gain[0] == "+" else "turns the whole album down"
    return f"{verb} {gain[1:]} dB"

"""Background work of the session: other players, new revisions, decodes and alignments.

It runs in a thread that is not the prompt's, one job after the other, with a cache connection of its own;
only `decode` may be called from the prompt's thread. An alignment has a process of its own, so that the
prompt never waits for it, its memory ends with it, and leaving ends it at once.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import cast

from simulator.audibility.audibility import Audibility
from simulator.common.errors import AudioError, SimulatorError, UsageError
from simulator.comparison.alignment import Alignment
from simulator.desk.decodes import Decode, Decodes
from simulator.desk.tracks import lane_of, played_views, view_of
from simulator.engine.align import alignment_of, audibility_of, known_alignment, known_audibility
from simulator.engine.interrupts import ignore_terminal_signals
from simulator.engine.measure import Job, Result, measure_all
from simulator.engine.predict import CEILING_DBTP, MeasuredTrack, measure_tracks, predict
from simulator.engine.workers import ChildProcess, one_blas_thread, start_tracker
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Delivery, Profile
from simulator.playlists.playlist import Playlist, Track, title_from_path
from simulator.playlists.revisions import revision_name
from simulator.session.codec_variants import (
    decode_of,
    is_difference,
    is_of_versions,
    profile_named,
    raise_db,
    raise_words,
    raised_db,
    versions_words,
)
from simulator.session.events import Aligned, Event, MomentsFound, Predicted, Replaced, Revised
from simulator.session.track import PlayedView
from simulator.session.worst import loudness_lufs, pairs
from simulator.storage.measurement_cache import Store
from simulator.storage.process_life import end_with_parent
from simulator.storage.small_files import changed_file_error, changed_since, stamp_of

SAME_TIMING_S = 0.0005


class Studio:
    """Carries out what the session asks of the measuring. `open_store` opens the cache in the calling
    thread; `profiles` are those that may be asked for; `worked_out` the ids that the session has;
    `align_pairs` says how the second file of each pair lies against the first, `compare_pairs` where it is
    likely to be heard to differ (see `Aligner`);
    `encoded_folder` is where encoded masters are kept, None for nowhere."""

    def __init__(
        self,
        playlist: Playlist,
        tracks: Sequence[MeasuredTrack],
        profiles: Mapping[str, Profile],
        worked_out: Sequence[str],
        open_store: Callable[[], Store],
        at: Callable[[], str],
        align_pairs: Callable[[Sequence[Pair]], Sequence[Found]],
        compare_pairs: Callable[[Sequence[Pair]], Sequence[Audibility | str]],
        encoded_folder: Path | None = None,
    ) -> None:
        self._playlist, self._tracks = playlist, list(tracks)
        self._stamps = [stamp_of(track.track.path) for track in tracks]
        self._profiles, self._worked_out = dict(profiles), dict.fromkeys(worked_out)
        self._open_store, self._at, self._align_pairs = open_store, at, align_pairs
        self._compare_pairs, self._encoded_folder = compare_pairs, encoded_folder
        self._store: Store | None = None
        self._decodes = Decodes()
        self._offsets_s: dict[int, float] = {}
        """As `TrackView.offset_s`, of what was aligned."""

    @property
    def decodes(self) -> Mapping[Decode, str]:
        """What players with an encoded delivery play, by file, content, delivery and lane."""
        return self._decodes.paths

    def decode(self, profile: Profile) -> None:
        """Has the decodes made that a player gives out. Raises the first thing that went wrong."""
        if profile.delivery is None:
            return
        self._refuse_changed()
        self._decode(profile, profile.delivery)

    def _decode(self, profile: Profile, delivery: Delivery) -> None:
        """The same for all files that are still those that were measured."""
        files = [
            measured.track.path
            for i, measured in enumerate(self._tracks)
            if measured.measurement is not None and not self._changed(i)
        ]
        self._decodes.make(
            files,
            delivery,
            lane_of(profile.id),
            {track.track.path: track.content for track in self._tracks},
            self._encoded_folder,
        )
        if self._decodes.problems:
            raise self._decodes.problems.pop(0)

    def close(self) -> None:
        """Removes what was made for this session."""
        self._decodes.close()

    def predict(self, profile_id: str) -> list[Event]:
        """The answer to `Predict`."""
        profile = profile_named(self._profiles, profile_id)
        views = self._views([profile])[0]
        if any(i not in views for i, measured in enumerate(self._tracks) if measured.measurement is not None):
            self._refuse_changed()
        self._worked_out[profile_id] = None
        return [Predicted(profile_id, views)]

    def replace(self, track: int, path: str) -> list[Event]:
        """The answer to `Replace`: the new revision, and what the players worked out so far do to all tracks
        now (an album's gain may change). Raises SimulatorError where it cannot be read."""
        whole = os.path.abspath(os.path.expanduser(path))
        before = self._tracks[track].track
        if not os.path.isfile(whole):
            raise UsageError(f"{whole}: file not found.", "Give the path of the new revision.")
        old_name = before.title == title_from_path(before.path)
        title = title_from_path(whole) if old_name else before.title
        new = replace(before, path=whole, title=title, problem="")
        stamp = stamp_of(whole)
        one = self._measured(new)
        kept = self._tracks[track], self._stamps[track]
        self._tracks[track], self._stamps[track] = one, stamp
        chosen = [
            profile_named(self._profiles, name) for name in self._worked_out if not is_of_versions(name)
        ]  # a residual is asked for again
        try:
            rows = self._views(chosen)
        except SimulatorError:
            self._tracks[track], self._stamps[track] = kept
            raise
        played = {profile.id: row[track] for profile, row in zip(chosen, rows, strict=True) if track in row}
        # the moments first, so that what takes the old one's place is heard at the right one
        events: list[Event] = self.align(only=new.song) if new.song is not None else []
        offset_s = self._offsets_s.get(track, 0.0)
        view = replace(view_of(one, stamp), played=played, offset_s=offset_s)
        events.append(Replaced(track, view, at=self._at()))
        events += [Predicted(profile.id, row) for profile, row in zip(chosen, rows, strict=True)]
        return events

    def revision(self, track: int, path: str) -> list[Event]:
        """A newer revision of a track, measured and time-aligned with the one that plays, but not loaded;
        nothing for a file that was written over with the same samples. Raises SimulatorError where it cannot
        be read."""
        old = self._tracks[track]
        new = self._measured(replace(old.track, path=path, problem=""))
        before, after = old.measurement, new.measurement
        if before is None or after is None or (path == old.track.path and new.content == old.content):
            return []
        louder = None
        if before.integrated_lufs is not None and after.integrated_lufs is not None:
            louder = after.integrated_lufs - before.integrated_lufs
        name = revision_name(path).mark if path != old.track.path else ""
        shift_s, timing = self._timing(track, path)
        return [Revised(track, path, name or f"A new {os.path.basename(path)}", louder, shift_s, timing)]

    def _measured(self, track: Track) -> MeasuredTrack:
        """One file, measured. Raises SimulatorError where it cannot be read."""
        [measured] = measure_tracks(replace(self._playlist, tracks=(track,)), self._cache(), 0)
        if measured.problem is not None:
            raise measured.problem
        return measured

    def _timing(self, track: int, path: str) -> tuple[float | None, str]:
        """By how much later the moments of a track are in its new file, and the words for it. A file that was
        written over is gone: its moments are known by another version of the song."""
        here = self._tracks[track].track
        first, known_s = track, 0.0
        if path == here.path:
            others = [i for i in self._offsets_s if i != track and self._tracks[i].track.song == here.song]
            if track not in self._offsets_s or here.song is None or not others:
                return None, ""
            first = others[0]
            known_s = self._offsets_s[first] - self._offsets_s[track]
        alignment = self._align_pairs([(self._tracks[first].track.path, path)])[0]
        if isinstance(alignment, SimulatorError) or alignment.offset_s is None:
            return None, "timing not comparable"
        shift_s = alignment.offset_s - known_s
        if alignment.edits or not alignment.fits:
            return shift_s, "timing differs"
        if abs(shift_s) < SAME_TIMING_S:
            return shift_s, "same timing"
        amount = f"{abs(shift_s) * 1000.0:.0f} ms" if abs(shift_s) < 1.0 else f"{abs(shift_s):.1f} s"
        return shift_s, f"starts {amount} {'later' if shift_s > 0.0 else 'earlier'}"

    def _views(self, profiles: Sequence[Profile]) -> list[dict[int, PlayedView]]:
        """What these players do to every track; what they play encoded is there then. Where more than a gain
        acts, a file that has changed since it was measured is left out: it would be read again."""
        asked = [profile_named(self._profiles, decode_of(profile.id)) for profile in profiles]
        rows = predict(asked, self._tracks, self._playlist.album_reason, self._cache(), 0)
        for profile in profiles:
            if profile.delivery is not None:
                self._decode(profile, profile.delivery)
        played = [
            {
                i: view
                for i, view in played_views(profile, self._tracks, row).items()
                if not (view.own_lane and self._changed(i))
            }
            for profile, row in zip(asked, rows, strict=True)
        ]
        return [
            self._of_versions(views)
            if is_of_versions(profile.id)
            else self._of_difference(profile, views)
            if is_difference(profile.id)
            else views
            for profile, views in zip(profiles, played, strict=True)
        ]

    def _of_versions(self, played: Mapping[int, PlayedView]) -> dict[int, PlayedView]:
        """What each version differs by from the open one of its song, measured, at the open one's gain; the
        open one has the loudest version's. Tracks without versions play as they are, by a plain gain."""
        views: dict[int, PlayedView] = {}
        for i, view in played.items():
            measured = self._tracks[i].measurement
            if measured is not None:
                views[i] = PlayedView(from_gain(view.prediction.decision, measured), False)
        cache = None if self._encoded_folder is None else self._encoded_folder.parent
        tracks = tuple(view_of(track) for track in self._tracks)
        for open_, other in sorted(pairs(tracks), key=lambda pair: loudness_lufs(tracks[pair[1]])):
            gain_db = played[open_].gain_db
            paths = [self._tracks[i].track.path for i in (open_, other)]
            files = self._decodes.residual(paths[0], paths[1], cache)
            done = measure_all([Job(path, CEILING_DBTP) for path in files], self._cache(), 0)
            for i, path, one in zip((open_, other), files, done, strict=True):
                if isinstance(one, SimulatorError):
                    raise one
                decision = replace(
                    played[i].prediction.decision, gain_db=gain_db, reason=versions_words(gain_db)
                )
                views[i] = PlayedView(from_gain(decision, one.measurement), True, path)
        return views

    def _of_difference(self, profile: Profile, decoded: Mapping[int, PlayedView]) -> dict[int, PlayedView]:
        """What the encoding changed, measured, at the decode's gain, and raised, all alike."""
        delivery = profile.delivery
        assert delivery is not None
        lanes = {}
        for i in decoded:
            path, content = self._tracks[i].track.path, self._tracks[i].content
            lanes[i] = self._decodes.paths[path, content, delivery, "difference"]
        done = measure_all([Job(path, CEILING_DBTP) for path in lanes.values()], self._cache(), 0)
        measured = {i: one.measurement for i, one in zip(lanes, done, strict=True) if isinstance(one, Result)}
        peaks = [
            peak + decoded[i].gain_db
            for i, one in measured.items()
            if (peak := one.true_peak_dbtp) is not None
        ]
        asked = raised_db(profile.id)
        raised = raise_db(asked, max(peaks, default=None))
        views = {}
        for i, one in measured.items():
            gain_db = decoded[i].gain_db
            decision = replace(
                decoded[i].prediction.decision,
                gain_db=gain_db + raised,
                reason=raise_words(gain_db, raised, asked),
            )
            views[i] = PlayedView(from_gain(decision, one), True)
        return views

    def align(self, only: str | None = None) -> list[Event]:
        """Lays the versions of each song (or of one) over its first readable one."""
        groups: dict[str, list[int]] = {}
        for index, measured in enumerate(self._tracks):
            song = measured.track.song
            if song is not None and measured.measurement is not None and only in (None, song):
                groups.setdefault(song, []).append(index)
        pairs = [(first, other) for first, *others in groups.values() for other in others]
        if not pairs:
            return []
        offsets: dict[int, float] = {}
        words: list[str] = []
        paths = [(self._tracks[first].track.path, self._tracks[other].track.path) for first, other in pairs]
        for (first, other), alignment in zip(pairs, self._align_pairs(paths), strict=True):
            title = self._tracks[other].track.title
            self._offsets_s[first] = 0.0
            offsets[other] = 0.0  # also where an earlier revision had another
            if isinstance(alignment, SimulatorError):
                words.append(f"{title} is not time-aligned: {alignment}")
            elif alignment.offset_s is None:
                words.append(f"{title} is not time-aligned: {alignment.reason}")
            else:
                offsets[other] = -alignment.offset_s  # where its time 0 lies in the first version's time
                if (
                    alignment.kind == "ambiguous"
                    or alignment.edits
                    or not alignment.fits
                    or alignment.channels_swapped
                ):
                    words.append(f"{title}: {alignment.reason}")
        self._offsets_s.update(offsets)
        return [Aligned(offsets, " ".join(words))]

    def find_moments(self, pairs: Sequence[tuple[int, int]]) -> list[Event]:
        """The answer to `FindMoments`. Unlike the rest it may go on beside another call: it takes minutes
        where there are many versions."""
        tracks = list(self._tracks)
        known = {place: (tracks[place].track.path, tracks[place].content) for pair in pairs for place in pair}
        answers = self._compare_pairs([(known[open_][0], known[other][0]) for open_, other in pairs])
        return [MomentsFound(dict(zip(pairs, answers, strict=True)), known, self._at())]

    def _changed(self, track: int) -> bool:
        """True where another file is there now than the one that was measured."""
        one = self._tracks[track]
        return one.measurement is not None and changed_since(one.track.path, self._stamps[track])

    def _refuse_changed(self) -> None:
        """Raises AudioError for a track whose file is not the one any more that was measured."""
        for track, measured in enumerate(self._tracks):
            if self._changed(track):
                path = measured.track.path
                raise changed_file_error(path, f"Take it in first: replace {track + 1} {path}")

    def _cache(self) -> Store:
        if self._store is None:
            self._store = self._open_store()
        return self._store


Pair = tuple[str, str]
Found = Alignment | SimulatorError


class Aligner:
    """Aligns pairs of files, and compares them; `cache` is the cache's folder, or None. One call of each kind
    at a time, in any thread; `close` may come from another and ends the work."""

    def __init__(self, cache: Path | None, *, rehash: bool = False) -> None:
        self._cache, self._rehash = cache, rehash
        self._children: list[ChildProcess] = []
        self._closed = False

    def align(self, pairs: Sequence[Pair]) -> list[Found]:
        """How the second file of each pair is timed against the first, or why that is not known; in order."""
        return cast("list[Found]", self._answers(pairs, compare=False))

    def compare(self, pairs: Sequence[Pair]) -> list[Audibility | str]:
        """Where the second file of each pair is likely to be heard to differ from the first, the open
        version, or why that is not known; in order."""
        answers = self._answers(pairs, compare=True)
        return [answer if isinstance(answer, Audibility) else str(answer) for answer in answers]

    def _answers(self, pairs: Sequence[Pair], *, compare: bool) -> list[object]:
        """What the cache knows needs no process."""
        known = known_audibility if compare else known_alignment
        with Store(self._cache, lambda _: None, rehash=self._rehash) as store:
            answers = [known(first, second, store) for first, second in pairs]
        missing = [pair for pair, answer in zip(pairs, answers, strict=True) if answer is None]
        done = iter(self._apart(missing, compare=compare))
        return [next(done) if answer is None else answer for answer in answers]

    def close(self) -> None:
        """Ends what runs."""
        self._closed = True
        for child in list(self._children):
            child.kill()

    def _apart(self, pairs: Sequence[Pair], *, compare: bool) -> list[object]:
        if not pairs or self._closed:
            return [_ended(pair) for pair in pairs]
        start_tracker()
        child = ChildProcess(_work_apart)
        self._children.append(child)
        child.start(list(pairs), self._cache, self._rehash, compare)
        answers: list[object] = []
        with contextlib.suppress(EOFError):  # it died, or was ended
            while len(answers) < len(pairs):
                answers.append(child.receive(None))
        child.end()
        self._children.remove(child)
        return answers + [_ended(pair) for pair in pairs[len(answers) :]]


def _ended(pair: Pair) -> AudioError:
    return AudioError(
        f"{pair[1]} could not be time-aligned with {pair[0]}.",
        "One of the files may be damaged; export it again.",
    )


def _work_apart(
    answers: Connection, pairs: list[Pair], cache: Path | None, rehash: bool, compare: bool
) -> None:
    """The process: one answer a pair."""
    ignore_terminal_signals()
    end_with_parent()
    if hasattr(os, "nice"):
        os.nice(10)  # what plays comes first
    one_blas_thread()
    os.environ["FAIRHEARING_IN_PROCESS"] = "1"  # it is apart already: a crash costs this process alone
    with answers, Store(cache, lambda _: None, rehash=rehash) as store:
        for first, second in pairs:
            try:
                answers.send((audibility_of if compare else alignment_of)(first, second, store))
            except SimulatorError as problem:
                answers.send(problem)

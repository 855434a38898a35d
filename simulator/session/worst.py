"""Worst moments of a song: where a version's change is most likely to be heard against the open one.

The open version is the least loud of the song, as in `compare`; each other one is held against it. Moments
are found in the background (`FindMoments`, answered by `MomentsFound`) and kept by pair, the open version
first; a pair that has none keeps the reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from simulator.audibility.audibility import METHOD, Audibility, Moment, moment_words
from simulator.common.errors import UsageError
from simulator.common.units import format_time
from simulator.session.events import Effect, FindMoments, MomentsFound, Say
from simulator.session.levels import Span
from simulator.session.state import Session
from simulator.session.track import TrackView, same_moment_s, versions

MOST = 5
BEFORE_S, AFTER_S = 1.0, 0.5
"""Heard around a moment's 3 s; the project's own choice."""
NOT_YET = "Looking for the worst moments…"
QUIET_LUFS = -200.0
_LIKELY, _NOWHERE = 0.1, 0.01
"""Shares of a passage above the mask from which a change is expected to be heard, and below which none is."""

TrackPair = tuple[int, int]
"""The open version and the other one, by their places in the list."""


@dataclass(frozen=True, slots=True)
class WorstMoment:
    """One of `count` moments of a pair, the worst being number 1: where it lies in the version that plays."""

    number: int
    count: int
    span: Span
    moment: Moment

    @property
    def at_s(self) -> float:
        return self.span.start_s + BEFORE_S

    @property
    def rank(self) -> str:
        return f"worst moment {self.number} of {self.count}" if self.count > 1 else "worst moment"

    @property
    def words(self) -> str:
        return f"{format_time(self.at_s)}: {moment_words(self.moment)}"


def pairs(tracks: tuple[TrackView, ...]) -> tuple[TrackPair, ...]:
    """The open version of each song with each other version of it."""
    return tuple(
        (open_, track)
        for track, view in enumerate(tracks)
        if view.delivered is not None and track != (open_ := _open_version(tracks, track))
    )


def pair_here(session: Session) -> TrackPair:
    """The pair of the version that plays: itself against the open one, or the version it was last swapped
    with. Raises UsageError where the song has one version."""
    other = session.other
    if other is None:
        raise UsageError("This song has no other version in the list.", "The loudest passage: go loudest")
    open_ = _open_version(session.tracks, session.track)
    return (open_, other) if open_ == session.track else (open_, session.track)


def awaiting(session: Session, line: str) -> tuple[Session, tuple[Effect, ...]] | None:
    """Where the pair's moments are not known yet: the session in which this line waits for them. Raises
    UsageError where there are none to be known."""
    known = session.changes.get(pair_here(session))
    if isinstance(known, str):
        raise UsageError("The worst moments of these versions cannot be found.", known)
    if known is not None:
        return None
    after = replace(session, awaited=line, looking=True)
    asked = () if session.looking else (FindMoments(pairs(session.tracks)),)
    return after, (*asked, Say(NOT_YET))


def found(session: Session, event: MomentsFound) -> Session:
    """The session that knows what was found, as far as the files are still those."""
    now = {track: (view.path, view.content) for track, view in enumerate(session.tracks)}
    known = {
        pair: one
        for pair, one in event.found.items()
        if all(event.contents.get(track) == now[track] for track in pair)
    }
    return replace(session, changes={**session.changes, **known}, looking=False, awaited="")


def not_found(session: Session, pairs: tuple[TrackPair, ...], why: str) -> MomentsFound:
    """The answer where the search failed."""
    contents = {track: (view.path, view.content) for track, view in enumerate(session.tracks)}
    return MomentsFound(dict.fromkeys(pairs, why), contents)


def without(session: Session, track: int) -> Session:
    """The session after a track became another file."""
    changes = {pair: one for pair, one in session.changes.items() if track not in pair}
    return replace(session, changes=changes, looking=False)


def moments_here(session: Session) -> tuple[WorstMoment, ...]:
    """The pair's moments in the version that plays, the worst first; empty where none is expected to be
    heard, or none is known yet."""
    return () if session.other is None else _moments(session, pair_here(session), session.track)


def _moments(session: Session, pair: TrackPair, track: int) -> tuple[WorstMoment, ...]:
    known = session.changes.get(pair)
    moments = known.worst(MOST) if isinstance(known, Audibility) else ()
    return tuple(
        WorstMoment(number, len(moments), _span(session, pair[0], moment, track), moment)
        for number, moment in enumerate(moments, 1)
    )


def in_turn(session: Session, *, forward: bool) -> WorstMoment:
    """The moment that was gone to last, or with `forward` the one after it, round and round; the worst where
    none was. Raises UsageError where there are none."""
    moments = moments_here(session)
    if not moments:
        open_, other = (session.tracks[track].version for track in pair_here(session))
        raise UsageError(
            f"No audible change is expected between “{open_}” and “{other}” (a model's estimate).",
            "The loudest passage: go loudest",
        )
    last = _last(session, pair_here(session))
    return moments[(last if forward else max(last - 1, 0)) % len(moments)]


def worst_among(session: Session, tracks: tuple[int, ...]) -> WorstMoment | None:
    """The moment that was gone to last, or the worst, of two of these versions, in the first one's time."""
    for pair in session.changes:
        if set(pair) <= set(tracks) and (moments := _moments(session, pair, tracks[0])):
            return moments[max(_last(session, pair) - 1, 0) % len(moments)]
    return None


def _last(session: Session, pair: TrackPair) -> int:
    """The number of the pair's moment that was gone to last; 0 where none was."""
    return session.last_worst[1] if session.last_worst and session.last_worst[0] == pair else 0


def rank_words(session: Session, worst_moment: WorstMoment) -> str:
    """Which moment of which pair."""
    open_, other = (session.tracks[track].version for track in pair_here(session))
    return f"{worst_moment.rank}, “{other}” against “{open_}”"


def spans_in_both(session: Session, seconds: float) -> list[tuple[Span, str]]:
    """Each moment in the open version and then in the other one, with its words."""
    spans = []
    for moment in moments_here(session):
        for track in pair_here(session):
            start = _span(session, pair_here(session)[0], moment.moment, track).start_s
            end = min(start + seconds, session.tracks[track].duration_s)
            spans.append(
                (Span(track, max(min(start, end - seconds), 0.0), end), f"{moment.rank}, {moment.words}")
            )
    return spans


def estimate(
    changes: Mapping[TrackPair, Audibility | str], tracks: tuple[TrackView, ...], spans: tuple[Span, ...]
) -> dict[str, Any] | None:
    """What the model expects of a passage of two versions, to be kept beside the answers of a trial; None
    where it was not worked out for them."""
    if len(spans) != 2:
        return None
    first, second = spans
    for open_, other in ((first, second), (second, first)):
        known = changes.get((open_.track, other.track))
        if not isinstance(known, Audibility):
            continue
        share = known.share_between(open_.start_s, open_.end_s)
        if share is None:
            return None
        inside = [
            one for one in known.worst(MOST) if open_.start_s <= one.at_s + one.length_s / 2.0 <= open_.end_s
        ]
        return {
            "model": f"noise to mask, method {METHOD}",
            "open": tracks[open_.track].title,
            "other": tracks[other.track].title,
            "share_above_mask": share,
            "moments": [
                {"at_s": one.at_s, "kind": one.kind.value, "amount_db": one.amount_db} for one in inside
            ],
        }
    return None


def estimate_words(kept: Mapping[str, Any]) -> str:
    """The estimate as the beginning of a sentence."""
    share, moments = float(kept["share_above_mask"]), kept["moments"]
    above = f"above the mask for {100.0 * share:.0f} % of the loop"
    if share >= _LIKELY or moments:
        return f"The model expected an audible change here ({above})"
    if share < _NOWHERE:
        return "The model expected no audible change here"
    return f"The model expected a change that is hardly audible here ({above})"


def loudness_lufs(track: TrackView) -> float:
    """Integrated loudness; QUIET_LUFS where there is none."""
    lufs = None if track.delivered is None else track.delivered.integrated_lufs
    return QUIET_LUFS if lufs is None else lufs


def _open_version(tracks: tuple[TrackView, ...], track: int) -> int:
    """The least loud version of a track's song."""
    return min(versions(tracks, track), key=lambda index: loudness_lufs(tracks[index]))


def _span(session: Session, open_: int, moment: Moment, track: int) -> Span:
    """A moment, which is in the open version's time, in a version, with what is heard around it."""
    start = same_moment_s(session.tracks, open_, moment.at_s, track) - BEFORE_S
    end = start + BEFORE_S + moment.length_s + AFTER_S
    return Span(track, max(start, 0.0), min(end, session.tracks[track].duration_s))

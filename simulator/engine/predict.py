"""Prediction for files: measured and decided, and measured on the chain's output where a limiter or a
clipping D/A converter acts, or where a codec stands between.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from simulator.audio_files.tags import read_tags
from simulator.codecs.deliver import delivery_steps
from simulator.common.errors import SimulatorError
from simulator.engine.measure import LOG, Job, Result, measure_all
from simulator.metering.loudness_tags import LoudnessTags
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import Decision, decide_all
from simulator.normalizer.prediction import Prediction, chain_settings, from_chain, from_gain, more_than_gain
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Playlist, Track
from simulator.storage.measurement_cache import Store

CEILING_DBTP = 0.0


@dataclass(frozen=True, slots=True)
class MeasuredTrack:
    """A track as delivered: its measurement, or why there is none; the hash of its samples; and its loudness
    tags, if it has any."""

    track: Track
    measurement: Measurement | None
    problem: SimulatorError | None
    content: str = ""
    tags: LoudnessTags | None = None


def measure_tracks(
    playlist: Playlist,
    store: Store,
    workers: int,
    step: Callable[[], None] = lambda: None,
    *,
    over_above_dbtp: float = CEILING_DBTP,
) -> list[MeasuredTrack]:
    """All tracks measured, in order; overs are counted above `over_above_dbtp`."""
    jobs = [Job(track.path, over_above_dbtp) for track in playlist.tracks if not track.problem]
    done = iter(measure_all(jobs, store, workers, step))
    tracks = []
    for track in playlist.tracks:
        result = SimulatorError(f"{track.path}: {track.problem}") if track.problem else next(done)
        if isinstance(result, SimulatorError):
            tracks.append(MeasuredTrack(track, None, result))
        else:
            tags = read_tags(track.path)
            tracks.append(MeasuredTrack(track, result.measurement, None, result.content, tags))
    return tracks


def predict(
    profiles: Sequence[Profile],
    tracks: Sequence[MeasuredTrack],
    album_reason: str,
    store: Store,
    workers: int,
    step: Callable[[], None] = lambda: None,
) -> list[list[Prediction | SimulatorError | None]]:
    """For each profile a prediction for each track; None where the track could not be read, an error
    where it could no longer be read a second time."""
    pairs = [(track.track, track.measurement) for track in tracks]
    tags = [track.tags for track in tracks]
    decided = [decide_all(profile, pairs, album_reason, tags) for profile in profiles]
    jobs: dict[Job, None] = {}
    for profile, decisions in zip(profiles, decided, strict=True):
        for one, decision in zip(tracks, decisions, strict=True):
            job = _job(profile, one, decision)
            if job is not None:
                jobs[job] = None
                jobs.update(dict.fromkeys(found for _, found in step_jobs(profile, one)))
    LOG.info("%d players, %d tracks: %d need more than a plain gain", len(profiles), len(tracks), len(jobs))
    done = dict(zip(jobs, measure_all(list(jobs), store, workers, step), strict=True))
    return [
        [_prediction(profile, decision, one, done) for one, decision in zip(tracks, decisions, strict=True)]
        for profile, decisions in zip(profiles, decided, strict=True)
    ]


def step_jobs(profile: Profile, delivered: MeasuredTrack) -> list[tuple[str, Job]]:
    """The master measured after each step of the profile's delivery, with the step's name."""
    if profile.delivery is None or delivered.measurement is None:
        return []
    return [
        (name, Job(delivered.track.path, CEILING_DBTP, None, so_far))
        for name, so_far in delivery_steps(profile.delivery, delivered.measurement.sample_rate)
    ]


def _job(profile: Profile, delivered: MeasuredTrack, decision: Decision | None) -> Job | None:
    """The pass through the chain that a decision needs; None where arithmetic does."""
    if (
        decision is None
        or delivered.measurement is None
        or not more_than_gain(profile, decision, delivered.measurement)
    ):
        return None
    return Job(delivered.track.path, CEILING_DBTP, chain_settings(profile, decision), profile.delivery)


def _prediction(
    profile: Profile,
    decision: Decision | None,
    delivered: MeasuredTrack,
    done: Mapping[Job, Result | SimulatorError],
) -> Prediction | SimulatorError | None:
    if decision is None or delivered.measurement is None:
        return None
    job = _job(profile, delivered, decision)
    found = None if job is None else done[job]
    if isinstance(found, SimulatorError):
        return found
    if found is None or found.limiter is None:
        return from_gain(decision, delivered.measurement)
    measured = []
    for name, job in step_jobs(profile, delivered):
        after = done[job]
        if isinstance(after, SimulatorError):
            return after
        measured.append((name, after.measurement))
    before = measured[-1][1] if measured else delivered.measurement
    prediction = from_chain(decision, before, found.measurement, found.limiter)
    return replace(prediction, steps=tuple(measured))

"""Measurements and profiles made for tests: series of constant loudness, and the integrated value that
the project's own gating reads from them."""

from __future__ import annotations

import numpy as np

from simulator.common.units import db_to_gain, lufs_to_energy
from simulator.dsp.ceiling import LimiterSettings
from simulator.metering import dynamics, gating
from simulator.metering.measurement import Measurement, Series, Warning_
from simulator.normalizer.profile import Ceiling, Conditional, Profile
from simulator.playlists.playlist import Track


def made(
    loudness_lufs: float | None,
    peak_db: float | None = -1.0,
    *,
    sample_peak_db: float | None = None,
    channels: int = 2,
    seconds: float = 60.0,
) -> Measurement:
    """A track of one loudness throughout (None: digital silence) and a true peak of `peak_db`; the
    sample peak is the same where it is not given."""
    steps = int(seconds * 10)
    energy = np.full(steps, 0.0 if loudness_lufs is None else lufs_to_energy(loudness_lufs))
    true_peak = np.full(steps, 0.0 if peak_db is None else db_to_gain(peak_db), dtype=np.float32)
    integrated = gating.integrated_lufs(energy)
    figures = dynamics.figures(energy, true_peak)
    silent = (Warning_("silent", "Digital silence: nothing to measure."),)
    return Measurement(
        sample_rate=48000,
        channels=channels,
        frames=int(seconds * 48000),
        integrated_lufs=integrated,
        loudness_range_lu=figures.loudness_range_lu,
        max_momentary_lufs=integrated,
        max_short_term_lufs=figures.max_short_term_lufs,
        quietest_passage_lufs=figures.quietest_passage_lufs,
        sample_peak_dbfs=peak_db if sample_peak_db is None else sample_peak_db,
        true_peak_dbtp=peak_db,
        true_peak_at_s=0.0,
        peak_to_loudness_db=None if peak_db is None or integrated is None else peak_db - integrated,
        min_peak_to_short_term_db=figures.min_peak_to_short_term_db,
        median_peak_to_short_term_db=figures.median_peak_to_short_term_db,
        crest_factor_db=12.0,
        share_at_ceiling=0.0,
        over_count=0,
        overs=(),
        clipped_run_count=0,
        clipped_runs=(),
        dc_offset=(0.0,) * channels,
        correlation=None if channels == 1 else 1.0,
        warnings=silent if loudness_lufs is None else (),
        series=Series(energy, true_peak),
    )


def player(
    upward: str = "headroom",
    *,
    target_lufs: float | None = -14.0,
    ceiling_db: float = -1.0,
    counts: str = "true",
    applies: str = "boost_only",
    scope: str = "track",
    mono: str = "one_channel",
    max_boost_db: float | None = None,
    max_cut_db: float | None = None,
    unmeasurable_gain_db: float = 0.0,
    conditional: Conditional | None = None,
) -> Profile:
    """A profile with these rules."""
    limiter = LimiterSettings(ceiling_db, counts, 3.0, 150.0) if upward == "limited" else None
    return Profile(
        id="made",
        title="Made for a test",
        sentence="Made for a test.",
        target_lufs=target_lufs,
        scope=scope,
        upward=upward,
        ceiling=Ceiling(ceiling_db, counts, applies),
        conditional=conditional,
        limiter=limiter,
        max_boost_db=max_boost_db,
        max_cut_db=max_cut_db,
        mono=mono,
        unmeasurable_gain_db=unmeasurable_gain_db,
        uncertainty_db=0.5,
        sources={},
    )


def on_album(name: str, song: str | None = None, album: str | None = "The Album") -> Track:
    """A track of an album."""
    return Track(path=f"/music/{name}.wav", title=name, song=song, album=album)

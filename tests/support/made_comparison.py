"""Two versions of a song made of steady parts, laid over each other by hand, for the tests of `compare`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from support.made_measurements import made, player

from simulator.common.units import db_to_gain, lufs_to_energy
from simulator.comparison import versions
from simulator.comparison.alignment import Alignment, Kind
from simulator.comparison.difference import Difference
from simulator.comparison.versions import Comparison, Heard
from simulator.metering import dynamics, gating
from simulator.metering.measurement import Measurement, Series
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.text.comparison.delivered import Names

NAMES = Names("loud", "open")
RATE = 48_000


def song(
    parts: Sequence[tuple[float, float]], peak_db: float = -1.0, *, overs: int = 0, share: float = 0.0
) -> Measurement:
    """A track of parts (LUFS, seconds), every step of which peaks at `peak_db`."""
    energy = np.concatenate([np.full(round(seconds * 10), lufs_to_energy(lufs)) for lufs, seconds in parts])
    true_peak = np.full(energy.shape[0], db_to_gain(peak_db), dtype=np.float32)
    figures, integrated = dynamics.figures(energy, true_peak), gating.integrated_lufs(energy)
    assert integrated is not None
    return replace(
        made(parts[0][0], peak_db, seconds=energy.shape[0] / 10.0),
        integrated_lufs=integrated,
        max_short_term_lufs=figures.max_short_term_lufs,
        quietest_passage_lufs=figures.quietest_passage_lufs,
        loudness_range_lu=figures.loudness_range_lu,
        peak_to_loudness_db=peak_db - integrated,
        min_peak_to_short_term_db=figures.min_peak_to_short_term_db,
        median_peak_to_short_term_db=figures.median_peak_to_short_term_db,
        over_count=overs,
        share_at_ceiling=share,
        series=Series(energy, true_peak),
    )


def laid(
    loud: Measurement,
    open_: Measurement,
    offset_s: float = 0.0,
    kind: Kind = "aligned",
    *,
    drift_ppm: float = 0.0,
) -> Alignment:
    """The open version is the first, the loud one the second."""
    sure = kind != "different"
    return Alignment(
        kind=kind,
        first_rate=RATE,
        second_rate=RATE,
        first_frames=open_.frames,
        second_frames=loud.frames,
        offset_frames=offset_s * RATE if sure else None,
        polarity=1 if sure else None,
        gain_db=0.0 if sure else None,
        drift_ppm=drift_ppm if sure else None,
        snapped=False,
        null_db=-20.0 if sure else None,
        similarity=0.9 if sure else 0.1,
        second_best=None,
        confidence=0.99,
        candidates=(),
        delay_by_band=(),
        reason=f"Made: {kind}.",
    )


def difference(
    residual_lu: float | None = -18.0, *, share: float | None = 0.25, tonal: bool = False
) -> Difference:
    return Difference(
        match_gain_db=-6.0,
        polarity=1,
        common_start_s=0.0,
        common_seconds=61.0,
        residual_lu=residual_lu,
        gain_riding_lu=None if residual_lu is None else residual_lu - 6.0,
        waveform_change_lu=None if residual_lu is None else residual_lu - 1.25,
        gain_riding_share=None if residual_lu is None else share,
        gain_riding_range_db=2.0,
        bands=(),
        linear_filter_share=0.7 if tonal else 0.03,
        tonal_balance_differs=tonal,
        third_octaves=(),
        reason="",
    )


def heard(found: Measurement, profile: Profile, overs: int = 0) -> Heard:
    return Heard(found, from_gain(decide(profile, found), found), overs)


def compared(
    loud: Measurement,
    open_: Measurement,
    profiles: Sequence[Profile] = (),
    alignment: Alignment | None = None,
    residual: Difference | None = None,
    overs: tuple[int, int] = (0, 0),
) -> Comparison:
    """The comparison of two made versions through players (by default one that levels to −14 LUFS)."""
    players = [
        (profile, heard(loud, profile, overs[0]), heard(open_, profile, overs[1]))
        for profile in profiles or (player("headroom"),)
    ]
    return versions.compare(loud, open_, players, alignment or laid(loud, open_), residual)

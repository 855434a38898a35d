"""Figures of two versions of one song side by side, as delivered and as a player plays them.

Conventions: `loud` and `open` are the two in the order in which they were named; a *gap* is loud minus open,
so positive where the loud version has more. Passages are those of comparison/passages. Contrast is loudest
minus quietest passage. Punch: PLR (true peak minus integrated loudness) with the true peak held at 0 dBTP as
delivered, since overs are no punch; and the median peak to short-term loudness (AES e-Brief 373). Unused
headroom = 0 dBTP minus true peak. None where there is nothing to measure.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulator.audibility.audibility import Audibility
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.comparison.passages import Extreme, Passages, choose, extremes, passage_lufs
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile


@dataclass(frozen=True, slots=True)
class Figures:
    """One version, as delivered or as played. `own_*` are its own passages, wherever they lie. `over_count`
    counts the moments above 0 dBTP between the samples: as delivered before, as played after the gain."""

    gain_db: float
    integrated_lufs: float | None
    loudest_passage_lufs: float | None
    quietest_passage_lufs: float | None
    contrast_lu: float | None
    own_loudest_passage_lufs: float | None
    own_quietest_passage_lufs: float | None
    true_peak_dbtp: float | None
    unused_headroom_db: float | None
    peak_to_loudness_db: float | None
    punch_db: float | None
    median_peak_to_short_term_db: float | None
    over_count: int
    share_at_ceiling: float


@dataclass(frozen=True, slots=True)
class Gap:
    """Loud minus open. `most` and `least`: over all 3 s windows at common moments, None without those."""

    integrated_lu: float | None
    loudest_passage_lu: float | None
    quietest_passage_lu: float | None
    contrast_lu: float | None
    unused_headroom_db: float | None
    peak_to_loudness_db: float | None
    punch_db: float | None
    median_peak_to_short_term_db: float | None
    share_at_ceiling: float
    most: Extreme | None
    least: Extreme | None


@dataclass(frozen=True, slots=True)
class Side:
    """Both versions in one state."""

    loud: Figures
    open: Figures
    gap: Gap


@dataclass(frozen=True, slots=True)
class Heard:
    """What goes in for one version and one player: as delivered, what the player makes of it, and how often
    that rises over full scale (`Prediction.played` counts overs only where its audio was measured)."""

    delivered: Measurement
    prediction: Prediction
    played_over_count: int


@dataclass(frozen=True, slots=True)
class Played:
    """Both versions through one player."""

    profile: Profile
    loud: Heard
    open: Heard
    side: Side


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that the two say. `difference` is None where the two are not the same performance, lie
    against each other in more than one way, or fit in less than nine tenths of their common part without a
    map of the edits; `alignment.reason` then says why."""

    alignment: Alignment
    difference: Difference | None
    passages: Passages
    delivered: Side
    played: tuple[Played, ...]
    audibility: Audibility | None = None
    """None where `difference` is."""


def compare(
    loud: Measurement,
    open_: Measurement,
    players: list[tuple[Profile, Heard, Heard]],
    alignment: Alignment,
    difference: Difference | None,
    audibility: Audibility | None = None,
) -> Comparison:
    """Two versions as delivered, and the (profile, loud, open) of each player."""
    sure = alignment if alignment.fits else None
    passages = choose(loud.series.energy, open_.series.energy, sure)
    if not passages.shared:
        sure = None

    def side(a: tuple[Measurement, Figures], b: tuple[Measurement, Figures]) -> Side:
        found = None
        if sure is not None:
            found = extremes(a[0].series.energy, b[0].series.energy, open_.series.energy, sure)
        return Side(a[1], b[1], _gap(a[1], b[1], found))

    def delivered(measurement: Measurement, place: str) -> tuple[Measurement, Figures]:
        return measurement, _figures(measurement, 0.0, measurement.over_count, passages, place)

    def played(version: Heard, place: str) -> tuple[Measurement, Figures]:
        found = version.prediction.played
        gain_db, overs = version.prediction.decision.gain_db, version.played_over_count
        return found, _figures(found, gain_db, overs, passages, place)

    return Comparison(
        alignment=alignment,
        difference=difference if alignment.fits else None,
        passages=passages,
        delivered=side(delivered(loud, "loud"), delivered(open_, "open")),
        played=tuple(
            Played(profile, a, b, side(played(a, "loud"), played(b, "open"))) for profile, a, b in players
        ),
        audibility=audibility if alignment.fits else None,
    )


def punch_db(measurement: Measurement) -> float | None:
    """Peak to loudness with the true peak held at 0 dBTP."""
    if measurement.true_peak_dbtp is None or measurement.integrated_lufs is None:
        return None
    return min(measurement.true_peak_dbtp, 0.0) - measurement.integrated_lufs


def played_punch_db(measurement: Measurement, gain_db: float) -> float | None:
    """Punch of what is played after a gain of the player: what stood over full scale as delivered is no
    punch, also where the player has turned it down; so peaks count up to where 0 dBTP as delivered would
    stand."""
    if measurement.true_peak_dbtp is None or measurement.integrated_lufs is None:
        return None
    return min(measurement.true_peak_dbtp, gain_db) - measurement.integrated_lufs


def _figures(measurement: Measurement, gain_db: float, overs: int, passages: Passages, place: str) -> Figures:
    at = (passages.loudest, passages.quietest)
    starts = [window.loud_s if place == "loud" else window.open_s for window in at]
    loudest, quietest = (passage_lufs(measurement.series.energy, start) for start in starts)
    return Figures(
        gain_db=gain_db,
        integrated_lufs=measurement.integrated_lufs,
        loudest_passage_lufs=loudest,
        quietest_passage_lufs=quietest,
        contrast_lu=_minus(loudest, quietest),
        own_loudest_passage_lufs=measurement.max_short_term_lufs,
        own_quietest_passage_lufs=measurement.quietest_passage_lufs,
        true_peak_dbtp=measurement.true_peak_dbtp,
        unused_headroom_db=_minus(0.0, measurement.true_peak_dbtp),
        peak_to_loudness_db=measurement.peak_to_loudness_db,
        punch_db=played_punch_db(measurement, gain_db),
        median_peak_to_short_term_db=measurement.median_peak_to_short_term_db,
        over_count=overs,
        share_at_ceiling=measurement.share_at_ceiling,
    )


def _gap(loud: Figures, open_: Figures, found: tuple[Extreme, Extreme] | None) -> Gap:
    return Gap(
        integrated_lu=_minus(loud.integrated_lufs, open_.integrated_lufs),
        loudest_passage_lu=_minus(loud.loudest_passage_lufs, open_.loudest_passage_lufs),
        quietest_passage_lu=_minus(loud.quietest_passage_lufs, open_.quietest_passage_lufs),
        contrast_lu=_minus(loud.contrast_lu, open_.contrast_lu),
        unused_headroom_db=_minus(loud.unused_headroom_db, open_.unused_headroom_db),
        peak_to_loudness_db=_minus(loud.peak_to_loudness_db, open_.peak_to_loudness_db),
        punch_db=_minus(loud.punch_db, open_.punch_db),
        median_peak_to_short_term_db=_minus(
            loud.median_peak_to_short_term_db, open_.median_peak_to_short_term_db
        ),
        share_at_ceiling=loud.share_at_ceiling - open_.share_at_ceiling,
        most=None if found is None else found[0],
        least=None if found is None else found[1],
    )


def _minus(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a - b

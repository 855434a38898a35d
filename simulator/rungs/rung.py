"""The ladder as values: what each loudness costs a mix, and what is left of it as played.

A *rung* is the mix brought to one wanted loudness by the mastering limiter, at the drive that the search
found. Conventions: levels as in metering/measurement; `*_db` of the limiter are magnitudes; the residual is
that of ladder/residual, in LU against the input mix; None is a missing answer.
"gained as played" is the change from the lowest rung, of the played integrated loudness and of the played
loudest passage (3 s). Rungs stand in the order of the wanted loudness.
The common-practice marks are starting points, no standard: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from simulator.common.units import TIE_LU
from simulator.dsp.ceiling import PeakKind
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile

WITHIN_LU = TIE_LU
"""A rung this near to the best one gains as much as it, as played."""
NORMALISING_LUFS, PLAIN_LUFS = -14.0, -9.0
CEILINGS_DBTP = (-0.2, -1.0)
"""Common practice, no source: starting points for players that normalise, for places that do not, and the
ceilings between which masters are commonly made."""


@dataclass(frozen=True, slots=True)
class Action:
    """What the limiter did in one rung."""

    mean_reduction_db: float
    max_reduction_db: float
    share_over_1_db: float
    share_over_3_db: float


@dataclass(frozen=True, slots=True)
class Decoded:
    """The rung after a destination's codec, before the player's gain, and the ceiling that keeps the decode
    under full scale. The rung is turned down by plain gain and encoded again until it does: its ceiling and
    its loudness fall by `lowered_db` (0 or more, whole tenths)."""

    codec: str
    """In words: `MP3 at 128 kbit/s`."""
    true_peak_dbtp: float | None
    lowered_db: float
    ceiling_dbtp: float
    proved_dbtp: float | None
    """The true peak of the decode at that ceiling, measured."""
    loss_lu: float
    """By how much the lowered rung plays quieter at this destination."""

    @property
    def holds(self) -> bool:
        """False where the last ceiling tried still leaves the decode over full scale."""
        return self.proved_dbtp is None or self.proved_dbtp <= 0.0


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung. `output_gain_db` (0 or less) is the plain gain after the limiter; `why` says in words why
    the wanted loudness was not reached, else it is empty. `path` is None where no file was written."""

    wanted_lufs: float
    reached: bool
    why: str
    drive_db: float
    output_gain_db: float
    passes: int
    action: Action
    measurement: Measurement
    residual_lu: float | None
    played: Mapping[str, Prediction]
    """By the profile's id."""
    path: str | None = None
    decoded: Mapping[str, Decoded] = field(default_factory=dict)
    """By the id of each profile with a lossy codec."""
    share_audible: float | None = None
    """Share of the music in which the change from the mix is likely to be audible, estimated by a model."""

    @property
    def limited(self) -> bool:
        """True where the limiter or the clip acted: plain gain leaves no residual."""
        return self.residual_lu is not None


@dataclass(frozen=True, slots=True)
class Ladder:
    """The rungs of one mix under one kind of peak detection. Under "sample" the output is lowered after the
    limiter so that the true peak meets the ceiling as well."""

    mix: str
    ceiling_dbtp: float
    detect: PeakKind
    style: str
    rungs: tuple[Rung, ...]


@dataclass(frozen=True, slots=True)
class Gained:
    """The change from the lowest rung, as played; None where either is missing."""

    integrated_lu: float | None
    loudest_lu: float | None


def gained(rungs: Sequence[Rung], profile_id: str) -> list[Gained]:
    """For each rung what it gains through that player against the first one."""
    played = [rung.played[profile_id].played for rung in rungs]
    return [
        Gained(
            _change(played[0].integrated_lufs, one.integrated_lufs),
            _change(played[0].max_short_term_lufs, one.max_short_term_lufs),
        )
        for one in played
    ]


def lowest_of_the_best(rungs: Sequence[Rung], profile: Profile) -> int | None:
    """The place of the lowest rung whose played integrated loudness is within WITHIN_LU of the best one's.
    None for a player that does not normalise, and where nothing can be measured."""
    if profile.target_lufs is None:
        return None
    levels = [rung.played[profile.id].played.integrated_lufs for rung in rungs]
    known = [level for level in levels if level is not None]
    if not known:
        return None
    return next(
        place for place, level in enumerate(levels) if level is not None and level >= max(known) - WITHIN_LU
    )


def enough_peak_to_loudness_db(profile: Profile) -> float | None:
    """The peak-to-loudness ratio from which down a player that leaves headroom gains nothing more: its
    ceiling − its target. At that ratio the whole of the raise to the target fits under the ceiling. None for
    every other player, and where a largest boost or a second target makes it another matter."""
    if profile.target_lufs is None or profile.upward != "headroom":
        return None
    if profile.max_boost_db is not None or profile.conditional is not None:
        return None
    return profile.ceiling.level_db - profile.target_lufs


def _change(before: float | None, after: float | None) -> float | None:
    return None if before is None or after is None else after - before

"""Prediction: a decision and the figures as played.

Where only gain acts, the figures follow exactly from the measurement; where a limiter or a clipping D/A
converter acts, the caller measures the chain's output and passes that in. A profile's delivery (conversions,
a codec) acts before the gain; the gain is decided from the master. `played` is BS.1770 of the chain's output,
however the profile counts mono. Unused headroom = 0 dBTP − played true peak; negative means inter-sample
overs.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import Measurement
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.decision import Decision
from simulator.normalizer.profile import Profile

CONVERTER_MARGIN_DB = 0.1
"""The inter-sample readings of the meter and the D/A converter differ by less than this."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """A decision, the measurement as played, and what the limiter did (zeros for nothing). `limiter_loss_lu`
    is the limiter's loss of loudness against plain gain. `steps` are name and measurement of the master after
    each step of its delivery; empty where the profile plays the master itself."""

    decision: Decision
    played: Measurement
    limiter: LimiterReport
    limiter_loss_lu: float = 0.0
    steps: tuple[tuple[str, Measurement], ...] = ()

    @property
    def target_shortfall_lu(self) -> float | None:
        """How far the result is below the target (negative: above it); None without a target. For an album
        the album's; with a track gain tag that of the track as played. The limiter's loss counts."""
        decision = self.decision
        if decision.target_lufs is None or decision.counted_lufs is None:
            return None
        if decision.gain_from == "track_tag" and self.played.integrated_lufs is not None:
            return decision.target_lufs - self.played.integrated_lufs
        return decision.target_lufs - decision.counted_lufs - decision.gain_db + self.limiter_loss_lu

    @property
    def unused_headroom_db(self) -> float | None:
        return None if self.played.true_peak_dbtp is None else -self.played.true_peak_dbtp


def chain_settings(profile: Profile, decision: Decision) -> ChainSettings:
    """The chain that carries out a decision."""
    # peaks raised by a codec may reach the limiter where the master's own do not
    acts = decision.limiter_will_act or (profile.delivery is not None and decision.limiter_in_path)
    full_scale = "none" if profile.delivery is None else profile.delivery.full_scale
    limiter = profile.limiter if acts else None
    return ChainSettings(decision.gain_db, limiter, profile.converter_headroom_db, full_scale)


def more_than_gain(profile: Profile, decision: Decision, measurement: Measurement) -> bool:
    """True where the chain does more than a plain gain to this track, so that its output must be measured."""
    if decision.limiter_will_act or profile.delivery is not None:
        return True
    headroom_db, peak = profile.converter_headroom_db, measurement.true_peak_dbtp
    if headroom_db is None or peak is None:
        return False
    return peak + decision.gain_db > headroom_db - CONVERTER_MARGIN_DB


def from_gain(decision: Decision, measurement: Measurement) -> Prediction:
    """The prediction where only gain acts: exact."""
    return Prediction(decision, measurement.with_gain(decision.gain_db), LimiterReport())


def from_chain(
    decision: Decision, measurement: Measurement, played: Measurement, limiter: LimiterReport
) -> Prediction:
    """The prediction where the chain's output was measured."""
    plain = measurement.with_gain(decision.gain_db).integrated_lufs
    heard = played.integrated_lufs
    loss = 0.0 if plain is None or heard is None else plain - heard
    return Prediction(decision, played, limiter, loss)

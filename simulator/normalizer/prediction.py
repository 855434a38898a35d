"""Prediction: the decision completed by the figures that it leads to.

Where only gain acts, the figures follow exactly from the measurement; where a limiter or a clipping
converter acts, they are measured on the chain's own output by the caller, who passes that measurement in.
A profile's delivery (conversions, a codec) acts before the gain; the gain is decided from the master.
`played` is BS.1770 of what the chain puts out, whatever the profile counts a mono file as.
Unused headroom = 0 dBTP − played true peak; negative means over full scale between samples.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import Measurement
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.decision import Decision
from simulator.normalizer.profile import Profile

CONVERTER_MARGIN_DB = 0.1
"""The meter's and the converter's readings between the samples may differ by less than this."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """A decision, what is played, and what the limiter did (zeros where it did nothing).
    `limiter_loss_lu` is the loudness that the limiter took, against plain gain. `steps` are the
    measurements of the master after each step of its delivery, in order, with the step's name; empty
    where the profile delivers the master as it is."""

    decision: Decision
    played: Measurement
    limiter: LimiterReport
    limiter_loss_lu: float = 0.0
    steps: tuple[tuple[str, Measurement], ...] = ()

    @property
    def target_shortfall_lu(self) -> float | None:
        """How far below the target the result stays (negative: above it); None where there is none.
        For an album it is the album's, where a track gain tag counts that of the track as played. A
        limiter's own loss counts."""
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
    # peaks that a codec has moved may reach the limiter where the master's own do not
    acts = decision.limiter_will_act or (profile.delivery is not None and decision.limiter_in_path)
    full_scale = "none" if profile.delivery is None else profile.delivery.full_scale
    limiter = profile.limiter if acts else None
    return ChainSettings(decision.gain_db, limiter, profile.converter_headroom_db, full_scale)


def more_than_gain(profile: Profile, decision: Decision, measurement: Measurement) -> bool:
    """True where the chain does more to this track than a plain gain, so that its output must be measured."""
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

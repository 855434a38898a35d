"""The normalising player: its profile, the gain it applies and why, and the chain that plays it.

There is one playing chain (`chain`); render, prediction, desk and page use it.

- Prediction: closed form where only gain acts (`Measurement.with_gain` gates again), measured on the
  chain's output where anything else does (`prediction.more_than_gain`).
- D/A converter that clips: only the excess over full scale is filtered and taken off, at 32×, in rows of 32
  samples that have an over; so everything further than 64 frames from one keeps its bits.
- `profile` stays free of numpy, so that listing the profiles is quick.
"""

"""The normalising player: its profile, the gain it applies and why, and the chain that plays it.

Render, prediction, desk and page share one playing chain (`chain`).

- Prediction: closed form where only gain acts (`Measurement.with_gain` gates again), measured on the chain's
  output where anything else does (`prediction.more_than_gain`).
- `profile` stays free of numpy, so that listing the profiles is quick.
"""

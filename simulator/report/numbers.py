"""How is a number written for people? As `simulator/numbers.py` says, in the reports as everywhere."""

from simulator.numbers import NONE, level, share, signed

__all__ = ["NONE", "level", "share", "signed"]

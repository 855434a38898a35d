"""Numbers in the reports, as everywhere."""

from simulator.numbers import NONE, level, share, signed

__all__ = ["NONE", "level", "share", "signed"]

"""Numbers in the reports, as everywhere."""

from simulator.common.numbers import NONE, level, share, signed

__all__ = ["NONE", "level", "share", "signed"]

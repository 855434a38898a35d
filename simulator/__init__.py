"""fairhearing: masters heard and measured as loudness-normalising players will play them.

The Python interface is `measure`, `predict`, `compare`, `ladder` and `check` (see `simulator.api`); it is
loaded when first used.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulator.api import check, compare, ladder, measure, predict

__all__ = ["__version__", "check", "compare", "ladder", "measure", "predict"]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name in __all__:
        from simulator import api

        return getattr(api, name)
    raise AttributeError(f"module 'simulator' has no attribute {name!r}")

"""Pictures as files: which are asked for, and how one is written."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulator.common.errors import UsageError
from simulator.storage.writing import refuse_existing, whole_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PICTURES = (".svg", ".png")


def check_pictures(paths: Sequence[Path], force: bool) -> None:
    """Before any work: raises UsageError for another ending, WriteError where a file is there already."""
    for path in paths:
        if path.suffix.lower() not in PICTURES:
            raise UsageError(
                f"{path}: a picture must be an .svg or .png file.", "Example: --figure players.svg"
            )
    refuse_existing(paths, force)


def save_picture(path: Path, draw: Callable[[], Figure], style: Mapping[Any, Any], force: bool) -> None:
    """Draws under the style and writes; the same figure gives the same file. Raises WriteError."""
    import matplotlib as mpl

    with mpl.rc_context(dict(style)), whole_file(path, force) as passing:
        form = path.suffix[1:].lower()
        draw().savefig(passing, format=form, metadata={"Date": None} if form == "svg" else None)

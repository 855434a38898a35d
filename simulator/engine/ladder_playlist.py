"""File names of a ladder's rungs, and the playlist that ties them as versions of one song."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from simulator.common.numbers import level
from simulator.ladder.rungs import Rung

PLAYLIST, SAMPLE = "ladder.toml", "-sample-peak"


def rung_name(place: int, mix: str, lufs: float, sample_too: bool) -> str:
    """NN-NAME-14LUFS.wav; `sample_too` marks sample-peak rungs that stand beside true-peak ones. `lufs` is
    what the rung is to reach."""
    return f"{place + 1:02d}-{_stem(mix)}{lufs:+g}LUFS{SAMPLE if sample_too else ''}.wav"


def reached_name(name: str, wanted_lufs: float, lufs: float) -> str:
    """The name of a rung that did not come to what it was to reach: that of the loudness it has."""
    head, mark, tail = name.rpartition(f"{wanted_lufs:+g}LUFS")
    return f"{head}{lufs:+.1f}LUFS{tail}" if mark else name


def playlist_text(mix: str, rungs: Sequence[Rung]) -> str:
    """The rungs as versions of one song, in the project's playlist format."""
    name = _stem(mix)
    title = _quoted(f"{name}: a ladder of loudness")
    lines = ["format = 1", f"title = {title}", 'state = "matched"  # how the listening desk opens']
    for rung in rungs:
        assert rung.path is not None
        kind = "sample-peak rung" if Path(rung.path).stem.endswith(SAMPLE) else "rung"
        title = f"{name} ({kind} at {level(rung.measurement.integrated_lufs)} LUFS)"
        lines += [
            "",
            "[[tracks]]",
            f"path = {_quoted(Path(rung.path).name)}",
            f"title = {_quoted(title)}",
            f"song = {_quoted(name)}",
        ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML string: JSON's escapes are TOML's too; the one control character that JSON leaves is not."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _stem(mix: str) -> str:
    """The mix's name as text: bytes of it that are none become underscores."""
    return Path(mix).stem.encode("utf-8", "replace").decode("utf-8").replace("?", "_")

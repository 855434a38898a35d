"""The difference of two versions as a file: what is left where the one is matched and taken off the other."""

from __future__ import annotations

from pathlib import Path

from simulator.audio_files.writer import write_audio
from simulator.comparison.difference_audio import Part
from simulator.engine.align import difference_audio
from simulator.storage.measurement_cache import Store
from simulator.storage.writing import make_folder, refuse_sources

PARTS: dict[str, Part] = {
    "residual": "residual",
    "gain-riding": "gain_riding",
    "waveform-change": "waveform_change",
}
"""As the user writes them."""


def difference_target(folder: Path, part: str) -> Path:
    """DIR/difference-PART.wav."""
    return folder / f"difference-{part}.wav"


def write_difference(
    open_path: str, loud_path: str, part: str, folder: Path, store: Store, force: bool
) -> Path:
    """Writes the open version minus the matched loud one (or one part of that) as 32-bit float, in the open
    version's time and at its rate. Raises UsageError where the two are different performances, AudioError,
    and WriteError where the file is there already or cannot be written."""
    make_folder(folder)
    target = difference_target(folder, part)
    refuse_sources([target], [open_path, loud_path])
    with difference_audio(open_path, loud_path, store, PARTS[part]) as heard:
        write_audio(
            target, heard.blocks, heard.sample_rate, heard.channels, "float32", force, False, heard.frames
        )
    return target

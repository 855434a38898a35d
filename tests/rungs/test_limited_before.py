"""An already limited mix is noticed on real music, and an open one is left alone."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from simulator.metering.meter import measure_array
from simulator.rungs.advice import limited_before


@pytest.mark.external
@pytest.mark.parametrize(("song", "limited"), [("chaosland-song", True), ("feelings-song", False)])
def test_a_dense_song_is_noticed_and_an_open_one_is_not(
    song: str, limited: bool, music_files: dict[str, Path]
) -> None:
    """Common practice, no source: the dense one has a PLR of 9.2 dB and a median PSR of 8.5 dB, the
    open one 12.9 and 11.4 dB."""
    samples, rate = soundfile.read(music_files[song], dtype="float32")
    assert bool(limited_before(measure_array(samples, rate))) is limited

"""Loudness tags by the text of the two schemes.

RFC 7845, 5.2.1: the examples −573 and 111, the range and the form of the number (secondary; its sentence on
ReplayGain tags from memory). ReplayGain 2.0, "Metadata": "[-]a.bb dB" and "c.dddddd" (from memory).
"""

from __future__ import annotations

import math

import pytest

from simulator.audio_files.tags import loudness_tags
from simulator.metering.loudness_tags import LoudnessTags, TagScheme


def of(name: str, *values: str, opus: bool = False) -> LoudnessTags:
    found = loudness_tags({name: list(values)}, 0 if opus else None)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("text", "gain_db"),
    [("-573", -2.238), ("111", 0.434), ("+256", 1.0), ("0", 0.0), ("-32768", -128.0), ("32767", 127.996)],
)
def test_an_opus_gain_is_a_whole_number_of_256ths(text: str, gain_db: float) -> None:
    found = of("r128_track_gain", text, opus=True)
    assert found.track_gain_db == pytest.approx(gain_db, abs=5e-4)
    assert (found.scheme, found.faults) == (TagScheme.R128, ())
    assert found.track_lufs == pytest.approx(-23.0 - gain_db, abs=5e-4)


@pytest.mark.parametrize("text", ["", "+", " 1", "32768", "-32769", "1.0", "0000001", "٣"])
def test_what_is_no_such_number_is_a_fault_and_no_gain(text: str) -> None:
    found = of("r128_track_gain", text, opus=True)
    assert found.track_gain_db is None
    assert found.faults == (f"R128_TRACK_GAIN “{text}” is not a valid value.",)


@pytest.mark.parametrize(
    ("text", "gain_db"), [("-7.60 dB", -7.6), ("+1.25 dB", 1.25), ("-7.6", -7.6), (" 3 DB ", 3.0)]
)
def test_a_replaygain_is_in_db_against_minus_18(text: str, gain_db: float) -> None:
    found = of("replaygain_track_gain", text)
    assert (found.scheme, found.track_gain_db, found.faults) == (TagScheme.REPLAYGAIN, gain_db, ())
    assert found.track_lufs == pytest.approx(-18.0 - gain_db)


@pytest.mark.parametrize("text", ["", "loud", "-7,6 dB", "nan", "1e3", "-70 dB", "9" * 5000])
def test_a_replaygain_that_is_no_number_is_a_fault(text: str) -> None:
    found = of("replaygain_album_gain", text)
    assert (found.album_gain_db, found.album_lufs, len(found.faults)) == (None, None, 1)
    assert len(found.faults[0]) < 80


def test_a_peak_is_linear_and_may_be_above_full_scale() -> None:
    found = loudness_tags(
        {"replaygain_track_peak": ["0.500000"], "replaygain_album_peak": ["1.122018"]}, None
    )
    assert found is not None
    assert found.track_peak_db == pytest.approx(20.0 * math.log10(0.5))
    assert found.album_peak_db == pytest.approx(1.0, abs=1e-5)


def test_replaygain_in_opus_is_out_of_place_and_does_not_count() -> None:
    found = of("replaygain_track_gain", "-7.60 dB", opus=True)
    assert (found.scheme, found.track_gain_db) == (TagScheme.R128, None)
    assert "do not belong in an Opus file" in found.faults[0]


def test_two_values_of_one_tag_are_a_fault() -> None:
    found = of("r128_album_gain", "-573", "111", opus=True)
    assert found.album_gain_db == pytest.approx(-2.238, abs=5e-4)
    assert found.faults == ("R128_ALBUM_GAIN appears 2 times, with different values.",)


def test_other_fields_are_no_loudness_tags() -> None:
    assert loudness_tags({"artist": ["A"], "r128_track_gain": ["1"]}, None) is None
    assert loudness_tags({}, 0) is None


def test_a_header_gain_alone_is_worth_showing() -> None:
    found = loudness_tags({}, -1536)
    assert found is not None
    assert (found.header_gain_db, found.track_gain_db) == (-6.0, None)

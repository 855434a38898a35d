"""Every number of every bundled profile stands on the page with its source."""

from __future__ import annotations

import tomllib

import pytest
from msgspec.structs import replace

from simulator.common.text import level
from simulator.normalizer.profile import Delivery
from simulator.page.content import number_rows
from simulator.storage.bundled import bundled_folder, bundled_profile_ids, load_profile


@pytest.mark.parametrize("profile_id", bundled_profile_ids())
def test_the_profiles_numbers_stand_there_with_their_sources(profile_id: str) -> None:
    profile = load_profile(profile_id)
    rows = number_rows(profile)
    text = (bundled_folder("profiles") / f"{profile_id}.toml").read_text(encoding="utf-8")
    read = tomllib.loads(text)
    sources = {row[2] for row in rows}
    for table, keys in read.items():
        if not isinstance(keys, dict) or table == "sources":
            continue
        if table == "ceiling" and profile.upward not in ("headroom", "limited"):
            continue
        for key, value in keys.items():
            if type(value) in (int, float):
                shown = f"{value:g}" if table == "encoding" else level(float(value))
                assert any(shown in row[1] for row in rows), (table, key, value)
                assert profile.sources[f"{table}.{key}"] in sources, (table, key)


def test_a_rule_without_a_stated_source_has_a_dash() -> None:
    rows = {row[0]: row for row in number_rows(load_profile("minus14-headroom"))}
    assert rows["What gets one gain"] == ("What gets one gain", "each track by itself", "–")
    assert rows["Target loudness"][1] == "−14.0 LUFS"


def test_a_delivery_stands_there_with_its_numbers() -> None:
    profile = replace(
        load_profile("minus14-headroom"),
        delivery=Delivery(sample_rate=44100, bits=16, codec="mp3", bit_rate_kbps=192.0),
    )
    said = {row[0]: row[1] for row in number_rows(profile)}
    assert said["Delivered at"] == "44100 Hz"
    assert said["Delivered in"] == "16 bits"
    assert said["Delivered as"] == "MP3"
    assert said["Bit rate"] == "192 kbit/s"

"""The page's pictures: whole, inline, in the page's colours, with an alternative, no text of the user's."""

from __future__ import annotations

import itertools
import re
from xml.etree import ElementTree

import numpy as np
import pytest

from simulator.common.units import lufs_to_energy
from simulator.page.charts import (
    FLOOR_LUFS,
    MOST_POINTS,
    HeadroomBar,
    curve,
    headroom_svg,
    limits,
    loudness_svg,
)


def energy(seconds: float, level_lufs: float) -> np.ndarray:
    return np.full(round(seconds * 10), lufs_to_energy(level_lufs))


def test_a_curve_is_the_short_term_loudness_at_the_middle_of_its_windows() -> None:
    found = curve(np.concatenate([energy(10, -20.0), energy(10, -14.0)]))
    assert found.time_s[0] == pytest.approx(1.5)
    assert found.time_s[-1] == pytest.approx(18.5)
    assert found.loudness_lufs[0] == pytest.approx(-20.0)
    assert found.loudness_lufs[-1] == pytest.approx(-14.0)


@pytest.mark.parametrize("seconds", [6.0, 60.0, 3600.0])
def test_a_curve_is_thinned_to_what_a_screen_shows_and_keeps_its_greatest_value(seconds: float) -> None:
    series = energy(seconds, -20.0)
    series[series.shape[0] // 2 :][:30] = lufs_to_energy(-9.0)
    found = curve(series)
    assert 1 <= found.time_s.shape[0] <= MOST_POINTS
    assert found.loudness_lufs.max() == pytest.approx(-9.0)
    assert found.time_s.max() <= seconds


def test_silence_lies_on_the_floor_and_a_short_track_has_no_curve() -> None:
    assert curve(np.zeros(100)).loudness_lufs.tolist() == [FLOOR_LUFS] * 71
    assert curve(np.zeros(10)).time_s.size == 0


PICTURES = {
    "loudness": loudness_svg(
        [curve(energy(60, -14.0)), curve(energy(50, -9.0))], (-30.0, 0.0), -14.0, 'a & "b" <c>', "one"
    ),
    "empty": loudness_svg([curve(np.zeros(0))], limits([curve(np.zeros(0))]), None, "nothing", "two"),
    "headroom": headroom_svg(
        [HeadroomBar(1, -14.0, -1.0), HeadroomBar(2, -9.0, 0.7), HeadroomBar(3, None, None)], "bars", "three"
    ),
}


@pytest.mark.parametrize("picture", PICTURES.values(), ids=PICTURES.keys())
def test_a_picture_is_one_inline_element_with_an_alternative(picture: str) -> None:
    root = ElementTree.fromstring(
        picture.replace("<svg ", '<svg xmlns:xlink="http://www.w3.org/1999/xlink" ', 1)
    )
    assert root.get("role") == "img"
    assert root.get("aria-label")
    assert root.get("width") is None  # it scales with the page
    ids = re.findall(r'\bid="([^"]+)"', picture)
    assert len(ids) == len(set(ids))
    for reference in re.findall(r"url\(#([^)]+)\)", picture):
        assert reference in ids
    assert "<style" not in picture  # it would hold for the whole page
    assert re.search(r"\bnan\b", picture) is None


@pytest.mark.parametrize("picture", PICTURES.values(), ids=PICTURES.keys())
def test_every_colour_is_the_pages_own(picture: str) -> None:
    assert re.findall(r"#[0-9a-fA-F]{6}\b", picture) == []
    assert set(re.findall(r"(?:fill|stroke): ([^;\"]+)", picture)) <= {
        "none", "var(--ink)", "var(--soft)", "var(--rule)", "var(--first)", "var(--second)"
    }  # fmt: skip


def test_the_alternative_is_escaped() -> None:
    assert 'aria-label="a &amp; &quot;b&quot; &lt;c&gt;"' in PICTURES["loudness"]


def test_two_pictures_of_the_page_share_no_id() -> None:
    ids = [set(re.findall(r'\bid="([^"]+)"', one)) for one in PICTURES.values()]
    assert not ids[0] & ids[1]
    assert not ids[0] & ids[2]


def test_lines_differ_by_dash_and_not_by_colour_alone() -> None:
    dashes = re.findall(r"stroke-dasharray: ([^;]+);", PICTURES["loudness"])
    assert len(dashes) == 2  # the target and the second curve; the first is solid


def test_one_scale_holds_all_curves() -> None:
    low, high = limits([curve(energy(60, -14.3)), curve(energy(60, -6.9))])
    assert (low, high) == (-20.0, -5.0)


@pytest.mark.parametrize("low", [-13.9, -14.0, -19.6, -27.0, -44.0, -58.0])
def test_the_numbers_on_the_axis_are_where_they_say(low: float) -> None:
    """Ticks lie on whole numbers at equal steps, so that a rounded label is no lie."""
    picture = headroom_svg([HeadroomBar(1, low, -1.0), HeadroomBar(2, low + 3.0, 0.4)], "bars", "axis")
    numbers = re.findall(r'x="([\d.]+)"[^>]*>(−?\d+)</text>', picture)
    axis = [(float(x), float(text.replace("−", "-"))) for x, text in numbers if text not in ("1", "2")]
    assert axis[-1][1] == 0.0
    steps = {round(b[1] - a[1], 6) for a, b in itertools.pairwise(axis)}
    widths = {round((b[0] - a[0]) / (b[1] - a[1]), 2) for a, b in itertools.pairwise(axis)}
    assert len(steps) == 1
    assert len(widths) == 1

"""The picture of two versions: what is drawn, that it reads without colour, and that it is in words."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from functools import cache

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import StepPatch
from support.made_comparison import NAMES, compared, laid, song
from support.made_measurements import player

from simulator.audibility.audibility import Audibility, Hits, Moment, MomentKind
from simulator.common.units import energy_to_lufs
from simulator.comparison.alignment import Alignment
from simulator.metering.gating import short_term_energies
from simulator.metering.measurement import Measurement
from simulator.text.charts.comparison import (
    HATCHES,
    LINES,
    Drawing,
    Drawn,
    comparison_figure,
)
from simulator.text.charts.style import STYLE
from simulator.text.colours import LOUD as LOUD_COLOUR
from simulator.text.colours import OPEN as OPEN_COLOUR
from simulator.text.colours import VERSIONS

OPEN = song([(-20.0, 20.0), (-12.0, 20.0), (-60.0, 5.0)], -6.0)
LOUD = song([(-11.0, 20.0), (-8.0, 20.0), (-60.0, 5.0)], 0.8)
LEVELS = player("unprotected")


def drawn(loud: Measurement = LOUD, alignment: Alignment | None = None) -> Figure:
    return comparison_figure(drawing(loud, alignment))


def drawing(loud: Measurement = LOUD, alignment: Alignment | None = None, name: str = NAMES.loud) -> Drawing:
    found = compared(loud, OPEN, [LEVELS], alignment)
    played, place = found.played[0], found.alignment if found.passages.shared else None
    heard = (played.open.prediction.played, played.loud.prediction.played)
    versions = [
        Drawn(NAMES.open, None, OPEN, heard[0], found.delivered.open, played.side.open),
        Drawn(name, place, loud, heard[1], found.delivered.loud, played.side.loud),
    ]
    return Drawing("loud is louder.", played.profile.title, versions, found.passages)


def loudness(found: Measurement) -> float:
    assert found.integrated_lufs is not None
    return found.integrated_lufs


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2): what is left in greyscale."""
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot(parts, [0.2126, 0.7152, 0.0722]))


def text_of(figure: Figure) -> str:
    with mpl.rc_context(STYLE):
        into = io.StringIO()
        figure.savefig(into, format="svg", metadata={"Date": None})
    return into.getvalue()


@cache
def usual_text() -> str:
    return text_of(drawn())


def test_the_lines_are_the_short_term_loudness_of_both_as_delivered_and_as_played() -> None:
    first, second, *_ = drawn().axes
    for axes, gains in ((first, (0.0, 0.0)), (second, None)):
        lines = [line for line in axes.get_lines() if len(line.get_xdata()) > 2]
        assert [line.get_label() for line in lines] == [NAMES.open, NAMES.loud]
        for line, measured in zip(lines, (OPEN, LOUD), strict=True):
            gain = 0.0 if gains is not None else -14.0 - loudness(measured)
            expected = energy_to_lufs(float(short_term_energies(measured.series.energy)[50]))
            assert expected is not None
            assert line.get_ydata()[50] == pytest.approx(expected + gain)
            assert line.get_xdata()[50] == pytest.approx(5.0 + 1.5), "the middle of its 3 s"
            assert np.isnan(line.get_ydata()[-1]), "what is far below is not drawn"


def test_the_loud_one_is_drawn_at_the_moments_that_belong_together() -> None:
    later = song([(-60.0, 2.0), (-11.0, 20.0), (-8.0, 20.0), (-60.0, 5.0)], 0.8)
    line = drawn(later, laid(later, OPEN, 2.0)).axes[0].get_lines()[1]
    assert line.get_xdata()[0] == pytest.approx(1.5 - 2.0)


def test_without_common_moments_each_has_its_own_time() -> None:
    figure = drawn(alignment=laid(LOUD, OPEN, kind="different"))
    assert figure.axes[0].get_xlabel() == "time (min:s)"
    assert not figure.axes[0].texts
    assert [text.get_text() for text in drawn().axes[0].texts] == ["loudest", "quietest"]


def test_a_strip_has_the_share_above_the_mask_and_the_worst_moments_in_the_open_versions_time() -> None:
    found = Audibility(
        0.2, 0.0, 3.0, (), Hits(0, None, None), None, None,
        (Moment(MomentKind.PUMPING, 12.0, 3.0, 3.0, 1.5), Moment(MomentKind.ATTACK, 30.0, 3.0, 6.0, 2.0)),
        1.0, (0.0,) * 43, 2.0, tuple(0.5 if second < 20 else 0.0 for second in range(43)),
    )  # fmt: skip
    axes = comparison_figure(replace(drawing(), audibility=found)).axes
    strip = next(one for one in axes if "likely to be heard" in one.get_title(loc="left"))
    (steps,) = [one for one in strip.patches if isinstance(one, StepPatch)]
    percent, edges, _ = steps.get_data()
    assert (percent[19], percent[20], edges[0], edges[-1]) == (50.0, 0.0, 2.0, 45.0)
    marks = {
        text.get_text(): line.get_xdata()[0]
        for text, line in zip(strip.texts, strip.get_lines(), strict=True)
    }
    assert marks == {"1": 31.5, "2": 13.5}
    below = strip.get_xlabel().replace("\N{NO-BREAK SPACE}", " ")
    assert "1  0:30.0: hits lose 6.0 dB of attack" in below
    assert "2  0:12.0: the level pumps by 3.0 dB" in below
    nothing = comparison_figure(replace(drawing(), audibility=replace(found, moments=())))
    assert "No audible change is expected." in text_of(nothing)
    assert "likely to be heard" not in usual_text()


def test_it_reads_without_colour_and_with_the_colours_of_the_house() -> None:
    """Every colour has a contrast of 3:1 against the paper (what WCAG 2 asks of graphics); versions differ by
    line and by hatching, so that greyscale tells them apart."""
    assert all(1.05 / (luminance(colour) + 0.05) >= 3.0 for colour in VERSIONS)
    looks = [(line["linewidth"], line["linestyle"]) for line in LINES]
    assert len(set(looks)) == len(set(HATCHES)) == len(VERSIONS) == len(LINES) == len(HATCHES)
    lines = drawn().axes[0].get_lines()
    assert [line.get_color() for line in lines] == [OPEN_COLOUR, LOUD_COLOUR]
    bars = [bar for bar in drawn().axes[2].patches if bar.get_facecolor()[:3] != (1.0, 1.0, 1.0)]
    assert [bar.get_hatch() or "" for bar in bars] == list(HATCHES[:2])


def test_six_versions_are_drawn_and_named() -> None:
    made = drawing()
    six = [replace(made.versions[place % 2], name=f"version {place}") for place in range(6)]
    figure = comparison_figure(replace(made, versions=six))
    assert len(figure.axes[0].get_lines()) == 6
    assert [label.get_text() for label in figure.axes[2].get_yticklabels()] == [one.name for one in six]


def test_everything_is_labelled_in_words() -> None:
    text = usual_text()
    for words in (
        "loud is louder.", "As delivered", "As played: Made for a test", "loudest", "quietest",
        "short-term loudness (LUFS)", "time in open (min:s)",
        "Headroom: bar = loudness to true peak, white = unused", "level re full scale (dB)", "dB unused",
        "0.8 dB over",
    ):  # fmt: skip
        assert words in text, words
    title = drawn().axes[1].get_title(loc="left").replace("\n", " ")
    assert f"loud turned down {14.0 + loudness(LOUD) + 0.001:.1f} dB" in title


def test_the_bars_reach_from_the_loudness_to_the_true_peak() -> None:
    """The coloured ones; what is white reaches from the peak to full scale."""
    delivered, played = (
        [bar for bar in axes.patches if bar.get_facecolor()[:3] != (1.0, 1.0, 1.0)]
        for axes in drawn().axes[2:]
    )
    assert delivered[0].get_x() == pytest.approx(loudness(OPEN))
    assert delivered[0].get_x() + delivered[0].get_width() == pytest.approx(-6.0)
    assert delivered[1].get_x() == pytest.approx(loudness(LOUD))
    assert delivered[1].get_x() + delivered[1].get_width() == pytest.approx(0.8)
    assert [bar.get_x() for bar in played] == [pytest.approx(-14.0)] * 2


def test_the_same_numbers_give_the_same_file() -> None:
    assert text_of(drawn()) == usual_text()


def test_minus_signs_are_true_ones() -> None:
    labels = re.findall(r">([−-]\d+)<", usual_text())
    assert labels
    assert all(label.startswith("−") for label in labels)


def test_dollar_signs_in_a_name_are_no_formula() -> None:
    """`$x^$` is a wrong one, and would end the drawing."""
    with mpl.rc_context(STYLE):
        figure = comparison_figure(drawing(name="Ca$x^$h"))
        page = io.StringIO()
        figure.savefig(page, format="svg")
    assert "$x^$" in page.getvalue()

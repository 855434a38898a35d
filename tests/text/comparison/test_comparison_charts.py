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
from support.made_comparison import NAMES, compared, laid, song
from support.made_measurements import player

from simulator.common.units import energy_to_lufs
from simulator.comparison.alignment import Alignment
from simulator.metering.gating import short_term_energies
from simulator.metering.measurement import Measurement
from simulator.text.comparison.charts import LOUD_LINE, OPEN_LINE, STYLE, comparison_figure

OPEN = song([(-20.0, 20.0), (-12.0, 20.0), (-60.0, 5.0)], -6.0)
LOUD = song([(-11.0, 20.0), (-8.0, 20.0), (-60.0, 5.0)], 0.8)
LEVELS = player("unprotected")


def drawn(loud: Measurement = LOUD, alignment: Alignment | None = None) -> Figure:
    found = compared(loud, OPEN, [LEVELS], alignment)
    return comparison_figure(found, found.played[0], NAMES, loud, OPEN)


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
    first, second, _ = drawn().axes
    for axes, gains in ((first, (0.0, 0.0)), (second, None)):
        lines = [line for line in axes.get_lines() if len(line.get_xdata()) > 2]
        assert [line.get_label() for line in lines] == [NAMES.loud, NAMES.open]
        for line, measured in zip(lines, (LOUD, OPEN), strict=True):
            gain = 0.0 if gains is not None else -14.0 - loudness(measured)
            expected = energy_to_lufs(float(short_term_energies(measured.series.energy)[50]))
            assert expected is not None
            assert line.get_ydata()[50] == pytest.approx(expected + gain)
            assert line.get_xdata()[50] == pytest.approx(5.0 + 1.5), "the middle of its 3 s"
            assert np.isnan(line.get_ydata()[-1]), "what is far below is not drawn"


def test_the_loud_one_is_drawn_at_the_moments_that_belong_together() -> None:
    later = song([(-60.0, 2.0), (-11.0, 20.0), (-8.0, 20.0), (-60.0, 5.0)], 0.8)
    line = drawn(later, laid(later, OPEN, 2.0)).axes[0].get_lines()[0]
    assert line.get_xdata()[0] == pytest.approx(1.5 - 2.0)


def test_without_common_moments_each_has_its_own_time() -> None:
    figure = drawn(alignment=laid(LOUD, OPEN, kind="different"))
    assert figure.axes[0].get_xlabel() == "time (min:s)"
    assert not figure.axes[0].texts
    assert [text.get_text() for text in drawn().axes[0].texts] == ["loudest", "quietest"]


def test_it_reads_in_greyscale_and_by_the_kind_of_line() -> None:
    """Contrast of the two at least 3:1 (what WCAG 2 asks of graphics), and neither by colour alone."""
    dark, light = sorted((luminance(LOUD_LINE["color"]), luminance(OPEN_LINE["color"])))
    assert (light + 0.05) / (dark + 0.05) >= 3.0
    assert LOUD_LINE["linestyle"] != OPEN_LINE["linestyle"]
    assert (1.0 + 0.05) / (light + 0.05) >= 3.0, "against the white paper"
    hatches = [bar.get_hatch() for bar in drawn().axes[2].patches if bar.get_hatch()]
    assert hatches == ["///", "...", "///", "..."]


def test_everything_is_labelled_in_words() -> None:
    text = usual_text()
    for words in (
        "the loud master", "the open master", "As delivered", "As played: Made for a test", "loudest",
        "quietest",
        "short-term loudness (LUFS)", "time in the open master (min:s)", "Headroom", "dB unused",
        "0.8 dB over full scale",
        f"the loud master turned down {14.0 + loudness(LOUD):.1f} dB, the open master turned up "
        f"{-14.0 - loudness(OPEN):.1f} dB",
    ):  # fmt: skip
        assert words in text, words


def test_the_bars_reach_from_the_loudness_to_the_true_peak() -> None:
    bars = [bar for bar in drawn().axes[2].patches if bar.get_hatch()]
    assert bars[0].get_x() == pytest.approx(loudness(LOUD))
    assert bars[0].get_x() + bars[0].get_width() == pytest.approx(0.8)
    assert bars[1].get_x() + bars[1].get_width() == pytest.approx(-6.0)
    assert bars[2].get_x() == pytest.approx(-14.0)


def test_the_same_numbers_give_the_same_file() -> None:
    assert text_of(drawn()) == usual_text()


def test_minus_signs_are_true_ones() -> None:
    labels = re.findall(r">([−-]\d+)<", usual_text())
    assert labels
    assert all(label.startswith("−") for label in labels)


def test_dollar_signs_in_a_name_are_no_formula() -> None:
    """`$x^$` is a wrong one, and would end the drawing."""
    found = compared(LOUD, OPEN, [LEVELS])
    names = replace(NAMES, loud="Ca$x^$h")
    with mpl.rc_context(STYLE):
        figure = comparison_figure(found, found.played[0], names, LOUD, OPEN)
        page = io.StringIO()
        figure.savefig(page, format="svg")
    assert "$x^$" in page.getvalue()

"""The stage at four sizes: what it must show, that it fits, and that curves lie where the levels are."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.cells import cell_len

from simulator.text.desk.stage import Stage, StageCurve, curve_columns, stage_height, stage_lines
from simulator.text.desk.status_bar import Bar, TrialBar

SIZES = [(80, 24), (100, 30), (140, 40), (200, 60)]
BAR = Bar(
    number=2,
    title="Night bus (loud master)",
    motion="playing",
    place_s=61.0,
    length_s=122.0,
    profile="minus14-headroom",
    state="delivered",
    gain_db=0.0,
    trim_db=-12.0,
    other="open master",
    difference_lu=7.0,
    momentary_lufs=-20.1,
    short_term_lufs=-19.8,
    true_peak_dbtp=-12.3,
)


def stage(columns: int, *levels: float, playing: int = 1, **changes: object) -> Stage:
    """Versions of constant level, the `playing`-th of them playing, on a scale from −30 to 0 LUFS."""
    curves = tuple(
        StageCurve(i + 1, f"version {i + 1}", i, i == playing, (level,) * (2 * curve_columns(columns)))
        for i, level in enumerate(levels)
    )
    made = Stage(BAR, curves, -30.0, 0.0, (0.25,), (0.5, 0.75), 0.6, 0.1, 0.5)
    return replace(made, **changes)  # type: ignore[arg-type]


def text(shown: Stage, columns: int, rows: int) -> list[str]:
    lines = stage_lines(shown, columns, stage_height(columns, rows))
    return ["".join(piece for _, piece in line) for line in lines]


def drawn_rows(shown: Stage, columns: int, rows: int) -> list[int]:
    """In which lines of the curves something is drawn, the playhead aside."""
    lines = text(shown, columns, rows)[3:-2]
    return [i for i, line in enumerate(lines) if line[6:].replace("│", "").strip()]


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_it_has_its_height_fits_the_width_and_says_what_plays_how_and_where(columns: int, rows: int) -> None:
    lines = text(stage(columns, -20.0, -13.0), columns, rows)
    assert len(lines) == stage_height(columns, rows)
    assert all(cell_len(line) <= columns for line in lines)
    assert "Night bus (loud master)" in lines[0]
    assert "1:01 / 2:02" in lines[0]
    assert "as delivered" in lines[1]
    assert "trim −12.0" in lines[1]
    for wanted in ("peak room 0.5 dB", "−20.1", "−19.8", "−12.3"):
        assert wanted in lines[2]
    assert "▶2 version 2" in lines[-1]
    assert "7.0 LU louder than “open master”" in lines[-1]


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_places_on_the_ruler(columns: int, rows: int) -> None:
    ruler = text(stage(columns, -20.0, -13.0), columns, rows)[-2][6:]
    width = curve_columns(columns)
    for sign, share in (("◆", 0.25), ("▽", 0.1), ("▲", 0.6), ("]", 0.75)):
        assert ruler[int(share * width)] == sign
    assert ruler.count("═") > width // 8
    assert len(ruler) == width


def test_worst_moments_are_on_the_ruler_and_explained_where_there_is_room() -> None:
    for columns, explained in ((80, False), (160, True)):
        shown = stage(columns, -20.0, -13.0, worst=(0.3, 0.4))
        lines = text(shown, columns, 40)
        width = curve_columns(columns)
        assert [lines[-2][6:][int(share * width)] for share in (0.3, 0.4)] == ["×", "×"]
        assert ("× worst" in lines[-1]) is explained
        assert cell_len(lines[-1]) <= columns
    assert "×" not in "".join(text(stage(160, -20.0, -13.0), 160, 40))


@pytest.mark.parametrize(("columns", "rows"), SIZES)
def test_curves_part_where_levels_part_and_meet_where_they_meet(columns: int, rows: int) -> None:
    apart = drawn_rows(stage(columns, -25.0, -5.0), columns, rows)
    together = drawn_rows(stage(columns, -15.0, -15.2), columns, rows)
    most = stage_height(columns, rows) - 5
    assert apart[0] <= most // 4
    assert apart[-1] >= 3 * most // 4
    assert len(together) <= 2
    assert abs(together[0] - most // 2) <= 1


def test_the_version_that_plays_is_thicker_so_that_colour_is_never_alone() -> None:
    def dots(playing: int) -> list[int]:
        """Dots of the upper and of the lower curve."""
        lines = text(stage(140, -5.0, -25.0, playing=playing), 140, 40)[3:-2]
        sums = [sum((ord(one) - 0x2800).bit_count() for one in line if one >= "⠀") for line in lines]
        return [sum(sums[: len(sums) // 2]), sum(sums[len(sums) // 2 :])]

    upper, lower = dots(0)
    assert upper == 2 * lower
    upper, lower = dots(1)
    assert lower == 2 * upper


def test_without_a_second_version_a_level_or_a_length_it_is_drawn_all_the_same() -> None:
    nothing = Stage(replace(BAR, number=None, length_s=0.0, other="", difference_lu=None))
    assert len(text(nothing, 80, 24)) == 10
    gaps = stage(80, -20.0)
    holed = replace(gaps.curves[0], values=(None, -20.0) * curve_columns(80))
    assert drawn_rows(replace(gaps, curves=(holed,)), 80, 24)


@pytest.mark.parametrize(("columns", "rows"), [(79, 24), (80, 19), (40, 60)])
def test_below_80_by_20_there_is_none(columns: int, rows: int) -> None:
    assert stage_height(columns, rows) == 0


@pytest.mark.parametrize(("columns", "rows"), SIZES)
@pytest.mark.parametrize("letter", ["A", "B", "X", ""])
def test_in_a_trial_it_shows_the_letter_the_round_and_the_place(letter: str, columns: int, rows: int) -> None:
    trial = TrialBar(3, 16, letter, ("A", "B", "X"), ("A",))
    bar = replace(BAR, number=None, title="", place_s=4.0, length_s=12.0, trial=trial)
    lines = text(Stage(bar), columns, rows)
    assert len(lines) == stage_height(columns, rows)
    assert "round 3 of 16" in lines[0]
    assert "0:04 / 0:12" in lines[0]
    assert "to hear: B X" in lines[-1]
    assert not any(line.strip() for line in lines[3:-2])
    assert "Night" not in " ".join(lines)


def test_an_answer_that_waits_for_its_confirmation_is_shown() -> None:
    trial = TrialBar(3, 16, "A", ("A", "B", "X"), ("A", "B", "X"), "B")
    lines = text(Stage(replace(BAR, number=None, title="", trial=trial)), 80, 24)
    assert "answer B? Press B again or y" in lines[-1]

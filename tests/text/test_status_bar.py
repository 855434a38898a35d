"""The toolbar fits every width, keeps what matters, and says it in words as soon as there is room."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.cells import cell_len

from simulator.text.desk.status_bar import Bar, clock_time, toolbar_lines

NARROWEST = 40

BAR = Bar(
    number=2,
    title="Night bus (crushed master)",
    motion="playing",
    place_s=83.47,
    length_s=245.0,
    profile="minus14-headroom",
    state="played",
    gain_db=-7.1,
    trim_db=-12.0,
    other="open master",
    difference_lu=-2.2,
    momentary_lufs=-26.14,
    short_term_lufs=-25.81,
    true_peak_dbtp=-13.2,
    limiter_lu=2.1,
)
WIDE_TITLE = "夜行バスの歌、とても長い題名のマスター（完成版）"
CASES = {
    "as played": BAR,
    "as delivered, dimmed, mono": replace(BAR, state="delivered", gain_db=0.0, dim=True, listen="mono"),
    "muted, dropouts, a notice": replace(BAR, mute=True, dropouts=12, notice="no sound: no device is open"),
    "matched": replace(BAR, state="matched", difference_lu=0.02),
    "resampled": replace(BAR, resampled=(96_000, 44_100)),
    "nothing to read": Bar(None, "nothing", "stopped", 0.0, 0.0, "none", "played", 0.0, -12.0),
    "wide characters": replace(BAR, title=WIDE_TITLE, other=WIDE_TITLE),
    "an hour and long names": replace(
        BAR, place_s=3700.0, length_s=7322.0, title="x" * 300, other="y" * 300, profile="z" * 80
    ),
}


@pytest.mark.parametrize("name", list(CASES))
def test_both_lines_fit_every_width(name: str) -> None:
    for width in range(NARROWEST, 201):
        for line in toolbar_lines(CASES[name], width):
            assert cell_len(line) <= width, (width, line)
            assert line == line.strip()
            assert "\n" not in line


@pytest.mark.parametrize("width", [1, 5, 20, 39])
def test_a_terminal_narrower_than_that_is_cut_and_never_overflows(width: int) -> None:
    assert all(cell_len(line) <= width for line in toolbar_lines(BAR, width))


@pytest.mark.parametrize("width", range(NARROWEST, 201, 4))
def test_place_state_gain_and_the_passages_difference_are_at_every_width(width: int) -> None:
    first, second = toolbar_lines(BAR, width)
    assert first.startswith("▶ 2 ")
    assert "1:23" in first
    assert "played" in first
    assert "−7.1" in first
    assert "−12.0" in first
    assert "2.2 LU" in second
    assert "−2.2" in second or "quieter" in second


@pytest.mark.parametrize("width", [80, 100, 140, 200])
def test_at_80_cells_everything_is_there(width: int) -> None:
    first, second = toolbar_lines(BAR, width)
    for wanted in ("Night bus", "1:23", "4:05", "minus14-headroom", "−7.1", "trim −12.0"):
        assert wanted in first
    for wanted in ("2.2 LU quieter than “open master”", "−26.1", "−25.8", "−13.2", "lim", "−2.1", "drop"):
        assert wanted in second


def test_a_wide_terminal_gets_whole_words() -> None:
    assert toolbar_lines(BAR, 140) == (
        "▶ 2 Night bus (crushed master)  1:23 / 4:05  as played on minus14-headroom −7.1 dB  trim −12.0 dB",
        "here 2.2 LU quieter than “open master”  out: momentary −26.1  short-term −25.8 LUFS  "
        "true peak −13.2 dBTP  limiter −2.1 LU  no dropouts",
    )


@pytest.mark.parametrize(
    ("difference_lu", "words"),
    [
        (-2.2, "2.2 LU quieter than “open master”"),
        (7.06, "7.1 LU louder than “open master”"),
        (0.02, "same level as “open master”"),
        (-0.04, "same level as “open master”"),
        (None, "no level to compare with “open master”"),
    ],
)
def test_the_difference_is_said_in_words(difference_lu: float | None, words: str) -> None:
    assert words in toolbar_lines(replace(BAR, difference_lu=difference_lu), 180)[1]


def test_without_another_version_it_says_so() -> None:
    assert "no other version" in toolbar_lines(replace(BAR, other=""), 120)[1]


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize(
    ("changes", "mark"),
    [
        ({"mute": True}, "MUTE"),
        ({"dim": True}, "DIM"),
        ({"mute": True, "dim": True}, "MUTE"),
        ({"listen": "mono"}, "MONO"),
        ({"listen": "side"}, "L−R"),
        ({"listen": "side", "mute": True}, "L−R MUTE"),
    ],
)
def test_what_sounds_odd_explains_itself_at_every_width(
    changes: dict[str, object], mark: str, width: int
) -> None:
    assert mark in toolbar_lines(replace(BAR, **changes), width)[0]


@pytest.mark.parametrize(("count", "words"), [(0, "no dropouts"), (1, "1 dropout"), (2, "2 dropouts")])
def test_dropouts_are_counted(count: int, words: str) -> None:
    assert toolbar_lines(replace(BAR, dropouts=count), 200)[1].endswith(words)


def test_while_there_is_no_sound_nobody_is_told_that_nothing_dropped_out() -> None:
    lost = replace(BAR, alive=False, notice="no sound: device lost")
    assert "dropout" not in toolbar_lines(lost, 200)[1]
    assert toolbar_lines(replace(lost, dropouts=1), 200)[1].endswith("1 dropout")


def test_a_lane_without_limiter_says_nothing_of_one() -> None:
    assert "lim" not in toolbar_lines(replace(BAR, limiter_lu=None), 200)[1]
    assert "limiter 0.0 LU" in toolbar_lines(replace(BAR, limiter_lu=0.01), 200)[1]


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.0, "0:00"), (59.99, "0:59"), (83.47, "1:23"), (3725.0, "1:02:05"), (-0.1, "0:00")],
)
def test_a_running_place_has_no_tenths(seconds: float, text: str) -> None:
    assert clock_time(seconds) == text


def test_a_track_that_is_resampled_says_so_while_there_is_room() -> None:
    resampled = replace(BAR, resampled=(96_000, 44_100))
    assert "resampled 96 to 44.1 kHz" in toolbar_lines(resampled, 160)[1]
    assert "96→44.1 kHz" in toolbar_lines(resampled, 100)[1]
    assert "resampled" not in "".join(toolbar_lines(BAR, 160))

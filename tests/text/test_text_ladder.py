"""Every sentence about a ladder is made by a rule: each rule is met and missed, on cases worked by hand."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Sequence
from dataclasses import replace

import pyte
import pytest
from rich.table import Table
from support.made_measurements import made, player

from simulator.cli.output import Amount, Readout
from simulator.cli.steps.ladder import rungs_shown
from simulator.common.errors import AudioError
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.rungs.advice import Destination, Weight, advise, default_levels, limited_before
from simulator.rungs.rung import Action, Decoded, Ladder, Rung
from simulator.text import ladder as view
from simulator.text.charts.ladder import ladder_figure

MIX = made(-18.0, -1.0)


def named(profile: Profile, name: str) -> Profile:
    import msgspec

    return msgspec.structs.replace(profile, id=name, title=name.capitalize())


DOWN = named(player("never"), "phones")
"""Turns down to −14 LUFS, never up."""
UP = named(player("headroom"), "radio")
"""Raises up to −1 dBTP, to −14 LUFS."""
CLUB = named(player("never", target_lufs=None), "club")
LOUD = named(player("never", target_lufs=-8.0), "loud")


def rung(
    wanted: float,
    profiles: Sequence[Profile],
    *,
    lufs: float | None = None,
    limited_db: float = 3.0,
    lowered_db: float = 0.0,
    passage_db: float = 0.0,
) -> Rung:
    """Peaks at −1 dBTP; `passage_db` takes from the loudest passage as played."""
    measured = made(wanted if lufs is None else lufs, -1.0)
    played = {one.id: from_gain(decide(one, measured), measured) for one in profiles}
    for name, one in played.items():
        assert one.played.max_short_term_lufs is not None
        denser = replace(one.played, max_short_term_lufs=one.played.max_short_term_lufs - passage_db)
        played[name] = replace(one, played=denser)
    return Rung(
        wanted_lufs=wanted,
        reached=lufs is None,
        why="" if lufs is None else "even 24 dB of drive is not enough",
        drive_db=wanted + 20.0 - lowered_db,
        output_gain_db=lowered_db,
        passes=2,
        action=Action(0.5, limited_db, 0.2, 0.05),
        measurement=measured,
        residual_lu=-20.0 + wanted / 2.0 - lowered_db,
        played=played,
    )


def case(levels: Sequence[float], *destinations: Destination, passage_db: float = 0.0) -> list[Rung]:
    profiles = [one.profile for one in destinations]
    return [
        rung(level, profiles, passage_db=passage_db if place == len(levels) - 1 else 0.0)
        for place, level in enumerate(levels)
    ]


def ladder(rungs: Sequence[Rung]) -> Ladder:
    return Ladder("mix.wav", -1.0, "true", "limit", tuple(rungs))


def test_one_knee() -> None:
    """−16 plays at −16, −14 and all above at −14: −14 is enough; louder gains 0.0 LU."""
    there = [Destination(DOWN)]
    assert view.answer(case((-16.0, -14.0, -12.0), *there, passage_db=1.5), there) == [
        "−14 LUFS is enough on phones: mastering louder gains nothing there and makes the loudest passage up "
        "to 1.5 LU quieter."
    ]


def test_a_gain_within_the_tie_is_named_and_not_called_nothing() -> None:
    there = [Destination(DOWN)]
    (said,) = view.answer(case((-16.0, -14.1, -12.0), *there), there)
    assert said == "−14.1 LUFS is enough on phones: mastering louder gains at most 0.1 LU there."


def test_a_flat_ladder_claims_no_knee() -> None:
    """All rungs play at −14: the lowest tried is the best, and a lower one might have been as good."""
    there = [Destination(DOWN), Destination(UP)]
    (said,) = view.answer(case((-13.0, -12.0, -10.0), *there), there)
    assert said == (
        "−13 LUFS is enough on both normalising players: mastering louder gains nothing there; no lower rung "
        "was tried."
    )


def test_a_rung_that_costs_nothing_is_taken_before_a_lower_one() -> None:
    """Both are plain gain, both play at −14: the higher one is free, and gives more elsewhere."""
    there = [Destination(DOWN)]
    rungs = [rung(-14.0, [DOWN], limited_db=0.0), rung(-13.0, [DOWN], limited_db=0.0), rung(-9.0, [DOWN])]
    (said,) = view.answer(rungs, there)
    assert said.startswith("−13 LUFS is enough on phones")
    assert "no lower rung" not in said


def test_where_louder_stays_louder_it_says_so() -> None:
    there = [Destination(LOUD)]
    assert view.answer(case((-16.0, -12.0), *there), there) == [
        "On loud louder stays louder up to −12 LUFS, the loudest rung tried."
    ]


def test_two_destinations_in_conflict_one_master_or_two() -> None:
    """club plays what it is given: −9 is 5.0 LU louder than −14 and its PLR 8 dB against 13: costs 5.0 dB."""
    there = [Destination(DOWN), Destination(UP), Destination(CLUB)]
    rungs = case((-16.0, -14.0, -12.0, -9.0, -7.0), *there)
    first, second = view.answer(rungs, there)
    assert first == "−14 LUFS is enough on both normalising players: mastering louder gains nothing there."
    assert second == ("Unnormalised, −9 is 5.0 LU louder and costs 5.0 dB of PLR: taste decides.")
    assert view.sentences(ladder(rungs), there, MIX)[0] == (
        "One master at −14: loses nothing at 2 of 3 destinations; club gives away 5.0 LU against −9. Two "
        "masters, −14 and −9: the second costs 5.0 dB of PLR."
    )


@pytest.mark.parametrize(
    ("player_weight", "club_weight", "words"),
    [
        (Weight.MUST, Weight.NICE, "As club is only nice to have, one master is enough."),
        (Weight.SHOULD, Weight.MUST, "Two masters, −14 and −9: the second costs 5.0 dB of PLR. One "
         "master at −14 would give away 5.0 LU at club."),
        (Weight.NICE, Weight.MUST, "One master at −9, since the normalising players are only nice to have: "
         "there it is no louder, and its loudest passage is up to 2.0 LU quieter."),
    ],
)  # fmt: skip
def test_weights_decide_between_one_master_and_two(
    player_weight: Weight, club_weight: Weight, words: str
) -> None:
    there = [Destination(DOWN, player_weight), Destination(CLUB, club_weight)]
    rungs = case((-16.0, -14.0, -9.0), *there, passage_db=2.0)
    assert view.sentences(ladder(rungs), there, MIX)[0].endswith(words)


def test_where_all_destinations_agree_one_master_serves_all() -> None:
    there = [Destination(DOWN), Destination(UP, label="car")]
    rungs = case((-16.0, -14.0, -12.0), *there)
    assert view.sentences(ladder(rungs), there, MIX)[0] == "One master at −14 LUFS serves all 2 destinations."


def test_the_ceiling_of_the_chosen_master_is_that_of_its_most_demanding_codec() -> None:
    """By hand: one codec peaks at +0.3, holds at −1.4; the other at +0.1, holds at −1.2: −1.4 serves both."""
    there = [Destination(DOWN), Destination(UP), Destination(CLUB)]
    rungs = case((-16.0, -14.0, -9.0), *there)
    first = Decoded("MP3 at 128 kbit/s", 0.3, 0.4, -1.4, -0.1, 0.0)
    second = Decoded("Opus at 96 kbit/s", 0.1, 0.2, -1.2, -0.1, 0.0)
    rungs[1] = replace(rungs[1], decoded={DOWN.id: first, UP.id: second})
    assert view.answer(rungs, there)[-1] == (
        "After MP3 at 128 kbit/s, −14 peaks at +0.3 dBTP; ceiling −1.4 keeps it under full scale (proved) "
        "and costs 0.4 LU where nothing is normalised."
    )
    assert view.sentences(ladder(rungs), there, MIX)[0].startswith("One master at −14, ceiling −1.4: loses ")
    free = replace(second, true_peak_dbtp=-0.2, lowered_db=0.0, ceiling_dbtp=-1.0, proved_dbtp=-0.2)
    rungs[1] = replace(rungs[1], decoded={UP.id: free})
    assert view.answer(rungs, there)[-1] == "After Opus at 96 kbit/s, −14 stays under full scale."
    never = replace(first, proved_dbtp=0.2)
    rungs[1] = replace(rungs[1], decoded={DOWN.id: never, UP.id: free})
    assert view.answer(rungs, there)[-1] == (
        "After MP3 at 128 kbit/s, −14 still peaks at +0.2 dBTP with ceiling −1.4."
    )


@pytest.mark.parametrize(
    ("shares", "says"),
    [
        (
            (0.0, 0.12, 0.3),
            "From −14 LUFS on the change is likely to be audible: 12 % of the music there.",
        ),
        ((0.0, 0.004, 0.3), "At −9 LUFS the change is likely to be audible: 30 % of the music."),
        ((0.0, 0.004, 0.009), "Up to −9 LUFS the change stays masked nearly everywhere."),
        ((0.0, 0.1, None), None),
    ],
)
def test_the_rung_from_which_on_the_change_is_likely_to_be_heard(
    shares: Sequence[float | None], says: str | None
) -> None:
    """Below 1 % of the music nothing is claimed, as in compare; the model is named once, in one sentence."""
    there = [Destination(DOWN)]
    rungs = [
        replace(one, share_audible=share)
        for one, share in zip(case((-16.0, -14.0, -9.0), *there), shares, strict=True)
    ]
    said = [one for one in view.sentences(ladder(rungs), there, MIX) if "your ears decide" in one]
    assert said == ([] if says is None else [f"{says} An estimate by a model: your ears decide."])
    cells = list(view.decision_table(rungs, there).columns[6].cells)
    assert cells == [
        "–" if one is None else "<1" if 0.0 < one < 0.01 else f"{one:.0%}"[:-1] for one in shares
    ]
    free = [replace(one, residual_lu=None) for one in rungs]
    assert not any("audible" in one for one in view.sentences(ladder(free), there, MIX))


def test_players_that_need_different_rungs_are_named() -> None:
    quiet = named(player("never", target_lufs=-16.0), "quiet")
    there = [Destination(quiet), Destination(DOWN, label="car")]
    rungs = case((-18.0, -16.0, -14.0, -12.0), *there)
    said = view.answer(rungs, there)
    assert said[0].startswith("−16 LUFS is enough on quiet, ")
    assert ", −14 on car: louder gains" in said[0]
    assert advise(rungs, there).one == 2
    nice = [there[0], replace(there[1], weight=Weight.NICE)]
    assert advise(rungs, nice).one == 1


def test_an_unreachable_rung_says_why_and_is_called_by_what_it_has() -> None:
    there = [Destination(CLUB)]
    rungs = [rung(-14.0, [CLUB]), rung(-4.0, [CLUB], lufs=-7.2)]
    assert view.unreached(rungs, "limit") == [
        "−4 LUFS was not reached; the limiter stops at −7.2. --style clip-limit gets louder, at a cost in "
        "distortion."
    ]
    assert "--style" not in view.unreached(rungs, "clip-limit")[0]
    assert view.unreached(rungs[:1], "limit") == []
    assert "−7.2 is 6.8 LU louder" in view.answer(rungs, there)[0]


def test_a_quiet_mix_is_to_be_raised_and_not_clipped() -> None:
    quiet = replace(rung(-14.0, [DOWN], lufs=-30.0), action=Action(0.0, 0.1, 0.0, 0.0))
    (said,) = view.unreached([quiet], "limit")
    assert said.endswith("Raise it first.")
    assert "clip" not in said


def test_a_single_rung_is_compared_with_no_other() -> None:
    there = [Destination(DOWN)]
    assert view.answer(case((-14.0,), *there), there) == ["Only one rung was tried: −14 LUFS."]


def test_no_screen_has_more_than_five_sentences() -> None:
    there = [Destination(DOWN), Destination(CLUB)]
    dense = replace(MIX, clipped_run_count=3)
    rungs = [*case((-16.0, -14.0, -9.0), *there), rung(-4.0, [DOWN, CLUB], lufs=-7.2)]
    said = view.sentences(ladder(rungs), there, dense)
    assert len(said) == 5
    assert "looks limited already (3 clipped runs)" in said[1]


@pytest.mark.parametrize(
    ("mix", "signs"),
    [
        (made(-14.0, -1.0), ""),
        (made(-8.0, -0.2), "PLR 7.8 dB, median PSR 7.8 dB"),
        (replace(made(-14.0, -1.0), clipped_run_count=1), "1 clipped run"),
        (replace(made(-14.0, -1.0), share_at_ceiling=0.003), "0.3 % of samples at the peak"),
    ],
)
def test_an_already_limited_mix_is_noticed_by_its_figures(mix: Measurement, signs: str) -> None:
    assert limited_before(mix) == signs


@pytest.mark.parametrize(
    ("lufs", "peak", "lowest"),
    [
        (-20.0, -1.0, -18.0),
        (-20.0, -4.5, -17.0),
        (-20.0, -9.0, -16.0),
        (-30.0, -1.0, -18.0),
        (-8.0, 0.5, -16.0),
    ],
)
def test_the_default_rungs_begin_near_what_plain_gain_reaches(
    lufs: float, peak: float, lowest: float
) -> None:
    """By hand: LUFS + ceiling − peak, down to a whole LUFS, between −18 and −16; then up to −7."""
    assert default_levels(made(lufs, peak), -1.0) == (lowest, -14.0, -11.5, -9.0, -7.0)


def test_the_closed_form_stands_beside_a_player_that_does_not_boost_into_clipping() -> None:
    assert view.closed_form(UP) == (
        "This player will not boost into clipping, so once PLR is 13.0 dB or less (ceiling −1.0 minus target "
        "−14.0) louder mastering gains nothing."
    )
    assert "PLR (of sample peaks)" in view.closed_form(player("headroom", counts="sample"))
    assert view.closed_form(DOWN) == ""


def test_what_sample_peaks_cost_is_read_off_the_rung_that_is_turned_down_most() -> None:
    true = [rung(level, [DOWN]) for level in (-14.0, -10.0)]
    sample = [rung(-14.0, [DOWN], lowered_db=-0.4), rung(-10.0, [DOWN], lowered_db=-0.9)]
    (said,) = view.beside_sentences(true, sample)
    assert "turned down by up to 0.9 dB, at −10 LUFS" in said
    assert "takes +10.9 dB of drive against +10.0 dB" in said
    (said,) = view.beside_sentences(true, true)
    assert said == "No rung has inter-sample peaks over the ceiling, so the two cost the same."


def test_the_starting_points_are_named_as_such() -> None:
    said = view.starting_points()
    assert said.startswith("Starting points by common practice, no standard:")
    for word in ("about −14 LUFS", "about −9 LUFS", "from −0.2 to −1 dB"):
        assert word in said


@pytest.mark.parametrize("detect", ["true", "sample"])
def test_the_opening_says_what_was_done(detect: str) -> None:
    found = Ladder("mix.wav", -1.0, detect, "clip-limit", (rung(-14.0, [DOWN]),))  # type: ignore[arg-type]
    said = view.opening(found, made(-20.0, -3.0))
    assert "Mix: −20.0 LUFS, −3.0 dBTP." in said
    assert f"a soft clip, then {detect}-peak limiting at −1.0 dBTP" in said
    assert ("turned down after the limiter" in said) == (detect == "sample")
    assert "GR leaves out what the clip takes" in said


def rows(table: Table) -> list[str]:
    """The first column."""
    return [str(cell) for cell in table.columns[0].cells]


def test_a_rung_that_was_not_reached_has_no_row_where_it_would_repeat_one() -> None:
    there = [Destination(CLUB)]
    reached = [rung(-14.0, [CLUB]), rung(-8.0, [CLUB])]
    assert rows(view.decision_table([*reached, rung(-7.0, [CLUB], lufs=-8.02)], there)) == ["−14", "−8"]
    louder = [*reached, rung(-7.0, [CLUB], lufs=-7.8)]
    assert rows(view.decision_table(louder, there)) == ["−14", "−8", "−7.8"]


def test_the_first_table_holds_the_mix_and_the_rungs_that_are_done() -> None:
    table = view.first_table(MIX, (-14.0, -9.0), {1: rung(-9.0, [CLUB])})
    assert rows(table) == ["mix −18.0", "−14", "−9"]
    plr = [str(cell) for cell in table.columns[3].cells]
    assert plr == ["17.0", "…", "8.0"]


class FakeTerminal(io.StringIO):
    def isatty(self) -> bool:
        return True

    def screen(self) -> str:
        """What 24 lines of 80 columns hold after all that was written."""
        screen = pyte.Screen(80, 24)
        pyte.Stream(screen).feed(self.getvalue().replace("\n", "\r\n"))
        return "\n".join(screen.display).strip()


def test_a_terminal_shows_each_rung_as_it_is_finished_and_nothing_of_that_at_the_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name, value in (("TERM", "xterm"), ("COLUMNS", "80"), ("LINES", "24")):
        monkeypatch.setenv(name, value)
    shown, err = FakeTerminal(), FakeTerminal()
    monkeypatch.setattr(sys, "stdout", shown)
    monkeypatch.setattr(sys, "stderr", err)
    levels = (-14.0, -11.0, -9.0)
    with rungs_shown(Readout(), MIX, levels, 6, "") as finished:
        assert re.search(r"mix −18\.0 +– +– +17\.0", shown.screen())
        assert shown.screen().count("…") == 18
        finished(2, rung(-9.0, [CLUB]))
        assert re.search(r"−9 +0\.5 +3\.0 +8\.0", shown.screen())
        assert shown.screen().count("…") == 12
        finished(3, rung(-14.0, [CLUB]))  # of the second kind of detection
        finished(1, AudioError("gone"))
        assert shown.screen().count("…") == 12
    assert shown.screen() == ""
    assert err.getvalue() == ""


@pytest.mark.parametrize("amount", [Amount.NORMAL, Amount.QUIET])
def test_in_a_pipe_and_when_quiet_only_the_final_screen_is_printed(
    amount: Amount, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = io.StringIO() if amount is Amount.NORMAL else FakeTerminal()
    monkeypatch.setattr(sys, "stdout", shown)
    with rungs_shown(Readout(amount), MIX, (-14.0,), 1, "") as finished:
        finished(0, rung(-14.0, [CLUB]))
    assert shown.getvalue() == ""


def test_rungs_at_one_place_of_the_picture_share_a_label() -> None:
    there = [Destination(CLUB), Destination(DOWN)]
    rungs = [*case((-14.0, -10.0, -8.0), *there), rung(-7.0, [CLUB, DOWN], lufs=-7.99)]
    (axes,) = ladder_figure(rungs, there, "mix").axes
    numbers = [(text.get_text(), text.get_color()) for text in axes.texts if text.get_text()[0] == "−"]
    assert [name for name, colour in numbers if colour == "#444444"] == ["−14.0", "−10.0", "−8.0"]
    assert [name for name, colour in numbers if colour != "#444444"] == ["−14.0"]  # at the ring
    near = [*case((-14.0, -8.0), *there), rung(-7.0, [CLUB, DOWN], lufs=-7.9)]
    (axes,) = ladder_figure(near, there, "mix").axes
    assert "−8.0, −7.9" in [text.get_text() for text in axes.texts]

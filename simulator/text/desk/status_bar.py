"""The two lines under the prompt: values in, lines out, for any width from 40 cells up.

Each line is a row of fields; each field has forms from long to short, each with the stage from which on it is
used. The line takes the first stage that fits, and then lengthens again what still has room. What plays, the
place, the state and the passage's level difference never go: equal loudness of whole tracks does not mean an
equal chorus. At 80 cells everything is there.
Levels in dB, LUFS, dBTP and LU as the names say; None where there is nothing to read. Widths are cells of a
terminal (a wide character takes two).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size

from simulator.common.listening import STATE_WORDS, Listen, Motion, State
from simulator.common.text import NONE, level, signed
from simulator.common.units import format_time
from simulator.text.tables import shortened

GAP = "  "

SIGNS: dict[Motion, str] = {"playing": "▶", "paused": "‖", "stopped": "■"}
SHORT_STATES: dict[State, str] = {"delivered": "deliv", "played": "played", "matched": "match"}


@dataclass(frozen=True, slots=True)
class TrialBar:
    """What may be shown of a blind trial: `letter` is the one that sounds, empty before the first."""

    round_number: int
    rounds: int
    letter: str
    letters: Sequence[str]
    heard: Sequence[str]
    offered: str = ""


@dataclass(frozen=True, slots=True)
class Bar:
    """What the toolbar shows. `gain_db` is all the gain between the file and the monitor trim: the
    player's, and what matching takes off. `difference_lu` is by how much this passage, as heard now, is
    above the same passage of the other version `other`; `other` is empty where there is none. `limiter_lu`
    is what the limiter takes from the loudness here (None: no limiter in this lane). With a `trial`, nothing
    is shown that could tell which version sounds. `true_peak_dbtp` is the highest of the last seconds; the
    three readings are of what leaves the program, trim included. `resampled` is from and to which rate, in
    Hz."""

    number: int | None
    title: str
    motion: Motion
    place_s: float
    length_s: float
    profile: str
    state: State
    gain_db: float
    trim_db: float
    dim: bool = False
    mute: bool = False
    listen: Listen = "stereo"
    other: str = ""
    difference_lu: float | None = None
    momentary_lufs: float | None = None
    short_term_lufs: float | None = None
    true_peak_dbtp: float | None = None
    limiter_lu: float | None = None
    dropouts: int = 0
    alive: bool = True
    resampled: tuple[int, int] | None = None
    instant: bool = False
    notice: str = ""
    trial: TrialBar | None = None


@dataclass(frozen=True, slots=True)
class _Field:
    """Forms from long to short as (stage, text), the first of stage 0."""

    forms: tuple[tuple[int, str], ...]

    def at(self, stage: int) -> int:
        """Which form is used at a stage."""
        return max(i for i, (begins, _) in enumerate(self.forms) if begins <= stage)


def toolbar_lines(bar: Bar, width: int) -> tuple[str, str]:
    """Two lines of at most `width` cells each: what plays and how; what it measures."""
    return _fitted(_playing(bar), width), _fitted(_levels(bar), width)


def header_lines(bar: Bar, peak_room_db: float | None, width: int) -> tuple[str, str, str]:
    """The stage's first lines: what plays and where; the level mode, player, gain and monitor; what it
    measures."""
    if bar.trial is not None:
        fields = _trial(bar, bar.trial)
        rest = [*_notice(bar), _dropouts(bar)]
        return _fitted(fields[:2], width), _fitted(fields[2:], width), _fitted(rest, width)
    levels = [*_notice(bar), _dropouts(bar)] if not bar.alive else _levels(bar)
    levels = [field for field in levels if field.forms != _difference(bar)]
    if peak_room_db is not None:
        room = level(peak_room_db)
        levels.insert(0, _Field(((0, f"peak room {room} dB"), (6, f"room {room}"))))
    playing = _playing(bar)
    return _fitted(playing[:2], width), _fitted(playing[2:], width), _fitted(levels, width)


def difference_line(bar: Bar, width: int) -> str:
    """The passage against the other version; in a trial what is still to do."""
    if bar.trial is not None:
        return _fitted([_trial_next(bar.trial)], width)
    return _fitted([_Field(_difference(bar))], width)


def clock_time(seconds: float) -> str:
    """Minutes and whole seconds, cut: a place that runs needs no tenths."""
    return format_time(max(seconds, 0.0)).rpartition(".")[0]


def _playing(bar: Bar) -> list[_Field]:
    if bar.trial is not None:
        return _trial(bar, bar.trial)
    before = SIGNS[bar.motion] + ("" if bar.number is None else f" {bar.number}")
    names = [
        f"{before} {shortened(bar.title, longest)}" for longest in (70, 44, 30, 26, 22, 19, 16, 12, 8, 5)
    ]
    place, length = clock_time(bar.place_s), clock_time(bar.length_s)
    return [
        _Field(tuple(zip((0, 1, 3, 5, 6, 7, 8, 9, 12, 13), names, strict=True))),
        _Field(((0, f"{place} / {length}"), (4, f"{place}/{length}"), (10, place))),
        _Field(_how(bar)),
        _Field(_monitor(bar)),
    ]


def _how(bar: Bar) -> tuple[tuple[int, str], ...]:
    """The state, by which player, and the gain that it comes to."""
    long, middle, short = STATE_WORDS[bar.state], bar.state, SHORT_STATES[bar.state]
    gain = signed(bar.gain_db)
    if bar.state == "delivered":
        return ((0, f"{long} {gain} dB"), (2, long), (6, middle), (11, short))
    return (
        (0, f"{long} on {bar.profile} {gain} dB"),
        (2, f"{middle} on {bar.profile} {gain} dB"),
        (6, f"{middle} {shortened(bar.profile, 20)} {gain} dB"),
        (8, f"{middle} {gain} dB"),
        (11, f"{short} {gain}"),
    )


def _monitor(bar: Bar) -> tuple[tuple[int, str], ...]:
    """Trim and what else stands between the chain and the loudspeakers. Mute, dim, instant switches, mono
    and side never go: what sounds odd must explain itself."""
    trim = f"trim {level(bar.trim_db)}"
    held = "MUTE" if bar.mute else "DIM" if bar.dim else ""
    held = f"{held} INSTANT".strip() if bar.instant else held
    long, short = {"stereo": ("", ""), "mono": ("MONO", "MONO"), "side": ("SIDE L−R", "L−R")}[bar.listen]
    if not long and not held:
        return ((0, f"{trim} dB"), (4, trim), (12, level(bar.trim_db)))
    spelt, brief = f"{long} {held}".strip(), f"{short} {held}".strip()
    return ((0, f"{trim} dB {spelt}"), (4, f"{trim} {brief}"), (10, brief))


def _trial(bar: Bar, trial: TrialBar) -> list[_Field]:
    """Which round, which letter, where in the passage, and what stands before the loudspeakers."""
    sign, count = SIGNS[bar.motion], f"{trial.round_number}/{trial.rounds}"
    letter = trial.letter or NONE
    place, length = clock_time(bar.place_s), clock_time(bar.length_s)
    state = STATE_WORDS[bar.state]
    return [
        _Field(
            (
                (0, f"{sign} {letter}  blind trial, round {trial.round_number} of {trial.rounds}"),
                (2, f"{sign} {letter}  trial, round {count}"),
                (6, f"{sign} {letter}  {count}"),
            )
        ),
        _Field(((0, f"{place} / {length}"), (4, f"{place}/{length}"), (10, place))),
        _Field(((0, f"{state} on {bar.profile}"), (1, state), (8, ""))),
        _Field(_monitor(bar)),
    ]


def _trial_next(trial: TrialBar) -> _Field:
    """What is still to do in this round."""
    if trial.offered:
        one = trial.offered
        return _Field(((0, f"answer {one}? Press {one} again or y"), (3, f"{one}? {one} or y")))
    missing = [letter for letter in trial.letters if letter not in trial.heard]
    if missing:
        return _Field(((0, f"still to hear: {' '.join(missing)}"), (3, f"hear {' '.join(missing)}")))
    return _Field(((0, "all heard: answer with shift-A or shift-B"), (3, "answer: A or B")))


def _levels(bar: Bar) -> list[_Field]:
    if bar.trial is not None:
        return [*_notice(bar), _trial_next(bar.trial), _dropouts(bar)]
    momentary, short_term, peak = (
        level(found) for found in (bar.momentary_lufs, bar.short_term_lufs, bar.true_peak_dbtp)
    )
    fields = [
        _Field(_difference(bar)),
        _Field(
            (
                (0, f"out: momentary {momentary}  short-term {short_term} LUFS"),
                (2, f"M {momentary}  S {short_term} LUFS"),
                (4, f"M {momentary} S {short_term}"),
                (10, f"S {short_term}"),
                (12, ""),
            )
        ),
        _Field(((0, f"true peak {peak} dBTP"), (3, f"TP {peak} dBTP"), (4, f"TP {peak}"), (9, ""))),
    ]
    if bar.limiter_lu is not None:
        taken = level(-bar.limiter_lu)
        fields.append(_Field(((0, f"limiter {taken} LU"), (3, f"lim {taken}"), (7, ""))))
    return [*_notice(bar), *fields, *_resampled(bar), _dropouts(bar)]


def _resampled(bar: Bar) -> list[_Field]:
    if bar.resampled is None:
        return []
    file, device = (f"{rate / 1000:g}" for rate in bar.resampled)
    return [_Field(((0, f"resampled {file} to {device} kHz"), (4, f"{file}→{device} kHz"), (8, "")))]


def _dropouts(bar: Bar) -> _Field:
    if not bar.dropouts and not bar.alive:
        return _Field(((0, ""),))  # the notice says that there is no sound
    if not bar.dropouts:
        return _Field(((0, "no dropouts"), (4, "drops 0"), (6, "")))
    word = "dropout" if bar.dropouts == 1 else "dropouts"
    return _Field(((0, f"{bar.dropouts} {word}"), (8, f"drops {bar.dropouts}"), (12, "")))


def _notice(bar: Bar) -> list[_Field]:
    return [_Field(((0, bar.notice), (5, shortened(bar.notice, 24)), (9, "")))] if bar.notice else []


def _difference(bar: Bar) -> tuple[tuple[int, str], ...]:
    """The passage against the other version, in words and then in signs."""
    if not bar.other:
        return ((0, "no other version to compare"), (3, "no other version"), (10, ""))
    names = [f"“{shortened(bar.other, longest)}”" for longest in (40, 28, 18, 12)]
    if bar.difference_lu is None:
        return ((0, f"this passage: no level to compare with {names[0]}"), (3, f"here {NONE} LU"))
    amount = signed(bar.difference_lu)
    if amount == level(0.0):
        words = "same level as"
    else:
        way = "louder than" if bar.difference_lu > 0 else "quieter than"
        words = f"{level(abs(bar.difference_lu))} LU {way}"
    return (
        (0, f"this passage: {words} {names[0]}"),
        (1, f"here {words} {names[1]}"),
        (4, f"{words} {names[2]}"),
        (5, f"{words} {names[3]}"),
        (8, f"here: {amount} LU"),
    )


def _fitted(fields: Sequence[_Field], width: int) -> str:
    """The longest forms that fit together."""

    def text(chosen: Sequence[int]) -> str:
        parts = [field.forms[form][1] for field, form in zip(fields, chosen, strict=True)]
        return GAP.join(part for part in parts if part)

    last = max(begins for field in fields for begins, _ in field.forms)
    chosen = [0] * len(fields)
    for stage in range(last + 1):
        chosen = [field.at(stage) for field in fields]
        if cell_len(text(chosen)) <= width:
            break
    else:
        return set_cell_size(text(chosen), width).rstrip()
    for place in range(len(fields)):  # what the stage took too much is given back, the first field first
        while chosen[place]:
            longer = [form - (i == place) for i, form in enumerate(chosen)]
            if cell_len(text(longer)) > width:
                break
            chosen = longer
    return text(chosen)

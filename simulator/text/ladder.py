"""Ladder for people and as JSON: which rung is enough where, one table of rungs and destinations.

Every sentence is made from the figures beside it. A rung is named by its target loudness, or by what it
reached where that is less. JSON keys are only ever added (`simulator/schemas/ladder.json`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from itertools import compress
from typing import TYPE_CHECKING, Any

from simulator.common.text import level, share, signed, true_minus
from simulator.metering.measurement import Measurement
from simulator.normalizer.profile import Profile
from simulator.rungs.advice import (
    Advice,
    Destination,
    Suffices,
    Weight,
    advise,
    enough,
    limited_before,
    losses_lu,
    lowest_ceiling,
)
from simulator.rungs.rung import (
    CEILINGS_DBTP,
    NORMALISING_LUFS,
    PLAIN_LUFS,
    WITHIN_LU,
    Ladder,
    Rung,
    enough_peak_to_loudness_db,
    gained,
    lowest_of_the_best,
)
from simulator.text.audibility import CAVEAT
from simulator.text.tables import grid

SCHEMA = 1


def ladder_object(
    ladder: Ladder, beside: Ladder | None, destinations: Sequence[Destination], mix: Measurement
) -> dict[str, Any]:
    """The ladder; `beside` is that of sample-peak limiting where both were asked for."""
    profiles = [destination.profile for destination in destinations]
    advice = advise(ladder.rungs, destinations)
    made: dict[str, Any] = {
        "schema": SCHEMA,
        "mix": ladder.mix,
        "ceiling_dbtp": ladder.ceiling_dbtp,
        "detect": ladder.detect,
        "style": ladder.style,
        "rungs": _rungs(ladder.rungs, profiles),
        "profiles": {profile.id: _profile(ladder.rungs, profile) for profile in profiles},
        "destinations": [
            {
                "profile": destination.profile.id,
                "weight": destination.weight.value,
                "label": destination.label or None,
                "losses_lu": losses_lu(ladder.rungs, destination),
            }
            for destination in destinations
        ],
        "advice": {
            "one_master_wanted_lufs": _wanted(ladder.rungs, advice.one),
            "not_normalised_wanted_lufs": _wanted(ladder.rungs, advice.plain),
        },
        "mix_limited_before": limited_before(mix) or None,
    }
    for name, place in (("one_master", advice.one), ("not_normalised", advice.plain)):
        there = _there(destinations, advice, place)
        codec = None if place is None else lowest_ceiling(ladder.rungs[place], there)
        made["advice"][f"{name}_ceiling_dbtp"] = None if codec is None else codec.ceiling_dbtp
    if beside is not None:
        made["sample_rungs"] = _rungs(beside.rungs, profiles)
    return made


def _wanted(rungs: Sequence[Rung], place: int | None) -> float | None:
    return None if place is None else rungs[place].wanted_lufs


def _profile(rungs: Sequence[Rung], profile: Profile) -> dict[str, Any]:
    place = lowest_of_the_best(rungs, profile)
    return {
        "lowest_of_the_best_wanted_lufs": None if place is None else rungs[place].wanted_lufs,
        "nothing_more_from_peak_to_loudness_db": enough_peak_to_loudness_db(profile),
    }


def _rungs(rungs: Sequence[Rung], profiles: Sequence[Profile]) -> list[dict[str, Any]]:
    changes = {profile.id: gained(rungs, profile.id) for profile in profiles}
    objects = []
    for place, rung in enumerate(rungs):
        measured, action = rung.measurement, rung.action
        played = {}
        for name, prediction in rung.played.items():
            played[name] = {
                "gain_db": prediction.decision.gain_db,
                "integrated_lufs": prediction.played.integrated_lufs,
                "max_short_term_lufs": prediction.played.max_short_term_lufs,
                "true_peak_dbtp": prediction.played.true_peak_dbtp,
                "gained_integrated_lu": changes[name][place].integrated_lu,
                "gained_max_short_term_lu": changes[name][place].loudest_lu,
            }
        objects.append(
            {
                "path": rung.path,
                "wanted_lufs": rung.wanted_lufs,
                "integrated_lufs": measured.integrated_lufs,
                "reached": rung.reached,
                "why": rung.why or None,
                "drive_db": rung.drive_db,
                "output_gain_db": rung.output_gain_db,
                "passes": rung.passes,
                "mean_reduction_db": action.mean_reduction_db,
                "max_reduction_db": action.max_reduction_db,
                "share_over_1_db": action.share_over_1_db,
                "share_over_3_db": action.share_over_3_db,
                "peak_to_loudness_db": measured.peak_to_loudness_db,
                "median_peak_to_short_term_db": measured.median_peak_to_short_term_db,
                "contrast_lu": measured.contrast_lu,
                "true_peak_dbtp": measured.true_peak_dbtp,
                "residual_lu": rung.residual_lu,
                "share_audible": rung.share_audible,
                "played": played,
                "decoded": {name: {**asdict(one), "holds": one.holds} for name, one in rung.decoded.items()},
            }
        )
    return objects


if TYPE_CHECKING:
    from rich.table import Table

MARK = "◂"
NARROW = 60
"""Columns of a terminal under which the table keeps PLR alone of what a rung costs."""
NARROW_OUT = ("GR dB\navg", "\nmax", "span\nLU", "resid.\nLU")
COST_COLUMNS = 50
"""Width of the columns of what a rung costs, with their spaces."""
LITTLE_DB = 0.5
"""A mean reduction below this is no heavy limiting."""
SHOWN_LU = 0.05
"""What is less is written 0.0."""
LEAST_AUDIBLE = 0.01
"""Share of the music below which a change stays masked nearly everywhere."""
HOW = {
    ("true", "limit"): "true-peak limiting",
    ("sample", "limit"): "sample-peak limiting",
    ("true", "clip-limit"): "a soft clip, then true-peak limiting",
    ("sample", "clip-limit"): "a soft clip, then sample-peak limiting",
}
LEGEND = (
    "GR: gain reduction, average and maximum. PLR: true peak − integrated loudness. Span: loudest − quietest "
    "3 s. Residual: difference from the mix once levels match, LU relative to the mix (–: none). A larger "
    "residual is not lower quality."
)
OUTPUT = (
    "Turning the finished rung down is plain gain: true peak and loudness fall by the same amount. A "
    "player that turns the track down does so by that much less. Lowering --ceiling is different: it lowers "
    "the limiter threshold and recalculates everything."
)

MOST_SENTENCES = 5
MOST_NAMED = 4
"""Columns of destinations that have room for names; more get letters."""


def answer(rungs: Sequence[Rung], destinations: Sequence[Destination]) -> list[str]:
    """Which rung suffices where, and what louder gains and costs where nothing is normalised."""
    advice = advise(rungs, destinations)
    apart = len(advice.suffices) > 1 and all(suffice.place < len(rungs) - 1 for suffice in advice.suffices)
    said = (
        [_each_suffices(rungs, advice)]
        if apart
        else [_suffices(rungs, suffice, advice) for suffice in advice.suffices]
    )
    return [*said, *_plain_sentence(rungs, advice), *_ceiling_sentence(rungs, destinations, advice)]


def _there(destinations: Sequence[Destination], advice: Advice, place: int | None) -> Sequence[Destination]:
    """Where the master of that rung goes: the one master to all places, a second one to those that do not
    normalise."""
    second = advice.one is not None and place == advice.plain
    return advice.plain_destinations if second else destinations


def _ceiling_sentence(
    rungs: Sequence[Rung], destinations: Sequence[Destination], advice: Advice
) -> list[str]:
    """The ceiling at which the chosen master stays under full scale after each codec, encoded to prove it."""
    place = advice.plain if advice.one is None else advice.one
    codec = None if place is None else lowest_ceiling(rungs[place], _there(destinations, advice, place))
    if codec is None or place is None:
        return []
    name, ceiling = _name(rungs[place]), level(codec.ceiling_dbtp)
    if not codec.holds:
        peak = signed(codec.proved_dbtp)
        return [f"After {codec.codec}, {name} still peaks at {peak} dBTP with ceiling {ceiling}."]
    if not codec.lowered_db:
        return [f"After {codec.codec}, {name} stays under full scale."]
    return [
        f"After {codec.codec}, {name} peaks at {signed(codec.true_peak_dbtp)} dBTP; ceiling {ceiling} keeps "
        f"it under full scale (proved) and costs {level(codec.lowered_db)} LU where nothing is normalised."
    ]


def _at_ceiling(rung: Rung, destinations: Sequence[Destination]) -> str:
    """`−14, ceiling −1.2`; without a codec there the rung alone."""
    codec = lowest_ceiling(rung, destinations)
    return _name(rung) if codec is None else f"{_name(rung)}, ceiling {level(codec.ceiling_dbtp)}"


def _each_suffices(rungs: Sequence[Rung], advice: Advice) -> str:
    """`−16 LUFS is enough on quiet, −14 LUFS on car: …`, with the greatest gain and loss of all."""
    places: list[str] = []
    for one in advice.suffices:
        lower = " (lowest tried)" if one.place == 0 else ""
        rung = f"{_name(rungs[one.place])} on" if places else f"{_lufs(rungs[one.place])} is enough on"
        places.append(f"{rung} {_where(one.destinations, advice)}{lower}")
    gain, fall = (max(getattr(one, name) for one in advice.suffices) for name in ("gain_lu", "passage_lu"))
    gains = "gains nothing there" if gain < SHOWN_LU else f"gains at most {level(gain)} LU there"
    falls = f" and costs the loudest passage up to {level(fall)} LU" if fall > WITHIN_LU else ""
    return f"{', '.join(places)}: louder {gains}{falls}."


def _suffices(rungs: Sequence[Rung], suffices: Suffices, advice: Advice) -> str:
    """`−14 LUFS is enough on all three normalising players: …`."""
    where = _where(suffices.destinations, advice)
    if len(rungs) == 1:
        return f"Only one rung was tried: {_lufs(rungs[0])}."
    if suffices.place == len(rungs) - 1:
        return f"On {where} louder stays louder up to {_lufs(rungs[-1])}, the loudest rung tried."
    lower = "; no lower rung was tried" if suffices.place == 0 else ""
    louder = _louder(suffices.gain_lu, suffices.passage_lu)
    return f"{_lufs(rungs[suffices.place])} is enough on {where}: mastering louder {louder}{lower}."


def _louder(gain_lu: float, passage_lu: float) -> str:
    """What mastering louder gains overall, and what it does to the loudest passage."""
    gains = "gains nothing there" if gain_lu < SHOWN_LU else f"gains at most {level(gain_lu)} LU there"
    if passage_lu <= WITHIN_LU:
        return gains
    return f"{gains} and makes the loudest passage up to {level(passage_lu)} LU quieter"


def _where(those: Sequence[Destination], advice: Advice) -> str:
    """The destinations in words: all of those that normalise, or their names."""
    every = sum(len(suffice.destinations) for suffice in advice.suffices)
    if len(those) == every and every > 1:
        return "both normalising players" if every == 2 else f"all {every} normalising players"
    names = [one.name for one in those]
    if len(names) > 3:
        names = [*names[:2], f"{len(names) - 2} others"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _plain_sentence(rungs: Sequence[Rung], advice: Advice) -> list[str]:
    if not advice.plain_destinations:
        return []
    base = 0 if advice.one is None else advice.one
    top = advice.plain
    if top is None or top == base:
        return ["Where nothing is normalised, no rung above it is louder."]
    louder = _change(_level(rungs[base]), _level(rungs[top]))
    plr = _change(rungs[base].measurement.peak_to_loudness_db, rungs[top].measurement.peak_to_loudness_db)
    return [
        f"Unnormalised, {_name(rungs[top])} is {level(louder)} LU louder and costs "
        f"{level(-plr)} dB of PLR: taste decides."
    ]


def sentences(ladder: Ladder, destinations: Sequence[Destination], mix: Measurement) -> list[str]:
    """At most five: one master or two, the mix, what was not reached, how sure this is, how it was made."""
    rungs = ladder.rungs
    said = [*_masters(rungs, destinations), *_audible(rungs), *unreached(rungs, ladder.style)]
    if signs := limited_before(mix):
        said.insert(
            1,
            f"This mix looks limited already ({signs}): a ladder shows most on the mix before its limiter "
            "(common practice, no source).",
        )
    sure = [destination.profile.uncertainty_db for destination in destinations if destination.normalises]
    if sure:
        said.append(
            f"Real players may have measured a different copy: allow ±{level(max(sure))} dB. Smaller "
            "differences may not be there."
        )
    said.append(opening(ladder, mix))
    return said[: MOST_SENTENCES - 1] + said[-1:] if len(said) > MOST_SENTENCES else said


def _audible(rungs: Sequence[Rung]) -> list[str]:
    """The rung from which on the change is likely to be heard, by the model; nothing where nothing acts."""
    if all(not rung.limited for rung in rungs) or any(rung.share_audible is None for rung in rungs):
        return []
    below = [place for place, rung in enumerate(rungs) if (rung.share_audible or 0.0) < LEAST_AUDIBLE]
    first = max(below, default=-1) + 1
    if first == len(rungs):
        return [f"Up to {_lufs(rungs[-1])} the change stays masked nearly everywhere. {CAVEAT}"]
    share = _percent(rungs[first].share_audible)
    last = first == len(rungs) - 1
    begins = f"At {_lufs(rungs[first])}" if last else f"From {_lufs(rungs[first])} on"
    share = f"{_percent(rungs[first].share_audible)} % of the music{'' if last else ' there'}"
    return [f"{begins} the change is likely to be audible: {share}. {CAVEAT}"]


def _percent(share: float | None) -> str:
    """A share of the music: `<1`, `12`."""
    if share is None:
        return "–"
    return "<1" if 0.0 < share < LEAST_AUDIBLE else f"{100.0 * share:.0f}"


def _masters(rungs: Sequence[Rung], destinations: Sequence[Destination]) -> list[str]:
    """One master for all destinations, or two: what each choice gives away."""
    advice = advise(rungs, destinations)
    if advice.one is None or advice.plain is None or advice.plain <= advice.one:
        if advice.one is None or len(destinations) < 2:
            return []
        codec = lowest_ceiling(rungs[advice.one], destinations)
        ceiling = "" if codec is None else f", ceiling {level(codec.ceiling_dbtp)},"
        name = _lufs(rungs[advice.one])
        return [f"One master at {name}{ceiling} serves all {len(destinations)} destinations."]
    one, top = rungs[advice.one], rungs[advice.plain]
    kept = sum((losses_lu(rungs, each)[advice.one] or 0.0) <= WITHIN_LU for each in destinations)
    places = _list([each.name for each in advice.plain_destinations])
    gives = level(_change(_level(one), _level(top)))
    verb = "gives" if len(advice.plain_destinations) == 1 else "give"
    single = (
        f"One master at {_at_ceiling(one, destinations)}: loses nothing at {kept} of {len(destinations)} "
        f"destinations; {places} {verb} away {gives} LU against {_name(top)}."
    )
    cost = _change(top.measurement.peak_to_loudness_db, one.measurement.peak_to_loudness_db)
    double = f"Two masters, {_name(one)} and {_name(top)}: the second costs {level(cost)} dB of PLR."
    normal = [each for each in destinations if each.normalises]
    if all(each.weight is Weight.NICE for each in advice.plain_destinations):
        return [f"{single} As {places} is only nice to have, one master is enough."]
    if all(each.weight is Weight.NICE for each in normal):
        falls = max((each.passage_lu for each in advice.suffices), default=0.0)
        return [
            f"One master at {_name(top)}, since the normalising players are only nice to have: there it is "
            f"no louder, and its loudest passage is up to {level(falls)} LU quieter."
        ]
    if any(each.weight is Weight.MUST for each in advice.plain_destinations):
        return [f"{double} One master at {_name(one)} would give away {gives} LU at {places}."]
    return [f"{single} {double}"]


def opening(ladder: Ladder, mix: Measurement) -> str:
    """What went in, and how the rungs were made."""
    how = HOW[(ladder.detect, ladder.style)]
    said = (
        f"Mix: {level(mix.integrated_lufs)} LUFS, {level(mix.true_peak_dbtp)} dBTP. Rungs: {how} at "
        f"{level(ladder.ceiling_dbtp)} dBTP, a stand-in for your own chain, which will do better or worse."
    )
    if ladder.detect == "sample":
        said += " The output is turned down after the limiter until the true peak meets the ceiling too."
    if ladder.style == "clip-limit":
        said += " GR leaves out what the clip takes; the residual holds it."
    return said


def decision_table(rungs: Sequence[Rung], destinations: Sequence[Destination], width: int = 80) -> Table:
    """Rungs in rows: what each costs, then how far below the loudest rung it plays at each destination.
    Destinations with the same column share it; they get letters where their names do not fit. A rung that
    was not reached and would repeat a row has none."""
    columns: dict[tuple[str, ...], list[Destination]] = {}
    for destination in destinations:
        columns.setdefault(tuple(_cells(rungs, destination)), []).append(destination)
    rows = [
        [_name(rung), *_costs(rung), *(cells[place] for cells in columns)]
        for place, rung in enumerate(rungs)
        if rung.reached or level(_level(rung)) not in {level(_level(lower)) for lower in rungs[:place]}
    ]
    return _rung_table(list(columns.values()), rows, width)


def first_table(
    mix: Measurement, levels: Sequence[float], made: Mapping[int, Rung], width: int = 80
) -> Table:
    """What is known while rungs are made: the mix, and by their place in `levels` those that are done."""
    plr, span = level(mix.peak_to_loudness_db), level(mix.contrast_lu)
    rows = [[f"mix {level(mix.integrated_lufs)}", "–", "–", plr, span, "–", "–"]]
    for place, lufs in enumerate(levels):
        done = made.get(place)
        rows.append([true_minus(f"{lufs:g}"), *(["…"] * 6 if done is None else _costs(done))])
    return _rung_table([], rows, width)


def _costs(rung: Rung) -> list[str]:
    measured, done = rung.measurement, rung.action
    return [
        level(done.mean_reduction_db),
        level(done.max_reduction_db),
        level(measured.peak_to_loudness_db),
        level(measured.contrast_lu),
        level(rung.residual_lu),
        _percent(rung.share_audible),
    ]


def _rung_table(columns: Sequence[Sequence[Destination]], rows: Sequence[Sequence[str]], width: int) -> Table:
    """`rows` hold the rung's name, its costs and a cell for each of `columns`."""
    heads = [" ".join(one.name for one in those) for those in columns]
    heads = ["\n".join(head.replace("-", "-\n").split()) for head in heads]
    widest = [max(map(len, [*head.split("\n"), "-0.0 ◂"])) for head in heads]
    needed = max(len(row[0]) for row in rows) + COST_COLUMNS + sum(3 + one for one in widest)
    lines = max((head.count("\n") for head in heads), default=0)
    if needed > width or len(heads) > MOST_NAMED or lines > 4:
        heads = [chr(ord("A") + place) for place in range(len(columns))]
    names = ["LUFS", "GR dB\navg", "\nmax", "PLR\ndB", "span\nLU", "resid.\nLU", "audible\n%", *heads]
    kept = [name not in NARROW_OUT or width >= NARROW for name in names]  # else the cost in one figure
    names = list(compress(names, kept))
    table = grid(names, [True] * len(names))
    table.columns[0].no_wrap = True
    if len(heads) > MOST_NAMED:
        table.padding = (0, 0)
    for row in rows:
        table.add_row(*compress(row, kept))
    return table


def table_key(rungs: Sequence[Rung], destinations: Sequence[Destination], table: Table) -> str:
    """What the columns of the destinations hold, and the names behind letters."""
    said = f"Destinations: LU against the loudest rung there; {MARK} is enough."
    groups: dict[tuple[str, ...], list[str]] = {}
    for destination in destinations:
        groups.setdefault(tuple(_cells(rungs, destination)), []).append(destination.name)
    if str(table.columns[-1].header) == chr(ord("A") + len(groups) - 1):
        letters = [
            f"{chr(ord('A') + place)} {', '.join(names)}" for place, names in enumerate(groups.values())
        ]
        said += f" {'; '.join(letters)}."
    return said


def _cells(rungs: Sequence[Rung], destination: Destination) -> list[str]:
    marked = enough(rungs, destination.profile)
    return [
        f"{signed(None if loss is None else -loss)} {MARK if place == marked else ' '}"
        for place, loss in enumerate(losses_lu(rungs, destination))
    ]


def detail_table(rungs: Sequence[Rung]) -> Table:
    """What else each rung is, for --detail."""
    headings = [
        "target",
        "LUFS",
        "drive\ndB",
        "GR over\n1 dB",
        "GR over\n3 dB",
        "output\ndB",
        "PSR\ndB",
        "dBTP",
    ]
    table = grid(headings, [True] * 8, "Each rung")
    for rung in rungs:
        table.add_row(
            true_minus(f"{rung.wanted_lufs:g}"),
            level(_level(rung)),
            signed(rung.drive_db),
            share(rung.action.share_over_1_db),
            share(rung.action.share_over_3_db),
            signed(rung.output_gain_db),
            level(rung.measurement.median_peak_to_short_term_db),
            level(rung.measurement.true_peak_dbtp),
        )
    return table


def decoded_table(rungs: Sequence[Rung], destination: Destination) -> Table | None:
    """The rungs after a destination's codec, and the ceiling that keeps each under full scale, for --detail;
    None without a codec."""
    name = destination.profile.id
    found = [(rung, rung.decoded[name]) for rung in rungs if name in rung.decoded]
    if not found:
        return None
    headings = ["target", "decode\ndBTP", "ceiling\ndBTP", "turned\ndown dB", "decode\nthen dBTP"]
    headings.append("loss there\nLU")
    table = grid(headings, [True] * 6, f"{destination.name}: after {found[0][1].codec}")
    for rung, one in found:
        table.add_row(
            true_minus(f"{rung.wanted_lufs:g}"),
            signed(one.true_peak_dbtp),
            level(one.ceiling_dbtp),
            level(one.lowered_db),
            signed(one.proved_dbtp),
            level(one.loss_lu),
        )
    return table


def played_table(rungs: Sequence[Rung], destination: Destination) -> Table:
    """What a player plays, for --detail."""
    profile = destination.profile
    headings = ["target", "player\ngain", "integrated\nLUFS", "vs lowest\nrung", "loudest 3 s\nLUFS",
                "vs lowest\nrung", "dBTP"]  # fmt: skip
    table = grid(headings, [True] * 7, f"{destination.name}: {profile.title}")
    for rung, change in zip(rungs, gained(rungs, profile.id), strict=True):
        prediction = rung.played[profile.id]
        table.add_row(
            true_minus(f"{rung.wanted_lufs:g}"),
            signed(prediction.decision.gain_db),
            level(prediction.played.integrated_lufs),
            signed(change.integrated_lu),
            level(prediction.played.max_short_term_lufs),
            signed(change.loudest_lu),
            level(prediction.played.true_peak_dbtp),
        )
    return table


def closed_form(profile: Profile) -> str:
    """Where a player that does not boost into clipping stops raising; empty for every other."""
    enough = enough_peak_to_loudness_db(profile)
    if enough is None:
        return ""
    kind = "" if profile.ceiling.counts == "true" else " (of sample peaks)"
    return (
        f"This player will not boost into clipping, so once PLR{kind} is {level(enough)} dB or less (ceiling "
        f"{level(profile.ceiling.level_db)} minus target {level(profile.target_lufs)}) louder mastering "
        "gains nothing."
    )


def starting_points() -> str:
    """The common-practice marks, named as such."""
    high, low = CEILINGS_DBTP
    return (
        "Starting points by common practice, no standard: "
        f"about {level(NORMALISING_LUFS, 0)} LUFS for players that normalise, "
        f"about {level(PLAIN_LUFS, 0)} LUFS for places that do not, "
        f"ceilings from {level(high)} to {level(low, 0)} dB."
    )


def beside_table(true: Sequence[Rung], sample: Sequence[Rung]) -> Table:
    """Both kinds of detection, rung by rung; both end at one true peak."""
    headings = ["target", "peaks", "LUFS", "drive dB", "GR avg", "GR max", "PSR dB", "resid. LU"]
    right = [True, False, *([True] * 7)]
    table = grid([*headings, "output dB"], right, "True-peak and sample-peak limiting side by side")
    for pair in zip(true, sample, strict=True):
        for kind, rung in zip(("true", "sample"), pair, strict=True):
            table.add_row(
                _name(rung) if kind == "true" else "",
                kind,
                level(rung.measurement.integrated_lufs),
                signed(rung.drive_db),
                level(rung.action.mean_reduction_db),
                level(rung.action.max_reduction_db),
                level(rung.measurement.median_peak_to_short_term_db),
                level(rung.residual_lu),
                signed(rung.output_gain_db),
            )
    return table


def beside_sentences(true: Sequence[Rung], sample: Sequence[Rung]) -> list[str]:
    """What each kind of detection costs, where both reached the loudness."""
    pairs = [(one, other) for one, other in zip(true, sample, strict=True) if one.reached and other.reached]
    said = []
    if pairs and all(not other.output_gain_db for _, other in pairs):
        said.append("No rung has inter-sample peaks over the ceiling, so the two cost the same.")
    elif pairs:
        one, other = max(pairs, key=lambda pair: -pair[1].output_gain_db)
        said.append(
            "Sample-peak limiting leaves inter-sample peaks over the ceiling, so its output is "
            f"turned down by up to {level(-other.output_gain_db)} dB, at {_name(other)} LUFS. To be as loud "
            f"there it takes {signed(other.drive_db)} dB of drive against {signed(one.drive_db)} dB, and "
            f"its residual is {level(other.residual_lu)} LU against {level(one.residual_lu)} LU."
        )
    said += [f"With sample peaks, {_missed(one)}" for one in sample if not one.reached]
    return said


def unreached(rungs: Sequence[Rung], style: str) -> list[str]:
    """What was reached where the wanted loudness was not, and what goes further."""
    missed = [rung for rung in rungs if not rung.reached]
    if not missed:
        return []
    said = " ".join(_missed(one) for one in missed)
    if any(one.action.mean_reduction_db < LITTLE_DB for one in missed):
        return [f"{said} The limiter hardly acts there: the mix itself is quiet. Raise it first."]
    if style == "limit":
        said += " --style clip-limit gets louder, at a cost in distortion."
    return [said]


def reasons(rungs: Sequence[Rung]) -> list[str]:
    """Why each rung that was not reached was given up."""
    return [f"{true_minus(f'{one.wanted_lufs:g}')} LUFS: {one.why}." for one in rungs if not one.reached]


def _missed(rung: Rung) -> str:
    wanted = true_minus(f"{rung.wanted_lufs:g}")
    return f"{wanted} LUFS was not reached; the limiter stops at {level(_level(rung))}."


def _level(rung: Rung) -> float | None:
    return rung.measurement.integrated_lufs


def _name(rung: Rung) -> str:
    """The wanted loudness as it was asked for, or what was reached where that is not it."""
    return true_minus(f"{rung.wanted_lufs:g}") if rung.reached else level(_level(rung))


def _lufs(rung: Rung) -> str:
    return f"{_name(rung)} LUFS"


def _list(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _change(before: float | None, after: float | None) -> float:
    """The difference of the printed figures; 0 where one is missing."""
    return 0.0 if before is None or after is None else round(after, 1) - round(before, 1)

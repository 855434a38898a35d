"""What players make of the versions of a song, or of single tracks: the answer in words, and the matrix of
players by versions.

Differences and ties are those of the printed figures: "the same loudness" means within TIE_LU. A normalising
player is one with a target loudness. Cells with the same figures on several players share one row.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simulator.common.text import capital, level, printed_gap, signed
from simulator.common.units import TIE_LU
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import LimitedBy
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.text.sentences import LEAST_DB, Version, no_loudness, span

if TYPE_CHECKING:
    from rich.text import Text

LIMITED_WORDS: dict[LimitedBy, str] = {
    "nothing": "",
    "no_upward_gain": "no lift",
    "headroom": "peaks",
    "ceiling": "peaks",
    "max_boost": "max lift",
    "max_cut": "max cut",
    "unmeasurable": "unmeasured",
    "no_target": "no target",
}
"""What keeps a track from the target, in a column headed "limited by"."""
NUMBERS = ("none", "one", "two", "three", "four", "five", "six")


def limiter_acts(most_db: float | None) -> bool:
    """By its highest gain reduction in dB; less than LEAST_DB is written 0.0."""
    return most_db is not None and most_db >= LEAST_DB


def limited_words(prediction: Prediction) -> str:
    """What limits a track on a player; empty where nothing does."""
    if limiter_acts(prediction.limiter.max_reduction_db):
        return f"{LIMITED_WORDS[prediction.decision.limited_by]} limiter".strip()
    return LIMITED_WORDS[prediction.decision.limited_by]


@dataclass(frozen=True, slots=True)
class PlayerRow:
    """One player and every version through it, in order; None where it cannot play that version."""

    profile: Profile
    versions: tuple[Version | None, ...]

    def played(self, of: Callable[[Measurement], float | None]) -> list[float | None]:
        """A figure of each version as played, rounded as it is printed."""
        return [
            None if (version is None or (value := of(version.prediction.played)) is None) else round(value, 1)
            for version in self.versions
        ]

    def spread(self, of: Callable[[Measurement], float | None]) -> tuple[float, int, int] | None:
        """By how much the versions lie apart, and the places of the most and the least; None where fewer than
        two have that figure."""
        values = {place: value for place, value in enumerate(self.played(of)) if value is not None}
        if len(values) < 2:
            return None
        most, least = max(values, key=values.__getitem__), min(values, key=values.__getitem__)
        return round(values[most] - values[least], 1), most, least


def integrated(measurement: Measurement) -> float | None:
    return measurement.integrated_lufs


def loudest(measurement: Measurement) -> float | None:
    return measurement.max_short_term_lufs


def versions_answer(names: Sequence[str], delivered: Sequence[Measurement], rows: Sequence[PlayerRow]) -> str:
    """At most three sentences on two to six versions: as files, on the normalising players that play them
    alike, and on the others."""
    sentences = [_as_files(names, delivered)]
    normalising = [row for row in rows if row.profile.target_lufs is not None]
    spreads = [(row, found) for row in normalising if (found := row.spread(integrated)) is not None]
    even = [row for row, found in spreads if found[0] <= TIE_LU]
    apart = [(row, found) for row, found in spreads if found[0] > TIE_LU]
    if even:
        where = _where(even, len(spreads), rows)
        widest = max(found[0] for row, found in spreads if row in even)
        within = f" (within {level(widest)} LU)" if widest > 0.0 and len(names) == 2 else ""
        tail = _loudest_words(names, even, brief=bool(apart))
        who = "they" if where.startswith("On both") else _all(len(names))
        alike = "play at the same loudness" if len(names) == 2 else "are equally loud"
        sentences.append(f"{where} {who} {alike}{within}{tail}.")
    if apart:
        sentences.append(_apart_words(names, apart, others=bool(even), alone=len(rows) == 1))
    if not normalising:
        who = rows[0].profile.id if len(rows) == 1 else "these players"
        sentences.append(f"Nothing is normalised on {who}, so that is what is heard.")
    return " ".join(sentences)


def _as_files(names: Sequence[str], delivered: Sequence[Measurement]) -> str:
    known = [(found.integrated_lufs, name) for found, name in zip(delivered, names, strict=True)]
    levels = [(value, name) for value, name in known if value is not None]
    silent = [name for value, name in known if value is None]
    if len(levels) < 2:
        return f"{capital(no_loudness(silent))}."
    (high, loud), (low, quiet) = max(levels), min(levels)
    gap = printed_gap(high, low)
    assert gap is not None
    if gap <= TIE_LU:
        alike = " and ".join(names) if len(names) == 2 else f"the {NUMBERS[len(names)]} versions"
        return f"As files {alike} are equally loud."
    among = "" if len(names) == 2 else f", loudest of {NUMBERS[len(names)]},"
    return f"As a file {loud}{among} is {level(gap)} LU louder than {quiet}."


def _where(even: Sequence[PlayerRow], count: int, rows: Sequence[PlayerRow]) -> str:
    if len(rows) == 1:
        return f"On {rows[0].profile.id}"
    if len(even) < count:
        return f"On {len(even)} of {count} normalising players"
    if count < 3:
        return "On the normalising player" if count == 1 else "On both normalising players"
    return f"On all {count} normalising players"


def _all(count: int) -> str:
    return "both" if count == 2 else f"all {NUMBERS[count]}"


def _loudest_words(names: Sequence[str], even: Sequence[PlayerRow], *, brief: bool) -> str:
    """How the loudest 3 s compare where the whole tracks play alike."""
    found = [spread for row in even if (spread := row.spread(loudest)) is not None]
    if not found:
        return ""
    (gap, loud, quiet) = max(found)
    if gap <= TIE_LU:
        return ", in their loudest passages too"
    up_to = "" if min(found)[0] == gap else "up to "
    than = "" if len(names) == 2 or brief else f" than {names[quiet]}'s"
    return f", and {names[loud]}'s loudest passage is {up_to}{level(gap)} LU louder{than}"


def _apart_words(
    names: Sequence[str],
    apart: Sequence[tuple[PlayerRow, tuple[float, int, int]]],
    *,
    others: bool,
    alone: bool,
) -> str:
    (gap, loud, quiet) = max(found for _, found in apart)
    least = min(found[0] for _, found in apart)
    one_way = len({found[1:] for _, found in apart}) == 1
    if alone or (len(apart) == 1 and not others):
        where = f"On {apart[0][0].profile.id}"
    elif len(apart) == 1:
        where = f"On the other, {apart[0][0].profile.id},"
    else:
        where = f"On the other {len(apart)}" if others else f"On all {len(apart)} normalising players"
    by = span([least, gap])
    if one_way:
        return f"{where} {names[loud]} is {by} LU louder than {names[quiet]}."
    return f"{where} the versions are {by} LU apart."


def tracks_answer(names: Sequence[str], delivered: Sequence[Measurement], rows: Sequence[PlayerRow]) -> str:
    """At most three sentences on tracks that are no versions of one song."""
    files = [round(found.integrated_lufs, 1) for found in delivered if found.integrated_lufs is not None]
    if not files:
        return "No track has a measurable loudness."
    if len(names) == 1:
        return _one_track(names[0], files[0], rows)
    in_files = f"As files the {len(names)} tracks span {level(max(files) - min(files))} LU."
    spans = [(found[0], row) for row in rows if (found := row.spread(integrated)) is not None]
    if not spans:
        return in_files
    least, most = min(spans, key=lambda one: one[0]), max(spans, key=lambda one: one[0])
    if len(rows) > 1:
        return (
            f"{in_files} As played they span from {level(least[0])} LU on {least[1].profile.id} to "
            f"{level(most[0])} LU on {most[1].profile.id}."
        )
    return f"{in_files} On {rows[0].profile.id} they span {level(least[0])} LU: {_moves(rows[0])}."


def _one_track(name: str, file_lufs: float, rows: Sequence[PlayerRow]) -> str:
    said = f"{capital(name)} measures {level(file_lufs)} LUFS as a file."
    if len(rows) == 1:
        one = rows[0].versions[0]
        if one is None:
            return said
        gain_db, peak = one.prediction.decision.gain_db, one.prediction.played.true_peak_dbtp
        does = "leaves it unchanged"
        if level(gain_db) != "0.0":
            does = f"turns it {'up' if gain_db > 0.0 else 'down'} {level(abs(gain_db))} dB"
        room = ""
        if peak is not None and level(peak) != "0.0":
            side = "below" if peak < 0.0 else "over"
            room = f", {level(abs(peak))} dB {side} full scale at its true peak"
        played = level(integrated(one.prediction.played))
        return f"{said} {rows[0].profile.id} {does}: it plays at {played} LUFS{room}."
    gains = [
        round(one.prediction.decision.gain_db, 1) for row in rows if (one := row.versions[0]) is not None
    ]
    down, up = [-gain for gain in gains if gain < 0.0], [gain for gain in gains if gain > 0.0]
    same = len(gains) - len(down) - len(up)
    parts = [
        f"{len(sizes)} turn{'s' if len(sizes) == 1 else ''} it {way} (by {span(sizes)} dB)"
        for sizes, way in ((down, "down"), (up, "up"))
        if sizes
    ]
    if same:
        parts.append(f"{same} leave{'s' if same == 1 else ''} it unchanged")
    return f"{said} Of {len(gains)} players " + ", ".join(parts) + "."


def _moves(row: PlayerRow) -> str:
    gains = [round(version.prediction.decision.gain_db, 1) for version in row.versions if version is not None]
    down, up = sum(gain < 0.0 for gain in gains), sum(gain > 0.0 for gain in gains)
    counts = ((down, "turned down"), (up, "turned up"), (len(gains) - down - up, "unchanged"))
    return ", ".join(f"{count} {word}" for count, word in counts if count)


@dataclass(frozen=True, slots=True)
class _Column:
    """A column: its head, the style of the whole column, and a cell for each row."""

    head: str
    style: str
    cells: list[str]
    left: bool = False

    @property
    def width(self) -> int:
        from rich.cells import cell_len

        return max(cell_len(text) for text in (self.head, *self.cells))


@dataclass(frozen=True, slots=True)
class _Group:
    """Columns under one title: the longest of `titles` that fits."""

    titles: tuple[str, ...]
    columns: list[_Column]

    @property
    def width(self) -> int:
        return max(sum(column.width for column in self.columns) + len(self.columns) - 1, len(self.titles[-1]))

    @property
    def title(self) -> str:
        return next(text for text in self.titles if len(text) <= self.width)


class Matrix:
    """Players by versions: the level of each as played, its difference to version `against`, its loudest 3 s,
    and what limits it (the limited versions carry a star). `styles` are the versions' terminal styles.

    Players with the same cells share a row. What does not fit into `width` is left out.
    """

    def __init__(
        self,
        names: Sequence[str],
        rows: Sequence[PlayerRow],
        against: int,
        styles: Sequence[str],
        width: int,
    ) -> None:
        self._names, self._against, self._styles = names, against, styles
        shared: dict[tuple[str, ...], list[PlayerRow]] = {}
        for row in rows:
            self.rows: list[list[PlayerRow]] = [[row]]
            cells = tuple(text for one in self._forms()[0] for column in one.columns for text in column.cells)
            shared.setdefault(cells, []).append(row)
        self.rows = list(shared.values())
        labels = [row[0].profile.id + (f" +{len(row) - 1}" if len(row) > 1 else "") for row in self.rows]
        player = _Group(("",), [_Column("player", "", labels, left=True)])
        for form in self._forms():
            self._groups = [player, *form]
            if sum(group.width for group in self._groups) + len(form) <= width:
                break

    def _forms(self) -> list[list[_Group]]:
        """Sets of columns, the fullest first."""
        level_, difference = self._levels(integrated), self._differences(integrated)
        loud, louder, limited = self._levels(loudest), self._differences(loudest), self._limited()
        head, loud_head = ("as played, LUFS", "LUFS"), ("loudest 3 s, LUFS", "loudest 3 s")
        reference = f"vs {self._names[self._against]}"
        apart = (f"{reference}, LU", reference)
        loud_apart = (f"loudest 3 s {reference}, LU", "loudest 3 s")
        if len(self._names) == 2:
            full = [_Group(head, [*level_, *difference]), _Group(loud_head, [*loud, *louder])]
            brief: list[_Group] = []
        else:
            full = [_Group(head, level_), _Group(apart, difference), _Group(loud_head, loud)]
            full.append(_Group(loud_apart, louder))
            brief = [_Group(apart, difference), _Group(loud_apart, louder)]
        only = _Group(head, [level_[self._against]])
        forms = [full, [_Group(head, level_), *brief], [only, *brief], [_Group(head, level_)]]
        return [[*form, limited] for form in forms] + [forms[-1]]

    def _levels(self, of: Callable[[Measurement], float | None]) -> list[_Column]:
        star = of is integrated
        columns = []
        for place, name in enumerate(self._names):
            cells = []
            for row in self.rows:
                one = row[0].versions[place]
                held = star and one is not None and limited_words(one.prediction) not in ("", "no target")
                cells.append(level(row[0].played(of)[place]) + ("*" if held else " " if star else ""))
            columns.append(_Column(name, self._styles[place], cells))
        return columns

    def _differences(self, of: Callable[[Measurement], float | None]) -> list[_Column]:
        columns = []
        for place, name in enumerate(self._names):
            if place == self._against:
                continue
            played = [row[0].played(of) for row in self.rows]
            cells = [signed(printed_gap(values[place], values[self._against])) for values in played]
            pair = len(self._names) == 2
            head = f"vs {self._names[self._against]}" if pair else name
            columns.append(_Column(head, "" if pair else self._styles[place], cells))
        return columns

    def _limited(self) -> _Group:
        cells = []
        for row in self.rows:
            found = [limited_words(version.prediction) for version in row[0].versions if version is not None]
            cells.append("/".join(dict.fromkeys(word for word in found if word not in ("", "no target"))))
        return _Group(("",), [_Column("limited", "look", cells, left=True)])

    def lines(self) -> list[Text]:
        """Two lines of head, and a line for each row."""
        from rich.text import Text

        titles, heads = Text(), Text()
        for group in self._groups:
            titles.append(f"{group.title:^{group.width}} ")
            self._cells(heads, group, [(column.head, column.style) for column in group.columns])
        made = [titles, heads]
        for place in range(len(self.rows)):
            line = Text()
            for group in self._groups:
                self._cells(line, group, [(column.cells[place], column.style) for column in group.columns])
            made.append(line)
        for line in made:
            line.rstrip()
        return made

    @staticmethod
    def _cells(line: Text, group: _Group, cells: list[tuple[str, str]]) -> None:
        from rich.cells import cell_len, set_cell_size

        spare = group.width - sum(column.width for column in group.columns) - len(group.columns) + 1
        for number, ((text, style), column) in enumerate(zip(cells, group.columns, strict=True)):
            if column.left:
                line.append(f"{set_cell_size(text, column.width + spare)} ", style=style)
            else:
                room = column.width + (spare if number == 0 else 0)
                line.append(f"{' ' * (room - cell_len(text))}{text} ", style=style)

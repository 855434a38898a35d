"""Tables of a comparison: versions side by side, players grouped, and the split difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simulator.common.text import level, printed_gap, share, signed
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import BandDifference, Difference
from simulator.comparison.versions import Comparison, Figures, Played, punch_db
from simulator.metering import figures
from simulator.metering.figures import figure
from simulator.metering.measurement import Measurement
from simulator.playlists.playlist import Track
from simulator.text.sentences import Version, span
from simulator.text.tables import shortened

NOTICEABLE_DB, NOTICEABLE_FRAMES = 0.5, 0.5
CAPPED, GAIN = "PLR, overs capped", "Player gain"


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of several versions or states: a value a column, None where there is nothing to measure."""

    label: str
    unit: str
    values: tuple[float | None, ...]
    form: figures.Form = "level"

    def cell(self, column: int) -> str:
        value = self.values[column]
        if value is not None and self.form != "level":
            return str(value) if self.form == "count" else share(value)
        return signed(value) if self.label == GAIN else level(value)

    def gap(self, first: int, second: int) -> str:
        """How much more the first of two columns has, of the printed figures; empty for shares."""
        if self.form == "share":
            return ""
        decimals = 0 if self.form == "count" else 1
        return signed(printed_gap(self.values[first], self.values[second]), decimals)


def figure_rows(columns: Sequence[Figures], *, every: bool = False) -> list[Row]:
    """The figures of versions, or of their states, a column each; with `every`, those that follow from others
    too."""
    rows = [
        Row(GAIN, "dB", tuple(column.gain_db for column in columns)),
        _row(columns, "integrated_lufs"),
        _row(columns, "max_short_term_lufs", "loudest_passage_lufs"),
        _row(columns, "quietest_passage_lufs"),
        _row(columns, "contrast_lu"),
    ]
    plain = _row(columns, "peak_to_loudness_db")
    capped = Row(CAPPED, plain.unit, tuple(column.punch_db for column in columns))
    over = any(plain.cell(place) != capped.cell(place) for place in range(len(columns)))
    rows += [plain, capped] if over and every else [capped if over else plain]
    rows += [_row(columns, "median_peak_to_short_term_db"), _row(columns, "true_peak_dbtp")]
    if every:
        rows.append(Row("Below full scale", "dB", tuple(column.unused_headroom_db for column in columns)))
    rows.append(_row(columns, "inter_sample_overs"))
    return [*rows, _row(columns, "share_at_ceiling")] if every else rows


def _row(columns: Sequence[Figures], key: str, attribute: str = "") -> Row:
    """A figure by its name and unit in the table of figures; `attribute` is its name in the comparison's own
    figures, where that is another one."""
    figure = figures.figure(key)
    unit = "" if figure.form in ("count", "share") else figure.unit
    return Row(
        figure.beside,
        unit,
        tuple(getattr(column, attribute or figure.name) for column in columns),
        figure.form,
    )


@dataclass(frozen=True, slots=True)
class PlayerGroup:
    """Players that leave the same of the difference: their ids, and loud minus open overall, in the loudest
    and in the quietest passage, in LU; the gains of either in dB, which may differ."""

    profiles: tuple[str, ...]
    gaps: tuple[str, ...]
    gains: tuple[str, str]


def player_groups(comparison: Comparison) -> list[PlayerGroup]:
    """Equal players together, the largest group first."""
    groups: dict[tuple[str, ...], list[Played]] = {}
    for played in comparison.played:
        rows = figure_rows([played.side.loud, played.side.open])[1:4]
        groups.setdefault(tuple(row.gap(0, 1) for row in rows), []).append(played)
    return [
        PlayerGroup(
            tuple(player.profile.id for player in players),
            gaps,
            (
                span([player.side.loud.gain_db for player in players], signed),
                span([player.side.open.gain_db for player in players], signed),
            ),
        )
        for gaps, players in sorted(groups.items(), key=lambda one: -len(one[1]))
    ]


def residual_rows(difference: Difference) -> list[tuple[str, ...]]:
    """Band, difference signal, gain movement, waveform change: K-weighted power against the whole open
    version."""
    rows: list[tuple[str, Difference | BandDifference]] = [("total", difference)]
    rows += [(band.band, band) for band in difference.bands]
    return [
        (name, level(row.residual_lu), level(row.gain_riding_lu), level(row.waveform_change_lu))
        for name, row in rows
    ]


def tonal_text(difference: Difference) -> str:
    """The third octaves in which the matched other version differs by 0.5 dB and more from the open one, in a
    line of words; empty where the tonal balance does not differ."""
    if not difference.tonal_balance_differs:
        return ""
    parts = [
        f"{third_octave.centre_hz:g} Hz {signed(third_octave.difference_db)}"
        for third_octave in difference.third_octaves
        if third_octave.difference_db is not None and abs(third_octave.difference_db) >= NOTICEABLE_DB
    ]
    if not parts:
        return "No third octave differs by half a dB or more."
    return f"The tonal balance, loud against open at matched level, in dB: {', '.join(parts)}."


def place_text(alignment: Alignment) -> str:
    """How the two align: offset, polarity, and the bands that come later or earlier."""
    if alignment.offset_s is None or not alignment.has_place:
        return ""
    off = level(abs(1000.0 * alignment.offset_s), 3)
    word = "later" if alignment.offset_s > 0.0 else "earlier"
    text = "The two files start in sync" if off == "0.000" else f"The loud version starts {off} ms {word}"
    if alignment.polarity is not None and alignment.polarity < 0:
        text += ", with its polarity inverted"
    late = [
        f"{one.band} {signed(one.delay_frames)} frames"
        for one in alignment.delay_by_band
        if one.delay_frames is not None and abs(one.delay_frames) > NOTICEABLE_FRAMES
    ]
    return f"{text}. Delay by band: {', '.join(late)}." if late else f"{text}."


LONGEST_NAME = 34


def choose_pair(tracks: Sequence[tuple[Track, Measurement | None]]) -> tuple[int, int] | None:
    """The loudest and the least loud measurable version of the first song with two of them, in the
    playlist's order; the two tracks of a list of two; None where nothing suggests itself."""
    levels = {
        place: lufs
        for place, (_, found) in enumerate(tracks)
        if found is not None and (lufs := found.integrated_lufs) is not None
    }
    group = _versions(tracks) or (list(levels) if len(levels) == 2 else [])
    if not group:
        return None
    first, second = sorted((max(group, key=levels.__getitem__), min(group, key=levels.__getitem__)))
    return None if first == second else (first, second)


MOST_VERSIONS = 6


def choose_versions(tracks: Sequence[tuple[Track, Measurement | None]]) -> tuple[int, ...]:
    """The places of the measurable versions, at most MOST_VERSIONS, of the first song that has two; empty
    where none has."""
    return tuple(_versions(tracks)[:MOST_VERSIONS])


def _versions(tracks: Sequence[tuple[Track, Measurement | None]]) -> list[int]:
    songs: dict[str, list[int]] = {}
    for place, (track, found) in enumerate(tracks):
        if track.song is not None and found is not None and found.integrated_lufs is not None:
            songs.setdefault(track.song, []).append(place)
    return next((places for places in songs.values() if len(places) > 1), [])


def short_names(first: Track, second: Track) -> tuple[str, str]:
    """What to call the two: what differs in their titles ("open master", "crushed master"), else the
    titles, else with their places."""
    a, b = _ending(first.title), _ending(second.title)
    if a and b and a != b:
        return f"the {a}", f"the {b}"
    names = tuple(shortened(track.title, LONGEST_NAME) for track in (first, second))
    if names[0] == names[1]:
        return f"{names[0]} (first)", f"{names[1]} (second)"
    return f"“{names[0]}”", f"“{names[1]}”"


def pair_rows(first: Version, second: Version) -> list[tuple[str, str, str, str, str]]:
    """Lines of the side-by-side: what, unit, first, second, and by how much the second has more."""
    both = (first, second)
    plays = [version.prediction.played for version in both]
    gains = [version.prediction.decision.gain_db for version in both]
    lines: list[tuple[str, str, list[float | None]]] = [
        ("As delivered", "LUFS", [version.delivered.integrated_lufs for version in both]),
        (GAIN, "dB", list(gains)),
        ("Level as played", "LUFS", [played.integrated_lufs for played in plays]),
        ("Loudest 3 s, as played", "LUFS", [played.max_short_term_lufs for played in plays]),
        ("Below full scale", "dB", [version.prediction.unused_headroom_db for version in both]),
        (figure("peak_to_loudness_db").beside, "dB", [played.peak_to_loudness_db for played in plays]),
    ]
    punches = [punch_db(played, gain_db) for played, gain_db in zip(plays, gains, strict=True)]
    if any(level(punch) != level(own.peak_to_loudness_db) for punch, own in zip(punches, plays, strict=True)):
        lines.append((CAPPED, "dB", list(punches)))
    median = figure("median_peak_to_short_term_db")
    lines.append((median.beside, median.unit, [median.value(played) for played in plays]))
    return [_line(name, unit, *values) for name, unit, values in lines]


def _line(name: str, unit: str, a: float | None, b: float | None) -> tuple[str, str, str, str, str]:
    write = signed if name == GAIN else level
    return name, unit, write(a), write(b), signed(printed_gap(b, a))


def _ending(title: str) -> str:
    """The text in brackets at the end of a title."""
    if not title.endswith(")") or "(" not in title:
        return ""
    return title[title.rindex("(") + 1 : -1].strip()

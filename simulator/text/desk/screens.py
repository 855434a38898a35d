"""Screens of the desk as plain text, drawn from the session's values by rule.

Sentences are those of `sentences`; what is said of references compares each one's peak to loudness ratio with
the list's median (the project's own rule: 3 dB away from it is a word).

Layout of texts and tables at the desk's width, as plain lines.

First words of the desk: what the player does to the client's versions and to the references.
"""

from __future__ import annotations

import statistics
import textwrap

from rich.console import Console
from rich.table import Table

from simulator.common.text import counted, level, signed
from simulator.common.units import format_time
from simulator.metering.figures import figure
from simulator.metering.measurement import Measurement
from simulator.playlists.playlist import Track
from simulator.session import commands
from simulator.session.acts.command import Command
from simulator.session.acts.now_playing import note_place
from simulator.session.codec_variants import is_difference, with_converter
from simulator.session.events import Show
from simulator.session.state import Session
from simulator.session.track import TrackView
from simulator.text.comparison.table import choose_pair, short_names
from simulator.text.sentences import (
    Version,
    delivered_sentence,
    headroom_sentences,
    passage_sentence,
    played_sentence,
)
from simulator.text.tables import grid, peak_cells, peak_columns, shortened

WIDEST = 100
"""Longer lines are hard to read on any screen."""


def wrapped(text: str, width: int, bullet: str = "") -> list[str]:
    """A paragraph's lines, each shorter than the screen and than WIDEST cells."""
    return textwrap.wrap(
        text,
        max(min(width, WIDEST) - 1, 20),
        initial_indent=bullet,
        subsequent_indent=" " * len(bullet),
        break_on_hyphens=False,
    )


def drawn(table: Table, width: int) -> str:
    """A table as text, without trailing spaces."""
    console = Console(width=width, color_system=None, force_terminal=False, highlight=False, markup=False)
    with console.capture() as taken:
        console.print(table)
    return "\n".join(line.rstrip() for line in taken.get().splitlines() if line.strip())


SAID_DB = 0.05
CAUTION = (
    "Turn your monitors down first: as delivered can be more than 10 LU louder than as played. NIOSH "
    "recommends no more than 85 dBA for 8 hours a day. WHO and ITU-T H.870 recommend 80 dBA for 40 hours a "
    "week. The "
    "program cannot know how loud it is at your ears; local safety rules apply."
)


KEYS_LINE = (
    "Keys (when the line is empty): Space pause · Tab swap · 1–9 version or track · , reference · "
    ". level mode · ! loudest · ←→ 1 s · shift ←→ 5 s · [ ] loop · Enter mark · - dim · 0 mute · "
    "Ctrl-C stop · Ctrl-D leave"
)
TRIAL_KEYS_LINE = (
    "Keys (when the line is empty): a, b, x play · shift-A or shift-B answers, then the same again or y · "
    "Space pause · - dim · 0 mute · Ctrl-C stop · Ctrl-D leave"
)


def opening(session: Session) -> str:
    """What this is, what the player does to the client's versions and to the references, and how to go on."""
    profile = session.profiles[session.profile]
    heading = " · ".join(part for part in (session.title, session.client) if part)
    lines = [heading] if heading else []
    lines += wrapped(f"{profile.title} ({profile.id}). {profile.sentence}", session.width)
    for sentence in [*_pair_sentences(session), *_reference_sentences(session)]:
        lines += wrapped(sentence, session.width, "• ")
    problems = sum(track.delivered is None for track in session.tracks)
    if problems:
        lines += wrapped(
            f"{counted(problems, 'track')} cannot be read. To see why: list",
            session.width,
            "• ",
        )
    lines += wrapped(CAUTION, session.width)
    lines += wrapped(f"{KEYS_LINE}. All commands: help", session.width)
    return "\n".join(lines)


def _pair_sentences(session: Session) -> list[str]:
    """The client's two versions against each other."""
    masters = [(i, one) for i, one in enumerate(session.tracks) if one.role == "master"]
    pair = choose_pair([(_track(one), one.delivered) for _, one in masters])
    if pair is None:
        return _single_sentences(session, [i for i, _ in masters])
    views = [masters[place][1] for place in pair]
    names = short_names(_track(views[0]), _track(views[1]))
    found = []
    for view, name in zip(views, names, strict=True):
        played = view.played.get(session.profile)
        if view.delivered is None or played is None:
            return []
        found.append(Version(name, view.delivered, played.prediction))
    first, second = found
    profile = session.profiles[session.profile]
    said = [
        delivered_sentence(first, second),
        played_sentence(first, second, profile),
        passage_sentence(first, second, profile),
        *(sentence for version in found for sentence in headroom_sentences(version, profile)[:1]),
    ]
    return [sentence for sentence in said if sentence]


def _single_sentences(session: Session, masters: list[int]) -> list[str]:
    """Masters without another version: what happens to each, three at most."""
    said = []
    for track in masters[:3]:
        one, played = session.tracks[track], session.tracks[track].played.get(session.profile)
        if one.delivered is None or played is None or one.delivered.integrated_lufs is None:
            continue
        said.append(
            f"“{shortened(one.title, 40)}”: {level(one.delivered.integrated_lufs)} LUFS as delivered, "
            f"{level(played.measured.integrated_lufs)} LUFS as played ({signed(played.gain_db)} dB)."
        )
    return said


def _reference_sentences(session: Session) -> list[str]:
    """What happens to the references as a whole."""
    views = [track for track in session.tracks if track.role == "reference" and track.delivered is not None]
    gains = [played.gain_db for view in views if (played := view.played.get(session.profile)) is not None]
    if not gains:
        return []
    if len(gains) == 1:
        [gain] = gains
        done = "left as delivered" if abs(gain) <= SAID_DB else f"turned {'down' if gain < 0.0 else 'up'}"
        return [f"The reference is {done}{f' by {level(abs(gain))} dB' if abs(gain) > SAID_DB else ''}."]
    down, up = sum(gain < -SAID_DB for gain in gains), sum(gain > SAID_DB for gain in gains)
    parts = [f"{down} turned down" if down else "", f"{up} turned up" if up else ""]
    same = len(gains) - down - up
    if same == len(gains):
        return [f"{same} references: left as delivered."]
    parts.append(f"{same} left as delivered" if same else "")
    words = ", ".join(part for part in parts if part)
    return [f"{len(gains)} references: {words}, by {signed(min(gains))} to {signed(max(gains))} dB."]


def _track(track_view: TrackView) -> Track:
    return Track(
        track_view.path, track_view.title, track_view.artist, song=track_view.song, album=track_view.album
    )


NOTICEABLY_DB = 3.0
TWO_COLUMNS = 76
"""From this width on the help has two columns."""


def screen(session: Session, show: Show) -> str:
    """A whole screen as lines of at most `session.width` cells."""
    if show.screen == "opening":
        return opening(session)
    if show.screen == "list":
        return listing(session)
    if show.screen == "explain":
        return explanation(session, int(show.argument))
    if show.screen == "marks":
        return marks(session)
    return help_text(session, show.argument)


def listing(session: Session) -> str:
    """Every track as delivered and as played; of references what is odd about them."""
    middle = _median_plr(session)
    remarks = [_remarks(track, middle) for track in session.tracks]
    keys = ("integrated_lufs", "true_peak_dbtp", "peak_to_loudness_db")
    loudness, peak, ratio = (figure(key) for key in keys)
    table = grid(
        ["#", "Track", "delivered\nLUFS", "gain\ndB", "played\nLUFS", "peak\ndBTP", "PLR\ndB", ""],
        [True, False, True, True, True, True, True, False],
    )
    # one line a track: what the other columns leave of the width
    room = max(min(session.width, 120) - 55 - max(map(len, remarks), default=0), 12)
    for number, one in enumerate(session.tracks, 1):
        title, here = shortened(one.title, room), ">" if number - 1 == session.track else ""
        if one.delivered is None:
            table.add_row(str(number), title, "–", "–", "–", "–", "–", "not readable")
            continue
        played = one.played.get(_player(session))
        table.add_row(
            f"{here}{number}",
            title,
            loudness.text(one.delivered),
            "–" if played is None else signed(played.gain_db),
            "–" if played is None else loudness.text(played.measured),
            "–" if played is None else peak.text(played.measured),
            ratio.text(one.delivered),
            remarks[number - 1],
        )
    problems = [
        line
        for number, view in enumerate(session.tracks, 1)
        if view.problem
        for line in wrapped(f"{number}. {view.problem}", session.width)
    ]
    return "\n".join([drawn(table, session.width), *problems])


def _player(session: Session) -> str:
    """The player as it sounds: with the simulated converter, where that is on and worked out."""
    behind = with_converter(session.profile)
    known = session.converter and behind in session.profiles
    return behind if known and any(behind in track.played for track in session.tracks) else session.profile


def explanation(session: Session, track: int) -> str:
    """Why this track gets this gain, for a client."""
    one, profile = session.tracks[track], session.profiles[_player(session)]
    played = one.played.get(profile.id)
    if played is None or one.delivered is None:
        return "\n".join(wrapped(f"Track {track + 1}: {one.problem or 'not calculated yet.'}", session.width))
    said = [f"{track + 1} {one.title} on {profile.title} ({profile.id})."]
    said.append(played.prediction.decision.reason)
    if not is_difference(profile.id):
        said += headroom_sentences(Version("this track", one.delivered, played.prediction), profile)
    said.append(_as_played(played.measured))
    columns = peak_columns([played.prediction])
    if columns:
        cells = peak_cells(columns, one.delivered, played.prediction)
        ways = zip(["master", *columns, "as played"], cells, strict=True)
        said.append("True peak in dBTP (overs): " + ", ".join(f"{way} {cell}" for way, cell in ways) + ".")
    if profile.target_lufs is not None:
        said.append(
            f"Real players may have measured a different copy: allow ±{level(profile.uncertainty_db)} dB."
        )
    return "\n".join(line for sentence in said for line in wrapped(sentence, session.width))


def _as_played(measurement: Measurement) -> str:
    whole, passage, peak = (
        measurement.integrated_lufs,
        measurement.max_short_term_lufs,
        measurement.true_peak_dbtp,
    )
    if whole is None or peak is None:
        return "As played it has no measurable loudness." + (
            "" if peak is None else f" It peaks at {level(peak)} dBTP."
        )
    loudest = "" if passage is None else f", loudest 3 s at {level(passage)} LUFS"
    return f"As played: {level(whole)} LUFS{loudest}; it peaks at {level(peak)} dBTP."


def marks(session: Session) -> str:
    """All marks and the notes of this session, in order; how many earlier ones there are, and where."""
    lines = []
    for mark in session.marks:
        title = shortened(session.tracks[mark.track].title, 40)
        lines += wrapped(
            f"{mark.name}: {format_time(mark.place_s)} in {mark.track + 1} {title}"
            + (f" · {mark.text}" if mark.text else ""),
            session.width,
        )
    for act in session.notes:
        lines += wrapped(f"note ({note_place(act.data)}): {act.data['text']}", session.width)
    if not lines:
        said = "No marks or notes in this session yet. To add one: mark NAME, note TEXT"
        lines += wrapped(said, session.width)
    if session.earlier_notes:
        count = session.earlier_notes
        notes = counted(count, "note from an earlier session", "notes from earlier sessions")
        lines += wrapped(f"{notes}: {session.record_path}", session.width)
    return "\n".join(lines)


def help_text(session: Session, name: str) -> str:
    """The table of commands, or one of them. The last line names `help` itself."""
    if name:
        found = next(command for command in commands.COMMANDS if command.name == name)
        return "\n".join(line for part in _one_command(found) for line in wrapped(part, session.width))
    trial = session.trial is not None
    listed = [one for one in commands.COMMANDS if (one.in_trial or not trial) and one.name != "help"]
    cells = [(one.trial_line or one.name if trial else one.name, one.help) for one in listed]
    columns = 2 if session.width >= TWO_COLUMNS else 1
    rows = -(-len(cells) // columns)
    table = Table(box=None, show_header=False, pad_edge=False)
    for _ in range(columns):
        table.add_column(no_wrap=True)
        table.add_column(overflow="fold")
    for row in range(rows):
        table.add_row(*(part for cell in cells[row::rows] for part in cell))
    keys = TRIAL_KEYS_LINE if trial else KEYS_LINE
    below = wrapped(f"One command: help NAME. {keys}.", session.width)
    return "\n".join([drawn(table, session.width), *below])


def _one_command(command: Command) -> list[str]:
    parts = [f"{command.name} {command.arguments}".rstrip(), command.help, f"Example: {command.example}"]
    if command.short:
        parts.append(f"Also: {', '.join(command.short)}")
    if command.keys:
        keys = ", ".join(f"{key} ({line})" for key, line in command.keys)
        parts.append(f"Keys when the line is empty: {keys}")
    return parts


def _remarks(track_view: TrackView, middle: float | None) -> str:
    words = ["lossy"] if track_view.lossy else []
    if track_view.mono:
        words.append("mono")
    ratio = None if track_view.delivered is None else track_view.delivered.peak_to_loudness_db
    if track_view.role == "reference" and ratio is not None and middle is not None:
        if ratio < middle - NOTICEABLY_DB:
            words.append("dense")
        elif ratio > middle + NOTICEABLY_DB:
            words.append("open")
    return ", ".join([*(["ref"] if track_view.role == "reference" else []), *words])


def _median_plr(session: Session) -> float | None:
    found = [
        ratio
        for track in session.tracks
        if track.delivered is not None and (ratio := track.delivered.peak_to_loudness_db) is not None
    ]
    return statistics.median(found) if len(found) > 2 else None

"""First words of the desk: what the player does to the client's versions and to the references."""

from __future__ import annotations

from simulator.common.report_numbers import level, signed
from simulator.playlists.playlist import Track
from simulator.session.state import Session
from simulator.session.track import TrackView
from simulator.text.comparison.pair import choose_pair, short_names
from simulator.text.layout import wrapped
from simulator.text.sentences import (
    Version,
    delivered_sentence,
    headroom_sentences,
    passage_sentence,
    played_sentence,
)
from simulator.text.tables import shortened

SAID_DB = 0.05
KEYS_LINE = (
    "Keys on an empty line: space pause, tab swap, . state, ! loudest, - dim, 0 mute. "
    "Ctrl-C stops, Ctrl-D leaves."
)
CAUTION = (
    "Before you play: turn your monitors down. As delivered can be more than 10 dB louder than as played. "
    "NIOSH recommends at most 85 dBA for 8 hours a day, WHO and ITU-T H.870 80 dBA for 40 hours a week. The "
    "program cannot know the sound pressure; local rules come first."
)


def opening(session: Session) -> str:
    """What this is, what the player does to the client's versions and to the references, and how to go on."""
    profile = session.profiles[session.profile]
    heading = " · ".join(part for part in (session.title, session.client) if part)
    lines = [heading] if heading else []
    lines += wrapped(f"{profile.title} ({profile.id}). {profile.sentence}", session.width)
    for sentence in [*_pair_sentences(session), *_reference_sentences(session)]:
        lines += wrapped(sentence, session.width, "• ")
    problems = sum(one.delivered is None for one in session.tracks)
    if problems:
        lines += wrapped(
            f"{problems} track{'s' if problems > 1 else ''} cannot be read; list says why.",
            session.width,
            "• ",
        )
    lines += wrapped(CAUTION, session.width)
    lines += wrapped(f"{KEYS_LINE} All commands: help", session.width)
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
            f"“{shortened(one.title, 40)}”: delivered at {level(one.delivered.integrated_lufs)} LUFS, "
            f"played at {level(played.measured.integrated_lufs)} LUFS (gain {signed(played.gain_db)} dB)."
        )
    return said


def _reference_sentences(session: Session) -> list[str]:
    """What happens to the references as a whole."""
    views = [one for one in session.tracks if one.role == "reference" and one.delivered is not None]
    gains = [played.gain_db for one in views if (played := one.played.get(session.profile)) is not None]
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


def _track(one: TrackView) -> Track:
    return Track(one.path, one.title, one.artist, song=one.song, album=one.album)

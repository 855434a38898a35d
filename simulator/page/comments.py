"""Comments that listeners leave on a page, the lines that bring them back, and their acts.

A comment is about a moment of one track. It comes back as a line that a mail can hold, with free words below:

    fairhearing-comment 1 PAGE TRACK SECONDS OPINION NUMBER CHECK
    name: Nerida
    words: the snare is dull

PAGE is the page's id, TRACK the track's number on it, SECONDS the moment in that track's file, OPINION
"trouble" or "prefer-N" (track N is preferred here), NUMBER eight hexadecimal digits by chance that tell one
comment from another, CHECK the CRC-32 of the six words before it. In the session file a comment is a mark, so
that the desk goes to it; a later wording of the same comment keeps the mark's name.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from simulator.blind_test.ballot import GAP, named_line, own_words
from simulator.playlists.playlist import Track
from simulator.session.log import BALLOT, Act
from simulator.text.remarks import text_in

FORMAT = "1"
WORD = "fairhearing-comment"
PAGE = "page"
"""The kind of act that a page without a vote leaves."""
_LINE = re.compile(
    rf"{WORD}{GAP}(?P<format>\d\S*){GAP}(?P<page>[a-z0-9]+){GAP}(?P<track>\d{{1,4}}){GAP}"
    rf"(?P<seconds>\d{{1,6}}\.\d){GAP}(?P<opinion>trouble|prefer-\d{{1,4}}){GAP}(?P<number>[0-9a-f]{{8}})"
    rf"{GAP}(?P<check>[0-9a-f]{{8}})\b"
)
_BEGUN = re.compile(rf"{WORD}{GAP}\d")


@dataclass(frozen=True, slots=True)
class Comment:
    """What a listener said of a moment. `track` and `preferred` are numbers on the page, from 1; where
    `preferred` is None, something is wrong there. `number` tells comments apart."""

    page: str
    track: int
    at_s: float
    preferred: int | None
    number: str
    name: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True)
class ShownTrack:
    """A track as a page showed it, in the session file."""

    title: str
    path: str


def comment_line(comment: Comment) -> str:
    """The line that the page shows for a comment."""
    opinion = "trouble" if comment.preferred is None else f"prefer-{comment.preferred}"
    body = f"{FORMAT} {comment.page} {comment.track} {comment.at_s:.1f} {opinion} {comment.number}"
    return f"{WORD} {body} {zlib.crc32(body.encode('ascii')):08x}"


def read_comments(text: str) -> tuple[list[Comment], list[str]]:
    """All comments in a text, each wording once, and what is wrong with others. Name and words are those
    between a comment's line and the next one."""
    matches = list(_LINE.finditer(text))
    whole = {match.start() for match in matches}
    comments: list[Comment] = []
    problems = []
    if any(match.start() not in whole for match in _BEGUN.finditer(text)):
        problems.append(f"a line that begins with {WORD} is incomplete")
    ends = [match.start() for match in matches[1:]] + [len(text)]
    for match, end in zip(matches, ends, strict=False):
        around = text[match.end() : end]
        preferred = None if match["opinion"] == "trouble" else int(match["opinion"].removeprefix("prefer-"))
        comment = Comment(
            page=match["page"],
            track=int(match["track"]),
            at_s=float(match["seconds"]),
            preferred=preferred,
            number=match["number"],
            name=named_line(around, "name"),
            words=own_words(around),
        )
        if match["format"] != FORMAT:
            problems.append(f"a comment has the form {match['format']}, and this program knows {FORMAT}")
        elif comment_line(comment).split()[-1] != match["check"]:
            problems.append("a comment was changed on its way: its check does not fit")
        elif comment not in comments:
            comments.append(comment)
    return comments, list(dict.fromkeys(problems))


def shown_tracks(tracks: Iterable[Track]) -> list[dict[str, str]]:
    """The tracks of a page, in its order, for the act of making it."""
    return [{"title": track.title, "path": track.path} for track in tracks]


def page_act(at: str, page: str, file: str, tracks: Sequence[Track]) -> Act:
    """The act of writing a page without a vote; `file` is the page's name."""
    return Act(at, PAGE, {"page": page, "file": file, "tracks": shown_tracks(tracks)})


def pages(acts: Iterable[Act]) -> dict[str, list[ShownTrack]]:
    """The tracks of each page in a session file, by the page's id."""
    by_id: dict[str, list[ShownTrack]] = {}
    for act in acts:
        page, tracks = act.data.get("page"), act.data.get("tracks")
        if act.kind not in (PAGE, BALLOT) or not isinstance(page, str) or not isinstance(tracks, list):
            continue
        named = [track if isinstance(track, dict) else {} for track in tracks]
        shown = [ShownTrack(text_in(track, "title"), text_in(track, "path")) for track in named]
        if all(track.path for track in shown):
            by_id[page] = shown
    return by_id


def comment_act(at: str, comment: Comment, shown: Sequence[ShownTrack], acts: Iterable[Act]) -> Act | None:
    """The mark that keeps a comment; None where it is kept in these very words. Raises ValueError where the
    page has no such track."""
    if not all(0 < number <= len(shown) for number in (comment.track, comment.preferred or comment.track)):
        raise ValueError(f"its page has {len(shown)} tracks, and the comment is about another")
    track = shown[comment.track - 1]
    data: dict[str, Any] = {
        "track": comment.track,
        "title": track.title,
        "path": track.path,
        "place_s": comment.at_s,
        "page": comment.page,
        "comment": comment.number,
        "opinion": "trouble" if comment.preferred is None else "prefer",
        "preferred": "" if comment.preferred is None else shown[comment.preferred - 1].title,
        "by": comment.name,
        "words": comment.words,
    }
    data["text"] = comment_text(data)
    names: dict[object, object] = {}
    for act in acts:
        if act.kind == "mark" and "comment" in act.data:
            if all(act.data.get(key) == value for key, value in data.items()):
                return None
            names[act.data["comment"]] = act.data.get("name")
    name = names.get(comment.number) or f"comment {len(names) + 1}"
    return Act(at, "mark", {"name": name, **data})


def comment_text(data: dict[str, Any]) -> str:
    """A comment in one line: who, the opinion, the words."""
    view = "trouble here" if data["opinion"] == "trouble" else f"prefers {data['preferred']}"
    return ": ".join(part for part in (data["by"], view, data["words"]) if part)

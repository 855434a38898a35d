"""The work of `votes`: a file's answers read, the page of each found, its trial replayed and kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from simulator.blind_test.ballot import (
    WORD,
    OtherDrawsError,
    VoteAnswer,
    merged,
    read_answers,
    voted,
)
from simulator.blind_test.result import result, result_sentences
from simulator.cli.options import warn
from simulator.common.errors import NothingDoneError, SimulatorError, UsageError
from simulator.common.units import format_time
from simulator.page.comments import WORD as COMMENT_WORD
from simulator.page.comments import Comment, comment_act, pages, read_comments
from simulator.page.mail_text import decoded, texts_of
from simulator.session.log import Act, Record, ballots, has_all_of, has_vote, vote_act, votes
from simulator.storage.session_file import SUFFIX, add_act, now, read_record, records_near
from simulator.storage.small_files import LARGEST_ANSWER_BYTES, read_named
from simulator.text.votes import ListenerSum, sum_of

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class TakenVotes:
    """What was read from a file: lines to print, the session file and page that a vote belongs to, and how
    many of the lines are its result, which the sum of several listeners replaces."""

    lines: list[str]
    vote_of: tuple[Path, str] | None = None
    result_lines: int = 0

    def shown(self, *, summed: bool) -> list[str]:
        return [self.lines[0], *self.lines[1 + (self.result_lines if summed else 0) :]]


def sums(votes_of: Iterable[tuple[Path, str]], record: Path | None) -> list[ListenerSum]:
    """The sum of each page's listeners, where there are several; without any page, of all pages of the
    session file. Raises UsageError where it cannot be read."""
    wanted = list(dict.fromkeys(votes_of))
    if not wanted and record is not None:
        kept = read_record(record)
        wanted = [(record, page) for page in ballots(() if kept is None else kept.acts)]
    found = []
    for path, page in wanted:
        kept = read_record(path)
        given = [] if kept is None else votes(kept.acts, page)
        if kept is not None and len(given) > 1:
            found.append(sum_of(ballots(kept.acts)[page], given))
    return found


def take_votes(file: Path, record: Path | None) -> list[TakenVotes | SimulatorError]:
    """Reads every answer and comment in a file and adds each to its record; for each the lines to print, or
    why it was not taken; the one error of a file that cannot be read."""
    try:
        answers, comments, problems = _read(file)
    except UsageError as problem:
        return [problem]
    cure = "Save the mail unchanged (.eml) or as plain text, or ask for the file that the page saves."
    taken: list[TakenVotes | SimulatorError] = [UsageError(f"{file}: {words}.", cure) for words in problems]
    both: list[VoteAnswer | Comment] = [*answers, *comments]
    for each in both:
        try:
            if isinstance(each, Comment):
                taken.append(_take_comment(file, each, record))
            else:
                taken.append(_take_vote(file, each, record))
        except SimulatorError as problem:
            taken.append(problem)
    return taken


def _take_comment(file: Path, comment: Comment, record: Path | None) -> TakenVotes:
    """Adds one comment to its record, as a mark; the lines to print. Raises UsageError, NothingDoneError,
    WriteError."""
    path, kept, shown = _find(file, comment.page, record, pages)
    try:
        act = comment_act(now(), comment, shown, kept.acts)
    except ValueError as problem:
        raise UsageError(f"{file}: {problem}.", "Ask the client to send it again.") from None
    if act is None:
        return TakenVotes([f"{file}: this comment is already in {path}."])
    add_act(path, kept.title, act, warn, only_here=True)
    where = f"{format_time(comment.at_s)} in {comment.track} {act.data['title']}"
    return TakenVotes(
        [f"{file}: mark “{act.data['name']}”, {where}, added to {path}.", f"  {act.data['text']}"]
    )


def _take_vote(file: Path, given: VoteAnswer, record: Path | None) -> TakenVotes:
    """Adds one answer to its record; the lines to print. Raises UsageError, NothingDoneError, WriteError."""
    path, kept, ballot = _find(file, given.page, record, ballots)
    try:
        trial = voted(ballot, given)
    except OtherDrawsError as problem:
        raise UsageError(
            f"{path}: {problem}.",
            f"Restore the session file from a backup, or run votes with the version that made the page. "
            f"{file} was not changed.",
        ) from None
    except ValueError as problem:
        raise UsageError(f"{file}: {problem}.", "Ask the client to send the answer again.") from None
    if has_vote(kept.acts, given):
        said = [f"{file}: this answer is already in {path}."]
        if not has_all_of(kept.acts, given):
            said.append("  Its other letters, name or words are ignored.")
        if not given.answer:
            said.append("  If it is from another listener, add a line `name: ...` to the file and try again.")
        return TakenVotes(said, (path, given.page))
    add_act(path, kept.title, vote_act(now(), given, trial), warn, only_here=True)
    who = f" by {given.name}" if given.name else ""
    lines = [f"{file}: vote{who}, {ballot.plan.rounds} rounds, added to {path}."]
    lines += [f"  {sentence}" for sentence in result_sentences(ballot.plan, result(trial))]
    lines.append(
        "  Not blind: the names had been seen before this vote."
        if given.names_seen
        else "  Blind, as far as the page can know: the names were hidden until the last answer."
    )
    result_lines = len(lines) - 1
    if given.words:
        lines.append(f"  In the client's words: {given.words}")
    return TakenVotes(lines, (path, given.page), result_lines)


def _read(file: Path) -> tuple[list[VoteAnswer], list[Comment], list[str]]:
    """The answers and comments in a file, and what is wrong with others. Raises UsageError."""
    data = read_named(file, LARGEST_ANSWER_BYTES, "the file", UsageError)
    try:
        texts = texts_of(data)
    except ValueError as problem:
        return [], [], [str(problem)]
    if not any(word in text for text in texts for word in (WORD, COMMENT_WORD)):
        texts = [decoded(data)]  # the file as it is, where no part of the mail has an answer
    read = [read_answers(text) for text in texts]
    commented = [read_comments(text) for text in texts]
    found = merged(answer for answers, _ in read for answer in answers)
    comments = list(dict.fromkeys(one for each, _ in commented for one in each))
    problems = [problem for _, said in commented for problem in said]
    for text, (_, said) in zip(texts, read, strict=True):
        if WORD in text or not (found or comments or problems):
            problems += said
    return found, comments, list(dict.fromkeys(problems))


def _find(
    file: Path, page: str, record: Path | None, known: Callable[[Iterable[Act]], Mapping[str, T]]
) -> tuple[Path, Record, T]:
    """The session file that contains this page, its record, and what that holds on the page."""
    looked = []
    for path in [record] if record is not None else records_near(file):
        looked.append(path)
        try:
            kept = read_record(path)
        except UsageError:
            if record is not None:
                raise
            continue  # another file of that name, or a damaged one: left alone
        if kept is not None and (found := known(kept.acts).get(page)) is not None:
            return path, kept, found
    where = ", ".join(str(path) for path in looked) or f"no *{SUFFIX} beside it or here"
    raise NothingDoneError(
        f"{file}: the page {page} is not in the session file ({where}).",
        "Give the session file of the playlist the page was made from: --session NAME.session.json",
    )

"""Session log: an append-only list of acts, its form on disk, and the acts of trials, ballots and votes.

The form is JSON: `format` 1, a title, and acts in time order, each with its time stamp, its kind and its
data. Kinds that this version does not know are kept as they are. `format` is raised only when an older reader
would misread it.

"trial begun" holds the draw, "trial answer" each answer, "trial" the end: a program killed in mid-trial loses
at most the answer in progress. A trial without an end can be continued, so its words name no version, and it
gives no result. "ballot" is a page written with a vote (id, file name, plan, versions, draws); "vote" an
answer that came back: who, whether the names had been seen, in which words, and the trial as a log that
replays.
"""

from __future__ import annotations

import re
from calendar import timegm
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from simulator.blind_test.ballot import Ballot, VoteAnswer
from simulator.blind_test.trial import Letter, Trial, replay, to_log
from simulator.common.errors import UsageError
from simulator.common.text import as_utf8

FORMAT = 1
_AT = re.compile(
    r"([1-9]\d{3})-(0[1-9]|1[0-2])-(\d\d)T(\d\d):(\d\d):(\d\d)[.\d]*(?:(?P<sign>[+-])(?P<hours>\d\d):(?P<minutes>\d\d)|Z?)$"
)
"""ISO 8601, as acts are stamped; without an offset to UTC it counts as UTC."""
Value = None | bool | int | float | str | list["Value"] | dict[str, "Value"]


@dataclass(frozen=True, slots=True)
class Act:
    """Something that was done: when (ISO 8601, with the offset to UTC), what, and with which values."""

    at: str
    kind: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Record:
    """A session's acts in their order."""

    title: str = ""
    acts: tuple[Act, ...] = ()

    def with_act(self, act: Act) -> Record:
        """The record with one act more; what in its texts has no form in UTF-8 is spelled out."""
        return replace(self, acts=(*self.acts, replace(act, data=keepable(act.data))))

    def of_kind(self, kind: str) -> tuple[Act, ...]:
        return tuple(act for act in self.acts if act.kind == kind)


def missing(record: Record, other: Record) -> tuple[Act, ...]:
    """The acts of another record that this one has not, as often as it lacks them; in the other's order."""
    here = Counter(_form(act) for act in record.acts)
    absent = []
    for act in other.acts:
        form = _form(act)
        if here[form]:
            here[form] -= 1
        else:
            absent.append(act)
    return tuple(absent)


def merged(record: Record, other: Record) -> Record:
    """Both records in one, by time: nothing is lost, and what is in both is kept once. Each keeps the
    order of its own acts; an act without a readable time follows the one before it."""
    acts, extra = list(_timed(record.acts)), list(_timed(missing(record, other)))
    both = []
    while acts and extra:
        both.append((extra if extra[0][0] < acts[0][0] else acts).pop(0))
    both += acts + extra
    return replace(record, title=record.title or other.title, acts=tuple(act for _, act in both))


def _form(act: Act) -> bytes:
    """Equal for acts that say the same, in whatever order their values stand."""
    return msgspec.json.encode(act, order="sorted")


def _timed(acts: Iterable[Act]) -> Iterator[tuple[float, Act]]:
    """Each act with its moment in seconds since 1970."""
    at_s = float("-inf")
    for act in acts:
        if (time := _AT.match(act.at)) is not None:
            day_and_time, offset = [int(part) for part in time.groups()[:6]], time["sign"]
            east_s = (int(time["hours"]) * 3600 + int(time["minutes"]) * 60) if offset else 0
            at_s = timegm((*day_and_time, 0, 0, 0)) - (-east_s if offset == "-" else east_s)
        yield at_s, act


class _LogForm(msgspec.Struct, forbid_unknown_fields=False):
    format: int
    title: str
    acts: list[Act]


class _Version(msgspec.Struct):
    format: int


class NewerRecordError(UsageError):
    """The record was written by a newer version of the program."""


def to_json(record: Record) -> bytes:
    """The form on the disk, readable by people (an act a line). Raises TypeError for values that JSON
    cannot hold, ValueError for NaN and infinities."""
    acts = [msgspec.json.encode(act) for act in record.acts]
    if any(b"null" in act for act in acts):
        for act in record.acts:
            _refuse_odd_numbers(act.data)
    head = b'{"format": %d, "title": %s, "acts": [' % (FORMAT, msgspec.json.encode(record.title))
    return head + b",".join(b"\n" + act for act in acts) + b"\n]}\n"


def from_json(data: bytes) -> Record:
    """What `to_json` wrote. Raises NewerRecordError, and UsageError for what is no record."""
    try:
        version = msgspec.json.decode(data, type=_Version).format
        if version > FORMAT:
            raise NewerRecordError(
                f"the session file has format {version}; this version reads up to {FORMAT}.",
                "Open it with the newer version of the program.",
            )
        form = msgspec.json.decode(data, type=_LogForm)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as problem:
        raise UsageError(f"this is not a session file: {problem}.", "Restore it from a copy.") from None
    return Record(form.title, tuple(form.acts))


def keepable(value: Any) -> Any:
    """The value with every text in it as UTF-8 can hold it: file names and lines may hold other bytes."""
    if isinstance(value, str):
        return as_utf8(value)
    if isinstance(value, dict):
        return {keepable(key): keepable(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [keepable(one) for one in value]
    return value


def _refuse_odd_numbers(value: Any) -> None:
    """msgspec writes NaN and infinities as null, which would be another value when read again."""
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        raise ValueError("a session file holds no NaN and no infinity")
    if isinstance(value, dict):
        for one in value.values():
            _refuse_odd_numbers(one)
    elif isinstance(value, list | tuple):
        for one in value:
            _refuse_odd_numbers(one)


BALLOT, VOTE = "ballot", "vote"


def ballot_act(at: str, ballot: Ballot, file: str, tracks: Sequence[dict[str, str]] = ()) -> Act:
    """The act of writing a page with a vote; `file` is the page's name, `tracks` are those that it shows."""
    return Act(at, BALLOT, {**msgspec.to_builtins(ballot), "file": file, "tracks": list(tracks)})


def vote_act(at: str, given: VoteAnswer, trial: Trial) -> Act:
    """The act of taking a client's answer."""
    data: dict[str, Any] = msgspec.to_builtins(given)
    return Act(at, VOTE, {**data, "trial": to_log(trial)})


def ballots(acts: Iterable[Act]) -> dict[str, Ballot]:
    """The ballots of a record, by page. An act that is none, though it is called so, is left out."""
    by_page: dict[str, Ballot] = {}
    for act in acts:
        if act.kind == BALLOT:
            try:
                ballot = msgspec.convert(act.data, Ballot)
            except msgspec.ValidationError:
                continue
            by_page[ballot.page] = ballot
    return by_page


def votes(acts: Iterable[Act], page: str = "") -> list[tuple[VoteAnswer, Trial]]:
    """The votes of a session file, or of one page, in order, each replayed; one that does not replay is left
    out."""
    replayed = []
    for act in acts:
        if act.kind == VOTE and (not page or act.data.get("page") == page):
            try:
                given = msgspec.convert(act.data, VoteAnswer)
                replayed.append((given, replay(act.data.get("trial") or {})))
            except (msgspec.ValidationError, ValueError):
                continue
    return replayed


def has_vote(acts: Iterable[Act], given: VoteAnswer) -> bool:
    """True where this very answer is in the session file. By the number of the filling, or in all it says
    where it has none."""
    if given.answer:
        return _has_vote_with(acts, {"page": given.page, "answer": given.answer})
    return has_all_of(acts, given)


def has_all_of(acts: Iterable[Act], given: VoteAnswer) -> bool:
    """True where the session file has a vote that says the same in all, its letters, name and words too."""
    return _has_vote_with(acts, msgspec.to_builtins(given))


def _has_vote_with(acts: Iterable[Act], values: dict[str, object]) -> bool:
    return any(
        act.kind == VOTE and all(act.data.get(key, "") == value for key, value in values.items())
        for act in acts
    )


BEGUN, ANSWER, TRIAL = "trial begun", "trial answer", "trial"
WORDS = "An unfinished blind trial: {given} of {rounds} rounds answered, no result."


def begun_data(trial: Trial) -> dict[str, Any]:
    """Data of the act that begins a trial; the session file may name the versions."""
    plan = trial.plan
    return {
        "trial_kind": plan.kind,
        "rounds": plan.rounds,
        "versions": sorted(plan.versions),
        "state": plan.state,
        "trial": to_log(trial),
    }


def answer_act(at: str, trial: Trial, letter: Letter) -> Act:
    """The act of giving an answer; `trial` is the one after it."""
    return Act(at, ANSWER, {"seed": trial.plan.seed, "round": len(trial.answers), "letter": letter})


def unfinished(acts: Sequence[Act]) -> list[tuple[Act, Trial]]:
    """The beginnings without an end, in order, each with the trial as far as it went. Those of earlier
    versions of the program, which kept no draws, and those that do not agree with their own seed are left
    out."""
    begun: list[tuple[Act, dict[str, Any]]] = []
    for act in acts:
        log = act.data.get("trial")
        if act.kind == BEGUN and isinstance(log, dict):
            begun.append((act, {**log, "answers": []}))
        elif act.kind == TRIAL:
            begun = [one for one in begun if _seed(one[1]) != _seed(log)]
        elif act.kind == ANSWER and begun and _seed(begun[-1][1]) == act.data.get("seed"):
            answers = begun[-1][1]["answers"]
            if act.data.get("round") == len(answers) + 1:
                answers.append(act.data.get("letter"))
    read = []
    for act, log in begun:
        try:
            read.append((act, replay(log)))
        except ValueError:
            continue
    return read


def unfinished_words(trial: Trial) -> str:
    """Says how far the trial got, and names no version."""
    return WORDS.format(given=len(trial.answers), rounds=len(trial.draws))


def _seed(log: object) -> object:
    plan = log.get("plan") if isinstance(log, dict) else None
    return plan.get("seed") if isinstance(plan, dict) else None

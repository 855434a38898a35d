"""Ballot and answer of a page's vote: what the page was made with, and what comes back.

A ballot is a preference trial whose rounds the page carries out by itself. The answer is one line that a
mail can hold:

    fairhearing-vote 1 PAGE LETTERS NAMES CHECK

PAGE is the ballot's id, LETTERS the answers of all rounds ("ABBA…"), NAMES "hidden" or "seen" (whether
the names stood on the screen before the vote), CHECK the CRC-32 of the four words before it, in eight
hexadecimal digits: against slips, not against fraud. Lines around it are free; "answer:", "name:" and
"words:" are read. "answer:" is a number by chance that tells one filling of the page from another with the
same letters; the words go on to the next empty line. Mail programs put ">" before lines and break them; both
are undone.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, replace

from simulator.blind_test.trial import Round, Trial, TrialPlan, begin

FORMAT = "1"
WORD = "fairhearing-vote"
GAP = r"[\s>|]+"  # a space, or where a mail was wrapped and quoted
_LINE = re.compile(
    rf"{WORD}{GAP}(?P<format>\d\S*){GAP}(?P<page>[a-z0-9]+){GAP}(?P<letters>[AB]+){GAP}"
    rf"(?P<names>hidden|seen){GAP}(?P<check>[0-9a-f]{{8}})\b"
)
_BEGUN = re.compile(rf"{WORD}{GAP}\d")
_ENDS = re.compile(r"\s*$|-- |(name|words|answer|moment|Vote|Comments): |fairhearing-(vote|comment)\b")
"""Where a client's words end."""


@dataclass(frozen=True, slots=True)
class Ballot:
    """A vote that a page asks for: `page` is its id; the plan's versions are the names that the client
    sees afterwards; `contents` are the identities of the versions' samples, in the same order. `draws` are
    the rounds as the page plays them; empty in ballots of older versions, which kept the seed alone.
    `passages` are what is heard, in words, and `round_passages` which of them each round plays; both are
    empty where there is one."""

    page: str
    plan: TrialPlan
    contents: tuple[str, ...] = ()
    draws: tuple[Round, ...] = ()
    passages: tuple[str, ...] = ()
    round_passages: tuple[int, ...] = ()


class OtherDrawsError(ValueError):
    """The draws in a ballot are not those that its seed gives now."""


@dataclass(frozen=True, slots=True)
class VoteAnswer:
    """What the client sent: letters of all rounds, whether the names were known, who, in which words."""

    page: str
    letters: str
    names_seen: bool
    name: str = ""
    words: str = ""
    answer: str = ""
    """Tells one filling of the page from another; empty on pages of older versions."""


def answer_line(page: str, letters: str, names_seen: bool) -> str:
    """The line that the page shows at the end of the vote."""
    body = f"{FORMAT} {page} {letters} {'seen' if names_seen else 'hidden'}"
    return f"{WORD} {body} {zlib.crc32(body.encode('ascii')):08x}"


def read_answers(text: str) -> tuple[list[VoteAnswer], list[str]]:
    """All answers in a text, each once, and what is wrong with the others. What stands after an answer, up to
    the next one, belongs to it; where there is only one, the whole text does."""
    matches = list(_LINE.finditer(text))
    vote_answers: list[VoteAnswer] = []
    problems: list[str] = []
    whole = {match.start() for match in matches}
    cut_off = any(match.start() not in whole for match in _BEGUN.finditer(text))
    if not matches:
        problems.append(f"there is no whole line that begins with {WORD}")
    elif cut_off:
        problems.append(f"one more line that begins with {WORD} is incomplete")
    for number, match in enumerate(matches):
        end = matches[number + 1].start() if number + 1 < len(matches) else len(text)
        try:
            _add(vote_answers, _answer(match, text if len(matches) == 1 else text[match.end() : end]))
        except ValueError as problem:
            if str(problem) not in problems:
                problems.append(str(problem))
    return vote_answers, problems


def _same_vote(one: VoteAnswer, other: VoteAnswer) -> bool:
    """True where these are one filling of the page, as a mail holds it that quotes it once more."""
    if (one.page, one.letters, one.names_seen) != (other.page, other.letters, other.names_seen):
        return False
    ours, theirs = (one.answer, other.answer) if one.answer or other.answer else (one.name, other.name)
    return ours == theirs or not (ours and theirs)


def merged(answers: Iterable[VoteAnswer]) -> list[VoteAnswer]:
    """Each filling once, with all that is said of it anywhere."""
    vote_answers: list[VoteAnswer] = []
    for answer in answers:
        _add(vote_answers, answer)
    return vote_answers


def _add(vote_answers: list[VoteAnswer], given: VoteAnswer) -> None:
    for place, one in enumerate(vote_answers):
        if _same_vote(one, given):
            vote_answers[place] = replace(
                one,
                name=one.name or given.name,
                words=one.words or given.words,
                answer=one.answer or given.answer,
            )
            return
    vote_answers.append(given)


def _answer(match: re.Match[str], around: str) -> VoteAnswer:
    """The answer of one line, with what stands around it. Raises ValueError where it was changed, or is of a
    newer form."""
    if match["format"] != FORMAT:
        raise ValueError(f"its answer has the form {match['format']}, and this program knows {FORMAT}")
    line = answer_line(match["page"], match["letters"], match["names"] == "seen")
    if line.split()[-1] != match["check"]:
        raise ValueError("the answer was changed on its way: its check does not fit")
    return VoteAnswer(
        page=match["page"],
        letters=match["letters"],
        names_seen=match["names"] == "seen",
        name=named_line(around, "name"),
        words=own_words(around),
        answer=_number(around),
    )


def voted(ballot: Ballot, given: VoteAnswer) -> Trial:
    """The finished trial. Raises OtherDrawsError where the ballot's draws are not those of its seed, and
    ValueError where the answer is of another page or not whole."""
    if given.page != ballot.page:
        raise ValueError(f"it answers the page {given.page}, not {ballot.page}")
    if len(given.letters) != ballot.plan.rounds:
        raise ValueError(f"it has {len(given.letters)} answers, and the vote had {ballot.plan.rounds} rounds")
    letters = tuple("A" if letter == "A" else "B" for letter in given.letters)
    trial = begin(ballot.plan)
    _refuse_other_draws(ballot, trial)
    return replace(trial, answers=letters)  # type: ignore[arg-type]


def _refuse_other_draws(ballot: Ballot, trial: Trial) -> None:
    """The page played the draws in the ballot; a trial that was drawn otherwise would count the wrong
    versions."""
    if not ballot.draws or ballot.draws == trial.draws:
        return
    if len(ballot.draws) != len(trial.draws):
        found = f"it has {len(ballot.draws)} rounds, and its plan has {len(trial.draws)}"
    else:
        pairs = enumerate(zip(ballot.draws, trial.draws, strict=True), start=1)
        first = next(number for number, (kept, drawn) in pairs if kept != drawn)
        found = f"round {first} is the first to differ"
    raise OtherDrawsError(
        f"the ballot of page {ballot.page} holds other draws than its seed gives ({found}), so this vote "
        "cannot be counted"
    )


def named_line(text: str, key: str) -> str:
    """What the first line "KEY: …" says, quoted or not."""
    found = re.search(rf"^{key}:[ \t]*(.*)$", _unquoted(text), re.MULTILINE)
    return found[1].strip() if found else ""


def _number(text: str) -> str:
    """The number of the filling; empty on pages of older versions."""
    found = re.search(r"^answer: *([0-9a-f]{8})\s*$", _unquoted(text), re.MULTILINE)
    return found[1] if found else ""


def _unquoted(text: str) -> str:
    return re.sub(r"^[>|\s]+", "", text, flags=re.MULTILINE)


def own_words(text: str) -> str:
    """What stands after "words:", up to an empty line, the answer or another key, in one line. Where the
    first line is quoted, only quoted ones go on with it: what follows is the mail's own."""
    lines = iter(text.splitlines())
    for line in lines:
        found = re.match(r"([>| \t]*)words:(.*)", line)
        if found:
            quoted, parts = set(found[1]) & set(">|"), [found[2]]
            for after in lines:
                own = after.lstrip(">| \t")
                if _ENDS.match(own) or (quoted and after.lstrip()[:1] not in quoted):
                    break
                parts.append(own)
            return " ".join(part.strip() for part in parts).strip()
    return ""

"""A vote's answer survives the mail, and what does not belong to the page is refused."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from support.vote_mail import read_answer

from simulator.blind_test import trial as trials
from simulator.blind_test.ballot import Ballot, OtherDrawsError, answer_line, read_answers, voted
from simulator.blind_test.result import PreferenceResult, result
from simulator.blind_test.trial import Round, TrialPlan, begin, draw

PLAN = TrialPlan("preference", ("open", "crushed"), 6, 9, "matched", 0.01, 60.0, 6.0)
BALLOT = Ballot("k3f9m2p7qx", PLAN)


def test_the_line_is_the_words_and_their_crc() -> None:
    """CRC-32 of "1 k3f9m2p7qx ABBABA hidden" by Python's binascii and by zlib agree; the page's script has
    its own, which the browser test compares."""
    import binascii

    check = f"{binascii.crc32(b'1 k3f9m2p7qx ABBABA hidden'):08x}"
    assert (
        answer_line("k3f9m2p7qx", "ABBABA", False) == f"fairhearing-vote 1 k3f9m2p7qx ABBABA hidden {check}"
    )


MAIL = """Hi,
> here is my vote!
>
> Vote: Which master?
> {line}
> name: Nerida ‮Vostrel <b>
> words: the second one breathes
Best, N.
"""


def test_an_answer_is_found_in_a_quoted_mail_with_its_words() -> None:
    found = read_answer(MAIL.format(line=answer_line("k3f9m2p7qx", "ABBABA", True)))
    assert (found.page, found.letters, found.names_seen) == ("k3f9m2p7qx", "ABBABA", True)
    assert found.name == "Nerida ‮Vostrel <b>"
    assert found.words == "the second one breathes"


def test_a_line_that_the_mail_program_broke_is_read_whole() -> None:
    broken = answer_line("k3f9m2p7qx", "A" * 60, False).replace(" ", "\n> ", 2)
    assert read_answer(f"> {broken}\n").letters == "A" * 60


def test_the_same_answer_twice_in_a_mail_is_one_answer() -> None:
    line = answer_line("k3f9m2p7qx", "ABBABA", False)
    assert read_answer(f"{line}\n\n> {line}\n").letters == "ABBABA"


LINE = answer_line("k3f9m2p7qx", "ABBABA", False)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no whole line"),
        ("fairhearing-vote 1 k3f9m2p7qx ABBABA", "no whole line"),
        (LINE.replace("ABBABA", "ABBABB"), "changed on its way"),
        (LINE.replace("hidden", "seen"), "changed on its way"),
        (LINE.replace("vote 1 ", "vote 2 "), "form 2, and this program knows 1"),
        (f"{LINE}\nfairhearing-vote 1 k3f9m2p7qx", "one more line that begins with .* is incomplete"),
    ],
)
def test_what_is_no_good_answer_says_why(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read_answer(text)


def test_every_answer_of_a_mail_is_read_with_its_own_words() -> None:
    lines = [answer_line("k3f9m2p7qx", letters, False) for letters in ("ABBABA", "ABBABA", "AAAAAA")]
    text = (
        f"Three of us voted:\n{lines[0]}\nanswer: 00000001\nname: Ann\nwords: the first\n\n"
        f"{lines[1]}\nanswer: 00000002\nname: Ben\n\n> {lines[2]}\n> answer: 00000003\n> words: loud\n"
        f"\nOn Monday you wrote:\n> {lines[0]}\n> answer: 00000001\n> name: Ann\n"
    )
    found, problems = read_answers(text)
    assert problems == []
    assert [(one.letters[:2], one.name, one.words, one.answer[-1]) for one in found] == [
        ("AB", "Ann", "the first", "1"),
        ("AB", "Ben", "", "2"),
        ("AA", "", "loud", "3"),
    ]
    found, problems = read_answers(text.replace("AAAAAA", "AAAAAB"))
    assert len(found) == 2
    assert problems == ["the answer was changed on its way: its check does not fit"]


def test_the_vote_of_another_page_or_with_rounds_missing_is_refused() -> None:
    with pytest.raises(ValueError, match="answers the page other, not k3f9m2p7qx"):
        voted(BALLOT, read_answer(answer_line("other", "ABBABA", False)))
    with pytest.raises(ValueError, match="has 5 answers, and the vote had 6 rounds"):
        voted(BALLOT, read_answer(answer_line("k3f9m2p7qx", "ABBAB", False)))


def reshuffled(kind: str, versions: int, rounds: int, seed: int) -> tuple[Round, ...]:
    """Another fair draw of the same rounds: the same pairs and letters in another order."""
    return draw(kind, versions, rounds, seed)[::-1]


def test_a_program_that_draws_otherwise_counts_no_vote(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page played the kept draws: a listener who always takes version 0 comes back as 16:0, or not at
    all."""
    plan = TrialPlan("preference", ("open", "loud"), 16, 3, "matched", 0.01, 60.0, 6.0)
    ballot = Ballot("k3f9m2p7qx", plan, (), draw("preference", 2, 16, 3))
    letters = "".join("A" if one.first == 0 else "B" for one in ballot.draws)
    given = read_answer(answer_line(ballot.page, letters, False))
    found = result(voted(ballot, given))
    assert isinstance(found, PreferenceResult)
    assert found.pairs[0].for_first == 16
    monkeypatch.setattr(trials, "draw", reshuffled)
    with pytest.raises(
        OtherDrawsError, match="page k3f9m2p7qx holds other draws than its seed gives"
    ) as said:
        voted(ballot, given)
    first = next(
        n for n, (a, b) in enumerate(zip(ballot.draws, ballot.draws[::-1], strict=True), 1) if a != b
    )
    assert f"round {first} is the first to differ" in str(said.value)
    assert voted(Ballot(ballot.page, plan), given).answers  # an old ballot: there is nothing to compare with


def test_a_ballot_whose_draws_were_cut_is_refused() -> None:
    drawn = draw("preference", 2, 6, PLAN.seed)
    with pytest.raises(OtherDrawsError, match="has 5 rounds, and its plan has 6"):
        voted(
            Ballot(BALLOT.page, PLAN, (), drawn[:5]), read_answer(answer_line(BALLOT.page, "ABBABA", False))
        )


@settings(max_examples=30)
@given(letters=some.text("AB", min_size=6, max_size=6), seen=some.booleans())
def test_a_vote_gives_the_trial_that_its_letters_say(letters: str, seen: bool) -> None:
    trial = voted(BALLOT, read_answer(answer_line("k3f9m2p7qx", letters, seen)))
    assert "".join(trial.answers) == letters
    found = result(trial)
    assert isinstance(found, PreferenceResult)
    drawn = begin(PLAN).draws
    for_open = sum(
        (one.first if letter == "A" else one.second) == 0 for one, letter in zip(drawn, letters, strict=True)
    )
    assert found.pairs[0].for_first == for_open


LINE = answer_line("ab12cd34ef56ab78", "ABBA", False)


@pytest.mark.parametrize(
    ("tail", "words"),
    [
        ("words: the first, but do\nNOT use it\n", "the first, but do NOT use it"),
        ("> words: the first, but do\n> NOT use it\n>\n> Regards\n", "the first, but do NOT use it"),
        ("words: the first,\r\nbut do NOT\r\n\r\nOn Monday you wrote:\r\n", "the first, but do NOT"),
        ("words: the first\nname: Nerida\n", "the first"),
        ("words: the first\n-- \nNerida\n", "the first"),
        (f"words: the first\n{LINE}\n", "the first"),
        ("words:\nname: Nerida\n", ""),
    ],
)
def test_words_that_a_mail_wrapped_are_read_to_their_end(tail: str, words: str) -> None:
    assert read_answer(f"Hi!\n{LINE}\n{tail}").words == words


@pytest.mark.parametrize(
    ("line", "number"), [("answer: 00ff12ab", "00ff12ab"), ("answer: yes", ""), ("", "")]
)
def test_the_number_of_a_filling_is_read(line: str, number: str) -> None:
    assert read_answer(f"{LINE}\n{line}\nname: N\n").answer == number

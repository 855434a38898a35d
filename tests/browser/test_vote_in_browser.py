"""The blind vote in a real browser, from the first letter to the trial in Python."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import numpy as np
import pytest
from support.chromium import SEND, launched, opened, samples, until
from support.made_page import PLAIN, request_of, write_music
from support.vote_mail import read_answer

from simulator.blind_test.ballot import voted
from simulator.blind_test.result import PreferenceResult, chosen_versions, result
from simulator.cli import app
from simulator.page.clips import level_lufs
from simulator.page.file.build import BuiltPage, build, write
from simulator.session.log import from_json, votes

pytestmark = [pytest.mark.heavy, pytest.mark.external]
ROUNDS = 3
DESK = {"width": 1280, "height": 800}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as found:
        yield found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("vote")


@pytest.fixture(scope="module")
def built(folder: Path) -> BuiltPage:
    return build(request_of(write_music(folder), PLAIN, rounds=ROUNDS))


@pytest.fixture(scope="module")
def path(built: BuiltPage, folder: Path) -> Path:
    write(built, folder / "vote.html", True)
    return folder / "vote.html"


def hear(page: Any, letter: str) -> None:
    page.click(f'.letter[data-letter="{letter}"]')
    small = f"document.querySelector('.letter[data-letter={letter}] small').textContent"
    until(page, f"{small} === 'playing, heard' && player.deck.voice !== null")


def play_round(page: Any, answer: str) -> None:
    hear(page, "A")
    hear(page, "B")
    page.click(f'.answer[data-answer="{answer}"]')


def test_the_vote_comes_back_as_a_trial_with_the_versions_that_were_chosen(
    browser: Any, built: BuiltPage, path: Path, folder: Path
) -> None:
    with opened(browser, path, viewport=DESK) as watched:
        page = watched.page
        assert not any(title in page.content() for title in PLAIN)
        page.click('.answer[data-answer="A"]', force=True)  # nothing was heard yet
        assert "Hear A and B first" in page.inner_text("#vote-status")
        assert page.inner_text("#vote-round") == f"Round 1 of {ROUNDS}"
        hear(page, "A")
        page.click('.answer[data-answer="A"]', force=True)
        assert "Hear B first" in page.inner_text("#vote-status")
        for answer in "ABA":
            assert page.locator("#rest").is_hidden()
            play_round(page, answer)
        assert page.locator("#rest").is_hidden()
        page.fill("#vote-name", "Nerida <i>V</i>")  # own words come before the result
        page.fill("#vote-words", "it breathes")
        assert page.is_hidden("#vote-done")
        page.click("#vote-finish")
        until(page, "!document.getElementById('vote-done').hidden")
        assert page.is_hidden("#vote-words")
        text = page.input_value("#vote-text")
        mail = page.get_attribute("#vote-mail", "href")
        assert page.is_visible("#vote-mail")
        with page.expect_download() as waiting:
            page.click("#vote-save")
        assert "Thank you for listening" in page.inner_text("#vote-copied")
        saved = folder / waiting.value.suggested_filename
        waiting.value.save_as(saved)
        plain = page.inner_text("#vote-result .verdict")
        page.click("#vote-result summary")
        shown = page.inner_text("#vote-result")
        assert page.is_visible("#listen")
        assert PLAIN[0] in page.inner_text("#read")
        page.click("#play")
        until(page, "player.deck.voice !== null")
    assert saved.read_text(encoding="utf-8") == text
    address, _, query = str(mail).partition("?")
    sent = parse_qs(query, strict_parsing=True)
    assert (address, sent["body"]) == ("mailto:", [text])
    given = read_answer(text)
    assert (given.letters, given.names_seen, given.name, given.words) == (
        "ABA",
        False,
        "Nerida <i>V</i>",
        "it breathes",
    )
    assert built.ballot is not None
    trial = voted(built.ballot, given)
    chosen = chosen_versions(trial)
    found = result(trial)
    assert isinstance(found, PreferenceResult)
    for number, title in enumerate(PLAIN[:2]):
        assert f"{title}: {chosen.count(number)} of {ROUNDS}" in shown
        if chosen.count(number) >= 2:
            assert plain.startswith(f"You chose {title} {chosen.count(number)} of {ROUNDS} times")


def test_one_tap_sends_by_the_devices_own_sheet_and_a_refusal_is_told(browser: Any, path: Path) -> None:
    sheet = (
        "window.shared = null; window.refuse = false;"
        "navigator.share = async (what) => {"
        " if (window.refuse) throw new Error('no'); window.shared = what; };"
    )
    with opened(browser, path, viewport={"width": 390, "height": 844}, before=sheet) as watched:
        page = watched.page
        for answer in "ABA":
            play_round(page, answer)
        page.fill("#vote-words", "more air")
        page.click("#vote-finish")
        page.click("#vote-share")
        until(page, "window.shared !== null")
        sent = read_answer(page.evaluate("window.shared.text"))
        assert (sent.letters, sent.words) == ("ABA", "more air")
        assert "Thank you" in page.inner_text("#vote-copied")
        page.evaluate("window.refuse = true; 0")
        page.click("#vote-share")
        until(page, "document.getElementById('vote-copied').textContent.includes('send it by mail')")


def test_from_the_command_through_the_browser_into_the_record(
    browser: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`page --vote` writes the page, the client votes and saves the small file, `votes` takes it."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder / "cache"))
    monkeypatch.chdir(folder)
    write_music(folder)
    rows = "".join(f'[[tracks]]\npath = "{name}.wav"\nsong = "s"\n' for name in ("open", "loud"))
    (folder / "song.toml").write_text(f'format = 1\ntitle = "Song"\n{rows}', encoding="utf-8")
    assert app.run(["page", "song.toml", "-o", "song.html", "--vote", "6", "--seconds", "1"]) == 0
    with opened(browser, folder / "song.html") as watched:
        for letter in "BABBAB":
            play_round(watched.page, letter)
        watched.page.click("#vote-finish")
        with watched.page.expect_download() as waiting:
            watched.page.click("#vote-save")
        saved = folder / waiting.value.suggested_filename
        waiting.value.save_as(saved)
    assert app.run(["votes", saved.name]) == 0
    record = from_json((folder / "song.session.json").read_bytes())
    assert [act.kind for act in record.acts] == ["ballot", "vote"]
    ((given, trial),) = votes(record.acts)
    assert (given.letters, given.names_seen) == ("BABBAB", False)
    assert trial.plan.versions == ("open", "loud")


def test_what_sounds_under_a_letter_is_the_version_that_the_ballot_says(
    browser: Any, built: BuiltPage, path: Path
) -> None:
    """The decoded clip of each letter and round is the ballot's version, by the hash in the ballot."""
    decode = "return send(await Deck.decode(new OfflineAudioContext(2, 16, 44100), id));"
    script = f"async (id) => {{ {SEND} {decode} }}"
    assert built.ballot is not None
    with opened(browser, path) as watched:
        ballot = watched.page.evaluate("JSON.parse(document.getElementById('ballot').textContent)")
        decoded = [samples(watched.page.evaluate(script, one)) for one in ballot["clips"]]
    hashes = []
    for one in decoded:  # back to the 16-bit steps: Chromium divides by 32767 above zero, by 32768 below
        steps = np.rint(np.where(one > 0, one * 32767.0, one * 32768.0)).astype(np.int16)
        hashes.append(hashlib.sha256(steps.tobytes()).hexdigest())
    for (a, b), drawn in zip(ballot["rounds"], built.ballot.draws, strict=True):
        assert hashes[a] == built.ballot.contents[drawn.first]
        assert hashes[b] == built.ballot.contents[drawn.second]
    levels = [level_lufs(one.astype(np.float32), 44_100) for one in decoded]
    assert abs((levels[0] or 0.0) - (levels[1] or 0.0)) <= 0.1
    assert len({one.shape for one in decoded}) == 1


def test_a_vote_after_the_names_says_so_even_when_the_page_is_opened_again(browser: Any, path: Path) -> None:
    with opened(browser, path, viewport=DESK) as watched:
        page = watched.page
        page.click("#vote-waive summary")
        page.click("#vote-reveal")
        assert PLAIN[0] in page.inner_text("#read")
        page.reload()
        assert page.locator("#rest").is_hidden()
        for answer in "BBA":
            play_round(page, answer)
        page.click("#vote-finish")
        assert read_answer(page.input_value("#vote-text")).names_seen


def test_names_seen_in_the_middle_of_the_vote_count_as_seen(browser: Any, path: Path) -> None:
    with opened(browser, path, viewport=DESK) as watched:
        page = watched.page
        play_round(page, "A")
        page.click("#vote-waive summary")
        page.click("#vote-reveal")
        for answer in "AA":
            play_round(page, answer)
        page.click("#vote-finish")
        assert read_answer(page.input_value("#vote-text")).names_seen


def test_the_vote_can_be_given_with_the_keyboard_alone(browser: Any, path: Path) -> None:
    with opened(browser, path, viewport=DESK) as watched:
        page = watched.page
        page.focus('.letter[data-letter="A"]')
        for key in ("Enter", "Tab", "Enter"):
            page.keyboard.press(key)
            page.wait_for_timeout(1300)
        assert page.get_attribute(".answer >> nth=0", "aria-disabled") == "false"
        page.focus('.answer[data-answer="B"]')
        page.keyboard.press("Enter")
        assert page.inner_text("#vote-round") == f"Round 2 of {ROUNDS}"
        assert page.evaluate("document.activeElement.dataset.letter") == "A"


def test_three_versions_show_every_pair_equally_often(browser: Any, folder: Path) -> None:
    paths = write_music(folder)
    more = [paths[0], paths[1], folder / "third.wav"]
    more[2].write_bytes(paths[0].read_bytes())
    order = request_of(more, ("one", "two", "three"), rounds=3)
    write(build(replace(order, seconds=1.0)), folder / "three.html", True)
    with opened(browser, folder / "three.html") as watched:
        ballot = watched.page.evaluate("JSON.parse(document.getElementById('ballot').textContent)")
        assert sorted(tuple(sorted(pair)) for pair in ballot["rounds"]) == [(0, 1), (0, 2), (1, 2)]
        for _ in range(3):
            play_round(watched.page, "A")
        watched.page.click("#vote-finish")
        assert watched.page.inner_text("#vote-result").count(" of 2") == 3


def test_answers_outlive_reload_and_a_closed_browser_and_the_last_can_be_undone(
    browser: Any, path: Path
) -> None:
    """Three rounds over two reloads: one answer taken back, and the filling keeps its number."""
    with opened(browser, path, viewport=DESK) as watched:
        page = watched.page
        assert "Your answers stay in this browser" in page.inner_text("#vote-keeps")
        play_round(page, "A")
        play_round(page, "A")
        page.click("#vote-undo")
        assert page.inner_text("#vote-round") == f"Round 2 of {ROUNDS}"
        page.click('.answer[data-answer="B"]', force=True)  # the round is heard again first
        assert "Hear A and B first" in page.inner_text("#vote-status")
        play_round(page, "B")
        page.goto("about:blank")
        page.go_back()
        until(page, "document.readyState === 'complete'")
        page.reload()  # a page kept alive by the browser shows the vote itself; one that is gone asks
        assert page.is_hidden("#vote-desk")
        assert page.inner_text("#vote-again-text") == "A vote was begun in this browser. Continue at round 3?"
        page.click("#vote-continue")
        play_round(page, "A")
        assert page.is_hidden("#vote-desk")
        assert page.is_visible("#vote-words")
        page.click("#vote-back")
        play_round(page, "B")
        page.fill("#vote-name", "Nerida")
        page.reload()
        page.click("#vote-continue")
        page.click("#vote-finish")
        first = read_answer(page.input_value("#vote-text"))
        assert (first.letters, first.names_seen, first.name) == ("ABB", False, "Nerida")
        page.reload()
        assert read_answer(page.input_value("#vote-text")) == first
        page.click("#vote-next")  # another listener at the same browser, who may have seen the names
        assert page.locator("#rest").is_hidden()
        assert page.inner_text("#vote-round") == f"Round 1 of {ROUNDS}"
        assert page.evaluate(f"JSON.parse(localStorage.getItem('fairhearing ' + {BALLOT}.page)).filling") != (
            first.answer
        )


BALLOT = "JSON.parse(document.getElementById('ballot').textContent)"
NO_MEMORY = "Object.defineProperty(window, 'localStorage', { get() { throw new Error('denied'); } });"
FAILURES = {
    "no sound in this browser": ("delete window.AudioContext;", "This browser cannot play the sound"),
    "no device": (
        "window.AudioContext = class { constructor() { throw new Error('x'); } };",
        "did not start",
    ),
    "suspended": (
        "Object.defineProperty(AudioContext.prototype, 'state', { get() { return 'suspended'; } });",
        "did not start",
    ),
    "a clock that stands": (
        "Object.defineProperty(AudioContext.prototype, 'currentTime', { get() { return 0; } });"
        "Object.defineProperty(BaseAudioContext.prototype, 'currentTime', { get() { return 0; } });",
        "did not start",
    ),
    "decoder": (
        "BaseAudioContext.prototype.decodeAudioData = () => Promise.reject(new Error('x'));",
        "could not read the sound",
    ),
}


@pytest.mark.parametrize("failure", FAILURES)
def test_sound_that_cannot_start_is_said_and_nothing_counts_as_heard(
    browser: Any, path: Path, failure: str
) -> None:
    script, words = FAILURES[failure]
    with opened(browser, path, viewport=DESK, before=script + NO_MEMORY) as watched:
        page = watched.page
        assert "This browser keeps nothing" in page.inner_text("#vote-keeps")
        for letter in "AB":
            page.click(f'.letter[data-letter="{letter}"]')
            until(page, f"document.getElementById('vote-status').textContent.includes({words!r})")
            assert "not heard yet" in page.inner_text(f'.letter[data-letter="{letter}"]')
        page.click("#vote-waive summary")
        page.click("#vote-reveal")
        page.click("#play")
        until(page, f"document.getElementById('now').textContent.includes({words!r})")
        assert page.inner_text("#play") == "Play"


def test_only_sounding_time_counts_as_heard(browser: Any, path: Path) -> None:
    """Neither a sound that the device interrupts nor one with the volume all the way down."""
    with opened(browser, path, viewport=DESK) as watched:
        page = watched.page
        page.fill("#vote-volume", "-60")
        page.click('.letter[data-letter="A"]')
        until(page, "document.getElementById('vote-status').textContent.includes('all the way down')")
        page.wait_for_timeout(1300)
        assert page.inner_text('.letter[data-letter="A"] small') == "playing"
        page.fill("#vote-volume", "-24")
        page.wait_for_timeout(300)
        page.evaluate("player.context.suspend()")
        until(page, "document.getElementById('vote-status').textContent.includes('was interrupted')")
        page.wait_for_timeout(1300)
        assert page.inner_text('.letter[data-letter="A"] small') == "not heard yet"
        hear(page, "A")  # and it goes on when it is pressed again

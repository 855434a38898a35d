"""The page as one file: whole, closed to the outside, titles only text, and a curtain before the vote."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from support.made_page import NASTY, PLAIN, changed_pair, request_of, write_music

from simulator.audibility.audibility import Moment, MomentKind
from simulator.common.text import visible
from simulator.delivery.finding import Finding
from simulator.page.file.build import BuiltPage, build
from simulator.page.html import sealed
from simulator.text.colours import VERSIONS, VERSIONS_ON_DARK
from simulator.text.short_names import short_names


@pytest.fixture(scope="module")
def music(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_music(tmp_path_factory.mktemp("music"))


def page_of(music: list[Path], seed: int = 5) -> BuiltPage:
    moments = [Moment(MomentKind.ATTACK, 1.0, 3.0, 5.0, 2.0), Moment(MomentKind.PUMPING, 4.5, 3.0, 3.0, 1.5)]
    changed = changed_pair(*moments)
    return build(
        request_of(music, profiles=("minus14-headroom", "minus14-limited"), changed=changed, seed=seed)
    )


@pytest.fixture(scope="module")
def page(music: list[Path]) -> BuiltPage:
    return page_of(music)


@pytest.fixture(scope="module")
def nasty(music: list[Path]) -> BuiltPage:
    finding = Finding("x", NASTY[0], "fix", 1.0, "dB", 0.0, (1.0,), NASTY[0], NASTY[1], NASTY[0])
    more = {"decisions": [NASTY[0]], "notes": [NASTY[1]], "trials": [NASTY[0]], "findings": {0: [finding]}}
    return build(request_of(music, NASTY, title=NASTY[0], **more))


@pytest.fixture(scope="module")
def ballot_page(music: list[Path]) -> BuiltPage:
    return build(request_of(music, rounds=6))


def unsealed(text: str, key: bytes) -> dict[str, Any]:
    """What stands behind the curtain, as the page's own script opens it."""
    turned = bytes(
        byte ^ one for byte, one in zip(base64.b64decode(text), itertools.cycle(key), strict=False)
    )
    found = json.loads(turned)
    assert isinstance(found, dict)
    return found


class Reader(HTMLParser):
    """Tags with their attributes, and the text outside scripts and styles."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("script", "style", "title"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.open and self.open[-1] == tag:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if not self.open:
            self.text.append(data)


def read(page: BuiltPage) -> Reader:
    reader = Reader()
    reader.feed(page.text)
    return reader


def test_nothing_on_the_page_points_outside(page: BuiltPage) -> None:
    for tag, attributes in read(page).tags:
        for name in ("src", "href", "srcset", "action", "xlink:href", "poster", "data"):
            value = attributes.get(name)
            assert value is None or value.startswith("#"), (tag, name, value)
        assert tag not in ("link", "iframe", "object", "embed", "img", "form", "base"), tag
    own = re.sub(r'xmlns(:\w+)?="[^"]+"', "", page.text)
    assert "http://" not in own
    assert "https://" not in own
    assert "@import" not in own
    assert "url(" not in own.replace("url(#", "")


def test_the_policy_allows_nothing_but_the_pages_own_script(page: BuiltPage) -> None:
    found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', page.text)
    assert found is not None
    rules = dict(rule.strip().split(" ", 1) for rule in found[1].replace("&#39;", "'").split(";"))
    assert rules["default-src"] == "'none'"
    scripts = re.findall(r"<script>(.*?)</script>", page.text, re.DOTALL)
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()
    assert rules["script-src"] == f"'sha256-{digest}'"
    assert "connect-src" not in rules  # so that default-src holds: none


def test_the_page_has_one_title_one_main_and_headings_in_order(page: BuiltPage) -> None:
    tags = [tag for tag, _ in read(page).tags]
    assert tags.count("h1") == tags.count("main") == tags.count("title") == 1
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_every_picture_has_an_alternative(page: BuiltPage) -> None:
    pictures = [attributes for tag, attributes in read(page).tags if tag == "svg"]
    spoken = [one for one in pictures if one.get("role") == "img"]
    assert (
        len(spoken) == 7
    )  # the song as heard, raw on paper; then for the engineer both of song and reference
    for one in spoken:
        assert "than the file" in str(one["aria-label"])
    assert all(one.get("aria-hidden") == "true" for one in pictures if one not in spoken)


JARGON = re.compile(
    r"\b(LUFS|LU|LKFS|PLR|PSR|dBTP|dBFS|BS\.1770|K-weight\w+|true peak|integrated|normali\w+|residual|PCM)\b"
    r"|\bp [=<]|minus\d+|\bTech 33|\b\w+-r128\b",
    re.IGNORECASE,
)


class FirstLevel(Reader):
    """What stands on the page without a tap on a fold: texts, and the words that a screen reader says."""

    def __init__(self) -> None:
        super().__init__()
        self.folds = 0
        self.summary = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        super().handle_starttag(tag, attrs)
        self.folds += tag == "details"
        self.summary += tag == "summary"
        if not self.folds:
            self.text += [str(value) for name, value in attrs if name in ("aria-label", "title", "alt")]

    def handle_endtag(self, tag: str) -> None:
        super().handle_endtag(tag)
        self.folds -= tag == "details"
        self.summary -= tag == "summary"

    def handle_data(self, data: str) -> None:
        if not self.folds:  # a fold's own title belongs to what it holds
            super().handle_data(data)


def first_level(markup: str) -> str:
    reader = FirstLevel()
    reader.feed(markup)
    return " ".join(" ".join(reader.text).split())


def test_the_artists_text_is_free_of_jargon(page: BuiltPage, ballot_page: BuiltPage) -> None:
    """On the first level, with a vote and without, before it and after."""
    found = re.search(r'id="sealed" data-key="([^"]+)">([^<]+)<', ballot_page.text)
    assert found is not None
    behind = unsealed(found[2], base64.b64decode(found[1]))
    words = [first_level(page.text), first_level(ballot_page.text), first_level(behind["html"])]
    words += behind["plain"]
    script = re.findall(r"<script>(.*?)</script>", page.text, re.DOTALL)[0]
    words += re.findall(r"""["`][A-Z][^"`\n]*["`]""", script)  # sentences begin with a capital
    assert "Is loud louder when streamed?" in words[0]
    assert "Which master do you like better?" in words[1]
    for one in words:
        assert JARGON.findall(one) == [], one


def test_what_was_lost_is_said_or_that_nothing_is_expected_or_nothing(
    page: BuiltPage, music: list[Path]
) -> None:
    assert "0:01, the hits are softer" in first_level(page.text)
    assert "loud is likely to differ most from open" in first_level(page.text)
    silent = first_level(build(request_of(music, changed=changed_pair(share=0.0))).text)
    assert "Loudness apart, no audible change is expected between open and loud" in silent
    assert "Hear what was lost" not in first_level(build(request_of(music)).text)
    apart = build(request_of(music, changed=changed_pair(), heard=[0, 2]))
    assert "Hear what was lost" not in first_level(apart.text)


def test_the_versions_colours_are_those_of_the_terminal_and_the_charts(page: BuiltPage) -> None:
    """On a light screen, on a dark one, and on paper; every version has one to be drawn in."""
    css = re.findall(r"<style>(.*?)</style>", page.text, re.DOTALL)[0]
    blocks = [
        tuple(re.findall(r"--v\d: (#[0-9a-f]{6});", one)) for one in re.findall(r":root \{[^}]*\}", css)
    ]
    assert [one for one in blocks if one] == [VERSIONS, VERSIONS_ON_DARK, VERSIONS]
    assert re.findall(r"\.c(\d) \{ --v: var\(--v(\d)\); \}", css) == [(f"{i}", f"{i}") for i in range(6)]


def test_ids_are_there_once(page: BuiltPage) -> None:
    ids = [attributes["id"] for _, attributes in read(page).tags if "id" in attributes]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("title", NASTY)
def test_a_title_is_only_text(nasty: BuiltPage, title: str) -> None:
    reader = read(nasty)
    assert sum(title in text or visible(title) in text for text in reader.text) >= 3
    tags = [tag for tag, _ in reader.tags]
    assert tags.count("script") == tags.count("title") + len(re.findall('<script type="', nasty.text))
    assert "<script>alert" not in nasty.text
    assert "ليلة على الماء‬ 49" not in nasty.text


def test_a_title_in_the_scripts_data_cannot_close_the_script(nasty: BuiltPage) -> None:
    for data in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', nasty.text, re.DOTALL):
        assert "<" not in data
        assert json.loads(data)["tracks"]["0"] == short_names(NASTY[:2])[0]


def test_the_first_player_is_the_one_of_the_page_and_the_others_stand_in_the_tables(page: BuiltPage) -> None:
    words = " ".join("".join(read(page).text).split())
    assert "As played by “Minus 14, boosted to the ceiling”" in words
    assert (
        words.index("(the player of this page)") < words.index("limiter: what it does")
        if ("limiter: what it does" in words)
        else "(the player of this page)" in words
    )
    assert "project choice" in words  # a source


def test_cautions_sources_and_uncertainty_stand_on_the_page(page: BuiltPage) -> None:
    words = " ".join("".join(read(page).text).split())
    for wanted in (
        "change their rules without notice",
        "8 hours a day at 85 dB(A)",
        "Local safety rules apply",
        "allow ±0.5 dB",
        "ITU-R BS.1770-5",
        "fairhearing 0.",
    ):
        assert wanted in words, wanted
    assert re.search(r"\bsafe\b", words.lower()) is None  # nothing is called so


@pytest.mark.heavy
def test_a_page_with_its_seed_is_the_same_page(music: list[Path], page: BuiltPage) -> None:
    assert page_of(music).text == page.text
    assert page_of(music, seed=6).text != page.text


# --- the vote ---------------------------------------------------------------------------------------


def test_before_the_vote_the_source_tells_no_name_no_curve_and_no_level(ballot_page: BuiltPage) -> None:
    """What a look at the source shows, the sounds apart."""
    source = ballot_page.text
    for title in (*PLAIN, "open master", "loud master", "Lantern"):
        assert title not in source
        assert base64.b64encode(title.encode()).decode().rstrip("=")[:-1] not in source
    assert "<svg" not in source
    assert "var(--v" not in source.split("</style>")[1]
    assert "open.wav" not in source
    assert not re.search(r"−?\d+\.\d LUFS", source)
    ballot = json.loads(re.findall(r'id="ballot">(.*?)</script>', source, re.DOTALL)[0])
    assert set(ballot) == {"page", "title", "clips", "rounds"}
    assert "sounds" not in re.findall(r'<script type="application/json" id="(\w+)"', source)


def test_behind_the_curtain_stands_all_of_it(ballot_page: BuiltPage) -> None:
    found = re.search(r'id="sealed" data-key="([^"]+)">([^<]+)<', ballot_page.text)
    assert found is not None
    rest = unsealed(found[2], base64.b64decode(found[1]))
    assert rest["names"] == list(PLAIN[:2])
    assert "<svg" in rest["html"]
    assert PLAIN[2] in rest["html"]
    assert len(rest["sentences"]) == len(rest["plain"]) == 7
    assert "was preferred" in rest["sentences"][6]
    assert "not shown" in rest["sentences"][3]
    assert rest["offered"] == [6, 6]


@pytest.mark.heavy
def test_the_sounds_of_the_vote_lie_among_the_others_in_random_order(music: list[Path]) -> None:
    places = set()
    for seed in range(4):
        text = build(request_of(music, rounds=6, seed=seed)).text
        ballot = json.loads(re.findall(r'id="ballot">(.*?)</script>', text, re.DOTALL)[0])
        names = re.findall(r'<script type="text/plain" id="(c\w+)"', text)
        assert len(names) == len(set(names)) > 4
        places.add(tuple(names.index(one) for one in ballot["clips"]))
    assert len(places) > 2


def test_the_page_carries_out_the_draws_of_its_ballot(ballot_page: BuiltPage) -> None:
    from simulator.blind_test.trial import begin

    source = ballot_page.text
    ballot = json.loads(re.findall(r'id="ballot">(.*?)</script>', source, re.DOTALL)[0])
    found = re.search(r'id="sealed" data-key="([^"]+)">([^<]+)<', source)
    assert found is not None
    assert ballot_page.ballot is not None
    shown = unsealed(found[2], base64.b64decode(found[1]))["versions"]
    drawn = begin(ballot_page.ballot.plan).draws
    assert [[shown[a], shown[b]] for a, b in ballot["rounds"]] == [[one.first, one.second] for one in drawn]
    assert ballot["page"] == ballot_page.ballot.page
    assert ballot_page.ballot.plan.level_difference_lu <= 0.1


def test_the_curtain_gives_back_what_it_was_given() -> None:
    values = {"names": ["ü", "🎚️", "</script>"], "n": 1.5}
    assert unsealed(sealed(values, b"0123456789abcdef"), b"0123456789abcdef") == values
    with pytest.raises(ValueError, match=r"JSON|codec|Expecting|Extra|utf"):
        unsealed(sealed(values, b"0123456789abcdef"), b"another key here")

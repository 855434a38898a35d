"""The page in a real browser: no request, no complaint, the chain's samples, exact switching, axe."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support.chromium import SEND, launched, opened, samples, until
from support.in_memory import play_array
from support.made_page import NASTY, PLAIN, changed_pair, request_of, write_music

from simulator.audibility.audibility import Moment, MomentKind
from simulator.common.text import visible
from simulator.common.units import db_to_gain
from simulator.normalizer.prediction import Prediction, chain_settings
from simulator.page.clips import STEP
from simulator.page.file.build import build, write
from simulator.page.file.request import PageRequest
from simulator.text.short_names import short_names

pytestmark = [pytest.mark.heavy, pytest.mark.external]
PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 800}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as found:
        yield found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def order(folder: Path) -> PageRequest:
    return request_of(write_music(folder), PLAIN, profiles=("minus14-headroom", "minus14-limited"))


@pytest.fixture(scope="module")
def plain(order: PageRequest, folder: Path) -> Path:
    hits = Moment(MomentKind.ATTACK, 5.0, 2.0, 5.0, 2.0)
    write(build(replace(order, changed=changed_pair(hits))), folder / "plain.html", True)
    return folder / "plain.html"


@pytest.fixture(scope="module")
def limited(order: PageRequest, folder: Path) -> Path:
    turned = replace(order, profiles=order.profiles[::-1], predictions=order.predictions[::-1])
    write(build(turned), folder / "limited.html", True)
    return folder / "limited.html"


@pytest.fixture(scope="module")
def nasty(order: PageRequest, folder: Path) -> Path:
    tracks = [
        replace(one, track=replace(one.track, title=title, artist=title))
        for one, title in zip(order.tracks, NASTY, strict=True)
    ]
    named = replace(order.playlist, title=NASTY[2], client=NASTY[0])
    write(build(replace(order, tracks=tracks, playlist=named)), folder / "nasty.html", True)
    return folder / "nasty.html"


@pytest.fixture(scope="module")
def ballot_page(order: PageRequest, folder: Path) -> Path:
    write(build(replace(order, rounds=3)), folder / "ballot.html", True)
    return folder / "ballot.html"


def sounds_of(path: Path) -> Any:
    return json.loads(
        re.findall(r'id="sounds">(.*?)</script>', path.read_text(encoding="utf-8"), re.DOTALL)[0]
    )


# --- what is heard ----------------------------------------------------------------------------------

DECODE = f"""
async ([id, rate]) => {{
  {SEND}
  return send(await Deck.decode(new OfflineAudioContext(2, 16, rate), id));
}}
"""


@pytest.mark.parametrize("which", ["plain", "limited"])
def test_decoded_audio_is_the_chains_output_within_the_dither(
    browser: Any, order: PageRequest, which: str, request: pytest.FixtureRequest
) -> None:
    path = request.getfixturevalue(which)
    place = 0 if which == "plain" else 1
    data = sounds_of(path)
    checked = 0
    with opened(browser, path) as watched:
        for index, one in enumerate(order.tracks):
            found = order.predictions[place][index]
            assert isinstance(found, Prediction)
            delivered, rate = soundfile.read(one.track.path, dtype="float32", always_2d=True)
            chain = chain_settings(order.profiles[place], found.decision)
            played, _ = play_array(delivered, rate, chain)
            for kind in data["kinds"]:
                item = kind["items"].get(str(index))
                if item is None:
                    continue
                places = set()
                for state, whole in (("delivered", delivered), ("played", played)):
                    clip, gain_db = item[state]
                    got = samples(watched.page.evaluate(DECODE, [clip, rate])) * db_to_gain(gain_db)
                    assert got.shape[0] == 2 * rate  # seconds = 2
                    first = best_place(got, whole)
                    error = np.abs(got - whole[first : first + got.shape[0]]).max()
                    # Chromium divides positive 16-bit samples by 32767 (negative ones by 32768)
                    allowed = 1.5 * STEP + np.abs(whole).max() / 32767
                    assert error <= allowed * max(1.0, db_to_gain(gain_db)) + 1e-7
                    checked += 1
                    places.add(first)
                assert len(places) == 1  # delivered and played are cut at one place
    assert checked >= 12


def best_place(part: np.ndarray, whole: np.ndarray) -> int:
    """Where the part lies in the whole: on the 100 ms grid of the measurement or half a step beside it."""
    count = whole.shape[0] - part.shape[0] + 1
    probe = part[:2000, 0]
    windows = np.lib.stride_tricks.sliding_window_view(whole[: count + 1999, 0], 2000)
    return int(np.argmin(np.abs(windows[:, ::97] - probe[::97]).sum(axis=1)))


SWITCH = (
    "async ([first, second, gains, places, rate, frames]) => {"
    + SEND
    + """
  const context = new OfflineAudioContext(2, frames, rate);
  const deck = new Deck(context, context.destination);
  const [a, b] = await Promise.all([first, second].map((id) => Deck.decode(context, id)));
  const loops = [deck.looped(a), deck.looped(b)];
  const begins = [0, 1, 0].map((which, i) => deck.sound(loops[which], gains[which], i === 0, places[i]));
  deck.silence(places[3]);
  return [begins, send(await context.startRendering()), send(loops[0]), send(loops[1])];
}
"""
)


def test_switching_is_exact_in_place_and_never_two_at_once(browser: Any, plain: Path) -> None:
    """Every rendered sample is that of a model: one loop at a time, faded out for 5 ms and in for 5 ms by
    raised cosines (ITU-R BS.1534-3, 5.3)."""
    rate, frames, fade = 44_100, 44_100 * 5, 221  # 5 ms, halves up
    items = sounds_of(plain)["kinds"][0]["items"]
    (first, gain_a), (second, gain_b) = items["0"]["played"], items["1"]["played"]
    places = [1001, 60_003, 60_003 + 1, 190_000]  # the third comes while the second still fades in
    with opened(browser, plain) as watched:
        begins, *found = watched.page.evaluate(
            SWITCH, [first, second, [gain_a, gain_b], places, rate, frames]
        )
    out, a, b = (samples(one) for one in found)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade + 1) / fade)
    wanted = np.zeros((frames, 2))
    assert begins[0] == places[0]
    assert begins[1] == places[1] + fade
    assert begins[2] == begins[1] + fade + 1 + fade  # only after the second was wholly in
    ends = [places[1] + fade, begins[2], places[3] + fade]
    for begin, end, loop, gain in zip(begins, ends, (a, b, a), (gain_a, gain_b, gain_a), strict=True):
        place = (np.arange(begin, end) - begins[0]) % loop.shape[0]  # the moment stays the same
        part = loop[place].astype(np.float64) * db_to_gain(gain)
        edge = np.ones(end - begin)
        edge[: fade + 1] *= rise
        edge[-fade:] *= rise[::-1][:fade]
        wanted[begin:end] += part * edge[:, np.newaxis]
    assert np.abs(out - wanted).max() < 3e-6  # float32 arithmetic of the browser
    for place in (begins[1], begins[2]):  # silence between the two: the old one is out, the new one not in
        assert np.abs(out[place]).max() < 1e-6
    assert np.abs(np.diff(out, axis=0)).max() <= np.abs(np.diff(wanted, axis=0)).max() + 1e-5


def test_a_loop_has_no_step_at_its_ends(browser: Any, plain: Path) -> None:
    rate = 44_100
    clip, gain = sounds_of(plain)["kinds"][0]["items"]["0"]["played"]
    with opened(browser, plain) as watched:
        _, out, loop, _ = watched.page.evaluate(
            SWITCH, [clip, clip, [gain, gain], [0, 5 * rate, 5 * rate, 6 * rate], rate, 5 * rate]
        )
    got, one = samples(out), samples(loop)
    assert np.abs(one[[0, -1]]).max() < 1e-4
    length = one.shape[0]
    assert np.abs(got[length : 2 * length] - one * db_to_gain(gain)).max() < 1e-6  # the second time round


# --- the page itself --------------------------------------------------------------------------------


def now_says(words: str) -> str:
    return f"document.getElementById('now').textContent.includes({words!r})"


def test_the_listening_part_plays_switches_and_lowers_the_volume_for_the_raw_files(
    browser: Any, plain: Path
) -> None:
    with opened(browser, plain, viewport=DESK) as watched:
        page = watched.page
        assert page.get_attribute("#volume", "value") == "-24"
        page.click("#play")
        until(page, "player.deck && player.deck.voice && player.deck.place() > 0.05")
        assert page.inner_text("#now") == "Playing: open, as listeners hear it"
        before = page.evaluate("[player.deck.origin, player.deck.voice.buffer.length]")
        page.locator('input[name="version"][value="0"]').focus()
        page.keyboard.press("ArrowRight")
        until(page, now_says("Playing: loud"))
        page.wait_for_timeout(100)
        assert page.evaluate("[player.deck.origin, player.deck.voice.buffer.length]") == before  # same place
        page.keyboard.press("3")
        until(page, now_says("A reference"))
        page.check('input[value="delivered"]')
        until(page, now_says("raw file"))
        drop = sounds_of(plain)["drop"]
        assert drop >= 6
        assert float(page.input_value("#volume")) == -24 - drop
        page.check('input[value="played"]')
        assert float(page.input_value("#volume")) == -24
        page.fill("#volume", "-40")
        page.check('input[value="delivered"]')
        assert float(page.input_value("#volume")) == -40 - drop
        page.fill("#volume", "-12")  # raised there, and back: the next visit is lower again
        page.check('input[value="played"]')
        assert float(page.input_value("#volume")) <= -40
        page.check('input[value="delivered"]')
        until(page, now_says("raw file"))
        assert float(page.input_value("#volume")) <= -40 - drop
        page.wait_for_timeout(200)
        heard_db = page.evaluate("20 * Math.log10(player.volume.gain.value)")
        assert heard_db == pytest.approx(float(page.input_value("#volume")), abs=0.1)
        page.evaluate(  # the way back: while the next sound is being decoded, the loud one is not raised
            "const real = player.buffer.bind(player); player.buffer = async (id) => {"
            " await new Promise((done) => { setTimeout(done, 2500); }); return real(id); }; 0;"
        )
        page.check('input[value="played"]')
        page.wait_for_timeout(250)
        assert page.evaluate("20 * Math.log10(player.volume.gain.value)") == pytest.approx(heard_db, abs=0.1)
        raised = float(page.input_value("#volume"))
        assert raised >= heard_db + drop - 0.1
        until(page, f"Math.abs(20 * Math.log10(player.volume.gain.value) - {raised}) < 0.1")
        page.click("#play")
        assert page.inner_text("#play") == "Play"
        until(page, "player.deck.voice === null")


def test_a_track_can_be_reached_and_played_with_the_keyboard_alone(browser: Any, plain: Path) -> None:
    with opened(browser, plain, viewport=DESK) as watched:
        page, seen = watched.page, []
        for _ in range(14):
            page.keyboard.press("Tab")
            seen.append(page.evaluate("document.activeElement.id || document.activeElement.name || ''"))
        assert "play" in seen
        for name in ("volume", "version", "passage", "state"):
            assert name in seen
        page.focus("#play")
        page.keyboard.press("Enter")
        until(page, "player.deck && player.deck.voice")
        page.keyboard.press("Enter")


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("which", ["plain", "nasty", "ballot_page"])
def test_nothing_hangs_over_the_edge(
    browser: Any, which: str, width: int, request: pytest.FixtureRequest
) -> None:
    path = request.getfixturevalue(which)
    with opened(browser, path, viewport={"width": width, "height": 800}) as watched:
        watched.page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert watched.page.evaluate("document.documentElement.scrollWidth") <= width


def test_titles_full_of_markup_are_only_text(browser: Any, nasty: Path) -> None:
    with opened(browser, nasty, viewport=PHONE) as watched:
        page = watched.page
        names = page.locator("#read .does strong bdi").all_inner_texts()
        assert [one.strip() for one in names] == [visible(one).strip() for one in NASTY]
        short = [*short_names([visible(one) for one in NASTY[:2]]), NASTY[2]]
        names = page.locator("#versions bdi").all_inner_texts()
        assert [one.strip() for one in names] == [visible(one).strip() for one in short]
        assert page.title() == NASTY[2]
        page.click("#play")
        until(page, "player.deck && player.deck.voice")
        assert short[0] in page.inner_text("#now")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("which", ["plain", "nasty", "ballot_page"])
def test_the_accessibility_checker_finds_nothing_serious(
    browser: Any, which: str, scheme: str, request: pytest.FixtureRequest
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    path = request.getfixturevalue(which)
    with opened(browser, path, viewport=PHONE, color_scheme=scheme, bypass_csp=True) as watched:
        watched.page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        found = Axe().run(watched.page).response["violations"]
        said = [(one["id"], one["impact"], [node["html"][:120] for node in one["nodes"]]) for one in found]
        assert [one for one in said if one[1] in ("serious", "critical")] == []
        assert len(said) <= 2, said


@pytest.mark.parametrize("which", ["plain", "ballot_page"])
def test_all_that_is_pressed_is_large_enough_for_a_thumb(
    browser: Any, which: str, request: pytest.FixtureRequest
) -> None:
    """44 by 44 px: WCAG 2.2, 2.5.5 (from memory)."""
    pressed = "button, summary, label:has([type=radio]), .button, input"
    sizes = (
        f"() => [...document.querySelectorAll('{pressed}')]"
        + """
      .filter((one) => one.checkVisibility() && one.type !== "radio")
      .map((one) => [one.textContent.trim() || one.id, one.getBoundingClientRect()])
      .filter(([, box]) => box.height < 43.99 || box.width < 43.99)
      .map(([name, box]) => `${name} ${box.width} x ${box.height}`)"""
    )
    path = request.getfixturevalue(which)
    with opened(browser, path, viewport=PHONE) as watched:
        page = watched.page
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert page.evaluate(sizes) == []
        if which == "ballot_page":
            page.click("#vote-reveal")
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
            assert page.evaluate(sizes) == []
            page.evaluate(
                "for (const one of ['vote-after', 'vote-own', 'vote-done', 'vote-share', 'vote-again'])"
                " document.getElementById(one).hidden = false;"
            )
            assert page.evaluate(sizes) == []


@pytest.mark.parametrize("which", ["plain", "ballot_page"])
def test_the_first_screen_of_a_phone_has_the_question_and_all_that_is_pressed(
    browser: Any, which: str, request: pytest.FixtureRequest
) -> None:
    """Nothing needs scrolling: the question, its answer, the picture, and the buttons."""
    wanted = {
        "plain": [
            ".question",
            ".verdict",
            ".claim >> nth=2",
            "#states",
            ".plot >> nth=0",
            "#play",
            "#volume",
        ],
        "ballot_page": [
            ".question",
            "#vote-begin",
            '.letter[data-letter="B"]',
            "#vote-answers",
            "#vote-volume",
        ],
    }[which]
    with opened(browser, request.getfixturevalue(which), viewport=PHONE) as watched:
        page = watched.page
        bar = page.locator(".bar:visible").bounding_box()
        assert bar["y"] + bar["height"] <= PHONE["height"] + 1
        for one in wanted:
            box = page.locator(one).bounding_box()
            inside = page.evaluate(
                "(one) => document.querySelector(one).closest('.bar') !== null", one.split(" >>")[0]
            )
            assert box["y"] + box["height"] <= (PHONE["height"] if inside else bar["y"]) + 1, one
        if which == "plain":
            for version in ("0", "1"):
                box = page.locator(f'label:has(input[value="{version}"][name="version"])').bounding_box()
                assert box["x"] + box["width"] <= PHONE["width"]


def test_a_claim_is_played_as_it_is_read(browser: Any, plain: Path) -> None:
    """It sets level and passage, plays the one and then the other version there, lowers the volume for raw
    files, and is left by any other choice."""
    data = sounds_of(plain)
    with opened(browser, plain, viewport=PHONE) as watched:
        page = watched.page
        said = page.locator(".claim").all_inner_texts()
        assert [one["state"] for one in data["claims"]][:2] == ["delivered", "played"]
        assert "louder as a file" in said[0]
        assert said[1] == "the same loudness when streamed"
        page.click(".claim >> nth=0")
        until(page, "player.deck && player.deck.voice")
        assert page.inner_text("#now") == f"Playing: open, raw file, turned down {data['drop']} dB"
        assert float(page.input_value("#volume")) == -24 - data["drop"]
        origin = page.evaluate("player.deck.origin")
        until(page, now_says("Playing: loud, raw file"))
        assert page.evaluate("player.deck.origin") == origin  # the same moment goes on
        assert page.get_attribute(".claim >> nth=0", "aria-pressed") == "true"
        page.click(".claim >> nth=1")
        until(page, now_says("Playing: open, as listeners hear it"))
        assert float(page.input_value("#volume")) == -24
        page.check('input[name="state"][value="matched"]')
        assert page.locator('.claim[aria-pressed="true"]').count() == 0
        page.wait_for_timeout(3200)  # no version comes by itself any more
        assert page.inner_text("#now") == "Playing: open, equally loud"
        assert said[-1] == "0:05, the hits are softer"
        page.check('input[name="version"][value="1"]')
        page.click(".claim >> nth=-1")  # what was lost: the open version, then the other
        until(page, now_says("Playing: open, equally loud"))
        assert page.locator(".chips :checked").is_hidden()
        until(page, now_says("Playing: loud, equally loud"))
        assert [one["start"] for one in data["kinds"][-1]["items"].values()] == [5.0, 5.0]


def test_the_picture_is_the_player(browser: Any, plain: Path) -> None:
    """A tap plays the passage there, the playhead moves within it, and the lines lie where the level says."""
    data = sounds_of(plain)
    with opened(browser, plain, viewport=DESK) as watched:
        page = watched.page
        plot = page.locator(".plot >> nth=0")
        box, length = plot.bounding_box(), float(plot.get_attribute("data-length"))
        kind = len(data["kinds"]) - 1
        start = data["kinds"][kind]["items"]["0"]["start"]
        plot.click(position={"x": box["width"] * start / length, "y": 30})
        until(page, "player.deck && player.deck.place() > 0.4")
        assert page.evaluate("document.querySelector('input[name=passage]:checked').value") == str(kind)
        head = page.evaluate("parseFloat(document.querySelector('.head-line').style.left)") * length / 100
        assert start <= head <= start + 2.0  # seconds = 2
        units = float(plot.get_attribute("data-units"))
        moved = "[...document.querySelectorAll('.plot:not(.paper-only .plot) .curve')].slice(0, 2).map("
        moved += "(one) => new DOMMatrix(getComputedStyle(one).transform).f)"
        items = data["kinds"][kind]["items"]
        for state in ("played", "matched", "delivered"):
            page.check(f'input[name="state"][value="{state}"]')
            page.wait_for_timeout(700)  # the lines glide
            for index, y in enumerate(page.evaluate(moved)):
                own = items[str(index)]
                raised = own[state][1] - own["played"][1]
                assert -y / units == pytest.approx(raised, abs=0.01)


def test_nothing_glides_where_no_motion_is_wanted(browser: Any, plain: Path) -> None:
    with opened(browser, plain, viewport=DESK, reduced_motion="reduce") as watched:
        still = "getComputedStyle(document.querySelector('.curve')).transitionDuration"
        assert watched.page.evaluate(still) == "0s"


def test_a_track_that_is_not_there_is_greyed_with_its_reason(browser: Any, plain: Path) -> None:
    with opened(browser, plain, viewport=DESK) as watched:
        page = watched.page
        label = page.locator('label:has(input[name="version"][value="2"])')
        assert label.locator(".absent").inner_text() == ""
        page.check('input[name="passage"][value="1"]')
        assert page.is_disabled('input[name="version"][value="2"]')
        assert label.locator(".absent").inner_text() == "only its loudest part is here"


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_paper_is_one_sheet_with_the_picture_and_the_verdict(browser: Any, plain: Path) -> None:
    with opened(browser, plain, viewport=DESK) as watched:
        page = watched.page
        assert pages_of(page.pdf(prefer_css_page_size=True)) == 1
        page.emulate_media(media="print")
        for one in ("#bar", ".claim >> nth=0", "#numbers"):
            assert not page.is_visible(one)
        for one in (".verdict", ".claims-on-paper", ".plot >> nth=0", ".plot >> nth=1", ".does"):
            assert page.is_visible(one)
        assert "Loudest part" in page.inner_text("#listen")


def test_a_vote_prints_as_its_question(browser: Any, ballot_page: Path) -> None:
    with opened(browser, ballot_page, viewport=DESK) as watched:
        page = watched.page
        assert pages_of(page.pdf(prefer_css_page_size=True)) == 1
        page.emulate_media(media="print")
        assert "Which master do you like better?" in page.inner_text("main")
        assert not page.is_visible("#vote-desk")


@pytest.mark.parametrize("which", ["plain", "ballot_page"])
def test_without_scripts_the_controls_are_hidden_and_words_say_what_to_do(
    browser: Any, which: str, request: pytest.FixtureRequest
) -> None:
    path = request.getfixturevalue(which)
    with opened(browser, path, viewport=PHONE, java_script_enabled=False) as watched:
        page = watched.page
        assert "Save the file and open it in a web browser" in page.inner_text("main")
        assert page.locator("button:visible, input:visible").count() == 0
        if which == "plain":
            assert page.is_visible(".plot svg >> nth=0")


def test_a_silent_switch_does_not_mute_where_the_browser_can_say_so(browser: Any, plain: Path) -> None:
    session = "Object.defineProperty(navigator, 'audioSession', { value: { type: 'auto' } });"
    with opened(browser, plain, viewport=PHONE, before=session) as watched:
        watched.page.click("#play")
        until(watched.page, "player.deck && player.deck.voice")
        assert watched.page.evaluate("navigator.audioSession.type") == "playback"

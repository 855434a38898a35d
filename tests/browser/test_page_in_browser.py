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
from support.made_page import NASTY, PLAIN, order_of, write_music

from simulator.common.text import visible
from simulator.common.units import db_to_gain
from simulator.normalizer.prediction import Prediction, chain_settings
from simulator.page.clips import STEP
from simulator.page.file.build import build, write
from simulator.page.file.request import PageOrder

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
def order(folder: Path) -> PageOrder:
    return order_of(write_music(folder), PLAIN, profiles=("minus14-headroom", "minus14-limited"))


@pytest.fixture(scope="module")
def plain(order: PageOrder, folder: Path) -> Path:
    write(build(order), folder / "plain.html", True)
    return folder / "plain.html"


@pytest.fixture(scope="module")
def limited(order: PageOrder, folder: Path) -> Path:
    turned = replace(order, profiles=order.profiles[::-1], predictions=order.predictions[::-1])
    write(build(turned), folder / "limited.html", True)
    return folder / "limited.html"


@pytest.fixture(scope="module")
def nasty(order: PageOrder, folder: Path) -> Path:
    tracks = [
        replace(one, track=replace(one.track, title=title, artist=title))
        for one, title in zip(order.tracks, NASTY, strict=True)
    ]
    named = replace(order.playlist, title=NASTY[2], client=NASTY[0])
    write(build(replace(order, tracks=tracks, playlist=named)), folder / "nasty.html", True)
    return folder / "nasty.html"


@pytest.fixture(scope="module")
def ballot_page(order: PageOrder, folder: Path) -> Path:
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
    browser: Any, order: PageOrder, which: str, request: pytest.FixtureRequest
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


def test_the_listening_part_plays_switches_and_opens_the_delivered_level_softly(
    browser: Any, plain: Path
) -> None:
    with opened(browser, plain, viewport=DESK) as watched:
        page = watched.page
        assert page.get_attribute("#volume", "value") == "-24"
        assert page.is_disabled('input[value="delivered"]')
        page.click("#play")
        until(page, "player.deck && player.deck.voice && player.deck.place() > 0.05")
        assert page.inner_text("#now").startswith(f"Playing: {PLAIN[0]}, as played. ")
        before = page.evaluate("[player.deck.origin, player.deck.voice.buffer.length]")
        page.locator('input[name="version"][value="0"]').focus()
        page.keyboard.press("ArrowDown")
        until(page, "document.getElementById('now').textContent.includes('loud master')")
        page.wait_for_timeout(100)
        assert page.evaluate("[player.deck.origin, player.deck.voice.buffer.length]") == before  # same place
        page.keyboard.press("3")
        until(page, "document.getElementById('now').textContent.includes('A reference')")
        page.click("#unlock-step summary")
        page.click("#unlock")
        until(page, "document.getElementById('now').textContent.includes('as delivered')")
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
        until(page, "document.getElementById('now').textContent.includes('as delivered')")
        assert float(page.input_value("#volume")) <= -40 - drop
        page.wait_for_timeout(200)
        heard_db = page.evaluate("20 * Math.log10(player.volume.gain.value)")
        assert heard_db == pytest.approx(float(page.input_value("#volume")), abs=0.1)
        page.evaluate(  # the way back: while the next sound is being decoded, the loud one is not raised
            "const real = player.buffer.bind(player); player.buffer = async (id) => {"
            " await new Promise((done) => { setTimeout(done, 400); }); return real(id); }; 0;"
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
        for _ in range(12):
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
        names = page.locator("#versions .name bdi").all_inner_texts()
        assert [one.strip() for one in names[::2]] == [visible(one).strip() for one in NASTY]
        assert page.title() == NASTY[2]
        page.click("#play")
        until(page, "player.deck && player.deck.voice")
        assert NASTY[0] in page.inner_text("#now")


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


def test_paper_shows_the_words_and_the_numbers_and_no_controls(browser: Any, plain: Path) -> None:
    with opened(browser, plain, viewport=DESK) as watched:
        page = watched.page
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        page.emulate_media(media="print")
        assert not page.is_visible("#deck")
        assert page.is_visible("#numbers table >> nth=0")
        assert page.is_visible("text=On a screen, this page also plays")
        assert page.evaluate("[...document.querySelectorAll('#numbers details')].every((one) => one.open)")
        assert page.pdf(format="A4")[:5] == b"%PDF-"


def test_without_scripts_all_but_the_sound_can_be_read(browser: Any, plain: Path) -> None:
    with opened(browser, plain, viewport=PHONE, java_script_enabled=False) as watched:
        assert "This page needs JavaScript" in watched.page.inner_text("#listen")
        assert watched.page.is_visible("#see svg >> nth=0")

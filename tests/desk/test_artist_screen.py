"""The artist's screen over a real socket: what it says, whom it answers, and how it ends."""

from __future__ import annotations

import http.client
import ipaddress
import json
import re
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
from support.fake_player import FakePlayer
from support.made_session import Desk

from simulator.common.errors import UsageError
from simulator.deck.interface import Now
from simulator.desk.artist_screen import MOST_CONNECTIONS, ArtistScreen
from simulator.desk.live_view import DeskStage, bar_of
from simulator.metering.meter import Reading
from simulator.session.events import Prepared, Typed
from simulator.text.colours import VERSIONS_ON_DARK
from simulator.text.desk.stage import SCREEN_COLUMNS, Stage, place_json, scene_json


def stage_of(desk: Desk) -> Stage:
    bar = bar_of(desk.session, FakePlayer("device"), Now(playing=True), Reading(), 0)
    return DeskStage().look(desk.session, bar, SCREEN_COLUMNS)


def playing(*lines: str) -> Desk:
    desk = Desk()
    for line in ("state delivered", "play 1", *lines):
        desk.do(line)
    return desk


def in_trial() -> Desk:
    desk = playing("state matched", "trial which 3 1 2")
    desk.do(Typed("y", "at 1", 5))
    desk.do(Prepared(at="at 2"))
    desk.do("a")
    return desk


@pytest.fixture
def screen() -> Iterator[ArtistScreen]:
    found = ArtistScreen()
    yield found
    found.close()


@pytest.fixture(scope="module")
def asked() -> Iterator[ArtistScreen]:
    found = ArtistScreen()
    yield found
    found.close()


@pytest.fixture
def keyed(monkeypatch: pytest.MonkeyPatch) -> Iterator[ArtistScreen]:
    """As on an address of the network."""
    monkeypatch.setattr(ipaddress.IPv4Address, "is_loopback", False)
    found = ArtistScreen("127.0.0.1")
    yield found
    found.close()


def port_of(screen: ArtistScreen) -> int:
    found = re.fullmatch(r"http://127\.0\.0\.1:(\d+)/(?:\?key=.*)?", screen.url)
    assert found is not None
    return int(found[1])


def ask(
    screen: ArtistScreen, path: str = "/", method: str = "GET", **headers: str
) -> tuple[int, dict[str, str], str]:
    connection = http.client.HTTPConnection("127.0.0.1", port_of(screen), timeout=5)
    try:
        connection.request(method, path, headers=headers)
        answer = connection.getresponse()
        return answer.status, dict(answer.getheaders()), answer.read().decode()
    finally:
        connection.close()


class Looking:
    """A browser's stream of events, by hand."""

    def __init__(self, screen: ArtistScreen) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port_of(screen), timeout=5)
        self._connection.request("GET", "/events")
        self._answer = self._connection.getresponse()
        assert self._answer.status == 200
        assert self._answer.getheader("Content-Type") == "text/event-stream"

    def next(self, name: str) -> Any:
        """The next event of that name; None at the end of the stream."""
        found = ""
        while line := self._answer.readline().decode():
            if line.startswith("event: "):
                found = line.removeprefix("event: ").strip()
            elif line.startswith("data: ") and found == name:
                return json.loads(line.removeprefix("data: "))
        return None

    def close(self) -> None:
        self._answer.close()
        self._connection.close()


def test_a_song_is_names_words_and_shares() -> None:
    desk = playing("loop 15 30")
    desk.at(24.0)
    scene = json.loads(scene_json(stage_of(desk)))
    curves = scene.pop("curves")
    assert scene == {
        "kind": "song",
        "title": "Song",
        "version": "open",
        "colour": VERSIONS_ON_DARK[0],
        "mode": "The raw file",
        "status": "playing",
        "loop": [0.25, 0.5],
    }
    assert [(one["name"], one["playing"]) for one in curves] == [("open", True), ("crushed", False)]
    assert all(len(one["heights"]) == 2 * SCREEN_COLUMNS for one in curves)
    assert all(0.0 <= height <= 1.0 for one in curves for height in one["heights"])
    assert json.loads(place_json(stage_of(desk))) == {"share": 0.4, "clock": "0:24 / 1:00"}
    desk.do("mute")
    desk.do("hear mono")
    assert json.loads(scene_json(stage_of(desk)))["status"] == "muted · mono"


def test_no_figure_note_or_mark_is_on_it() -> None:
    desk = playing()
    desk.at(12.0)
    for line in ("mark secretmark", "note secretnote", "state matched"):
        desk.do(line)
    text = scene_json(stage_of(desk))
    assert "secret" not in text
    assert not re.search(r"LU|dB|LUFS|profile|minus14", text)


def test_in_a_trial_there_are_only_letters() -> None:
    stage = stage_of(in_trial())
    assert json.loads(scene_json(stage)) == {
        "kind": "trial",
        "letters": ["A", "B", "X"],
        "letter": "A",
        "playing": True,
    }
    assert place_json(stage) == ""


def test_two_browsers_follow_and_get_only_what_changes(screen: ArtistScreen) -> None:
    desk = playing()
    screen.show(stage_of(desk))
    looking = [Looking(screen), Looking(screen)]
    assert [one.next("scene")["version"] for one in looking] == ["open", "open"]
    assert {one.next("place")["clock"] for one in looking} == {"0:00 / 1:00"}
    desk.at(12.0)
    screen.show(stage_of(desk))
    assert {one.next("place")["clock"] for one in looking} == {"0:12 / 1:00"}
    desk.do("swap")
    begun = time.monotonic()
    screen.show(stage_of(desk))
    assert [one.next("scene")["version"] for one in looking] == ["crushed", "crushed"]
    assert time.monotonic() - begun < 0.2
    screen.close()
    assert [one.next("scene") for one in looking] == [None, None]
    for one in looking:
        one.close()


def test_a_browser_that_comes_in_a_trial_gets_nothing_from_before(screen: ArtistScreen) -> None:
    screen.show(stage_of(playing()))
    screen.show(stage_of(in_trial()))
    looking = Looking(screen)
    assert looking.next("scene")["kind"] == "trial"
    screen.close()
    assert looking.next("place") is None
    looking.close()


def test_the_page_needs_nothing_else_and_may_do_nothing_else(asked: ArtistScreen) -> None:
    code, headers, text = ask(asked)
    assert code == 200
    assert "Access-Control-Allow-Origin" not in headers
    assert headers["Cache-Control"] == "no-store"
    policy = dict(one.strip().split(" ", 1) for one in headers["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == policy["frame-ancestors"] == "'none'"
    assert policy["connect-src"] == "'self'"
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert set(re.findall(r"https?://[^\"')\s]+", text)) == {
        "http://www.w3.org/2000/svg"
    }  # a name, not a link


@pytest.mark.parametrize("host", ["evil.example", "evil.example:{port}", "127.0.0.1:1", "127.0.0.1", ""])
def test_another_host_is_refused(asked: ArtistScreen, host: str) -> None:
    """As a name that was made to lead to this computer (DNS rebinding)."""
    assert ask(asked, Host=host.format(port=port_of(asked)))[0] == 421
    assert ask(asked, "/events", Host=host.format(port=port_of(asked)))[0] == 421
    assert ask(asked, Host=f"localhost:{port_of(asked)}")[0] == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD"])
def test_it_only_shows(asked: ArtistScreen, method: str) -> None:
    code, headers, _ = ask(asked, method=method)
    assert code == 405
    assert headers["Allow"] == "GET"


def test_other_paths_are_not_there(asked: ArtistScreen) -> None:
    assert [ask(asked, path)[0] for path in ("/x", "/../artist_screen.html")] == [404] * 2


def test_a_key_opens_one_browser_once_and_the_engineer_is_told(keyed: ArtistScreen) -> None:
    first = keyed.url.rpartition("key=")[2]
    assert len(first) >= 20
    assert [ask(keyed, path)[0] for path in ("/", "/events", "/?key=", "/?key=guess")] == [403] * 4
    code, headers, _ = ask(keyed, f"/?key={first}")
    assert (code, headers["Location"]) == (303, "/")
    assert "HttpOnly" in headers["Set-Cookie"]
    cookie = headers["Set-Cookie"].partition(";")[0]
    assert ask(keyed, Cookie=cookie)[0] == 200
    assert ask(keyed, Cookie=cookie[:-1])[0] == 403
    assert ask(keyed, f"/?key={first}")[0] == 403  # used up
    assert keyed.url.rpartition("key=")[2] != first
    assert keyed.news() == [
        f"The artist's screen is open on 127.0.0.1. For another browser: {keyed.url}",
    ]
    assert keyed.news() == []


@pytest.mark.parametrize(
    ("address", "reason"),
    [
        ("studio", "is not an IP address"),
        ("0.0.0.0", "every network"),
        ("::", "every network"),
        ("192.0.2.1", "cannot be served on 192.0.2.1"),  # RFC 5737: no computer's own
    ],
)
def test_an_address_that_will_not_do_is_refused_with_a_cure(address: str, reason: str) -> None:
    with pytest.raises(UsageError, match=reason) as caught:
        ArtistScreen(address)
    assert "address" in caught.value.hint


def test_it_ends_with_its_port_and_threads_whatever_hangs_on_it() -> None:
    before = threading.active_count()
    screen = ArtistScreen()
    screen.show(stage_of(playing()))
    looking = Looking(screen)
    looking.next("scene")
    mute = [socket.create_connection(("127.0.0.1", port_of(screen))) for _ in range(MOST_CONNECTIONS - 1)]
    with socket.create_connection(("127.0.0.1", port_of(screen)), timeout=5) as further:
        assert further.recv(1) == b""
    port, begun = port_of(screen), time.monotonic()
    screen.close()
    screen.close()
    assert time.monotonic() - begun < 1.0
    assert threading.active_count() == before
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)
    for one in mute:
        one.close()
    looking.close()

"""The artist's screen: one page for a second display, served by the session itself, that follows the desk.

It listens on the loopback address, or on the one that is named; a browser elsewhere needs a key, which opens
one browser, once. It answers GET alone and changes nothing; the Host header must name its own address, so
that no foreign name leads here. Each browser has a thread that sleeps until something changes and sends the
last state only: a slow one never queues. Plain HTTP: who reads along on the network sees the same screen.
"""

from __future__ import annotations

import base64
import hashlib
import ipaddress
import logging
import re
import secrets
import socket
import threading
from functools import cache
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from simulator.common.errors import UsageError
from simulator.text.desk.stage import Stage, place_json, scene_json

LOOPBACK = "127.0.0.1"
MOST_CONNECTIONS = 24
"""Further ones are closed at once; a browser takes one, or two while it loads the page."""
SILENCE_SECONDS = 10.0
"""After so long without news a line is sent that says nothing, which finds a browser that is gone."""
COOKIE = "fairhearing-screen"
PAGE = Path(__file__).with_name("artist_screen.html")


class ArtistScreen:
    """The server, from its making until `close`; `url` opens it."""

    def __init__(self, address: str = LOOPBACK) -> None:
        """Listens on an IP address of this computer, at a free port. Raises UsageError."""
        try:
            ip = ipaddress.ip_address(address)
        except ValueError:
            raise UsageError(
                f"{address!r} is not an IP address.",
                "Give this computer's own address, for example --screen-address 192.168.1.20",
            ) from None
        if ip.is_unspecified or ip.is_multicast:
            raise UsageError(
                f"{address} means every network at once.", "Give one address of this computer instead."
            )
        self._lock = threading.Condition()
        self._texts = {"scene": "", "place": ""}
        self._changes = {"scene": 0, "place": 0}
        self._closed = False
        self._news: list[str] = []
        self._cookies: set[str] = set()
        self._key = "" if ip.is_loopback else secrets.token_urlsafe(18)
        self._keyed = bool(self._key)
        try:
            self._server = _Server(str(ip), ip.version == 6, self)
        except OSError as problem:
            reason = problem.strerror or str(problem)
            raise UsageError(
                f"The artist's screen cannot be served on {address}: {reason}.",
                "Give an address of this computer, or leave --screen-address out.",
            ) from None
        shown = f"[{ip}]" if ip.version == 6 else str(ip)
        port = self._server.server_address[1]
        self.hosts = {f"{shown}:{port}"} | ({f"localhost:{port}"} if ip.is_loopback else set())
        self._origin = f"http://{shown}:{port}/"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.1,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        """Opens the screen; with a key, in one browser."""
        return f"{self._origin}?key={self._key}" if self._keyed else self._origin

    def show(self, stage: Stage) -> None:
        """Sends what is different from before to all that look."""
        texts = {"scene": scene_json(stage), "place": place_json(stage)}
        with self._lock:
            if texts == self._texts:
                return
            for name, text in texts.items():
                self._changes[name] += text != self._texts[name]
            self._texts = texts
            self._lock.notify_all()

    def news(self) -> list[str]:
        """What the engineer should know, once: a browser elsewhere opened the screen, and the next key."""
        with self._lock:
            news, self._news = self._news, []
        return news

    def close(self) -> None:
        """Closes the port, ends every connection and waits for the threads."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._lock.notify_all()
        self._server.shutdown()
        self._server.hang_up()
        self._server.server_close()
        self._thread.join()

    # for the threads of the connections

    def after(self, seen: dict[str, int]) -> str | None:
        """Events that are newer than `seen`, which is brought up to them; a comment where nothing happens for
        a while; None at the end."""
        with self._lock:
            if self._changes == seen and not self._closed:
                self._lock.wait(SILENCE_SECONDS)
            if self._closed:
                return None
            fresh = [
                f"event: {name}\ndata: {text}\n\n"
                for name, text in self._texts.items()
                if text and self._changes[name] != seen.get(name)
            ]
            seen.update(self._changes)
        return "".join(fresh) or ": nothing new\n\n"

    def admits(self, cookie: str) -> bool:
        """True for a browser on this computer, and for one that has had a key."""
        if not self._keyed:
            return True
        with self._lock:
            return any(secrets.compare_digest(cookie.encode(), issued.encode()) for issued in self._cookies)

    def unlock(self, key: str, client: str) -> str | None:
        """The cookie for a key, which is then used up; None for any other."""
        with self._lock:
            if not self._keyed or not secrets.compare_digest(key.encode(), self._key.encode()):
                return None
            cookie = secrets.token_urlsafe(18)
            self._cookies.add(cookie)
            self._key = secrets.token_urlsafe(18)
            self._news.append(f"The artist's screen is open on {client}. For another browser: {self.url}")
        return cookie


class _Server(ThreadingHTTPServer):
    """Keeps its connections, so that it can end them."""

    daemon_threads = False  # they are waited for
    allow_reuse_address = False
    request_queue_size = MOST_CONNECTIONS

    def __init__(self, address: str, six: bool, screen: ArtistScreen) -> None:
        self.address_family = socket.AF_INET6 if six else socket.AF_INET
        self.screen = screen
        self._open: set[Any] = set()
        self._guard = threading.Lock()
        super().__init__((address, 0), _Answering)

    def process_request(self, request: Any, client_address: Any) -> None:
        with self._guard:
            if full := len(self._open) >= MOST_CONNECTIONS:
                request.close()
            else:
                self._open.add(request)
        if not full:
            super().process_request(request, client_address)

    def shutdown_request(self, request: Any) -> None:
        with self._guard:
            self._open.discard(request)
        super().shutdown_request(request)

    def hang_up(self) -> None:
        """Ends what is being read or written."""
        with self._guard:
            for one in self._open:
                try:
                    one.shutdown(socket.SHUT_RDWR)
                except OSError:  # gone already
                    continue

    def handle_error(self, request: Any, client_address: Any) -> None:  # noqa: ARG002
        """A browser that leaves in the middle of an answer is nothing to show."""
        logging.getLogger("fairhearing").info("artist's screen: a connection broke off", exc_info=True)


class _Answering(BaseHTTPRequestHandler):
    """One request."""

    server: _Server
    server_version, sys_version = "fairhearing", ""
    disable_nagle_algorithm = True
    timeout = SILENCE_SECONDS

    def do_GET(self) -> None:
        screen = self.server.screen
        if self.headers.get_all("Host") not in [[host] for host in screen.hosts]:
            self._say(HTTPStatus.MISDIRECTED_REQUEST, "This screen has another address.")
            return
        wanted = urlsplit(self.path)
        key = parse_qs(wanted.query).get("key", [""])[0]
        if wanted.path == "/" and key:
            cookie = screen.unlock(key, self.client_address[0])
            if cookie is not None:
                kept = f"{COOKIE}={cookie}; HttpOnly; SameSite=Lax; Path=/"
                self._say(HTTPStatus.SEE_OTHER, "", {"Location": "/", "Set-Cookie": kept})
                return
        if not screen.admits(self._cookie()):
            self._say(HTTPStatus.FORBIDDEN, "A key opens one browser, once. The session shows the next one.")
        elif wanted.path == "/":
            text, policy = page()
            self._say(
                HTTPStatus.OK,
                text,
                {"Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": policy},
            )
        elif wanted.path == "/events":
            self._send_events()
        else:
            self._say(HTTPStatus.NOT_FOUND, "There is nothing here.")

    def do_POST(self) -> None:
        self._say(HTTPStatus.METHOD_NOT_ALLOWED, "This screen only shows.", {"Allow": "GET"})

    do_HEAD = do_PUT = do_PATCH = do_DELETE = do_OPTIONS = do_TRACE = do_CONNECT = do_POST

    def log_message(self, format: str, *args: Any) -> None:
        """The terminal is the prompt's."""

    def _cookie(self) -> str:
        try:
            cookie = SimpleCookie(self.headers.get("Cookie", "")).get(COOKIE)
        except CookieError:
            return ""
        return "" if cookie is None else cookie.value

    def _say(self, status: HTTPStatus, text: str, headers: dict[str, str] | None = None) -> None:
        body = text.encode("utf-8")
        self._begin(
            status,
            {
                "Content-Type": "text/plain; charset=utf-8",
                "Content-Length": str(len(body)),
                **(headers or {}),
            },
        )
        if self.command != "HEAD":
            self.wfile.write(body)

    def _begin(self, status: HTTPStatus, headers: dict[str, str]) -> None:
        self.send_response(status)
        closed = {
            "Cache-Control": "no-store",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Referrer-Policy": "no-referrer",
            "X-Content-Type-Options": "nosniff",
        }
        for name, value in {**closed, **headers}.items():
            self.send_header(name, value)
        self.end_headers()

    def _send_events(self) -> None:
        self._begin(HTTPStatus.OK, {"Content-Type": "text/event-stream"})
        seen: dict[str, int] = {}
        text: str | None = "retry: 1000\n\n"
        while text is not None:
            self.wfile.write(text.encode("utf-8"))
            text = self.server.screen.after(seen)


@cache
def page() -> tuple[str, str]:
    """The page, and its policy: its own script and style, and the events from here."""
    text = PAGE.read_text(encoding="utf-8")

    def digest(element: str) -> str:
        content = re.search(f"<{element}>(.*?)</{element}>", text, re.DOTALL)
        assert content is not None
        return base64.b64encode(hashlib.sha256(content[1].encode("utf-8")).digest()).decode("ascii")

    policy = (
        f"default-src 'none'; script-src 'sha256-{digest('script')}'; style-src 'sha256-{digest('style')}'; "
        "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return text, policy

"""A real browser for the page's tests: Debian's Chromium, driven by playwright through its own path."""

from __future__ import annotations

import base64
import contextlib
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from support.external import require_external

PATH = os.environ.get("FAIRHEARING_CHROMIUM") or shutil.which("chromium") or ""
ARGUMENTS = ["--no-sandbox", "--disable-dev-shm-usage", "--autoplay-policy=no-user-gesture-required"]


@contextlib.contextmanager
def launched() -> Iterator[Any]:
    """The browser. Skips (or fails, where external checks are required) if there is none."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        require_external("playwright is not installed (the extra named browser)")
    if not Path(PATH).is_file():
        require_external("chromium is not installed (Debian: chromium)")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=PATH, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page of the browser on one file, with everything that it asked for or complained about."""

    def __init__(self, browser: Any, path: Path, before: str = "", **options: Any) -> None:
        self.context = browser.new_context(accept_downloads=True, **options)
        self.page = self.context.new_page()
        if before:  # a script that runs before those of the page
            self.page.add_init_script(before)
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda said: self.complaints.append(f"{said.type}: {said.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.url = path.as_uri()
        self.page.goto(self.url)

    def close(self) -> None:
        """Closes it, and asserts that it asked for nothing but itself and complained about nothing."""
        self.context.close()
        assert self.complaints == []
        assert [one for one in self.requests if not one.startswith(("blob:", self.url))] == []


@contextlib.contextmanager
def opened(browser: Any, path: Path, **options: Any) -> Iterator[Watched]:
    watched = Watched(browser, path, **options)
    try:
        yield watched
    except BaseException:
        watched.context.close()
        raise
    watched.close()


def until(page: Any, expression: str, seconds: float = 10.0) -> None:
    """Waits for a script's expression to be true. (The driver's own waiting evaluates text inside the page,
    which the page's policy refuses.)"""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"not in {seconds} s: {expression}"
        page.wait_for_timeout(20)


def samples(found: list[str]) -> np.ndarray:
    """Channels that a script sent as base64 of float32, (frames, channels)."""
    return np.stack([np.frombuffer(base64.b64decode(one), dtype="<f4") for one in found], axis=1)


SEND = """
  const send = (buffer) => [...Array(buffer.numberOfChannels).keys()].map((channel) => {
    const bytes = new Uint8Array(buffer.getChannelData(channel).slice().buffer);
    let text = "";
    for (let i = 0; i < bytes.length; i += 32768) {
      text += String.fromCharCode(...bytes.subarray(i, i + 32768));
    }
    return btoa(text);
  });
"""
"""A script's function that gives the channels of an AudioBuffer as base64 of float32."""

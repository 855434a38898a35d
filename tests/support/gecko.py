"""The Gecko engine for the page's tests: Debian's firefox-esr, headless, driven by Marionette."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from support.external import require_external

PATH = os.environ.get("FAIRHEARING_GECKO") or shutil.which("firefox-esr") or shutil.which("firefox") or ""
LIMIT_SECONDS = 30.0
SETTINGS = {
    "marionette.port": 0,
    "media.autoplay.default": 0,
    "media.autoplay.blocking_policy": 0,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "toolkit.telemetry.enabled": False,
    "app.update.enabled": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "browser.safebrowsing.update.enabled": False,
}


class Gecko:
    """One window of the browser. Scripts run beside the page's, and see its document alone."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), LIMIT_SECONDS)
        self._number = 0
        self._read()  # its greeting
        self.ask("WebDriver:NewSession", {"capabilities": {"alwaysMatch": {"acceptInsecureCerts": False}}})

    def close(self) -> None:
        self._socket.close()

    def _read(self) -> Any:
        size = b""
        while not size.endswith(b":"):
            size += self._received(1)
        return json.loads(self._received(int(size[:-1])))

    def _received(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part = self._socket.recv(count - len(data))
            assert part, "the browser closed the connection"
            data += part
        return data

    def ask(self, command: str, values: Mapping[str, Any] | None = None) -> Any:
        """The answer to a command of the protocol. Raises AssertionError with the browser's own words."""
        self._number += 1
        data = json.dumps([0, self._number, command, dict(values or {})]).encode()
        self._socket.sendall(b"%d:%s" % (len(data), data))
        _, _, problem, answer = self._read()
        assert problem is None, problem
        return answer

    def open(self, path: Path) -> None:
        self.ask("WebDriver:Navigate", {"url": path.as_uri()})

    def run(self, script: str) -> Any:
        """What a function body returns."""
        return self.ask("WebDriver:ExecuteScript", {"script": script, "args": []})["value"]

    def click(self, selector: str) -> None:
        """As a finger does, where the page can be seen."""
        found = self.ask("WebDriver:FindElement", {"using": "css selector", "value": selector})["value"]
        self.ask("WebDriver:ElementClick", {"id": next(iter(found.values()))})

    def text(self, selector: str) -> str:
        return str(self.run(f"return document.querySelector({selector!r}).textContent"))

    def until(self, condition: str, seconds: float = 10.0) -> None:
        """Waits for a script's expression to be true."""
        end = time.monotonic() + seconds
        while not self.run(f"return Boolean({condition})"):
            assert time.monotonic() < end, f"not in {seconds} s: {condition}"
            time.sleep(0.05)


@contextlib.contextmanager
def launched(folder: Path, environment: Mapping[str, str]) -> Iterator[Gecko]:
    """The browser with a profile of its own in `folder`. Skips (or fails, where external checks are required)
    if there is none."""
    if not Path(PATH).is_file():
        require_external("firefox-esr is not installed (Debian: firefox-esr)")
    profile = folder / "profile"
    profile.mkdir()
    lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in SETTINGS.items()]
    (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
    command = [PATH, "--headless", "--no-remote", "--marionette", "--profile", str(profile)]
    process = subprocess.Popen(
        command,
        env={**os.environ, **environment, "HOME": str(folder)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        port, end = profile / "MarionetteActivePort", time.monotonic() + LIMIT_SECONDS
        while not port.is_file() or not port.read_text(encoding="ascii"):
            assert process.poll() is None, "the browser ended at once"
            assert time.monotonic() < end, f"the browser did not start in {LIMIT_SECONDS} s"
            time.sleep(0.05)
        with contextlib.closing(Gecko(int(port.read_text(encoding="ascii")))) as gecko:
            yield gecko
    finally:
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(10.0)
        process.kill()
        process.wait()

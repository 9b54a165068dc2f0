"""This module drives a Firefox over Marionette, the protocol that it brings; it asserts nothing.

Debian has no driver for it.  A message is its length, a colon, and JSON: ``[0, id, command,
parameters]`` out, ``[1, id, error, result]`` back (Firefox source docs, "Marionette Protocol",
from memory).
"""

import json
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

_SECONDS = 60.0
_PAUSE = 0.1


class Firefox:
    """One window."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line
        self._left = b""
        self._sent = 0
        self._hear()
        self._say("WebDriver:NewSession", {"acceptInsecureCerts": False})

    def go(self, url: str) -> None:
        """Open a page and wait until it is loaded."""
        self._say("WebDriver:Navigate", {"url": url})

    def run(self, script: str) -> Any:
        """Run the body of a function in the page; return what it returns."""
        found = self._say("WebDriver:ExecuteScript", {"script": script, "args": []})
        return found["value"]

    def wait_for(self, script: str) -> None:
        """Wait until a script returns what is true."""
        end = time.monotonic() + _SECONDS
        while not self.run(script):
            if time.monotonic() > end:
                raise TimeoutError(script)
            time.sleep(_PAUSE)

    def _say(self, command: str, parameters: dict[str, Any]) -> Any:
        self._sent += 1
        text = json.dumps([0, self._sent, command, parameters]).encode()
        self._line.sendall(str(len(text)).encode() + b":" + text)
        _, _, error, result = self._hear()
        if error:
            raise RuntimeError(error["message"])
        return result

    def _hear(self) -> Any:
        while b":" not in self._left:
            self._left += self._received()
        size, _, rest = self._left.partition(b":")
        while len(rest) < int(size):
            rest += self._received()
        self._left = rest[int(size) :]
        return json.loads(rest[: int(size)])

    def _received(self) -> bytes:
        found = self._line.recv(65536)
        if not found:
            raise ConnectionError("the browser has gone")
        return found


@contextmanager
def opened(program: str) -> Iterator[Firefox]:
    """Start a Firefox without a window, in a profile of its own, and end it afterwards."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        settings = {
            "marionette.port": port,
            "browser.shell.checkDefaultBrowser": False,
            "datareporting.policy.dataSubmissionEnabled": False,
            "app.update.enabled": False,
            "network.captive-portal-service.enabled": False,
            "network.connectivity-service.enabled": False,
        }
        lines = [
            f"user_pref({json.dumps(name)}, {json.dumps(to)});" for name, to in settings.items()
        ]
        Path(profile, "user.js").write_text("\n".join(lines), encoding="utf-8")
        started = subprocess.Popen(
            [program, "--headless", "--no-remote", "--marionette", "--profile", profile],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            with _line_to(port) as line:
                yield Firefox(line)
        finally:
            started.terminate()
            started.wait(timeout=_SECONDS)


def _line_to(port: int) -> socket.socket:
    """Return a connection to a browser that may yet be starting."""
    end = time.monotonic() + _SECONDS
    while True:
        try:
            return socket.create_connection(("127.0.0.1", port), timeout=_SECONDS)
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(_PAUSE)

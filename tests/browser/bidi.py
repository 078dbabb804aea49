"""Drives Debian's Firefox by WebDriver BiDi (W3C), with nothing but the standard library.

Only what a path through the pages needs: go, look, click, type. What is looked for is waited for in the page.
"""

import base64
import json
import os
import re
import shutil
import socket
import struct
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from child_process import ends_with_the_tests

__all__ = ["FIREFOX", "Firefox"]

FIREFOX = Path(os.environ.get("SHIMWISE_FIREFOX") or shutil.which("firefox-esr") or "/usr/bin/firefox-esr")
PREFS = {
    "app.update.disabledForTesting": True,
    "browser.shell.checkDefaultBrowser": False,
    "browser.startup.page": 0,
    "datareporting.policy.dataSubmissionEnabled": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "services.settings.server": "data:,",
    "toolkit.telemetry.reportingpolicy.firstRun": False,
}
"""A profile that asks nobody for anything."""
STARTING_S, PATIENCE_MS = 60.0, 12_000
TEXT, CLOSE, PING, PONG = 1, 8, 9, 10
"""Kinds of frames (RFC 6455, 5.2)."""


class _Line:
    """The client's end of a WebSocket (RFC 6455): whole messages of text."""

    def __init__(self, port: int, path: str) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=STARTING_S)
        key = base64.b64encode(os.urandom(16)).decode()
        head = (
            f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            f"Sec-WebSocket-Key: {key}\r\nSec-WebSocket-Version: 13\r\n\r\n"
        )
        self._socket.sendall(head.encode())
        self._file = self._socket.makefile("rb")
        status = self._file.readline()
        assert b" 101 " in status, status
        while self._file.readline().strip():
            pass

    def send(self, text: str, kind: int = TEXT) -> None:
        data, mask = text.encode(), os.urandom(4)
        size = len(data)
        length = (
            bytes([0x80 | size])
            if size < 126
            else struct.pack("!BH", 0xFE, size)
            if size < 65536
            else struct.pack("!BQ", 0xFF, size)
        )
        masked = bytes(byte ^ mask[i % 4] for i, byte in enumerate(data))
        self._socket.sendall(bytes([0x80 | kind]) + length + mask + masked)

    def receive(self) -> str:
        text = b""
        while True:
            first, second = self._file.read(2)
            size = second & 0x7F
            if size > 125:
                form = "!H" if size == 126 else "!Q"
                (size,) = struct.unpack(form, self._file.read(struct.calcsize(form)))
            data, kind = self._file.read(size), first & 0x0F
            assert kind != CLOSE, "the browser closed the line"
            if kind == PING:
                self.send(data.decode(), PONG)
            elif kind != PONG:
                text += data
                if first & 0x80:
                    return text.decode()

    def close(self) -> None:
        self._file.close()
        self._socket.close()


class Firefox:
    """One window of a Firefox of its own. Faults of its scripts are kept in ``faults``."""

    def __init__(self) -> None:
        self.faults: list[str] = []
        self._count = 0

    def __enter__(self) -> Self:
        self._profile = tempfile.mkdtemp(prefix="firefox-")
        lines = (f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in PREFS.items())
        (Path(self._profile) / "user.js").write_text("\n".join(lines), encoding="utf-8")
        self._process = subprocess.Popen(
            ends_with_the_tests(
                *(FIREFOX, "--headless", "--no-remote", "--remote-debugging-port", "0"),
                *("--profile", self._profile),
            ),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            self._line = _Line(self._port(), "/session")
            self.ask("session.new", capabilities={})
            self.ask("session.subscribe", events=["log.entryAdded"])
            self._window = self.ask("browsingContext.getTree")["contexts"][0]["context"]
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._line.close()
        self._end()

    def _end(self) -> None:
        self._process.kill()
        self._process.wait()
        if self._process.stderr is not None:
            self._process.stderr.close()
        shutil.rmtree(self._profile, ignore_errors=True)

    def _port(self) -> int:
        assert self._process.stderr is not None
        said = ""
        for line in self._process.stderr:
            said += line
            found = re.search(r"WebDriver BiDi listening on ws://127\.0\.0\.1:(\d+)", line)
            if found:
                return int(found[1])
        raise RuntimeError(f"Firefox ended: {said[-800:]}")

    def ask(self, method: str, **params: object) -> Any:  # noqa: ANN401 - what the protocol answers
        """Send a command and return its result."""
        self._count += 1
        self._line.send(json.dumps({"id": self._count, "method": method, "params": params}))
        while True:
            message = json.loads(self._line.receive())
            if message.get("id") == self._count:
                assert message["type"] == "success", message
                return message["result"]
            entry = message.get("params", {})
            if message.get("method") == "log.entryAdded" and entry.get("type") == "javascript":
                self.faults.append(str(entry.get("text")))

    def before_each_page(self, script: str) -> None:
        """Run a script in each page before its own."""
        self.ask("script.addPreloadScript", functionDeclaration=f"() => {{ {script} }}")

    def goto(self, address: str) -> None:
        """Open a page and wait for it."""
        self.ask("browsingContext.navigate", context=self._window, url=address, wait="complete")

    def evaluate(self, expression: str) -> Any:  # noqa: ANN401 - a value of JSON
        """Return the JSON value of an expression; a promise is waited for."""
        whole = f"(async () => JSON.stringify((await ({expression})) ?? null))()"
        target = {"context": self._window}
        found = self.ask("script.evaluate", expression=whole, target=target, awaitPromise=True)
        assert found["type"] == "success", found
        return json.loads(found["result"]["value"])

    def until(self, expression: str) -> Any:  # noqa: ANN401 - a value of JSON
        """Wait in the page until an expression holds, and return its value."""
        loop = f"""(async () => {{
          for (const end = Date.now() + {PATIENCE_MS}; Date.now() < end;) {{
            const found = await ({expression});
            if (found) return typeof found === "string" ? found : true;
            await new Promise((done) => requestAnimationFrame(done));
          }}
          return null;
        }})()"""
        found = self.evaluate(loop)
        assert found, (expression, self.evaluate("document.body.innerText")[:1500])
        return found

    def click(self, selector: str) -> None:
        """Click the middle of an element, as a person does."""
        place = f"document.querySelector({json.dumps(selector)})"
        self.until(f"{place} && {place}.checkVisibility()")
        self.evaluate(f"{place}.scrollIntoView({{ block: 'center', behavior: 'instant' }})")
        at = self.evaluate(
            f"((box) => ({{ x: Math.round(box.x + box.width / 2), y: Math.round(box.y + box.height / 2) }}))"
            f"({place}.getBoundingClientRect())"
        )
        steps = [
            {"type": "pointerMove", **at},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerUp", "button": 0},
        ]
        self._act({"type": "pointer", "id": "mouse", "actions": steps})

    def type(self, text: str) -> None:
        """Type into what has the focus."""
        keys = [{"type": kind, "value": sign} for sign in text for kind in ("keyDown", "keyUp")]
        self._act({"type": "key", "id": "keys", "actions": keys})

    def _act(self, source: dict[str, object]) -> None:
        self.ask("input.performActions", context=self._window, actions=[source])

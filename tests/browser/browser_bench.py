"""A server and devices for tests in a browser."""

import os
import re
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from pathlib import Path
from typing import Self

import httpx
from playwright.sync_api import Browser, BrowserContext, Page

from record_template import copied_record
from shimwise.bench.access.pairing import set_passphrase
from shimwise.bench.demo.demo_record import fill_demo
from shimwise.bench.exchange.record_admin import open_record
from shimwise.web.serve import Pages, ServeOptions

__all__ = [
    "CHROMIUM",
    "FLAGS",
    "PASSPHRASE",
    "SHORT_WAITS",
    "Devices",
    "Server",
    "at_the_lock",
    "filled",
    "kept_by_worker",
    "prep_of",
    "unfolded",
]

CHROMIUM = Path(
    os.environ.get("SHIMWISE_CHROMIUM")
    or shutil.which("chromium-headless-shell")
    or shutil.which("chromium")
    or "/usr/bin/chromium"
)
"""Without a window of its own Chromium takes half as much of the machine."""
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PASSPHRASE = "heron over the third bay"
PATIENCE_MS = 30_000
SHORT_WAITS = """(() => {
  const wait = window.setTimeout.bind(window);
  window.setTimeout = (act, ms, ...more) => wait(act, ms >= 400 ? ms / 10 : ms, ...more);
})()"""
"""Waits before another try are a tenth as long; the pad's own are left as they are."""
_NUMBERS = count(1)
PREP = re.compile(r"/preps/([0-9a-f]{32})")


class Server:
    """The pages of a record, served by a thread of the tests: they share what is imported, and what is drawn.

    ``shimwise serve`` and its judge, processes of their own, are tested without a browser.
    """

    def __init__(self, data: Path, host: str = "127.0.0.1") -> None:
        self.data, self.host = data, host
        self.address = ""
        self._judging: ThreadPoolExecutor | None = None

    def __enter__(self) -> Self:
        self.record = open_record(str(self.data))
        if self.host != "127.0.0.1":
            set_passphrase(self.record, passphrase=PASSPHRASE)
        self._pages = Pages(self.record, ServeOptions(host=self.host, port=0))
        # This server's alone: it serves the whole session, beside tests of the judge's own process.
        self._pages.judge._executor = self._judge_here  # type: ignore[assignment, method-assign]
        self.port = self._pages.port
        self.address = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._pages.run, daemon=True)
        self._thread.start()  # the socket listens already: who calls before the answer is ready waits for it
        return self

    def __exit__(self, *_: object) -> None:
        self._pages.stop()
        self._thread.join()
        self.record.close()
        if self._judging is not None:
            self._judging.shutdown()

    def _judge_here(self) -> ThreadPoolExecutor:
        """Judge in a thread of the tests instead of a process of its own."""
        if self._judging is None:
            self._judging = ThreadPoolExecutor(1)
        return self._judging

    def readings(self, prep_id: str) -> list[dict[str, object]]:
        """Give the readings that the record keeps of a prep, in their order."""
        prep = httpx.get(f"{self.address}/api/v1/preps/{prep_id}", timeout=10).raise_for_status().json()
        kept: list[dict[str, object]] = sorted(prep["readings"], key=lambda one: one["number"])
        return kept


def filled(folder: Path) -> Path:
    """Make a record that holds the invented bench."""
    copied_record(folder / "record", fill_demo)
    return folder / "record"


class Devices:
    """Devices of the house: each a browser context of its own; what went wrong in their scripts is kept."""

    def __init__(self, browser: Browser | None, server: Server) -> None:
        self.browser, self.server, self.address = browser, server, server.address
        self.contexts: list[BrowserContext] = []
        self.faults: list[str] = []

    def open(
        self,
        width: int,
        height: int,
        *,
        is_touch: bool,
        theme: str = "dark",
        person: str = "",
        has_worker: bool = True,
    ) -> Page:
        """Open a device's browser; what a page asks can be routed for certain only without the worker."""
        assert self.browser is not None, "of another engine"
        context = self.browser.new_context(
            viewport={"width": width, "height": height},
            has_touch=is_touch,
            is_mobile=is_touch,
            base_url=self.address,
            service_workers="allow" if has_worker else "block",
        )
        self.contexts.append(context)
        cookies = [{"name": "shimwise_theme", "value": theme, "url": self.address}]
        if person:
            cookies.append({"name": "shimwise_person", "value": person, "url": self.address})
        context.add_cookies(cookies)  # type: ignore[arg-type]  # plain dictionaries of what is asked for
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("console", self._said)
        return page

    def _said(self, message: object) -> None:
        text = getattr(message, "text", "")
        if "Content Security Policy" in text or "Content-Security-Policy" in text:
            self.faults.append(text)

    def new_body(self, **changed: object) -> str:
        """Add a body like A-12 through the interface; what is left open on it hinders no other test."""
        with httpx.Client(base_url=f"{self.address}/api/v1", timeout=10) as client:
            bodies = client.get("/bodies").json()["bodies"]
            facts = next(one["facts"] for one in bodies if one["facts"]["name"] == "A-12")
            new = {**facts, "name": f"T-{next(_NUMBERS)}", **changed, "who": "test"}
            return str(client.post("/bodies", json=new).raise_for_status().json()["id"])

    def new_prep(self, *, taped: tuple[str, ...] = ("3'",), count: int = 0, body_id: str = "") -> str:
        """Start a prep of a body, A-12 unless named, and set H through the interface."""
        with httpx.Client(base_url=f"{self.address}/api/v1", timeout=10) as client:
            bodies = {one["facts"]["name"]: one["id"] for one in client.get("/bodies").json()["bodies"]}
            sets = {one["name"]: one["id"] for one in client.get("/sets").json()["sets"]}
            body_id = body_id or bodies["A-12"]
            new = {"body_ids": [body_id], "set_id": sets["H"], "title": "A test's own", "who": "test"}
            prep_id = str(client.post("/preps", json=new).raise_for_status().json()["id"])
            for text in taped:
                client.post(
                    f"/preps/{prep_id}/setups",
                    json={"body_id": body_id, "distance_text": text, "who": "test"},
                ).raise_for_status()
        for _ in range(count):
            self.add_reading(prep_id)
        return prep_id

    def add_reading(self, prep_id: str) -> None:
        """Enter a reading through the interface, as another device would."""
        with httpx.Client(base_url=self.address, timeout=10) as client:
            prep = client.get(f"/api/v1/preps/{prep_id}").json()
            count = len(prep["readings"])
            client.post(
                f"/api/v1/preps/{prep_id}/readings",
                json={
                    "body_id": prep["bodies"][0]["id"],
                    "lens_id": prep["lenses"][count % len(prep["lenses"])]["id"],
                    "setup_id": prep["setups"][count % len(prep["setups"])]["id"],
                    "reading_text": "on",
                    "operator": "test",
                },
            ).raise_for_status()

    def close(self) -> None:
        """Close them; a script that failed, or a page that broke its own content policy, is a fault."""
        for context in self.contexts:
            context.close()
        assert self.faults == []


def unfolded(page: Page, words: str) -> None:
    """Open a part of a prep's page that a phone folds; elsewhere it is open."""
    key = page.locator(".fold-key").filter(has_text=words)
    if key.is_visible() and key.get_attribute("aria-expanded") == "false":
        key.tap()


def prep_of(page: Page) -> str:
    """Give the id of the prep that a page shows."""
    found = PREP.search(page.url)
    assert found is not None, page.url
    return found[1]


def kept_by_worker(page: Page, prep_id: str) -> None:
    """Wait until the worker has kept the page and what it needs, and works for it.

    The waiting is done in the page: a promise that Playwright's own waiting is given counts as true at once.
    """
    page.evaluate(
        """async (path) => {
          const isKept = async () => (await navigator.serviceWorker.ready).active.state === "activated"
            && navigator.serviceWorker.controller && await caches.match(path, { ignoreVary: true });
          while (!await isKept()) await new Promise((done) => setTimeout(done, 20));
        }""",
        f"/preps/{prep_id}",
    )


def at_the_lock(devices: Devices) -> str:
    """Begin an adjustment of a body of its own that has a lock by the record; gives the page of its step."""
    body_id = devices.new_body(mechanism={"kind": "screw", "has_lock": True})
    prep_id = devices.new_prep(count=1, body_id=body_id)
    at = f"/preps/{prep_id}/adjustments"
    with httpx.Client(base_url=f"{devices.address}/api/v1", timeout=20) as client:
        new = {"unit_kind": "body", "unit_id": body_id, "reason": "to be sure", "who": "test"}
        begun = client.post(at, json=new).raise_for_status().json()
        answer = {"step": "clean", "answer": "done", "who": "test"}
        client.post(f"{at}/{begun['id']}/answers", json=answer).raise_for_status()
    return f"/preps/{prep_id}/adjust/{begun['id']}"

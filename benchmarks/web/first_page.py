"""The first page in a browser that has seen nothing yet: how long until it is there, and how much came."""

import shutil
import time
from dataclasses import dataclass

__all__ = ["FLAGS", "FirstPage", "installed_browser", "open_cold"]

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def installed_browser() -> str | None:
    """Return the path of Chromium on this machine, None if there is none."""
    return shutil.which("chromium-headless-shell") or shutil.which("chromium")


@dataclass(frozen=True, kw_only=True)
class FirstPage:
    """Until all had come, and until the browser had drawn something [s]; what came over the line [bytes]."""

    loaded_s: float
    painted_s: float
    came_bytes: int
    requests: int


def open_cold(address: str, *, times: int) -> list[FirstPage]:
    """Open a page as often as asked, each time in a browser started anew."""
    from playwright.sync_api import sync_playwright

    pages = []
    with sync_playwright() as play:
        for _ in range(times):
            browser = play.chromium.launch(executable_path=installed_browser(), args=FLAGS)
            page = browser.new_page(viewport={"width": 768, "height": 1024})
            came: list[int] = []
            line = page.context.new_cdp_session(page)
            line.send("Network.enable")
            line.on("Network.loadingFinished", lambda told, came=came: came.append(told["encodedDataLength"]))
            began = time.perf_counter()
            page.goto(address, wait_until="load")
            loaded_s = time.perf_counter() - began
            page.wait_for_load_state("networkidle")
            painted_ms = page.evaluate(
                "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"
            )
            pages.append(
                FirstPage(
                    loaded_s=loaded_s,
                    painted_s=painted_ms / 1e3,
                    came_bytes=int(sum(came)),
                    requests=len(came),
                )
            )
            browser.close()
    return pages

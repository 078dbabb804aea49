"""From a frame's arrival in a page to its figure: a fake camera of 1080p, a real browser, the real server."""

import time
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import numpy as np
from numpy.typing import NDArray

from benchmarks.web.first_page import FLAGS
from benchmarks.web.load import percentile
from benchmarks.web.served import Served
from benchmarks.worlds.frames.feed import Motion
from benchmarks.worlds.frames.feed_cells import FEEDS

__all__ = ["FILMING", "FilmRun", "film", "film_lines", "write_camera"]

FILMING = Path("/usr/bin/chromium")
"""Its headless shell opens no camera."""
WIDTH, HEIGHT, RATE = 1920, 1080, 25
PIXEL_UM, FNUMBER = 6.0, 2.0
CORNERS = ((40, 40), (1460, 40), (40, 620), (1460, 620))
WATCH = """() => {
  window.measured = [];
  document.addEventListener("shimwise:measured", ({ detail }) => window.measured.push(detail));
}"""


@dataclass(frozen=True, kw_only=True)
class FilmRun:
    """From a frame's arrival to its figure [ms], frames measured a second, and how many were lost."""

    took_ms: list[float]
    each_s: float
    stars: int
    dropped: int


def write_camera(path: Path, *, stars: int) -> None:
    """Write a few seconds that a hand turns to and fro, as a file that a fake camera plays again and again.

    The corner stars are the centre's pictures, so that they cost the meter as much and the world a fifth.
    """
    feed = FEEDS["plain f/2"].feed
    motion = Motion(turns_um=(-40.0, 40.0), leg_s=2.0, rest_um=-40.0, rest_s=0.5)
    frames = [frame.luma for frame in replace(feed, motion=motion).frames(seed=3)]
    random = np.random.default_rng(4)
    paper = int(np.median(frames[0][:4]))
    noise = [_paper(random, paper) for _ in range(4)]
    grey = bytes([128]) * (WIDTH * HEIGHT // 2)
    with path.open("wb") as file:
        file.write(f"YUV4MPEG2 W{WIDTH} H{HEIGHT} F{RATE}:1 Ip A1:1 C420mpeg2\n".encode())
        for number, star in enumerate(frames):
            whole = noise[number % len(noise)].copy()
            places = [((HEIGHT - len(star)) // 2, (WIDTH - len(star)) // 2)]
            places += [(top, left) for left, top in CORNERS] if stars == 5 else []
            for top, left in places:
                whole[top : top + len(star), left : left + len(star)] = star
            file.write(b"FRAME\n" + whole.tobytes() + grey)


def _paper(random: np.random.Generator, paper: int) -> NDArray[np.uint8]:
    return np.clip(random.normal(paper, 1.0, (HEIGHT, WIDTH)), 16, 235).round().astype(np.uint8)


def film(address: str, camera: Path, *, stars: int, seconds: float) -> FilmRun:
    """Open the camera on the page of an open prep, let it settle, and measure for some seconds."""
    from playwright.sync_api import sync_playwright

    fake = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-video-capture={camera}"]
    preps = httpx.get(f"{address}/api/v1/preps", timeout=20).json()["preps"]
    prep_id = next(one["id"] for one in preps if one["state"] == "open")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=FILMING, args=[*FLAGS, *fake])
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        context.grant_permissions(["camera"], origin=address)
        page = context.new_page()
        page.goto(f"{address}/preps/{prep_id}", wait_until="load")
        page.evaluate(WATCH)
        page.locator("#by-picture-key").click()
        page.locator("#feed-pixel").fill(f"{PIXEL_UM:g}")
        page.locator("#feed-fnumber").fill(f"{FNUMBER:g}")
        if stars == 5:
            page.locator("input[name=feed-stars][value='5']").check(force=True)
        page.locator("[data-open-camera]").click()
        page.wait_for_function(
            "(stars) => window.measured.filter((one) => one.stars === stars).length > 50",
            arg=stars,
            timeout=60_000,
        )
        before = page.evaluate(
            "() => { const last = window.measured.at(-1); window.measured = []; return last; }"
        )
        began = time.perf_counter()
        page.wait_for_timeout(1e3 * seconds)
        took_s = time.perf_counter() - began
        measured = page.evaluate("() => window.measured")
        browser.close()
    return FilmRun(
        took_ms=[one["tookMs"] for one in measured],
        each_s=len(measured) / took_s,
        stars=min(one["stars"] for one in measured),
        dropped=measured[-1]["dropped"] - before["dropped"],
    )


def film_lines(place: Path, *, seconds: float) -> list[str]:
    """Film one star and five for so long each, and return the table."""
    Served(str(place / "record"), place / "server.log", "--demo", "--end-without-terminal").process.wait()
    rows = []
    for stars in (1, 5):
        write_camera(place / "camera.y4m", stars=stars)
        server = Served(str(place / "record"), place / "server.log")
        try:
            run = film(server.address, place / "camera.y4m", stars=stars, seconds=seconds)
        finally:
            server.stop()
        took = run.took_ms
        rows.append(
            f"| {stars} ({run.stars} seen throughout) | {percentile(took, 0.5):.0f} | "
            f"**{percentile(took, 0.95):.0f}** | {max(took):.0f} | **{run.each_s:.1f}** | {run.dropped} |"
        )
    return [
        f"A fake camera of {WIDTH} × {HEIGHT} px at {RATE} a second; Chromium, server and meter on one "
        f"machine without a graphics processor; {seconds:.0f} s each.",
        "",
        "| stars | p50, ms | p95, ms | longest, ms | figures a second | lost |",
        "|---|---|---|---|---|---|",
        *rows,
        "",
        "Goal: one star p95 ≤ 60 ms at ≥ 24 a second, five ≤ 180 ms at ≥ 18.",
    ]

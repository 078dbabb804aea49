"""Draw the README's pictures of the pages anew: the invented bench on a tablet, a phone and a laptop."""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

HERE = Path(__file__).resolve().parent
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
QUIET = (
    "--no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)
DEVICES = {
    "tablet": (768, 1024, "dark"),
    "phone": (360, 740, "dark"),
    "laptop": (1440, 900, "light"),
}
"""Name -> width, height [px] and theme."""
SERVE = (
    "import sys, tempfile\n"
    "from shimwise.cli import main\n"
    "sys.stdout.isatty = lambda: True\n"
    "sys.stdin.isatty = lambda: True\n"
    "if __name__ == '__main__':\n"
    "    main(['serve', '--demo', '--port', '0'])\n"
)


def main() -> None:
    """Serve the demo bench, look at its open prep on each device, and keep the pictures."""
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder) / "serve.py"
        script.write_text(SERVE, encoding="utf-8")
        server = subprocess.Popen(  # noqa: S603
            [sys.executable, str(script)], stdout=subprocess.PIPE, text=True
        )
        try:
            draw(_address(server))
        finally:
            server.terminate()
            server.wait(timeout=20)


def draw(address: str) -> None:
    """Keep a picture of the open prep for each device."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET.split())
        for name, (width, height, theme) in DEVICES.items():
            context = browser.new_context(viewport={"width": width, "height": height})
            context.add_cookies([{"name": "shimwise_person", "value": "technician", "url": address}])
            page = context.new_page()
            page.goto(f"{address}/")
            if theme == "light":
                page.get_by_text("Light theme").first.click()
            page.get_by_text("Go on").first.click()
            _wait_for_picture(page)
            page.screenshot(path=HERE / f"prep-{name}.png")
            context.close()
        browser.close()


def _address(server: "subprocess.Popen[str]") -> str:
    for line in server.stdout or ():
        if "http://" in line:
            return line[line.index("http://") :].strip().rstrip("/")
    raise SystemExit("the pages did not start")


def _wait_for_picture(page: Page) -> None:
    page.wait_for_selector("[data-live='rail'] svg", timeout=30_000)
    page.wait_for_timeout(500)


if __name__ == "__main__":
    main()

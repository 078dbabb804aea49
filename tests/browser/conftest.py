"""Pages in a real browser, on a server of their own. Skipped, with the reason, where there is no Chromium."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from browser_bench import CHROMIUM, FLAGS, PATIENCE_MS, Devices, Server, filled
from playwright.sync_api import Browser, Playwright, expect, sync_playwright

from posterior_memo import Memo
from shimwise.inference.verdict import judge

expect.set_options(timeout=PATIENCE_MS)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put these tests last, for the browser's sake, and skip them where there is none."""
    here = Path(__file__).parent
    items.sort(key=lambda item: here in item.path.parents)
    for item in items:
        if here in item.path.parents and not CHROMIUM.exists():
            item.add_marker(
                pytest.mark.skip(
                    reason=f"no Chromium at {CHROMIUM}: install Debian's chromium-headless-shell"
                )
            )


@pytest.fixture(autouse=True)
def _shortly(few_draws: None, few_preps: None) -> None:
    """Sample and plan shortly: these tests ask what a page shows, not how well it is known."""


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory, _drawn: Memo) -> Iterator[Server]:
    """Serve the invented bench; shared, so a test starts a prep of its own to change things.

    Preps with the same readings are judged once in a run of the tests.
    """
    with pytest.MonkeyPatch.context() as patch, Server(filled(tmp_path_factory.mktemp("bench"))) as served:
        patch.setattr(judge, "judge", _drawn.of(judge.judge))
        yield served


@pytest.fixture(scope="session")
def play() -> Iterator[Playwright]:
    """Start Playwright, once for all.

    It keeps an event loop running meanwhile, in which other tests could not start theirs: therefore these
    tests come last.
    """
    with sync_playwright() as play:
        yield play


@pytest.fixture(scope="session")
def browser(play: Playwright) -> Iterator[Browser]:
    """Start one browser for all; each device is a context of its own in it."""
    browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
    yield browser
    browser.close()


@pytest.fixture
def devices(browser: Browser, server: Server) -> Iterator[Devices]:
    """Give devices to open; no script of theirs may fail."""
    opened = Devices(browser, server)
    yield opened
    opened.close()

"""Pages in a real browser, on a server of their own. Skipped, with the reason, where there is no Chromium."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from _pytest.runner import runtestprotocol
from browser_bench import CHROMIUM, FLAGS, PATIENCE_MS, Devices, Server, filled
from playwright.sync_api import Browser, Playwright, expect, sync_playwright

from posterior_memo import Memo
from shimwise.inference.verdict import judge

expect.set_options(timeout=PATIENCE_MS)
HERE = Path(__file__).parent
AGAIN = "tried once more"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put these tests last, for the browser's sake, and skip them where there is none."""
    items.sort(key=lambda item: HERE in item.path.parents)
    for item in items:
        if HERE in item.path.parents and not CHROMIUM.exists():
            item.add_marker(
                pytest.mark.skip(
                    reason=f"no Chromium at {CHROMIUM}: install Debian's chromium-headless-shell"
                )
            )


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Function, nextitem: pytest.Item | None) -> bool | None:
    """Try a test of these once more if it fails: browser, camera and server share a machine in real time.

    A second failure counts; a test that needed it is named at the end of the run.
    """
    if HERE not in item.path.parents:
        return None
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    reports = runtestprotocol(item, nextitem=nextitem, log=False)
    failed = [one for one in reports if one.failed]
    if failed:
        item.user_properties.append((AGAIN, str(failed[0].longrepr).splitlines()[-1]))
        item._initrequest()  # as of a test that was not run yet
        reports = runtestprotocol(item, nextitem=nextitem, log=False)
    for one in reports:
        item.ihook.pytest_runtest_logreport(report=one)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the tests that passed at the second try, with why they failed at the first."""
    passed = terminalreporter.stats.get("passed", [])
    for one in passed:
        for name, why in one.user_properties:
            if name == AGAIN:
                terminalreporter.write_line(f"{AGAIN}: {one.nodeid} ({why})")


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

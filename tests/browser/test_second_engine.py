"""The reading, offline and guide paths in a second engine: Debian's Firefox. Skipped where there is none."""

from collections.abc import Iterator

import pytest
from bidi import FIREFOX, Firefox
from browser_bench import SHORT_WAITS, Devices, Server, at_the_lock
from gate import Gate

pytestmark = pytest.mark.skipif(
    not FIREFOX.exists(), reason=f"no Firefox at {FIREFOX}: install Debian's firefox-esr"
)
READINGS = "document.querySelectorAll('[data-reading-id]').length"
WAITING = "document.querySelector('[data-waiting-count]').textContent"
KEPT = """(async () => {
  const kept = await caches.match(location.pathname, { ignoreVary: true });
  return kept && (await kept.text()).includes("data-reading-id");
})()"""


@pytest.fixture
def gate(server: Server) -> Iterator[Gate]:
    with Gate(server.port) as opened:
        yield opened


def test_readings_offline_and_the_guide_are_as_in_the_first_engine(server: Server, gate: Gate) -> None:
    house = Devices(None, server)
    house.address = gate.address
    prep_id = house.new_prep()
    with Firefox() as page:
        page.before_each_page(SHORT_WAITS)
        page.goto(f"{gate.address}/settings")
        page.evaluate("document.cookie = 'shimwise_person=Reader; path=/'")

        page.goto(f"{gate.address}/preps/{prep_id}")
        page.click("#reading_text")
        page.type("2' 11 7/8\"")
        page.until("/(short|deep) at the sensor/.test(document.getElementById('answer').innerText)")
        page.click(".save")
        page.until("document.querySelector('#answer .saved')")
        page.until(f"{READINGS} === 1")
        page.until(KEPT)

        gate.shut()
        page.click("#reading_text")
        page.type("3'")
        page.click(".save")
        page.until(f"{WAITING} === '1 waiting'")
        page.goto(f"{gate.address}/preps/{prep_id}")
        page.until(f"{WAITING} === '1 waiting' && {READINGS} === 1")
        assert "The server does not answer." in page.until(
            "document.querySelector('[data-old]')?.textContent"
        )
        gate.open()
        page.until(f"{WAITING} === '' && {READINGS} === 2 && !document.querySelector('[data-old]')")
        assert [one["reading_text"] for one in server.readings(prep_id)] == ["2' 11 7/8\"", "3'"]

        page.goto(f"{gate.address}{at_the_lock(house)}")
        assert not page.evaluate("document.getElementById('consent').checkVisibility()")
        page.click("[value=released]")
        page.click("#consent")
        page.type("the owner, by phone")
        page.click("#now [type=submit]")
        page.until("document.querySelector('h1').innerText.startsWith('Mark')")
        page.click("#answer")
        page.type("slot at the top")
        page.click("#now [type=submit]")
        page.until(
            "[...document.querySelectorAll('button')].some((one) => one.innerText === 'Moved as told')"
        )
        assert page.faults == []

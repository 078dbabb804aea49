"""Nothing typed is lost: the server goes, readings wait in the browser, a reload changes nothing."""

import contextlib
import re
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import httpx
import pytest
from browser_bench import SHORT_WAITS, Devices, Server, kept_by_worker
from gate import Gate
from playwright.sync_api import Browser, Page, Route, expect
from sqlalchemy import update

from shimwise.bench.typed_lengths import typed_distance, typed_reading
from shimwise.record.queries import preps, units, verdicts
from shimwise.record.record import Record
from shimwise.record.tables import schema
from shimwise.record.tables.rows import AdjustmentRow, BodyRow
from shimwise.web.pages.view import FOLDER


class OwnDevices(Devices):
    """Devices that reach the server through a gate, which the test shuts and opens."""

    def __init__(self, browser: Browser, server: Server, gate: Gate) -> None:
        super().__init__(browser, server)
        self.gate, self.address = gate, gate.address

    def show(self, prep_id: str, *, has_worker: bool = False, is_phone: bool = False) -> Page:
        """Open a prep on a tablet or a phone whose waits are short; its clock runs as usual."""
        width, height = (360, 740) if is_phone else (768, 1024)
        page = self.open(width, height, is_touch=True, person="Reader", has_worker=has_worker)
        page.context.add_init_script(SHORT_WAITS)
        page.goto(f"/preps/{prep_id}")
        if has_worker:
            kept_by_worker(page, prep_id)
        return page


LATER = "(hours) => { const now = Date.now; Date.now = () => now() + hours * 3600e3; }"
"""The device's clock goes on by some hours, so that what waits is as old."""


@pytest.fixture(scope="module")
def gate(server: Server) -> Iterator[Gate]:
    with Gate(server.port) as opened:
        yield opened


@pytest.fixture
def own(browser: Browser, server: Server, gate: Gate) -> Iterator[OwnDevices]:
    opened = OwnDevices(browser, server, gate)
    yield opened
    gate.open()
    opened.close()


def _enter(page: Page, text: str) -> None:
    page.locator("#reading_text").fill(text)
    page.get_by_role("button", name="Save reading").tap()


def _waiting(page: Page, count: int) -> None:
    expect(page.locator("[data-waiting-count]")).to_have_text(f"{count} waiting" if count else "")


def _sent(page: Page, own: Devices, prep_id: str, *texts: str) -> None:
    """Wait until the server has these readings, each once: a page that has just opened shows no count yet."""
    found: list[object] = []
    for _ in range(200):
        found = _texts(own, prep_id)
        if len(found) >= len(texts):
            break
        page.wait_for_timeout(50)
    assert found == list(texts)


def _texts(own: Devices, prep_id: str) -> list[object]:
    return [one["reading_text"] for one in own.server.readings(prep_id)]


def _kept_readings(page: Page, count: int) -> None:
    """Wait until the page that is kept holds as many readings, and a sentence that speaks of them."""
    page.evaluate(
        """async (count) => {
          const kept = async () => (await caches.match(location.pathname, { ignoreVary: true })).text();
          const isThere = (text) => text.split("data-reading-id=").length - 1 === count
            && !text.includes("Nothing is read yet");
          while (!isThere(await kept())) await new Promise((done) => setTimeout(done, 20));
        }""",
        count,
    )


def test_readings_wait_while_the_server_is_gone_and_are_sent_once_in_order(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id, has_worker=True)
    _enter(page, "2' 11 7/8\"")
    expect(page.locator("#answer .saved")).to_be_visible()
    _waiting(page, 0)
    _kept_readings(page, 1)

    own.gate.shut()
    for count, text in enumerate(("3'", "3' 1/16\"", "3' 1/8\""), 1):
        _enter(page, text)
        _waiting(page, count)
        expect(page.locator("#reading_text")).to_have_value("")
        expect(page.locator("[data-kept-note]")).to_contain_text(f"reads {text}. It is sent")
    expect(page.locator("[data-waiting-list] li")).to_have_count(3)
    expect(page.locator("[data-waiting-list]")).to_contain_text("3' 1/16\"")

    page.reload()
    _waiting(page, 3)
    assert page.evaluate("() => document.body.classList.contains('has-script')")
    expect(page.locator("#reading_text")).to_have_value("")  # it would be saved twice
    # The page that is kept says that it is old, and holds what was saved since it was opened.
    expect(page.locator("[data-old]")).to_contain_text(
        re.compile(r"does not answer.* as it was at \d\d:\d\d\.")
    )
    expect(page.locator("[data-reading-id]")).to_contain_text("2' 11 7/8\"")
    expect(page.locator("h1")).not_to_contain_text("Nothing is read yet")
    expect(page.locator("#answer")).not_to_contain_text("Saved")
    expect(page.locator("#verdict")).not_to_contain_text("Being worked out")
    _enter(page, "2' 11 3/4\"")
    _waiting(page, 4)

    own.gate.open()
    _waiting(page, 0)
    expect(page.locator("[data-old]")).to_have_count(0)
    assert _texts(own, prep_id) == ["2' 11 7/8\"", "3'", "3' 1/16\"", "3' 1/8\"", "2' 11 3/4\""]
    expect(page.locator("[data-reading-id]")).to_have_count(5)
    assert len({one["id"] for one in own.server.readings(prep_id)}) == 5


def test_readings_wait_while_the_network_is_gone_with_the_time_at_which_they_were_entered(
    own: OwnDevices,
) -> None:
    prep_id = own.new_prep()
    _begin_earlier(own, prep_id)
    page = own.show(prep_id, is_phone=True)
    page.context.set_offline(True)
    _enter(page, "3'")
    _waiting(page, 1)
    entered = datetime.now(UTC)
    assert own.server.readings(prep_id) == []
    page.evaluate(LATER, 2)
    page.context.set_offline(False)
    _waiting(page, 0)
    (kept,) = own.server.readings(prep_id)
    assert kept["reading_text"] == "3'"
    taken = datetime.fromisoformat(str(kept["taken_at"])) + timedelta(hours=2)
    assert abs(taken - entered) < timedelta(seconds=20)


def test_all_windows_show_what_waits_and_that_it_was_sent(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    other = page.context.new_page()
    other.goto("/bodies")
    page.route("**/readings", lambda route: route.abort("connectionrefused"))
    _enter(page, "3'")
    _waiting(page, 1)
    _waiting(other, 1)
    expect(other.locator("[data-waiting-list]")).to_contain_text("reads 3'")
    page.bring_to_front()
    other.evaluate("() => dispatchEvent(new Event('online'))")
    _waiting(other, 0)
    _waiting(page, 0)
    expect(page.locator("[data-kept-note]")).to_contain_text("Sent: ")
    assert _texts(own, prep_id) == ["3'"]


def test_a_reading_that_lands_beyond_everything_is_asked_about_after_its_wait_and_never_lost(
    own: OwnDevices,
) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    page.context.set_offline(True)
    _enter(page, "30'")
    _enter(page, "3'")
    _waiting(page, 2)
    page.context.set_offline(False)
    expect(page.locator("[data-waiting-count]")).to_have_text("1 to look at")
    asked = page.locator("#entry li[data-state=asked]")  # at the pad, not at the head of a long page
    expect(asked).to_contain_text("reads 30'. It would land")
    expect(asked).to_contain_text("Is the figure right?")
    assert _texts(own, prep_id) == ["3'"]
    page.reload()
    asked.get_by_role("button", name="It is right: save it").tap()
    expect(page.locator("[data-waiting-count]")).to_have_text("")
    assert _texts(own, prep_id) == ["3'", "30'"]


def test_a_reading_refused_after_its_wait_is_shown_for_correction_and_not_dropped(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    page.context.set_offline(True)
    _enter(page, "2' 11 7/4\"")
    _enter(page, "3'")
    _waiting(page, 2)
    page.context.set_offline(False)
    expect(page.locator("[data-waiting-count]")).to_have_text("1 not taken")
    refused = page.locator("#entry li[data-state=refused]")
    expect(refused).to_contain_text("2' 11 7/4\"")
    expect(refused).to_contain_text("is no length")
    page.reload()
    expect(refused).to_contain_text("2' 11 7/4\"")

    refused.get_by_role("button", name="Correct it").tap()
    expect(page.locator("#reading_text")).to_have_value("2' 11 7/4\"")
    _enter(page, "2' 11 3/4\"")
    expect(page.locator("[data-waiting-count]")).to_have_text("")
    assert _texts(own, prep_id) == ["3'", "2' 11 3/4\""]


def test_an_answer_that_was_lost_makes_no_second_reading(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    lost = []

    def lose_answer(route: Route) -> None:
        lost.append(route.fetch().status)  # the server has it …
        route.abort("connectionreset")  # … and the browser never hears so

    page.route(f"**/preps/{prep_id}/readings", lose_answer, times=1)
    _enter(page, "3'")
    _waiting(page, 0)
    expect(page.locator("[data-reading-id]")).to_have_count(1)
    assert lost in ([200], [201])
    assert len(own.server.readings(prep_id)) == 1


def test_a_save_pressed_twice_at_once_while_the_server_is_away_is_one_reading(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    page.route(f"**/preps/{prep_id}/readings", lambda route: route.abort("connectionrefused"))
    page.locator("#reading_text").fill("3'")
    page.evaluate("() => { for (const _ of [1, 2]) document.getElementById('read-form').requestSubmit(); }")
    _waiting(page, 1)
    page.unroute_all()
    page.reload()  # what was on its way when the page went is sent again
    _waiting(page, 0)
    page.reload()
    expect(page.locator("[data-reading-id]")).to_have_count(1)
    assert len(own.server.readings(prep_id)) == 1


def test_a_window_that_may_not_send_leaves_the_lease_of_the_one_that_does(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    # As over plain http beyond this machine, where a browser has no locks.
    page.add_init_script("Object.defineProperty(navigator, 'locks', { value: undefined })")
    page.reload()
    _waiting(page, 0)
    # How often the lease is looked at is counted: each try to send looks once.
    page.evaluate(
        """() => {
          localStorage.setItem("shimwise-sending", String(Date.now() + 20000));
          window.looks = 0;
          const get = Storage.prototype.getItem;
          Storage.prototype.getItem = function (key) {
            window.looks += key === "shimwise-sending";
            return get.call(this, key);
          };
        }"""
    )
    page.context.set_offline(True)
    _enter(page, "3'")
    _waiting(page, 1)
    page.context.set_offline(False)
    page.evaluate("() => { window.looks = 0; }")
    page.wait_for_function("() => window.looks >= 2")
    assert page.evaluate("() => localStorage.getItem('shimwise-sending')") is not None
    assert own.server.readings(prep_id) == []
    page.evaluate("() => localStorage.removeItem('shimwise-sending')")
    _waiting(page, 0)
    assert len(own.server.readings(prep_id)) == 1


def test_a_reading_that_waited_across_an_adjustment_is_not_taken_and_stays_on_the_device(
    own: OwnDevices,
) -> None:
    prep_id = own.new_prep(body_id=own.new_body())
    _begin_earlier(own, prep_id)
    page = own.show(prep_id)
    page.context.set_offline(True)
    _enter(page, "3'")
    _waiting(page, 1)
    page.evaluate(LATER, 1)
    _adjust_body(own, prep_id)
    page.context.set_offline(False)
    kept = page.locator("#entry li")
    expect(kept).to_contain_text("was adjusted after this was read and before it arrived")
    expect(kept).to_contain_text("read it again")
    assert own.server.readings(prep_id) == []


def _begin_earlier(own: Devices, prep_id: str) -> None:
    """Have the prep begun yesterday: no reading is older than its prep."""
    with Record.open(own.server.data) as record, record.writing(who="test") as change:
        earlier = change.at - timedelta(days=1)
        table = schema.preps
        change.connection.execute(update(table).where(table.c.id == prep_id).values(started_at=earlier))


def _adjust_body(own: Devices, prep_id: str) -> None:
    """Keep an adjustment of the prep's body, as another device would."""
    with Record.open(own.server.data) as record, record.writing(who="test") as change:
        body = units.unit(change.connection, BodyRow, preps.prep(change.connection, prep_id).body_ids[0])
        moved = AdjustmentRow(
            id=uuid.uuid4().hex,
            unit_kind="body",
            unit_id=body.id,
            epoch_before=body.epoch,
            epoch_after=body.epoch + 1,
            action="screw",
            made_by="test",
            made_at=change.at,
        )
        verdicts.add_adjustment(change, moved)


def test_a_reading_refused_at_once_is_kept_with_the_words_of_the_refusal(own: OwnDevices) -> None:
    page = own.show(own.new_prep())
    words = "H50 was adjusted after this was read and before it arrived."
    answer = f'<div role="alert"><p>{words}</p></div>'
    page.route("**/readings", lambda route: route.fulfill(status=409, content_type="text/html", body=answer))
    _enter(page, "3'")
    expect(page.locator("[data-waiting-list]")).to_contain_text(words)


def test_a_prep_opens_again_while_the_server_hangs_without_an_answer(own: OwnDevices) -> None:
    page = own.show(own.new_prep(), has_worker=True)
    # The worker's patience, a tenth as long.
    page.context.service_workers[0].evaluate(
        "() => { const wait = setTimeout; self.setTimeout = (act, ms) => wait(act, ms / 10); }"
    )
    own.gate.hold()
    page.reload(wait_until="domcontentloaded")
    expect(page.locator("#read-form")).to_be_visible()
    expect(page.locator("[data-old]")).to_contain_text("The server does not answer.")


def test_a_page_that_finds_no_room_is_shown_and_what_was_kept_before_stays(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id, has_worker=True)
    page.context.service_workers[0].evaluate(
        """() => {
          Cache.prototype.put = async () => { throw new DOMException("full", "QuotaExceededError"); };
        }"""
    )
    page.reload()
    expect(page.locator("[data-prep-id][data-live=on]")).to_be_attached()
    expect(page.locator("[data-old]")).to_have_count(0)
    own.gate.shut()
    page.reload()
    expect(page.locator("#read-form")).to_be_visible()


def test_a_page_is_kept_also_while_a_newer_one_takes_its_place(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id, has_worker=True)
    page.context.service_workers[0].evaluate(
        """() => {
          const put = Cache.prototype.put;
          Cache.prototype.put = async function (key, answer) {
            if (typeof key === "string") await new Promise((go) => { self.goOn = go; });
            return put.call(this, key, answer);
          };
        }"""
    )
    page.goto(f"/preps/{prep_id}", wait_until="domcontentloaded", timeout=8000)
    own.gate.shut()
    page.reload()
    expect(page.locator("#read-form")).to_be_visible()


def test_a_page_out_of_sight_holds_no_line_to_the_server(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    live = page.locator("[data-prep-id][data-live]")
    expect(live).to_have_attribute("data-live", "on")
    see = (
        "state => { Object.defineProperty(document, 'visibilityState', { value: state, configurable: true });"
    )
    see += " document.dispatchEvent(new Event('visibilitychange')); }"
    page.evaluate(see, "hidden")
    expect(live).to_have_attribute("data-live", "rests")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    own.add_reading(prep_id)
    page.wait_for_timeout(400)
    assert asked == []
    page.evaluate(see, "visible")
    expect(page.locator("[data-reading-id]")).to_have_count(1)


def test_the_worker_keeps_nothing_of_the_interface(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id, has_worker=True)
    page.evaluate("() => fetch('/api/v1/preps').then((answer) => answer.text())")
    kept = page.evaluate(
        "async () => (await Promise.all((await caches.keys()).map(async (name) => "
        "(await (await caches.open(name)).keys()).map((one) => new URL(one.url).pathname)))).flat()"
    )
    assert f"/preps/{prep_id}" in kept
    assert all(path == f"/preps/{prep_id}" or path.startswith("/static/") for path in kept)


def test_the_next_reading_saved_while_one_is_on_its_way_is_kept_behind_it(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    held: list[Route] = []
    page.route(f"**/preps/{prep_id}/readings", lambda route: held.append(route), times=1)  # noqa: PLW0108
    _enter(page, "3'")
    while not held:
        page.wait_for_timeout(5)
    _enter(page, "3' 1/8\"")
    _waiting(page, 1)
    held[0].continue_()
    _waiting(page, 0)
    page.reload()
    expect(page.locator("[data-reading-id]")).to_have_count(2)
    assert [one["reading_text"] for one in own.server.readings(prep_id)] == ["3'", "3' 1/8\""]


def test_a_reading_typed_while_another_device_closes_the_prep_is_not_dropped(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id)
    page.locator("#reading_text").fill("3' 1/8\"")
    closed = httpx.post(f"{own.address}/api/v1/preps/{prep_id}/close", json={"who": "test"})
    assert closed.status_code == 200, closed.text
    page.get_by_role("button", name="Save reading").tap()
    refused = page.locator("[data-waiting-list] li[data-state=refused]")
    expect(refused).to_contain_text("3' 1/8\"")
    expect(refused).to_contain_text("was closed or signed meanwhile")


def test_what_stands_under_the_reading_is_of_what_is_typed_now_also_without_the_server(
    own: OwnDevices,
) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id, is_phone=True)
    _enter(page, "3'")
    answer, note = page.locator("#answer"), page.locator("[data-kept-note]")
    expect(answer).to_contain_text("Saved.")
    page.context.set_offline(True)
    page.locator(".pad:not([hidden]) [data-key='2']").tap()
    expect(answer).not_to_contain_text("Saved.")
    expect(answer).to_have_text("Its landing shows when the server answers.")
    _enter(page, "3' 1/8\"")
    expect(note).to_contain_text("Kept on this device")
    expect(answer).to_have_text("")
    page.context.set_offline(False)
    expect(note).to_contain_text(re.compile(r"^Sent: .* reads 3' 1/8\", lands \d+ µm deep\.$"))
    page.locator(".pad:not([hidden]) [data-key='2']").tap()
    expect(note).to_have_count(0)


def test_a_verdict_is_not_said_to_be_on_its_way_while_the_server_is_away(own: OwnDevices) -> None:
    page = own.show(own.new_prep(count=1))
    expect(page.locator("#verdict [data-pending]")).to_have_count(0)  # its own answer would come in between
    assert " data-pending hx-get=" in (FOLDER / "prep/verdict.html").read_text(encoding="utf-8")
    asks = 'data-pending hx-get="/preps/x/verdict?tries=1" hx-trigger="load" hx-target="#verdict"'
    answer = f'<p class="pending small" {asks}>Being worked out again…</p>'
    page.route("**/verdict", lambda route: route.fulfill(content_type="text/html", body=answer))
    page.route("**/verdict?tries=*", lambda route: route.abort("connectionrefused"))
    line = page.locator("#verdict [data-pending]")
    for _ in range(5):  # what the page hears of meanwhile may draw it anew: then it is asked once more
        page.evaluate("() => htmx.trigger('#verdict', 'shimwise:refresh')")
        with contextlib.suppress(AssertionError):
            expect(line).to_contain_text("when the server answers", timeout=5000)
            break
    expect(line).to_contain_text("when the server answers")
    page.unroute_all()
    page.evaluate("() => document.dispatchEvent(new CustomEvent('shimwise:back'))")
    expect(line).to_have_count(0)
    expect(page.locator("#verdict h1")).to_be_visible()


def test_a_landing_that_could_not_be_told_is_told_when_the_server_answers(own: OwnDevices) -> None:
    page = own.show(own.new_prep())
    expect(page.locator("[data-prep-id][data-live=on]")).to_be_attached()
    own.gate.shut()
    page.locator("#reading_text").fill("3' 1/8\"")
    expect(page.locator("#answer")).to_have_text("Its landing shows when the server answers.")
    own.gate.open()
    expect(page.locator("#answer")).to_contain_text("deep at the sensor")


def test_what_has_not_the_form_of_a_reading_does_not_wait_but_is_told_at_the_field(own: OwnDevices) -> None:
    page = own.show(own.new_prep(), is_phone=True)
    page.context.set_offline(True)
    for text in ("rubbish", "3", "", "2' 11 furlongs", "short by", "one foot", "-3'"):
        _enter(page, text)
        expect(page.locator("#answer .wrong")).to_contain_text("where the scale stands, such as 2' 11 1/2\"")
        expect(page.locator("#reading_text")).to_be_focused()
        expect(page.locator("#reading_text")).to_have_value(text)
        _waiting(page, 0)


def test_without_the_server_a_reading_without_a_distance_does_not_wait_either(own: OwnDevices) -> None:
    page = own.show(own.new_prep(taped=()), is_phone=True)
    page.route("**/readings", lambda route: route.abort("connectionrefused"))
    _enter(page, "3'")
    # Said by the form's own check, or by what is told while one types, whichever comes last.
    said = re.compile("Type the taped distance|Nothing is typed yet")
    expect(page.locator("#distance_text-wrong")).to_contain_text(said)
    expect(page.locator("#distance_text")).to_be_focused()
    _waiting(page, 0)
    page.locator("[data-distance-key]").first.tap()
    page.get_by_role("button", name="Save reading").tap()
    _waiting(page, 1)


WRITTEN = (
    *("3'", "2' 11 1/2\"", "35.5 in", "2-11.5", "914 mm", "91,4 cm", "1.83 m", "INF", "inf.", "∞", "on"),
    *("On the mark", 'short by 1/4"', "deep 5 mm", "2′ 11½″", "3 ft 2 inches", "½ in", "10,5 metres"),
    *("３ ft", "2' - 3\"", "2 feet and 3 in", ".5 m", "2'' ", "914㎜"),
)


def test_all_that_the_server_reads_has_the_form_that_the_browser_looks_for(own: OwnDevices) -> None:
    taped = typed_distance("3'")
    for text in WRITTEN:
        assert typed_reading(text, distance=taped).mm > 0
    page = own.show(own.new_prep())
    refused = page.evaluate(
        """texts => texts.filter(text => !document.getElementById("read-form").dispatchEvent(
          new CustomEvent("shimwise:check", { bubbles: true, cancelable: true,
            detail: { reading_text: text, setup_id: "x", operator: "x" } })))""",
        [*WRITTEN, "rubbish"],
    )
    assert refused == ["rubbish"]


def test_a_page_that_is_not_kept_says_so_lists_what_waits_and_goes_on_by_itself(own: OwnDevices) -> None:
    prep_id = own.new_prep()
    page = own.show(prep_id, has_worker=True, is_phone=True)
    own.gate.shut()
    _enter(page, "3' 1/16\"")
    _waiting(page, 1)
    page.goto("/bodies")
    expect(page.get_by_role("heading", name="The server does not answer.")).to_be_visible()
    ground = page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    assert ground == "rgb(17, 22, 27)"  # the ink of pages.css, #11161b
    expect(page.locator("[data-waiting-list] li")).to_contain_text("reads 3' 1/16\"")
    expect(page.get_by_role("link", name="Try again")).to_have_attribute("href", "/bodies")
    expect(page.get_by_role("link", name="A test's own, as it was last seen")).to_be_visible()
    own.gate.open()
    expect(page).to_have_title("Bodies · Shimwise")
    _sent(page, own, prep_id, "3' 1/16\"")
    _waiting(page, 0)

"""Every page in both themes, looked at by axe-core: no serious violation of WCAG 2.1 A and AA."""

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from browser_bench import Devices

SERIOUS = ("serious", "critical")
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}}
PAGES = (
    "/",
    "/bodies",
    "/lenses",
    "/sets",
    "/charts",
    "/optics",
    "/plan",
    "/settings",
    "/house-list",
    "/label",
)


def _paths(devices: Devices) -> list[str]:
    """Give every page: the fixed ones, and one of each kind of thing."""
    with httpx.Client(base_url=devices.server.address, timeout=10) as client:
        found = list(PAGES)
        for kind in ("bodies", "lenses", "sets"):
            first = client.get(f"/api/v1/{kind}").json()[kind][0]["id"]
            found += [f"/{kind}/{first}", f"/{kind}/new", f"/{kind}/{first}/edit"]
        found += [f"/preps/{one['id']}" for one in client.get("/api/v1/preps").json()["preps"]]
        return [path for path in found if client.get(path).status_code == 200]


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_no_page_holds_a_serious_violation(devices: Devices, theme: str) -> None:
    page = devices.open(768, 1024, is_touch=False, theme=theme, person="Reader")
    axe, wrong, seen = Axe(), [], 0
    for path in _paths(devices):
        page.goto(path, wait_until="load")
        if path.startswith("/preps/"):
            page.wait_for_selector("#rail figure, #rail .picture-waits:not([role=status])")
        seen += 1
        wrong += [
            f"{path}: {found['id']} ({found['impact']}) {found['help']}: {found['nodes'][0]['html'][:160]}"
            for found in axe.run(page, options=RULES).response["violations"]
            if found["impact"] in SERIOUS
        ]
    assert seen >= len(PAGES)
    assert wrong == []

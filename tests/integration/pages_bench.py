"""A body that is out, on the invented bench, and what pages are sent."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from api_house import WHO, Door
from pages_house import PageSeen, opened_pages

if TYPE_CHECKING:
    from httpx import Response

__all__ = ["SCRIPT", "adjusting_at", "furnished", "sent", "short_prep"]

SCRIPT = {"HX-Request": "true"}
SCREW = {
    "kind": "screw",
    "um_per_turn": 400.0,
    "um_per_turn_sd": 4.0,
    "away": "clockwise",
    "backlash_um": 1.0,
}


@contextmanager
def furnished(folder: Path) -> Iterator[Door]:
    """Open pages over the invented house; redirects are looked at, not followed."""
    with opened_pages(folder, is_furnished=True) as door:
        door.client.follow_redirects = False
        yield door


def short_prep(door: Door, *, value_um: float = -20.0) -> str:
    """A prep whose body has a screw, and a good gauge that finds it short (or true)."""
    body_id = door.ids["A-01"]
    door.put(f"/bodies/{body_id}", 200, name="A-01", mount="PL", mechanism=SCREW, who=WHO)
    prep_id = str(door.start(set_id=None, lens_ids=[door.ids["H35"], door.ids["H50"]])["id"])
    gauge = {"unit_kind": "body", "unit_id": body_id, "value_um": value_um, "sd_um": 1.5, "who": WHO}
    door.post(f"/preps/{prep_id}/gauges", 201, **gauge)
    for lens, text in (("H35", 'short by 5/16"'), ("H50", 'short by 3/16"')):
        door.read(prep_id, text if value_um < -5 else "on", lens_id=door.ids[lens])
    door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    return prep_id


def sent(door: Door, path: str, status: int = 303, *, is_scripted: bool = False, **fields: str) -> "Response":
    """Send a form under the tester's name."""
    answer: Response = door.client.post(
        path, data={"who": WHO, **fields}, headers=SCRIPT if is_scripted else {}
    )
    assert answer.status_code == status, (path, answer.status_code, PageSeen(answer.text).text[:900])
    return answer


def adjusting_at(door: Door, prep_id: str) -> str:
    """Begin the adjustment of the body; gives the address of its page."""
    unit = f"body:{door.ids['A-01']}"
    return str(sent(door, f"/preps/{prep_id}/adjust", unit=unit).headers["location"])

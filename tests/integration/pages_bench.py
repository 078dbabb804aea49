"""A body that is out, on the invented bench, and what pages are sent."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import api_house
from api_house import WHO, Door
from pages_house import PageSeen, opened_pages

if TYPE_CHECKING:
    from httpx import Response

__all__ = ["SCRIPT", "adjusting_at", "furnished", "sent", "short_prep"]

SCRIPT = {"HX-Request": "true"}


@contextmanager
def furnished(folder: Path, *, short_um: float | None = None) -> Iterator[Door]:
    """Open pages over the invented house; redirects are looked at, not followed."""
    with opened_pages(folder, is_furnished=True, short_um=short_um) as door:
        door.client.follow_redirects = False
        yield door


def short_prep(door: Door, *, value_um: float = -20.0) -> str:
    """Start a prep as :func:`api_house.short_prep`, and judge it; return its id."""
    prep_id = api_house.short_prep(door, value_um=value_um)
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

"""The pages over the invented bench, walked without a browser: addresses, forms and what a page holds."""

from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path

from api_house import Door, opened_door

__all__ = ["PageSeen", "opened_pages", "see"]


@contextmanager
def opened_pages(
    folder: Path, *, is_furnished: bool = False, short_um: float | None = None
) -> Iterator[Door]:
    """Open interface and pages over a record in a folder, without a judge, as :func:`opened_door`."""
    with opened_door(folder, has_pages=True, is_furnished=is_furnished, short_um=short_um) as door:
        yield door


class PageSeen(HTMLParser):
    """What a page holds: links, headings, controls with their labels, and what has no place in it."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.headings: list[tuple[int, str]] = []
        self.ids: list[str] = []
        self.labels: set[str] = set()
        self.controls: list[tuple[str, bool]] = []
        self.forbidden: list[str] = []
        self.regions: list[str] = []
        self.text = ""
        self._label_depth = 0
        self._heading = 0
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        if "style" in found or tag == "style" or (tag == "script" and "src" not in found):
            self.forbidden.append(self.get_starttag_text() or tag)
        self.forbidden += [name for name in found if name.startswith("on")]
        if "id" in found:
            self.ids.append(found["id"])
        if tag == "a" and found.get("href", "").startswith("/"):
            self.links.append(found["href"].split("#")[0])
        if found.get("hx-get"):
            self.links.append(found["hx-get"])
        if "data-live" in found:
            self.regions.append(found["data-live"])
        if tag == "label":
            self._label_depth += 1
            self.labels.add(found.get("for", ""))
        if tag in ("input", "select", "textarea") and found.get("type") != "hidden":
            is_named = self._label_depth > 0 or "aria-label" in found
            self.controls.append((found.get("id", ""), is_named))
        if tag in ("h1", "h2", "h3", "h4"):
            self._heading = int(tag[1])
            self.headings.append((self._heading, ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "label":
            self._label_depth -= 1
        if tag in ("h1", "h2", "h3", "h4"):
            self._heading = 0

    def handle_data(self, data: str) -> None:
        self.text += data
        if self._heading:
            level, words = self.headings[-1]
            self.headings[-1] = (level, words + data)

    @property
    def sentence(self) -> str:
        """The page's first words, with plain spaces."""
        return " ".join(next(words for level, words in self.headings if level == 1).split())

    @property
    def unlabelled(self) -> list[str]:
        """Controls that no label names."""
        return [
            key for key, is_named in self.controls if not is_named and (not key or key not in self.labels)
        ]


def see(door: Door, path: str, status: int = 200, **headers: str) -> PageSeen:
    """Ask for a page and look at it."""
    answer = door.client.get(path, headers=headers)
    assert answer.status_code == status, (path, answer.status_code, answer.text[:300])
    assert "text/html" in answer.headers["content-type"]
    return PageSeen(answer.text)

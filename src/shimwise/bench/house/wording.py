"""What the steps below say of the kit file, in the words of a house whose units have pages."""

from collections.abc import Iterable, Mapping
from typing import Any

__all__ = ["in_house_document", "in_house_words"]

_WORDS = (
    (
        "Write it in the kit file, and ask again: until",
        "Write it on the body's page, under How it is adjusted, and judge again: until",
    ),
    ("The kit says that this sensor has no lock", "This sensor is said to have no lock"),
    (
        "Write what was learned in the kit file, and reckon",
        "Write what was learned on the body's page, under How it is adjusted, and reckon",
    ),
    (
        "Take the table out of the kit, or name the lens once for each focal length.",
        "Take the table away from the lens, or keep the lens once for each focal length.",
    ),
    (
        "A by_distance table in the kit removes it.",
        "A table of its focal length by distance removes it; the interface takes one, as by_distance.",
    ),
    ("beyond its by_distance table", "beyond its table of focal lengths by distance"),
    ("Add the distance to the kit.", "Add the distance to the table."),
    (
        "Give principal_separation_mm to remove it.",
        "Give Principal planes apart on the lens's page to remove it.",
    ),
    (
        ", in the kit or in the readings, at distances beyond its near limit.",
        " on its page, at distances beyond its near limit.",
    ),
)


def in_house_words(text: str) -> str:
    """Say where a unit's page has what the kit file has; other texts stay as they are."""
    for of_kit, of_house in _WORDS:
        text = text.replace(of_kit, of_house)
    return text


def in_house_document(document: Mapping[str, Any]) -> dict[str, Any]:
    """Give a verdict's document with its warnings and remedies in the words of a house."""
    return {
        **document,
        "warnings": _each(document["warnings"]),
        "remedies": [
            {
                **one,
                "text": in_house_words(one["text"]),
                "steps": _each(one["steps"]),
                "cautions": _each(one["cautions"]),
            }
            for one in document["remedies"]
        ],
    }


def _each(texts: Iterable[str]) -> list[str]:
    return [in_house_words(text) for text in texts]

"""Where two prep documents differ, in plain sentences: the one in a file, and what was signed."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from shimwise.sheets.papers.signed.canonical_json import signed_part
from shimwise.sheets.words.shared import plain

MOST = 6
"""Most differences in sentences; of more, their number."""
LONGEST = 40
ROWS = {
    "bodies": "Body",
    "lenses": "Lens",
    "setups": "Set-up",
    "readings": "Reading",
    "gauges": "Gauge",
    "sweeps": "Sweep",
    "adjustments": "Adjustment",
    "verdicts": "Verdict",
    "sign_offs": "Signature",
}
TYPED = {"reading_mm": "reading_text", "distance_mm": "distance_text"}
"""A length is shown as it was typed; the number that it means only if the text is the same."""
WORDS = {"reading_text": "reading", "distance_text": "distance", "fnumber": "f-number", "stop": "T-stop"}
UNITS = {"c": "°C", "mm": "mm", "um": "µm"}
TOO_LONG = ("document", "result", "detail", "steps")
"""Fields too long to show: only that they differ."""


def differences(document: Mapping[str, Any], signed: Mapping[str, Any]) -> tuple[str, ...]:
    """Return where the signed part of a document differs from what was signed.

    Parameters
    ----------
    document : mapping
        A prep document, ``shimwise.prep/1``.
    signed : mapping
        What was signed.

    Returns
    -------
    tuple of str
        At most seven sentences; empty if they agree.
    """
    found = list(_differences(signed_part(document), signed))
    if len(found) > MOST:
        found[MOST:] = [f"And {len(found) - MOST} more."]
    return tuple(found)


def _differences(found: Mapping[str, Any], signed: Mapping[str, Any]) -> Iterator[str]:
    for key in sorted({*found, *signed}, key=lambda key: (key in ROWS, key)):
        here, then = found.get(key), signed.get(key)
        if here == then:
            continue
        if key in ROWS:
            yield from _rows(ROWS[key], here or (), then or ())
        elif isinstance(here, Mapping) and isinstance(then, Mapping):
            yield from _fields(key.capitalize(), here, then)
        else:
            yield f"{key.capitalize()} is another."


def _rows(
    word: str, found: Sequence[Mapping[str, Any]], signed: Sequence[Mapping[str, Any]]
) -> Iterator[str]:
    here, then = ({str(row.get("id")): row for row in rows} for rows in (found, signed))
    if len(here) != len(found) or (here.keys() == then.keys() and list(here) != list(then)):
        yield f"{word}s are there twice, or in another order."
    for number, (key, row) in enumerate(then.items(), 1):
        name = _name(word, row, number)
        if key not in here:
            yield f"{name} is missing."
        elif here[key] != row:
            yield from _fields(name, here[key], row)
    for number, (key, row) in enumerate(here.items(), 1):
        if key not in then:
            yield f"{_name(word, row, number)} was added."


def _name(word: str, row: Mapping[str, Any], number: int) -> str:
    if word in ("Verdict", "Signature"):
        return word
    return f"{word} {plain(_short(row.get('name') or row.get('seq') or number))}"


def _fields(name: str, found: Mapping[str, Any], signed: Mapping[str, Any]) -> Iterator[str]:
    differing = [key for key in sorted({*found, *signed}) if found.get(key) != signed.get(key)]
    for key in differing:
        if TYPED.get(key) in differing:
            continue
        word = WORDS.get(key) or _word(key)
        if key in TOO_LONG:
            yield f"{name}: its {word} is another."
        else:
            here, then = _shown(found.get(key)), _shown(signed.get(key))
            yield f"{name}: its {word} is {here}; as signed it is {then}."


def _word(key: str) -> str:
    """Return the name of a field in words: ``temperature_c`` is its temperature (°C)."""
    stem, _, unit = key.rpartition("_")
    return f"{stem.replace('_', ' ')} ({UNITS[unit]})" if unit in UNITS else key.replace("_", " ")


def _shown(value: object) -> str:
    if value is None or value == "":
        return "empty"
    return f"“{plain(_short(value))}”" if isinstance(value, str) else plain(_short(value))


def _short(value: object) -> str:
    text = str(value)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"

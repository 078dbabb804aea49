"""Damage: of bytes, of numbers and words in a text, of values in JSON, of what is packed."""

import gzip
import hashlib
import json
import random
import re
from collections.abc import Callable, Sequence
from typing import Any

__all__ = ["damaged"]

NUMBERS = (
    *(b"0", b"-1", b"1e308", b"-1e400", b"2147483648", b"9223372036854775808", b"nan", b"inf", b"1e-320"),
    *(b"9" * 400, b"0x10", b"1_0", b"\xd9\xa3", b"00", b"+5", b"1.5.2", b"-0"),
)
WORDS = (
    *(
        b"",
        b"\0",
        b'"',
        b"'",
        b",",
        b"\n",
        b"\r",
        b"[" * 3000,
        b"{" * 3000,
        b"a." * 20_000,
        b"=1+1",
        b"\xff\xfe",
    ),
    *(
        b"\xef\xbb\xbf",
        "\u202e".encode(),
        "\u0430".encode(),
        b"\xed\xa0\x80",
        b"<script>",
        b"../../x",
        b"%s%n",
        b"x" * 70_000,
    ),
    *(b"null", b"true", b"\\u0000", b"\\ud800", b"endobj", b"stream", b"<<", b">>", b"/JavaScript", b"obj"),
)
VALUES: tuple[Any, ...] = (
    *(
        None,
        True,
        False,
        0,
        -1,
        1.5,
        1e308,
        -0.0,
        2**63,
        10**400,
        "",
        "\0",
        "5",
        "\ud800",
        "x" * 70_000,
        "=1+1",
    ),
    *([], {}, [[]], [None], {"": None}, [0] * 5000, "2026-13-45T99:00:00Z", "0" * 32, "../x", "\u202e"),
)
WORDS_32 = (0, 1, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
DEEP = 5000
_NUMBER = re.compile(rb"\d+(?:\.\d+)?")
Mutation = Callable[[bytes, random.Random, Sequence[bytes]], bytes]


def damaged(seeds: Sequence[bytes], chance: random.Random) -> bytes:
    """Return one of the inputs with one to five damages."""
    data = chance.choice(seeds)
    if data[:2] == b"\x1f\x8b" and chance.random() < 0.7:
        return _repacked(data, chance, seeds)
    if data.lstrip()[:1] in (b"{", b"[") and chance.random() < 0.6:
        return _of_json(data, chance)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 5))):
        data = chance.choice(_OF_BYTES)(data, chance, seeds)
    return data


def _place(data: bytes, chance: random.Random) -> int:
    """A place in it: often near its beginning, where headers are."""
    return chance.randrange(min(len(data), 400) if chance.random() < 0.4 else len(data)) if data else 0


def _flipped(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    out = bytearray(data)
    for _ in range(chance.choice((1, 2, 8, 64)) if out else 0):
        out[_place(data, chance)] ^= 1 << chance.randrange(8)
    return bytes(out)


def _overwritten(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    at, size = _place(data, chance), chance.choice((2, 4, 8))
    value = chance.choice(WORDS_32) & (1 << 8 * size) - 1
    return data[:at] + value.to_bytes(size, chance.choice(("big", "little"))) + data[at + size :]


def _cut(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    at = _place(data, chance)
    return data[:at] if chance.random() < 0.3 else data[:at] + data[at + chance.choice((1, 4, 50, 2000)) :]


def _doubled(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    at = _place(data, chance)
    piece = data[at : at + chance.choice((1, 20, 300, 5000))]
    return data[:at] + piece * chance.choice((2, 3, 100)) + data[at:]


def _spliced(data: bytes, chance: random.Random, seeds: Sequence[bytes]) -> bytes:
    other = chance.choice(seeds)
    begin = _place(other, chance)
    return data[: _place(data, chance)] + other[begin : begin + chance.choice((30, 500, 10**6))]


def _with_word(data: bytes, chance: random.Random, _: Sequence[bytes]) -> bytes:
    at = _place(data, chance)
    return data[:at] + chance.choice(WORDS) + data[at + chance.choice((0, 0, 1, 5)) :]


def _renumbered(data: bytes, chance: random.Random, seeds: Sequence[bytes]) -> bytes:
    found = list(_NUMBER.finditer(data))
    if not found:
        return _flipped(data, chance, seeds)
    one = chance.choice(found)
    return data[: one.start()] + chance.choice(NUMBERS) + data[one.end() :]


_OF_BYTES: tuple[Mutation, ...] = (
    *(_flipped, _flipped, _overwritten, _cut, _doubled, _spliced, _with_word, _renumbered),
)


def _of_json(data: bytes, chance: random.Random) -> bytes:
    """Exchange, take out or double values anywhere in a document."""
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        return data
    for _ in range(chance.choice((1, 1, 2, 4))):
        document = _exchanged(document, chance)
    text = json.dumps(document)
    if chance.random() < 0.03:
        deep = "[" * DEEP + "]" * DEEP
        text = text.replace("null", deep, 1)
    return text.encode("utf-8", "replace")


def _exchanged(node: Any, chance: random.Random) -> Any:  # noqa: ANN401 - any JSON
    """Exchange one value below a node; the way down is drawn at each step."""
    if not isinstance(node, dict | list) or not node or chance.random() < 0.08:
        return chance.choice(VALUES)
    if isinstance(node, dict):
        key = chance.choice(list(node))
        act = chance.random()
        if act < 0.06:
            return {name: value for name, value in node.items() if name != key}
        if act < 0.1:
            return {**node, chance.choice(("", "id", "\0", "x" * 300)): node[key]}
        return {**node, key: _exchanged(node[key], chance)}
    place = chance.randrange(len(node))
    if chance.random() < 0.08:
        return node[:place] + [node[place]] * chance.choice((0, 2)) + node[place + 1 :]
    return [*node[:place], _exchanged(node[place], chance), *node[place + 1 :]]


def _repacked(data: bytes, chance: random.Random, seeds: Sequence[bytes]) -> bytes:
    """Damage the lines of a copy within its packing, with their digest computed again."""
    lines = gzip.decompress(data).splitlines(keepends=True)
    place = chance.randrange(len(lines))
    if chance.random() < 0.6:
        lines[place] = _of_json(lines[place], chance) + b"\n"
    else:
        lines[place] = chance.choice(_OF_BYTES)(lines[place], chance, seeds)
    if chance.random() < 0.8:
        rows = lines[1:-1]
        digest = hashlib.sha256(b"".join(rows)).hexdigest()
        lines[-1] = json.dumps({"rows": len(rows), "sha256": digest}).encode() + b"\n"
    return gzip.compress(b"".join(lines), compresslevel=1)

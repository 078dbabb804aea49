import csv
import hashlib
import json
import math
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import SheetError
from shimwise.sheets.papers.signed.canonical_json import (
    canonical_bytes,
    digest_of,
    digest_words,
    signature_of,
)

# Written by another engine: JSON.stringify of node 18 to 24, one double a line as hexadecimal; the first
# twenty-two are the doubles of RFC 8785, appendix B (from memory), the others were drawn at random.
NUMBERS = Path(__file__).with_name("ecmascript_numbers.csv")

_json = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner, max_size=4)
    ),
    max_leaves=12,
)


def _float_or_int(text: str) -> float:
    return float(text) if len(text) > 15 else int(text)


def test_the_sample_of_the_scheme_is_written_to_the_byte() -> None:
    # RFC 8785, section 3.2.4, and the README of its reference implementation.
    sample = json.loads(
        '{"numbers": [1E30,4.50,6,2e-3,0.000000000000000000000000001],'
        '"escaping": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/",'
        '"other": [null, true, false]}'
    )
    expected = (
        '{"escaping":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/",'
        '"numbers":[1e+30,4.5,6,0.002,1e-27],"other":[null,true,false]}'
    )
    assert canonical_bytes(sample) == expected.encode()


def test_names_stand_in_the_order_of_their_utf16_units() -> None:
    # RFC 8785, section 3.2.3: the sample whose order by code points would be another.
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    told = list(json.loads(canonical_bytes(dict.fromkeys(names, 0))))
    assert told == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


def test_numbers_are_written_as_ecmascript_writes_them() -> None:
    with NUMBERS.open(encoding="ascii") as stream:
        rows = list(csv.DictReader(stream))
    values = [struct.unpack(">d", bytes.fromhex(row["ieee754_hex"]))[0] for row in rows]
    assert len(rows) > 100
    assert [canonical_bytes(value).decode() for value in values] == [row["text"] for row in rows]


@given(_json)
def test_what_is_written_reads_back_equal_and_is_written_the_same_again(value: object) -> None:
    told = canonical_bytes(value)
    assert json.loads(told, parse_int=_float_or_int) == value
    assert canonical_bytes(json.loads(told)) == told


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (math.inf, "no finite number"),
        (math.nan, "no finite number"),
        (2**53 + 1, "beyond 2"),
        ("\ud800", "no Unicode text"),
        ({1: 2}, "is no text"),
        ({"a": {1, 2}}, "a set has no place"),
    ],
)
def test_what_json_cannot_say_for_sure_is_refused(value: object, words: str) -> None:
    with pytest.raises(SheetError, match=words):
        canonical_bytes(value)


def test_a_tree_without_end_is_refused() -> None:
    tree: list[object] = []
    tree.append(tree)
    with pytest.raises(SheetError, match="deeper than 64"):
        canonical_bytes(tree)


def test_the_digest_is_that_of_the_canonical_bytes() -> None:
    digest = digest_of({"b": 1.0, "a": "µ"})
    assert digest == hashlib.sha256('{"a":"µ","b":1}'.encode()).hexdigest()
    assert digest_words(digest).replace(" ", "") == digest


def _signed(**changes: object) -> dict[str, object]:
    prep = {
        "id": "p",
        "revision": 4,
        "state": "signed",
        "closed_at": "2026-02-03T10:15:00Z",
        "lens_ids": ["l1"],
    }
    return {
        "schema": "shimwise.prep/1",
        "prep": prep,
        "bodies": [{"id": "b", "name": "A", "history_mean_um": 1.5, "epoch": 2}],
        "lenses": [{"id": "l1", "name": "L"}],
        "set": {"id": "s", "name": "H", "lens_ids": ["l1"]},
        "verdicts": [{"revision": 4, "document": {}}],
        "sign_offs": [{"signed_by": "x", "exceptions": ["why"], "digest": "0"}],
        **changes,
    }


@pytest.mark.parametrize(
    "changes",
    [
        {"sign_offs": [{"signed_by": "x", "exceptions": ["why"], "digest": "1"}]},
        {"prep": {"id": "p", "revision": 9, "state": "done", "closed_at": None, "lens_ids": ["l1"]}},
        {"bodies": [{"id": "b", "name": "A", "history_mean_um": -3.0, "epoch": 3}]},
        {"journal": [{"seq": 1}]},
        {"set": {"id": "s", "name": "H", "lens_ids": ["l1", "l2"]}},
        {"lenses": [{"id": "l1", "name": "L"}, {"id": "l2", "name": "of the set only"}]},
        {"verdicts": [{"revision": 4, "document": {}}, {"revision": 3, "document": {"old": 1}}]},
    ],
)
def test_what_signing_or_a_later_prep_changes_has_no_part_in_the_digest(changes: dict[str, object]) -> None:
    assert digest_of(_signed(**changes)) == digest_of(_signed())


@pytest.mark.parametrize(
    "changes",
    [
        {"sign_offs": [{"signed_by": "y", "exceptions": ["why"], "digest": "0"}]},
        {"sign_offs": [{"signed_by": "x", "exceptions": [], "digest": "0"}]},
        {"prep": {"id": "q", "revision": 4}},
        {"bodies": [{"id": "b", "name": "B"}]},
        {"readings": []},
        {"lenses": [{"id": "l1", "name": "M"}]},
        {"verdicts": [{"revision": 5, "document": {}}]},
    ],
)
def test_who_signed_and_over_what_has_a_part_in_the_digest(changes: dict[str, object]) -> None:
    assert digest_of(_signed(**changes)) != digest_of(_signed())


def test_what_later_versions_keep_of_a_reading_changes_no_earlier_digest_while_it_is_empty() -> None:
    before = _signed(readings=[{"id": "r"}])
    by_eye = {"id": "r", "temperature_c": None, "landing_um": None, "landing_sd_um": None, "setting": None}
    assert digest_of(_signed(readings=[by_eye])) == digest_of(before)
    for name, value in (("landing_um", 0.0), ("landing_sd_um", 0.7), ("setting", "1")):
        assert digest_of(_signed(readings=[{**by_eye, name: value}])) != digest_of(before)


def test_a_signature_is_the_digest_of_the_prep_with_its_sign_off() -> None:
    (sign_off,) = _signed()["sign_offs"]  # type: ignore[misc]
    assert signature_of(_signed(sign_offs=[]), sign_off) == digest_of(_signed())

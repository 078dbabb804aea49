"""A catalogue of ways to forge a sheet, a prep or a record: none is taken for what was signed."""

import io
import json
import re
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from copy import deepcopy
from pathlib import Path
from sqlite3 import connect
from typing import Any

import psycopg
import pypdf
import pytest
from invented_house import WHO, House, furnish
from pypdf.annotations import FreeText
from pypdf.generic import DictionaryObject, NameObject, TextStringObject
from test_signing import all_excepted, gauged_prep

from record_template import copied_record, empty_record, filled_with
from shimwise import house_keys
from shimwise.bench.exchange import record_admin
from shimwise.bench.sign import signing
from shimwise.bench.sign.papers import CHECK, State, digest_of, make_paper, verify_paper
from shimwise.bench.sign.signed import recorded
from shimwise.errors import SheetError
from shimwise.house_keys import FOLDER_VARIABLE, HouseKey, house_key, public_pem
from shimwise.record.exchange.row_json import ExchangeError
from shimwise.record.record import Record
from shimwise.sheets.papers.signed.page_signature import sign_pages, signature_in
from shimwise.sheets.papers.signed.prep_document import time_of
from shimwise.sheets.papers.signed.seal import sealed

pytestmark = pytest.mark.slow  # sets a sheet
Document = dict[str, Any]


class Genuine:
    """A signed prep with its sheet, its export, its record, and the key of a stranger."""

    def __init__(self, folder: Path) -> None:
        copied_record(folder / "record", furnish)
        self.folder, self.record = folder, Record.open(folder / "record")
        house = House(self.record, dict(filled_with(furnish)))
        self.ids = [gauged_prep(house), gauged_prep(house)]
        for prep_id in self.ids:
            signing.sign(self.record, prep_id, who=WHO, exceptions=all_excepted(house, prep_id))
        self.export, self.other = (
            json.loads(record_admin.export_prep(self.record, prep_id)) for prep_id in self.ids
        )
        self.sheet = make_paper(CHECK, [record_admin.prep_document(self.record, self.ids[0])]).pdf
        found = signature_in(self.sheet)
        assert found is not None
        self.pages = found.pages
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv(FOLDER_VARIABLE, str(folder / "stranger"))
            self.stranger: HouseKey = house_key()


@pytest.fixture(scope="module")
def genuine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Genuine]:
    made = Genuine(tmp_path_factory.mktemp("genuine"))
    with made.record:
        yield made


def clone(pdf: bytes) -> pypdf.PdfWriter:
    return pypdf.PdfWriter(clone_from=io.BytesIO(pdf))


def written(writer: pypdf.PdfWriter) -> bytes:
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def painted(pdf: bytes) -> bytes:
    writer = clone(pdf)
    content = writer.pages[0].get_contents()
    assert content is not None
    content.set_data(content.get_data() + b" 0 0 600 600 re f ")
    writer.pages[0][NameObject("/Contents")] = writer._add_object(content)
    return written(writer)


def attached(pdf: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """The PDF with one of its attachments changed."""
    writer = clone(pdf)
    for one in writer._objects:
        if isinstance(one, DictionaryObject) and one.get("/Type") == "/Filespec" and one.get("/UF") == name:
            stream = one["/EF"]["/F"].get_object()  # type: ignore[index]
            stream.set_data(change(stream.get_data()))
    return written(writer)


def with_word(genuine: Genuine) -> bytes:
    writer = clone(genuine.sheet)
    writer.add_annotation(0, FreeText(text="in tolerance", rect=(100, 100, 200, 200)))
    return written(writer)


def without_page(genuine: Genuine) -> bytes:
    writer = clone(genuine.sheet)
    del writer.pages[len(writer.pages) - 1]
    return written(writer)


def painted_and_made_elsewhere(genuine: Genuine) -> bytes:
    """Repainted, with another program named as its maker, so that nobody can make it again."""
    return attached(
        painted(genuine.pages),
        "sheet.json",
        lambda data: re.sub(rb'"made_with": "\w+"', b'"made_with": "0000000000000000"', data),
    )


def by_stranger(genuine: Genuine) -> bytes:
    at = time_of(genuine.export["sign_offs"][0]["signed_at"])
    return sign_pages(genuine.pages, key=genuine.stranger, at=at)


def with_second_prep(genuine: Genuine) -> bytes:
    writer = clone(genuine.sheet)
    writer.add_attachment("prep.json", json.dumps(genuine.other).encode())
    return written(writer)


def with_script(genuine: Genuine) -> bytes:
    writer = clone(genuine.pages)
    script = {NameObject("/S"): NameObject("/JavaScript"), NameObject("/JS"): TextStringObject("app.beep()")}
    writer.root_object[NameObject("/OpenAction")] = DictionaryObject(script)
    return written(writer)


def with_later_revision(genuine: Genuine) -> bytes:
    """An update behind the whole file, as readers of PDF save one; the signed part stays to the byte."""
    writer = pypdf.PdfWriter(io.BytesIO(genuine.sheet), incremental=True)
    writer.add_annotation(0, FreeText(text="in tolerance", rect=(100, 100, 200, 200)))
    changed = written(writer)
    assert changed.startswith(genuine.sheet)
    return changed


def with_moved_signature(genuine: Genuine) -> bytes:
    """The pages of one prep with the signature of another's."""
    other = make_paper(CHECK, [genuine.other]).pdf
    found = signature_in(other)
    assert found is not None
    return genuine.pages + other[len(found.pages) :]


def with_action(genuine: Genuine) -> bytes:
    writer = clone(genuine.pages)
    action = DictionaryObject(
        {NameObject("/S"): NameObject("/Launch"), NameObject("/F"): TextStringObject("x")}
    )
    writer.pages[0][NameObject("/AA")] = DictionaryObject({NameObject("/O"): action})
    return written(writer)


PAGES: dict[str, Callable[[Genuine], bytes]] = {
    "a repainted page": lambda genuine: painted(genuine.sheet),
    "a repainted page without its signature": lambda genuine: painted(genuine.pages),
    "a repainted page that names another maker": painted_and_made_elsewhere,
    "words laid over a page": with_word,
    "a page taken out": without_page,
    "the signature taken off": lambda genuine: genuine.pages,
    "signed by a stranger": by_stranger,
    "something added behind": lambda genuine: genuine.sheet + b"\n% more\n",
    "a swapped attachment": lambda genuine: attached(
        genuine.pages, "prep.json", lambda data: json.dumps(genuine.other).encode()
    ),
    "a second prep slipped in": with_second_prep,
    "a script": with_script,
    "an action of a page": with_action,
    "a later revision of the file": with_later_revision,
    "the page signature of another sheet": with_moved_signature,
}


@pytest.mark.parametrize("has_record", [True, False], ids=["record", "file alone"])
def test_the_genuine_sheet_is_as_signed(genuine: Genuine, has_record: bool) -> None:
    known = recorded(genuine.record) if has_record else None
    assert verify_paper(genuine.sheet, recorded=known)[0].standing is State.AS_SIGNED


@pytest.mark.parametrize("way", PAGES)
def test_a_forged_sheet_is_not_as_signed(genuine: Genuine, way: str) -> None:
    forged = PAGES[way](genuine)
    for known in (recorded(genuine.record), None):
        with suppress(SheetError):
            findings = verify_paper(forged, recorded=known)
            assert [one.standing for one in findings if one.standing is State.AS_SIGNED] == []


def redone(document: Document) -> Document:
    """The document with its newest digest computed again, as anybody can."""
    row = document["sign_offs"][-1]
    row.pop("signed_json", None)
    row["digest"] = digest_of(document)
    return document


def changed(genuine: Genuine, *path: str | int, to: object) -> Document:
    document = deepcopy(genuine.export)
    inner: Any = document
    for step in path[:-1]:
        inner = inner[step]
    assert inner[path[-1]] != to
    inner[path[-1]] = to
    return document


def moved(genuine: Genuine) -> Document:
    document = deepcopy(genuine.export)
    document["sign_offs"] = deepcopy(genuine.other["sign_offs"])
    document["sign_offs"][0]["prep_id"] = document["prep"]["id"]
    return document


def without_seal(document: Document) -> Document:
    document["sign_offs"][-1]["seal"] = None
    return document


def sealed_by_stranger(genuine: Genuine) -> Document:
    document = redone(changed(genuine, "readings", 0, "reading_text", to="2'"))
    row = document["sign_offs"][-1]
    row["seal"] = sealed(
        row, prep_id=document["prep"]["id"], journal_seq=1, journal_head="0" * 64, key=genuine.stranger
    )
    return document


def with_key_of_the_house(genuine: Genuine) -> Document:
    """A stranger's seal that claims the house's key."""
    document = sealed_by_stranger(genuine)
    document["sign_offs"][-1]["seal"]["key"] = house_key().public.hex()
    return document


LATER = "2030-01-01T00:00:00.000000+00:00"
PREPS: dict[str, Callable[[Genuine], Document]] = {
    "a changed reading": lambda genuine: changed(genuine, "readings", 0, "reading_text", to="2'"),
    "a changed reading, signed anew": lambda genuine: redone(
        changed(genuine, "readings", 0, "reading_text", to="2'")
    ),
    "another signer": lambda genuine: redone(changed(genuine, "sign_offs", 0, "signed_by", to="B. Lead")),
    "another date": lambda genuine: redone(changed(genuine, "sign_offs", 0, "signed_at", to=LATER)),
    "another verdict": lambda genuine: redone(
        changed(genuine, "verdicts", -1, "headline", to="All is in tolerance.")
    ),
    "another verdict of a unit": lambda genuine: redone(
        changed(genuine, "verdicts", -1, "document", "bodies", 0, "verdict", to="out_deep")
    ),
    "another reason of an exception": lambda genuine: redone(
        changed(genuine, "sign_offs", 0, "exceptions", 0, "reason", to="measured twice")
    ),
    "an exception taken out": lambda genuine: redone(changed(genuine, "sign_offs", 0, "exceptions", to=[])),
    "a signature of another prep": moved,
    "a signature of another prep, signed anew": lambda genuine: redone(moved(genuine)),
    "the seal taken off": lambda genuine: without_seal(
        redone(changed(genuine, "readings", 0, "reading_text", to="2'"))
    ),
    "a stranger's seal": sealed_by_stranger,
    "a stranger's seal with the house's key": with_key_of_the_house,
}


@pytest.mark.parametrize("way", PREPS)
def test_a_forged_prep_is_not_as_signed_and_not_taken_in(genuine: Genuine, way: str, tmp_path: Path) -> None:
    forged = PREPS[way](genuine)
    for known in (recorded(genuine.record), None):
        (found,) = verify_paper(json.dumps(forged).encode(), recorded=known)
        assert found.standing is not State.AS_SIGNED
        assert found.state is not State.AS_SIGNED
    with Record.open(empty_record(tmp_path / "away").parent) as away, pytest.raises(ExchangeError):
        record_admin.import_prep(away, forged, who=WHO)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("readings",), [1.5]),
        (("bodies",), 5),
        (("verdicts",), ["x"]),
        (("prep", "body_ids"), 3),
        (("lenses", 0), None),
        (("verdicts", 0, "revision"), "5"),
    ],
)
def test_a_prep_whose_lists_are_none_is_refused_with_a_sentence(
    genuine: Genuine, tmp_path: Path, path: tuple[str | int, ...], value: object
) -> None:
    # Found: a trace in place of a refusal, since its seal holds and its digest was computed first.
    with Record.open(empty_record(tmp_path / "away").parent) as away, pytest.raises(ExchangeError):
        record_admin.import_prep(away, changed(genuine, *path, to=value), who=WHO)


def test_a_prep_without_a_seal_is_taken_in_only_with_that_mark(genuine: Genuine, tmp_path: Path) -> None:
    document = without_seal(deepcopy(genuine.export))
    with Record.open(empty_record(tmp_path / "away").parent) as away:
        record_admin.import_prep(away, document, who=WHO, is_unproven=True)
        (found,) = verify_paper(json.dumps(document).encode(), recorded=recorded(away))
        assert record_admin.check(away) == ()
    assert found.standing is State.NOT_SEALED


def test_a_house_that_knows_the_key_takes_a_prep_in_and_says_where_from(
    genuine: Genuine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    public = house_key().public
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "their keys"))
    with Record.open(empty_record(tmp_path / "away").parent) as away:
        with pytest.raises(ExchangeError, match="a house that is not known here"):
            record_admin.import_prep(away, genuine.export, who="B. Lead")
        house_keys.trust(public, "Invented Rental")
        record_admin.import_prep(away, genuine.export, who="B. Lead")
        (found,) = verify_paper(json.dumps(genuine.export).encode(), recorded=recorded(away))
        assert record_admin.check(away) == ()
    assert found.standing is State.AS_SIGNED
    assert "signed at the house known here as Invented Rental" in found.words[1]
    assert "taken in here by B. Lead on" in found.words[2]
    (tmp_path / "key.pem").write_text(public_pem(public))
    house_keys.distrust("Invented Rental")
    assert verify_paper(genuine.sheet)[0].standing is State.OTHER_HOUSE
    (once,) = verify_paper(genuine.sheet, keys=[tmp_path / "key.pem"])
    assert once.standing is State.AS_SIGNED


FORGED_SIGN_OFF = "UPDATE sign_offs SET signed_by = 'B. Lead', digest = '{digest}', signed_json = NULL"
EDITS = {
    "a row of a reading": ("UPDATE readings SET reading_text = '2''' WHERE seq = 1", "its rows were changed"),
    "a row of a prep": ("UPDATE preps SET title = 'another'", "its rows were changed"),
    "a row of a signature with a digest": (
        FORGED_SIGN_OFF.format(digest="0" * 64),
        "does not agree with the seal",
    ),
    "a line of the journal": ("UPDATE journal SET who = 'B. Lead' WHERE seq = 3", "a line up to"),
    "a later seal taken off": (
        "UPDATE sign_offs SET seal = NULL WHERE signed_at = (SELECT max(signed_at) FROM sign_offs)",
        "has no seal, though signatures before it have one",
    ),
}


def edit_file(genuine: Genuine, folder: Path, sql: str) -> str:
    record_admin.backup(genuine.record, folder / "shimwise.sqlite")
    with closing(connect(folder / "shimwise.sqlite")) as database:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f"DROP TRIGGER {name}")
        database.execute(sql)
        database.commit()
    return str(folder)


def edit_server(genuine: Genuine, folder: Path, sql: str, address: str) -> str:
    record_admin.restore(record_admin.backup(genuine.record, folder / "c.jsonl.gz").path, address)
    with psycopg.connect(address, autocommit=True) as database:
        database.execute(
            "SET session_replication_role = replica"
        )  # whoever owns the server passes its triggers
        database.execute(sql.encode())
    return address


@pytest.mark.parametrize("where", ["file", pytest.param("server", marks=pytest.mark.postgresql)])
@pytest.mark.parametrize("what", EDITS)
def test_an_edited_database_is_told_and_the_genuine_sheet_is_as_signed(
    genuine: Genuine, tmp_path: Path, what: str, where: str, request: pytest.FixtureRequest
) -> None:
    sql, words = EDITS[what]
    if where == "file":
        place = edit_file(genuine, tmp_path, sql)
    else:
        place = edit_server(genuine, tmp_path, sql, request.getfixturevalue("postgres_address"))
    with Record.open(place) as edited:
        assert words in " ".join(one.text for one in record_admin.check(edited))
        (found,) = verify_paper(genuine.sheet, recorded=recorded(edited))
        assert found.standing is State.AS_SIGNED
        document = record_admin.prep_document(edited, genuine.ids[0])
        (printed,) = verify_paper(json.dumps(document).encode(), recorded=recorded(edited))
        # What is exported of a prep's own row and its units is what was signed, whatever its row says.
        is_exported_changed = what in ("a row of a reading", "a row of a signature with a digest")
        assert (printed.standing is State.AS_SIGNED) is not is_exported_changed


def test_a_prep_signed_on_a_server_is_sealed_there_as_in_a_file(postgres_address: str) -> None:
    with Record.open(postgres_address) as record:
        house = House.in_record(record)
        prep_id = gauged_prep(house)
        signing.sign(record, prep_id, who=WHO, exceptions=all_excepted(house, prep_id))
        document = record_admin.prep_document(record, prep_id)
        assert document["sign_offs"][0]["seal"]["journal_seq"] > 0
        (found,) = verify_paper(make_paper(CHECK, [document]).pdf, recorded=recorded(record))
        assert found.standing is State.AS_SIGNED
        assert record_admin.check(record) == ()
        forged = redone(deepcopy(document) | {"readings": document["readings"][1:]})
        assert (
            verify_paper(json.dumps(forged).encode(), recorded=recorded(record))[0].standing is State.ALTERED
        )


def test_a_forgery_that_is_taken_in_unproven_is_never_as_signed(genuine: Genuine, tmp_path: Path) -> None:
    forged = without_seal(redone(changed(genuine, "readings", 0, "reading_text", to="2'")))
    with Record.open(empty_record(tmp_path / "away").parent) as away:
        record_admin.import_prep(away, forged, who=WHO, is_unproven=True)
        sheet = make_paper(CHECK, [record_admin.prep_document(away, genuine.ids[0])]).pdf
        for known in (recorded(away), recorded(genuine.record), None):
            assert verify_paper(sheet, recorded=known)[0].standing is not State.AS_SIGNED


OTHERS = ("a prep without a seal, taken in", "a sheet of an older revision")
"""Each has a test of its own here."""


def test_every_way_of_the_written_catalogue_is_tried() -> None:
    page = (Path(__file__).parents[4] / "docs" / "security.md").read_text(encoding="utf-8")
    catalogue = page.partition("## Ways to forge that are tried")[2].partition("\n## ")[0]
    written_down = re.findall(r"^\d+\. (.+)$", catalogue, re.MULTILINE)
    assert len(written_down) >= 20
    assert sorted(written_down) == sorted([*PAGES, *PREPS, *EDITS, *OTHERS])


def test_a_genuine_record_has_no_contradictions(genuine: Genuine) -> None:
    assert record_admin.check(genuine.record) == ()
    assert genuine.export["sign_offs"][0]["seal"]["journal_seq"] > 0


def test_a_sheet_of_an_older_revision_is_not_as_signed(genuine: Genuine, tmp_path: Path) -> None:
    record_admin.backup(genuine.record, tmp_path / "shimwise.sqlite")
    with Record.open(tmp_path) as copy:
        signing.reopen(copy, genuine.ids[0], reason="a lens came late", who=WHO)
        (found,) = verify_paper(genuine.sheet, recorded=recorded(copy))
    assert found.standing is State.OLDER

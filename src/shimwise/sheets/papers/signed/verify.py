"""Verify whether a sheet, or a prep's file, is what was signed.

Compared are the prep that travels in the file, its digest with the one that was signed, and the digest
printed on the page. The pages are what a house made if its signature of them holds, which is over all of the
file; the program that made them also makes them again from the prep and compares. A PDF that could do
something is refused.
"""

import hashlib
import io
import json
import logging
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from shimwise.errors import SheetError
from shimwise.house_keys import KnownKey
from shimwise.sheets.papers.setting import maker_print
from shimwise.sheets.papers.sheet_pdf import SHEET_FILE, SHEET_SCHEMA
from shimwise.sheets.papers.signed.findings import Finding, Recorded, State, find_in_prep
from shimwise.sheets.papers.signed.page_signature import PageSignature, signature_in
from shimwise.sheets.papers.signed.prep_document import PrepDocument, read_prep

if TYPE_CHECKING:
    from pypdf import PdfReader

LARGEST_BYTES = 2**26
LARGEST_PAGES = 2000
SMALL_KINDS = ("labels",)
"""Papers too small for the whole digest: their pages are compared."""
_DIGEST = re.compile(r"(?<![0-9a-f])[0-9a-f]{64}(?![0-9a-f])")
Remade = Callable[[Mapping[str, Any], tuple[PrepDocument, ...]], bytes]


def read_json(data: bytes, *, name: str) -> Any:  # noqa: ANN401 - a tree of JSON
    """Return JSON that can be signed: no name twice in an object, no number that JSON lacks.

    Raises
    ------
    SheetError
        If it is none.
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            raise ValueError("a name stands twice in one object")
        return found

    def refuse(word: str) -> float:
        raise ValueError(f"{word} is no number of JSON")

    _check_size(data, name, "prep")
    try:
        return json.loads(data.decode("utf-8-sig"), object_pairs_hook=once, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise SheetError(f"{name} is no JSON ({str(error)[:200]}). Export the prep anew.") from error


def _check_size(data: bytes, name: str, kind: str) -> None:
    if len(data) > LARGEST_BYTES:
        limit = f"{LARGEST_BYTES // 2**20} MiB"
        raise SheetError(f"{name} has more than {limit}: that is no {kind}. Check the file.")


def find_in_pdf(
    data: bytes, *, remade: Remade, known: Sequence[KnownKey] = (), recorded: Recorded | None = None
) -> tuple[Finding, ...]:
    """Return for each prep in a sheet whether it, and what is printed, is what was signed.

    Parameters
    ----------
    data : bytes
        The PDF.
    remade : callable
        Makes the pages again from how they were made and their preps.
    known : sequence of KnownKey
        Keys of the houses that are known here; a page of any other is not taken for its house's.
    recorded : callable, optional
        As for :func:`shimwise.sheets.papers.signed.findings.find_in_prep`.

    Raises
    ------
    SheetError
        If it is no PDF, none of our sheets, or holds an action or a script.
    """
    reader = _reader(data)
    signature = signature_in(data)
    sheet = _Sheet(data, reader, *_attached(reader), signature)
    page = _page(sheet, remade, known)
    findings = [find_in_prep(prep, known=known, recorded=recorded) for prep in sheet.preps]
    return tuple(_with_page(finding, page) for finding in findings)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A sheet as read: its bytes, its pages, how it was made, its preps, and the signature of its pages."""

    data: bytes
    reader: "PdfReader"
    made: Mapping[str, Any]
    preps: tuple[PrepDocument, ...]
    signature: PageSignature | None

    @property
    def is_of_this_state(self) -> bool:
        """Whether this program, as it is, made the sheet."""
        return self.made.get("made_with") == maker_print()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    """What was found of the pages.

    ``faults``: what was changed after they were made; ``state``: what becomes of a prep that is as signed.
    """

    state: State
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


_NO_SIGNATURE = (
    "The pages carry no signature, as on sheets of version 0.1 and 0.2 or where it was taken off; only the "
    "prep in the file was compared."
)
_BROKEN = "The signature of the pages does not hold: the file was changed, or saved by another program."
_UNKNOWN_KEY = (
    "The pages were signed by a house that is not known here. Ask the house that made them for its public "
    "key, and compare its fingerprint by voice."
)


def _page(sheet: _Sheet, remade: Remade, known: Sequence[KnownKey]) -> _Page:
    if faults := tuple(_faults(sheet, remade)):
        return _Page(state=State.PAGE_ALTERED, faults=faults)
    if sheet.signature is None:
        return _Page(state=State.PAGE_NOT_SIGNED, notes=(_NO_SIGNATURE,))
    house = next((one for one in known if sheet.signature.is_of(one.public)), None)
    if house is None:
        return _Page(state=State.PAGE_ALTERED, notes=(_UNKNOWN_KEY,))
    return _Page(state=State.AS_SIGNED, notes=(f"The pages are those that {house.words} made.",))


def _faults(sheet: _Sheet, remade: Remade) -> list[str]:
    """Return what is wrong with the pages; a page that cannot be read is wrong."""
    has_digest = sheet.made.get("kind") not in SMALL_KINDS
    broken = [_BROKEN] if sheet.signature is None and b"/ByteRange" in sheet.data else []
    pages = sheet.data if sheet.signature is None else sheet.signature.pages
    try:
        anew = remade(sheet.made, sheet.preps) if sheet.is_of_this_state else None
        if anew == pages:  # the digest is printed, too: reading the text takes longer than all the rest
            return broken
        return [
            *broken,
            *(_printed(sheet) if has_digest else ()),
            *(_changed_pages(sheet, anew) if anew is not None else ()),
        ]
    except SheetError:
        raise
    except Exception as error:  # whatever a damaged file makes the library raise
        return [f"The pages cannot be read, so the file was changed or damaged ({str(error)[:80]})."]


def _with_page(finding: Finding, page: _Page) -> Finding:
    is_as_signed = finding.standing is State.AS_SIGNED
    if page.faults:
        first = () if is_as_signed else finding.words
        state = State.PAGE_ALTERED if is_as_signed else State.ALTERED
        return replace(finding, standing=state, words=(*first, *page.faults, *page.notes))
    state = page.state if is_as_signed else finding.standing
    return replace(finding, standing=state, words=(*finding.words, *page.notes))


def _reader(data: bytes) -> "PdfReader":
    import pypdf

    logging.getLogger("pypdf").addHandler(logging.NullHandler())  # what it finds is reported in our words
    if not data.startswith(b"%PDF-"):
        raise SheetError(
            "This is no PDF and no prep. Give a sheet that shimwise sheet wrote, or a prep.json."
        )
    _check_size(data, "The PDF", "sheet")
    try:
        reader = pypdf.PdfReader(io.BytesIO(data))
        _refuse_long(len(reader.pages))
        _refuse_active(reader)
    except SheetError:
        raise
    except Exception as error:  # whatever a damaged file makes the library raise
        raise _no_sheet(f"it cannot be read ({str(error)[:120]})") from error
    return reader


def _refuse_long(pages: int) -> None:
    if pages > LARGEST_PAGES:
        raise SheetError(f"The PDF has more than {LARGEST_PAGES} pages: that is no sheet. Check the file.")


ACTIVE_KEYS = {"/JS", "/JavaScript", "/AA", "/OpenAction", "/XFA", "/RichMediaContent", "/Movie"}
ACTIONS = {
    *("/JavaScript", "/Launch", "/URI", "/SubmitForm", "/ImportData", "/ResetForm", "/GoToR", "/GoToE"),
    *("/Named", "/Rendition", "/RichMediaExecute", "/Hide", "/Movie", "/Sound", "/Thread", "/SetOCGState"),
    "/GoTo3DView",
}
"""Actions (ISO 32000-2, 12.6.4) but that of the table of contents, which goes to a place on the pages."""


def _refuse_active(reader: "PdfReader") -> None:
    """Refuse a PDF that does something when it is opened or used: none of our sheets does."""
    from pypdf.generic import IndirectObject

    numbers = {number for table in reader.xref.values() for number in table} | set(reader.xref_objStm)
    rows: list[Any] = [reader.get_object(IndirectObject(number, 0, reader)) for number in sorted(numbers)]
    rows.append(reader.trailer)
    while rows:
        row = rows.pop()
        if isinstance(row, dict):
            found = ACTIVE_KEYS.intersection(row) or ACTIONS.intersection([str(_raw(row, "/S"))])
            if found:
                raise _no_sheet(f"it holds an action or a script ({min(found)}), and no sheet does")
            rows += [_raw(row, key) for key in row]
        elif isinstance(row, list):
            rows += list.__iter__(row)


def _raw(row: Any, key: str) -> Any:  # noqa: ANN401 - the library's objects
    """Return a value of a dictionary without following a reference."""
    return dict.get(row, key)


def _attached(reader: "PdfReader") -> tuple[Mapping[str, Any], tuple[PrepDocument, ...]]:
    """Return how the sheet was made and the preps that travel in it."""
    try:
        files = {name: list(contents) for name, contents in reader.attachments.items()}
    except Exception as error:  # whatever a damaged file makes the library raise
        raise _no_sheet(f"its attachments cannot be read ({str(error)[:120]})") from error
    if SHEET_FILE not in files:
        raise _no_sheet(f"it carries no {SHEET_FILE}")
    made = read_json(_only(files, SHEET_FILE), name=SHEET_FILE)
    is_ours = isinstance(made, Mapping) and made.get("schema") == SHEET_SCHEMA
    if not is_ours or not isinstance(made.get("preps"), list):
        raise _no_sheet(f"its {SHEET_FILE} has not the form {SHEET_SCHEMA}")
    names = [str(name) for name in made["preps"]]
    if not names or any(name not in files for name in names):
        raise _no_sheet("the prep that it tells is not attached")
    return made, tuple(read_prep(read_json(_only(files, name), name=name)) for name in names)


def _only(files: Mapping[str, list[bytes]], name: str) -> bytes:
    if len(files[name]) != 1:
        raise _no_sheet(f"it carries {name} {len(files[name])} times")
    return files[name][0]


def _no_sheet(what: str) -> SheetError:
    return SheetError(f"This PDF is no sheet of Shimwise: {what}. Give a sheet that shimwise sheet wrote.")


def _printed(sheet: _Sheet) -> Iterator[str]:
    """Yield where the digests printed on the pages are not those of the preps."""
    text = "".join("".join(page.extract_text().split()) for page in sheet.reader.pages)
    printed = set(_DIGEST.findall(re.sub(r"(?<=[0-9a-f])(?=Revision)", " ", text)))
    for prep in sheet.preps:
        if prep.digest not in text:
            yield f"The digest of the prep, {prep.digest[:16]}…, is not printed on the page."
    strange = printed - {prep.digest for prep in sheet.preps} - set(_heads(sheet.preps))
    if strange:
        yield f"A digest is printed that is none of the attached prep: {min(strange)[:16]}…."


def _heads(preps: Sequence[PrepDocument]) -> Iterator[str]:
    """Yield the heads of the journal that are printed beside the digests."""
    for prep in preps:
        seal = (prep.sign_off or {}).get("seal")
        if isinstance(seal, Mapping):
            yield str(seal.get("journal_head"))


def _changed_pages(sheet: _Sheet, anew: bytes) -> Iterator[str]:
    """Yield where the sheet differs from one made again."""
    import pypdf

    reader, fresh = sheet.reader, pypdf.PdfReader(io.BytesIO(anew))
    if len(fresh.pages) != len(reader.pages):
        yield f"The sheet has {len(reader.pages)} pages; made anew from its prep it has {len(fresh.pages)}."
        return
    for number, (page, other) in enumerate(zip(reader.pages, fresh.pages, strict=True), 1):
        if _print_of(_drawn(page)) != _print_of(other):
            yield f"Page {number} is not what its prep says: it was changed after it was made."
    if _print_of(_catalog(reader), _numbers(reader)) != _print_of(_catalog(fresh), _numbers(fresh)):
        yield (
            "What the pages do not show was changed after the sheet was made: its attachments, or its tags "
            "for reading aloud."
        )


_IGNORED = {"/Parent", "/StructParents", "/StructParent", "/Metadata", "/Length", "/Filter", "/DecodeParms"}


def _catalog(reader: "PdfReader") -> Any:  # noqa: ANN401 - the library's objects
    """Return what a file holds beside its pages: its tags, its attachments, its language."""
    root: Any = reader.trailer["/Root"]
    left_out = ("/Pages", "/Metadata", "/AcroForm", "/Perms")
    return {key: root.raw_get(key) for key in root if key not in left_out}


def _drawn(page: Any) -> Any:  # noqa: ANN401 - the library's objects
    """Return a page without the field of its signature, which has no size."""
    notes = page.get("/Annots") or []
    if [(one.get_object().get("/FT"), one.get_object().get("/Rect")) for one in notes] != [("/Sig", [0] * 4)]:
        return page
    return {key: page.raw_get(key) for key in page if key != "/Annots"}


def _numbers(reader: "PdfReader") -> dict[int, int]:
    """Return the number of each page by that of its object."""
    references = [page.indirect_reference for page in reader.pages]
    return {one.idnum: number for number, one in enumerate(references, 1) if one is not None}


def _print_of(value: Any, numbers: Mapping[int, int] | None = None) -> str:  # noqa: ANN401 - the library's objects
    """Return the digest of an object and all it refers to: of a page its drawing, fonts, annotations.

    ``numbers``: of pages, each written once wherever it is referred to (:func:`_numbers`).
    """
    return hashlib.sha256(b"".join(_tokens(value, {}, numbers or {}))).hexdigest()


def _tokens(value: Any, seen: dict[int, Any], numbers: Mapping[int, int]) -> Iterator[bytes]:  # noqa: ANN401
    number = numbers.get(getattr(value, "idnum", -1))
    value = value.get_object() if hasattr(value, "get_object") else value
    if number is not None:
        yield f"page {number} ".encode()
    elif not isinstance(value, dict | list):
        yield f"{value} ".encode("utf-8", "surrogatepass")
    elif id(value) not in seen:
        seen[id(value)] = value  # kept, so that its number is not used for another
        raw = value.raw_get if hasattr(value, "raw_get") else value.__getitem__
        is_dict = isinstance(value, dict)
        yield b"<<" if is_dict else b"["
        for key in sorted(set(value) - _IGNORED) if is_dict else range(len(value)):
            yield str(key).encode()
            yield from _tokens(raw(key), seen, numbers)
        yield value.get_data() if hasattr(value, "get_data") else b""
        yield b">>" if is_dict else b"]"

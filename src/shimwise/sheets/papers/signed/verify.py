"""Verify whether a sheet, or a prep's file, is what was signed.

Compared are the prep that travels in the file, its digest with the one that was signed, the digest printed on
the page, and the page itself with one made again from the prep. The last is possible only with the program
that made the sheet; a finding notes if it is another.
"""

import hashlib
import io
import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from shimwise.errors import SheetError
from shimwise.sheets.papers.maker import maker_print
from shimwise.sheets.papers.sheet_pdf import SHEET_FILE, SHEET_SCHEMA
from shimwise.sheets.papers.signed.findings import Finding, Recorded, State, find_in_prep
from shimwise.sheets.papers.signed.prep_document import PrepDocument, read_prep
from shimwise.sheets.words.shared import plain

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


def find_in_pdf(data: bytes, *, remade: Remade, recorded: Recorded | None = None) -> tuple[Finding, ...]:
    """Return for each prep in a sheet whether it, and what is printed, is what was signed.

    Parameters
    ----------
    data : bytes
        The PDF.
    remade : callable
        Makes the sheet again from how it was made and its preps.
    recorded : callable, optional
        As for :func:`shimwise.sheets.papers.signed.findings.find_in_prep`.

    Raises
    ------
    SheetError
        If it is no PDF, or none of our sheets.
    """
    reader = _reader(data)
    sheet = _Sheet(data, reader, *_attached(reader))
    faults = _faults(sheet, remade)
    maker = plain(str(sheet.made.get("made_by")))
    notes = [] if sheet.is_of_this_state else [_OTHER_VERSION.format(maker)]
    findings = [find_in_prep(prep, recorded=recorded) for prep in sheet.preps]
    return tuple(_with_page(finding, faults, notes) for finding in findings)


_OTHER_VERSION = (
    "The page itself could not be made again for comparison: {} made it, in another state than this one. Its "
    "prep and its digest were compared."
)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A sheet as read: its bytes, its pages, how it was made, and the preps that travel in it."""

    data: bytes
    reader: "PdfReader"
    made: Mapping[str, Any]
    preps: tuple[PrepDocument, ...]

    @property
    def is_of_this_state(self) -> bool:
        """Whether this program, as it is, made the sheet."""
        return self.made.get("made_with") == maker_print()


def _faults(sheet: _Sheet, remade: Remade) -> list[str]:
    """Return what is wrong with the pages; a page that cannot be read is wrong."""
    has_digest = sheet.made.get("kind") not in SMALL_KINDS
    try:
        return [*(_printed(sheet) if has_digest else ()), *_changed_pages(sheet, remade)]
    except SheetError:
        raise
    except Exception as error:  # whatever a damaged file makes the library raise
        return [f"The pages cannot be read, so the file was changed or damaged ({str(error)[:80]})."]


def _with_page(finding: Finding, faults: list[str], notes: list[str]) -> Finding:
    if not faults:
        return replace(finding, words=(*finding.words, *notes))
    first = () if finding.state is State.AS_SIGNED else finding.words
    return replace(finding, state=State.ALTERED, words=(*first, *faults, *notes))


def _reader(data: bytes) -> "PdfReader":
    import pypdf
    from pypdf.errors import PyPdfError

    if not data.startswith(b"%PDF-"):
        raise SheetError(
            "This is no PDF and no prep. Give a sheet that shimwise sheet wrote, or a prep.json."
        )
    _check_size(data, "The PDF", "sheet")
    try:
        reader = pypdf.PdfReader(io.BytesIO(data))
        if len(reader.pages) > LARGEST_PAGES:
            raise SheetError(
                f"The PDF has more than {LARGEST_PAGES} pages: that is no sheet. Check the file."
            )
    except (PyPdfError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _no_sheet(f"it cannot be read ({str(error)[:120]})") from error
    return reader


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
    strange = printed - {prep.digest for prep in sheet.preps}
    if strange:
        yield f"A digest is printed that is none of the attached prep: {min(strange)[:16]}…."


def _changed_pages(sheet: _Sheet, remade: Remade) -> Iterator[str]:
    """Yield where the sheet differs from one made again, if this program made it."""
    if not sheet.is_of_this_state or (anew := remade(sheet.made, sheet.preps)) == sheet.data:
        return
    reader, fresh = sheet.reader, _reader(anew)
    if len(fresh.pages) != len(reader.pages):
        yield f"The sheet has {len(reader.pages)} pages; made anew from its prep it has {len(fresh.pages)}."
        return
    for number, (page, other) in enumerate(zip(reader.pages, fresh.pages, strict=True), 1):
        if _print_of(page) != _print_of(other):
            yield f"Page {number} is not what its prep says: it was changed after it was made."
    if _print_of(_catalog(reader)) != _print_of(_catalog(fresh)):
        yield "What a reader aloud would say, or what is attached, was changed after the sheet was made."


_IGNORED = {"/Parent", "/StructParents", "/StructParent", "/Metadata", "/Length", "/Filter", "/DecodeParms"}


def _catalog(reader: "PdfReader") -> Any:  # noqa: ANN401 - the library's objects
    """Return what a file holds beside its pages: its tags, its attachments, its language."""
    root: Any = reader.trailer["/Root"]
    return {key: root.raw_get(key) for key in root if key not in ("/Pages", "/Metadata", "/OpenAction")}


def _print_of(value: Any) -> str:  # noqa: ANN401 - the library's objects
    """Return the digest of an object and all it refers to: of a page its drawing, fonts, annotations."""
    return hashlib.sha256(b"".join(_tokens(value, {}))).hexdigest()


def _tokens(value: Any, seen: dict[int, Any]) -> Iterator[bytes]:  # noqa: ANN401
    value = value.get_object() if hasattr(value, "get_object") else value
    if not isinstance(value, dict | list):
        yield f"{value} ".encode("utf-8", "surrogatepass")
    elif id(value) not in seen:
        seen[id(value)] = value  # kept, so that its number is not used for another
        raw = value.raw_get if hasattr(value, "raw_get") else value.__getitem__
        is_dict = isinstance(value, dict)
        yield b"<<" if is_dict else b"["
        for key in sorted(set(value) - _IGNORED) if is_dict else range(len(value)):
            yield str(key).encode()
            yield from _tokens(raw(key), seen)
        yield value.get_data() if hasattr(value, "get_data") else b""
        yield b">>" if is_dict else b"]"

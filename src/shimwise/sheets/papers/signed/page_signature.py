"""The signature of a paper's pages: PAdES over the whole file, by the house's key.

It is one incremental update behind the pages as they were set: a signature, its field of no size on the first
page, and the certification that permits no change. All of it follows from the pages, the key and the time,
to the byte; so a signature is checked by making the update again and comparing, and nothing of a PDF that a
stranger wrote has to be understood to find what was signed. Readers of PDF check it as any other signature.

References
----------
.. [1] ISO 32000-2:2020, *Portable document format — PDF 2.0*, 7.5.6 (incremental updates), 12.8 (signatures).
.. [2] ETSI EN 319 142-1 V1.1.1 (2016), *PAdES digital signatures*, baseline B-B: ``ETSI.CAdES.detached``, the
   signing certificate in the signed attributes, no time in them.
.. [3] R. Housley, *Cryptographic Message Syntax (CMS)*, RFC 5652 (2009); S. Turner, D. Brown, *Use of
   Elliptic Curve Cryptography (ECC) Algorithms in CMS*, RFC 5753 (2010).
.. [4] ISO 19005-3:2012, PDF/A-3, 6.4.3: the byte range is the whole file, one signer, its certificate within.
"""

import hashlib
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from shimwise.errors import SheetError
from shimwise.house_keys import HouseKey, is_signed

MARK = b"\n% Shimwise: the signature of these pages\n"
"""Begins the update."""
ROOM_BYTES = 1024
"""Room for the signature: it has some 800 bytes, and one or two more or less with its figures."""
ENTRY = 20
"""Bytes of an object's line in the table."""
LONGEST_TRAILER, DEEPEST = 4096, 32
_TIME = re.compile(rb"/M\(D:(\d{14})Z\)")
_END = re.compile(
    rb"trailer\n<</Size (?P<size>\d{1,9})/Root (?P<root>\d{1,9}) 0 R"
    rb"(?P<more>/Info \d{1,9} 0 R/ID\[[^\]]{1,200}\])>>\n"
    rb"startxref\n(?P<table>\d{1,10})\n%%EOF\Z"
)
_TABLE = re.compile(rb"xref\n0 (\d{1,9})\n")
_IN_USE = re.compile(rb"\d{10} 00000 n\r\n")
_PAGES = re.compile(rb"/Pages (\d{1,9}) 0 R")
_KIDS = re.compile(rb"/Kids\[(\d{1,9}) 0 R")
_SIZE_DIGITS = 10
"""A place in the file is written with so many digits, so that the update is as long before as after."""


@dataclass(frozen=True, slots=True)
class PageSignature:
    """A valid signature over a whole file.

    Attributes
    ----------
    pages : bytes
        The paper as it was set, without its signature.
    certificate : bytes
        The certificate of the key with which it was made; whose it is, and whether it is trusted, is another
        question.
    """

    pages: bytes
    certificate: bytes

    def is_of(self, public: bytes) -> bool:
        """Return whether the house with this public key made it: its key signed the certificate."""
        from cryptography import x509

        found = x509.load_der_x509_certificate(self.certificate)
        return is_signed(found.tbs_certificate_bytes, signature=found.signature, public=public)


def sign_pages(pages: bytes, *, key: HouseKey, at: datetime) -> bytes:
    """Return a paper with the signature of its pages behind it; equal for equal arguments.

    Parameters
    ----------
    pages : bytes
        A PDF with a classic cross-reference table and no signature, as :func:`.setting.set_paper` returns it.
    key : HouseKey
        The key.
    at : datetime
        The time that the signature carries: that of the paper, so that equal papers are equal files.
    """
    update, hole = _update(pages, at=f"{at.astimezone(UTC):%Y%m%d%H%M%S}")
    digest = _digest(pages, update, hole)
    signature = key.sign_page(_attributes(digest, key.certificate).dump())
    return pages + _filled(update, hole, _cms(digest, key.certificate, signature))


def signature_in(data: bytes) -> PageSignature | None:
    """Return the signature of a paper's pages; None if there is none that is whole and over all of the file.

    Never raises, whatever the file is.
    """
    place = data.rfind(MARK)
    pages, update = data[:place], data[place:]
    time = _TIME.search(update)
    if place < 0 or time is None:
        return None
    try:
        anew, hole = _update(pages, at=time[1].decode())
        contents = bytes.fromhex(update[hole[0] + 1 : hole[1] - 1].decode("ascii"))
        if _filled(anew, hole, contents) != update:
            return None
        return _checked(pages, _digest(pages, anew, hole), contents)
    except Exception:  # whatever a file made by a stranger makes the libraries raise: then it is no signature
        return None


def _checked(pages: bytes, digest: bytes, data: bytes) -> PageSignature | None:
    """Return the signature if its message is, to the byte, what :func:`sign_pages` would have written."""
    from asn1crypto import cms
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.hashes import SHA256

    content = cms.ContentInfo.load(data)["content"]
    certificate: bytes = content["certificates"][0].chosen.dump()
    signature: bytes = content["signer_infos"][0]["signature"].native
    if _cms(digest, certificate, signature).ljust(ROOM_BYTES, b"\0") != data:
        return None
    public = x509.load_der_x509_certificate(certificate).public_key()
    if not isinstance(public, ec.EllipticCurvePublicKey) or public.curve.name != "secp256r1":
        return None
    public.verify(signature, _attributes(digest, certificate).dump(), ec.ECDSA(SHA256()))  # raises
    return PageSignature(pages, certificate)


def _digest(pages: bytes, update: bytes, hole: tuple[int, int]) -> bytes:
    digest = hashlib.sha256(pages)
    digest.update(update[: hole[0]])
    digest.update(update[hole[1] :])
    return digest.digest()


def _filled(update: bytes, hole: tuple[int, int], contents: bytes) -> bytes:
    """Return the update with the signature in its place; what is left of the room is zeros."""
    digits = contents.ljust(ROOM_BYTES, b"\0").hex().encode()
    return update[: hole[0] + 1] + digits + update[hole[1] - 1 :]


def _update(pages: bytes, *, at: str) -> tuple[bytes, tuple[int, int]]:
    """Return the update, and the place in it of the signature with its brackets, which it cannot cover."""
    paper = _Paper(pages)
    signature, field = paper.size, paper.size + 1
    form = b"/AcroForm<</Fields[%d 0 R]/SigFlags 3>>/Perms<</DocMDP %d 0 R>>" % (field, signature)
    objects = {
        paper.first_page: paper.with_more(paper.first_page, b"/Annots[%d 0 R]" % field),
        paper.catalog: paper.with_more(paper.catalog, form),
        signature: b"",
        field: b"<</Type/Annot/Subtype/Widget/FT/Sig/T(House)/TU(Signature of the house)/V %d 0 R"
        b"/Rect[0 0 0 0]/F 132/P %d 0 R>>" % (signature, paper.first_page),
    }
    # Written twice: the first time to learn where things are, the second time with those places. All places
    # are written with as many digits, so nothing moves in between.
    update, hole = b"", (0, 0)
    for _ in range(2):
        objects[signature] = _signature_object(len(pages), hole, len(pages) + len(update), at=at)
        update = _written(len(pages), objects, paper)
        begin = update.index(b"/Contents<") + len(b"/Contents")
        hole = (begin, begin + 2 * ROOM_BYTES + 2)
    return update, hole


class _Paper:
    """The few facts of a PDF as :func:`.setting.set_paper` writes it, read from its own bytes.

    It has one cross-reference table with all objects, and its dictionaries are plain text. Read without a
    library of PDF, so that the same pages have the same update in every later version.
    """

    def __init__(self, pages: bytes) -> None:
        end = _END.search(pages, max(0, len(pages) - LONGEST_TRAILER))
        table = end and _TABLE.match(pages, int(end["table"]))
        if end is None or not table:
            raise _no_paper("it does not end with its table")
        self.pages, self.table, self.trailer = pages, int(end["table"]), end["more"]
        self.size, self.catalog = int(table[1]), int(end["root"])
        if int(end["size"]) != self.size:
            raise _no_paper("its table has not all of its objects")
        self._entries = table.end()
        self.first_page = self._first(_PAGES, self.catalog)
        for _ in range(DEEPEST):
            if b"/Type/Pages" not in self.content(self.first_page):
                return
            self.first_page = self._first(_KIDS, self.first_page)
        raise _no_paper("its pages lie too deep")

    def content(self, number: int) -> bytes:
        """Return a dictionary as it is written."""
        entry = self.pages[self._entries + ENTRY * number : self._entries + ENTRY * (number + 1)]
        if not 0 < number < self.size or not _IN_USE.fullmatch(entry):
            raise _no_paper(f"it has no object {number}")
        head, begin = b"%d 0 obj\n" % number, int(entry[:10])
        end = self.pages.find(b"\nendobj", begin)
        found = self.pages[begin + len(head) : end]
        if not self.pages.startswith(head + b"<<", begin) or end < 0 or not found.endswith(b">>"):
            raise _no_paper(f"its object {number} is not where it should be")
        return found

    def with_more(self, number: int, more: bytes) -> bytes:
        """Return a dictionary with entries that it has not yet."""
        found = self.content(number)
        if any(word in found for word in (b"/Annots", b"/AcroForm", b"/Perms")):
            raise _no_paper(f"its object {number} has what a signature brings")
        return found[:-2] + more + b">>"

    def _first(self, pattern: "re.Pattern[bytes]", number: int) -> int:
        found = pattern.search(self.content(number))
        if found is None:
            raise _no_paper("its first page is not found")
        return int(found[1])


def _no_paper(what: str) -> SheetError:
    return SheetError(f"The pages cannot be signed: {what}.")


def _signature_object(start: int, hole: tuple[int, int], whole: int, *, at: str) -> bytes:
    first, second = start + hole[0], start + hole[1]
    places = " ".join(str(one).zfill(_SIZE_DIGITS) for one in (0, first, second, max(0, whole - second)))
    return (
        "<</Type/Sig/Filter/Adobe.PPKLite/SubFilter/ETSI.CAdES.detached"
        f"/ByteRange[{places}]/M(D:{at}Z)"
        "/Reference[<</Type/SigRef/TransformMethod/DocMDP"
        "/TransformParams<</Type/TransformParams/P 1/V/1.2>>>>]"
        f"/Contents<{'00' * ROOM_BYTES}>>>"
    ).encode()


def _written(start: int, objects: dict[int, bytes], paper: _Paper) -> bytes:
    out, places = bytearray(MARK), {}
    for number, content in objects.items():
        places[number] = start + len(out)
        out += b"%d 0 obj\n%b\nendobj\n" % (number, content)
    table = start + len(out)
    out += b"xref\n"
    for number in sorted(places):  # each in a section of its own: no two of the old ones need be neighbours
        out += b"%d 1\n%010d 00000 n\r\n" % (number, places[number])
    size = max(objects) + 1
    out += b"trailer\n<</Size %d/Root %d 0 R%b/Prev %d>>\nstartxref\n%d\n%%%%EOF\n" % (
        *(size, paper.catalog, paper.trailer, paper.table, table),
    )
    return bytes(out)


def _attributes(digest: bytes, certificate: bytes) -> Any:  # noqa: ANN401 - asn1crypto has no types
    """Return the signed attributes; their DER is what the signature is over (RFC 5652, 5.4)."""
    from asn1crypto import cms, tsp

    named = tsp.SigningCertificateV2({"certs": [{"cert_hash": hashlib.sha256(certificate).digest()}]})
    return cms.CMSAttributes(
        [
            cms.CMSAttribute({"type": "content_type", "values": ["data"]}),
            cms.CMSAttribute({"type": "message_digest", "values": [digest]}),
            cms.CMSAttribute({"type": "signing_certificate_v2", "values": [named]}),
        ]
    )


def _cms(digest: bytes, certificate: bytes, signature: bytes) -> bytes:
    """Return the signature as a CMS message without its content (RFC 5652), DER."""
    from asn1crypto import cms, x509

    owner = x509.Certificate.load(certificate)
    sha256 = {"algorithm": "sha256"}
    signer = cms.SignerInfo(
        {
            "version": "v1",
            "sid": cms.SignerIdentifier(
                {
                    "issuer_and_serial_number": cms.IssuerAndSerialNumber(
                        {"issuer": owner.issuer, "serial_number": owner.serial_number}
                    )
                }
            ),
            "digest_algorithm": sha256,
            "signed_attrs": _attributes(digest, certificate),
            "signature_algorithm": {"algorithm": "sha256_ecdsa"},
            "signature": signature,
        }
    )
    signed = cms.SignedData(
        {
            "version": "v1",
            "digest_algorithms": [sha256],
            "encap_content_info": {"content_type": "data"},
            "certificates": [owner],
            "signer_infos": [signer],
        }
    )
    found: bytes = cms.ContentInfo({"content_type": "signed_data", "content": signed}).dump()
    return found

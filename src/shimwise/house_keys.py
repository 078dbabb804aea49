"""The house's Ed25519 key pair, and the public keys of the houses that are known here.

The private key lies outside the record, so that whoever can write to the record alone cannot sign: in a
folder of this user (``SHIMWISE_KEYS`` names another), or given by ``SHIMWISE_HOUSE_KEY``, as PEM or as the
path of a PEM file. ``known`` in that folder holds a public key in PEM for each house that is trusted, named
after it; the house's own former keys are among them. Nothing in a record, a sheet or a prep is ever trusted
as a key.

References
----------
.. [1] S. Josefsson, I. Liusvaara, *Edwards-Curve Digital Signature Algorithm (EdDSA)*, RFC 8032 (2017).
.. [2] S. Josefsson, J. Schaad, *Algorithm Identifiers for Ed25519, Ed448, X25519, and X448*, RFC 8410 (2018).
.. [3] T. Pornin, *Deterministic Usage of the DSA and ECDSA*, RFC 6979 (2013).
.. [4] D. Cooper et al., *Internet X.509 Public Key Infrastructure Certificate and CRL Profile*, RFC 5280
   (2008); 4.1.2.5 on a certificate without a known end.
"""

import hashlib
import os
import re
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from shimwise.errors import ShimwiseError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FOLDER_VARIABLE, KEY_VARIABLE = "SHIMWISE_KEYS", "SHIMWISE_HOUSE_KEY"
KEY_FILE, KNOWN = "house-key.pem", "known"
OWN = "this-house"
LARGEST_BYTES = 16_384
"""Of a file with a key."""
_BEGAN = datetime(2026, 1, 1, tzinfo=UTC)
_NO_END = datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)
_P256_ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551
"""Order of the curve P-256 (NIST SP 800-186, 3.2.1.3)."""
_NAME = re.compile(r"[\w][\w .-]{0,59}")


class HouseKeyError(ShimwiseError):
    """Raised when the house's key, or one that it should know, cannot be read, kept or used."""


@dataclass(frozen=True, slots=True)
class KnownKey:
    """A public key that is trusted here; ``public``: 32 bytes; ``house``: whose it is, as named here."""

    public: bytes
    house: str

    @property
    def fingerprint(self) -> str:
        """Fingerprint of the key, to be compared by voice."""
        return fingerprint_of(self.public)

    @property
    def is_own(self) -> bool:
        """Whether it is this house's, now or formerly."""
        return self.house == OWN or self.house.startswith(f"{OWN}-")

    @property
    def words(self) -> str:
        """The house in a sentence: this one, or its name here."""
        return "this house" if self.is_own else f"the house known here as {self.house}"


@dataclass(frozen=True)
class HouseKey:
    """The house's key pair. Pages are signed with a second one that follows from it.

    Readers of PDF know P-256 and seldom Ed25519 (ISO/TS 32002 brought it in 2022), so the pages' key is on
    P-256, and its certificate is signed with the house's key: whoever knows that one knows both.
    """

    private: "Ed25519PrivateKey"

    @cached_property
    def public(self) -> bytes:
        """The public key, 32 bytes."""
        return self.private.public_key().public_bytes_raw()

    def sign(self, data: bytes) -> bytes:
        """Return the signature over ``data``, 64 bytes; the same bytes for the same data."""
        return self.private.sign(data)

    def sign_page(self, data: bytes) -> bytes:
        """Return the signature over ``data`` with the pages' key, DER; the same bytes for the same data."""
        from cryptography.hazmat.primitives.asymmetric import ec
        from cryptography.hazmat.primitives.hashes import SHA256

        return self._page_key.sign(data, ec.ECDSA(SHA256(), deterministic_signing=True))

    @cached_property
    def _page_key(self) -> "EllipticCurvePrivateKey":
        from cryptography.hazmat.primitives.asymmetric import ec
        from cryptography.hazmat.primitives.hashes import SHA256
        from cryptography.hazmat.primitives.kdf.hkdf import HKDF

        derive = HKDF(SHA256(), length=48, salt=None, info=b"shimwise: key of pages, P-256")
        number = int.from_bytes(derive.derive(self.private.private_bytes_raw()))
        # FIPS 186-5, A.2.1: with 128 bits more than the order has, the remainder is as good as uniform.
        return ec.derive_private_key(number % (_P256_ORDER - 1) + 1, ec.SECP256R1())

    @cached_property
    def certificate(self) -> bytes:
        """The certificate of the pages' key, signed with the house's key, DER; always the same bytes."""
        from cryptography import x509
        from cryptography.hazmat.primitives.serialization import Encoding
        from cryptography.x509.oid import NameOID

        house = f"Shimwise house {fingerprint_of(self.public)}"
        issuer, subject = (
            x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]) for name in (house, f"{house}, pages")
        )
        serial = int.from_bytes(hashlib.sha256(self.public).digest()[:16]) >> 1 | 1
        not_for = (
            *("key_encipherment", "data_encipherment", "key_agreement", "key_cert_sign", "crl_sign"),
            *("encipher_only", "decipher_only"),
        )
        usage = x509.KeyUsage(
            digital_signature=True, content_commitment=True, **dict.fromkeys(not_for, False)
        )
        built = (
            x509.CertificateBuilder(issuer_name=issuer, subject_name=subject, serial_number=serial)
            .public_key(self._page_key.public_key())
            .not_valid_before(_BEGAN)
            .not_valid_after(_NO_END)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .sign(self.private, algorithm=None)
        )
        return built.public_bytes(Encoding.DER)


def is_signed(data: bytes, *, signature: bytes, public: bytes) -> bool:
    """Return whether a signature over ``data`` was made with the private key of ``public``."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, data)
    except (InvalidSignature, ValueError):
        return False
    return True


def fingerprint_of(public: bytes) -> str:
    """Return the first 128 bits of a public key's SHA-256, in groups of four hexadecimal digits."""
    digits = hashlib.sha256(public).hexdigest()[:32]
    return "-".join(digits[at : at + 4] for at in range(0, len(digits), 4))


def keys_folder() -> Path:
    """Return the folder of the keys; it need not be there."""
    named = os.environ.get(FOLDER_VARIABLE, "")
    if named:
        return Path(named).expanduser()
    from platformdirs import user_config_path

    return user_config_path("shimwise", appauthor=False) / "keys"


@contextmanager
def keys_kept_in(folder: Path) -> Iterator[None]:
    """Use the keys of a folder in place of this user's, in this process and those that it starts."""
    before = {name: os.environ.pop(name, None) for name in (FOLDER_VARIABLE, KEY_VARIABLE)}
    os.environ[FOLDER_VARIABLE] = str(folder)
    try:
        yield
    finally:
        os.environ.pop(FOLDER_VARIABLE)
        os.environ.update({name: value for name, value in before.items() if value is not None})


def house_key() -> HouseKey:
    """Return the house's key pair; the first call makes it.

    Raises
    ------
    HouseKeyError
        If it cannot be read or kept, is no Ed25519 key, or others can read its file.
    """
    found = _house_key()
    return found if found is not None else _made()


def known_keys(files: Sequence[Path] = ()) -> tuple[KnownKey, ...]:
    """Return the public keys that are trusted here: the house's own, those in its folder, those in ``files``.

    Raises
    ------
    HouseKeyError
        If a file is not a public key.
    """
    own = _house_key()
    found = [] if own is None else [KnownKey(own.public, OWN)]
    folder = keys_folder() / KNOWN
    kept = sorted(folder.glob("*.pem")) if folder.is_dir() else []
    found += [KnownKey(read_public_key(path), path.stem) for path in (*kept, *files)]
    return tuple({one.public: one for one in reversed(found)}.values())[::-1]


def read_public_key(path: Path) -> bytes:
    """Read a public key, 32 bytes, from a PEM file.

    Raises
    ------
    HouseKeyError
        If it cannot be read, or holds another kind of key; a private key is refused.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        found = load_pem_public_key(_content(path))
    except (ValueError, UnsupportedAlgorithm) as error:
        raise HouseKeyError(f"{path} holds no public key. Give what `shimwise keys` wrote there.") from error
    if not isinstance(found, Ed25519PublicKey):
        raise HouseKeyError(f"{path} holds no Ed25519 key, and no other kind is used here.")
    return found.public_bytes_raw()


def public_pem(public: bytes) -> str:
    """Return a public key, 32 bytes, as PEM."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    key = Ed25519PublicKey.from_public_bytes(public)
    return key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode()


def trust(public: bytes, house: str) -> KnownKey:
    """Keep a public key as that of a house that is known here.

    Raises
    ------
    HouseKeyError
        If the name is none, or a key is known by that name.
    """
    if house.lower().startswith(OWN):
        raise HouseKeyError(f"{house[:60]!r} is a name of this house's own keys. Give another.")
    return _keep(public, house)


def _keep(public: bytes, house: str) -> KnownKey:
    if not _NAME.fullmatch(house):
        raise HouseKeyError(f"{house[:60]!r} is no name of a house: letters, digits, spaces, dots, dashes.")
    path = keys_folder() / KNOWN / f"{house}.pem"
    if path.exists() and read_public_key(path) != public:
        raise HouseKeyError(f"Another key is known as {house}. Give another name.")
    if not path.exists():
        _write_new(path, public_pem(public).encode())
    return KnownKey(public, house)


def distrust(house: str) -> KnownKey:
    """Take away the key of a house that is known here.

    Raises
    ------
    HouseKeyError
        If none is known by that name.
    """
    path = keys_folder() / KNOWN / f"{house}.pem"
    if not _NAME.fullmatch(house) or not path.is_file():
        raise HouseKeyError(f"No key is known as {house[:60]!r}.")
    gone = KnownKey(read_public_key(path), house)
    path.unlink()
    return gone


def rotate() -> tuple[KnownKey | None, HouseKey]:
    """Make a new key pair in place of the house's; the former public key stays known.

    Returns
    -------
    tuple
        The former key, None if there was none, and the new pair.

    Raises
    ------
    HouseKeyError
        If the key is given by the environment, or files cannot be written.
    """
    if os.environ.get(KEY_VARIABLE):
        raise HouseKeyError(f"The key is given by {KEY_VARIABLE}; change it where that is set.")
    former = _house_key()
    if former is None:
        return None, _made()
    kept = _keep(former.public, _own_name(former.public))
    (keys_folder() / KEY_FILE).unlink()
    return kept, _made()


def _own_name(public: bytes) -> str:
    return f"{OWN}-{fingerprint_of(public)[:9]}"


def _house_key() -> HouseKey | None:
    given = os.environ.get(KEY_VARIABLE, "").strip()
    if given.startswith("-----BEGIN"):
        return _private(given.encode(), where=KEY_VARIABLE)
    path = Path(given).expanduser() if given else keys_folder() / KEY_FILE
    if not given and not path.exists():
        return None
    data = _content(path)
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise HouseKeyError(f"{path} can be read by others, so it is not used. Close it: chmod 600 {path}")
    return _private(data, where=str(path))


def _private(data: bytes, *, where: str) -> HouseKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        found = load_pem_private_key(data, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise HouseKeyError(
            f"{where} holds no private key that can be read. See docs/security.md."
        ) from error
    if not isinstance(found, Ed25519PrivateKey):
        raise HouseKeyError(f"{where} holds no Ed25519 key, and no other kind is used here.")
    return HouseKey(found)


def _made() -> HouseKey:
    """Make the key pair; if another process was faster, return its."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    private = Ed25519PrivateKey.generate()
    pem = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    _write_new(keys_folder() / KEY_FILE, pem)
    made = _house_key()
    if made is None:
        raise HouseKeyError(f"The house's key did not stay in {keys_folder()}.")
    _keep(made.public, _own_name(made.public))
    return made


def _write_new(path: Path, data: bytes) -> None:
    """Write a file that only this user can read, whole, unless one of its name is there."""
    part = path.with_name(f".{path.name}.{os.getpid()}.{os.urandom(4).hex()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        with suppress(FileExistsError):
            os.link(part, path)  # never over one that is there, as a rename would
    except OSError as error:
        raise HouseKeyError(
            f"The key cannot be kept as {path} ({error.strerror or error}). Name another folder by "
            f"{FOLDER_VARIABLE}, or give the key by {KEY_VARIABLE}."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(LARGEST_BYTES)
    except OSError as error:
        raise HouseKeyError(
            f"{path} cannot be read ({error.strerror or error}). Where {KEY_VARIABLE} names it: without that "
            "variable shimwise keys show makes a key and says where it lies; copy it there."
        ) from error

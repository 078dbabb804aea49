"""A house that answers elsewhere, as a side of a sync: its interface over HTTPS, its certificate verified.

The token is sent in a header alone; it is kept nowhere and is in no message.
"""

# ruff: noqa: ANN401 - a value of JSON is of any kind

import http.client
import json
import ssl
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn
from urllib.parse import quote, urlsplit

from shimwise.bench.exchange.sync_side import Compared, Order, SyncHead
from shimwise.bench.this_machine import is_this_machine
from shimwise.errors import RecordError
from shimwise.record.errors import Conflict, RecordAway, RecordUnreachable
from shimwise.record.exchange.sync_rows import Entry

WAITED_S = 60.0
"""How long one answer is waited for: a prep with thousands of readings is checked meanwhile. [s]"""
LARGEST_BYTES = 256 * 2**20
"""More than the entries of a hundred thousand units; a larger answer is not what was meant."""
API = "/api/v1"
_NO_ANSWER = (
    "does not answer as a house of Shimwise ({cause}). See that the address is the one that serve "
    "printed, and that both have the same version."
)


class HouseRefused(RecordError):  # noqa: N818 - a sentence reads better by what happened
    """Raised when a house does not let this machine in, or not do that."""


class HouseAway(RecordUnreachable):
    """Raised when a house does not answer now."""

    code = RecordUnreachable.code
    subject = "The house"


class HouseSide:
    """A served house. Close it at the end."""

    def __init__(
        self, address: str, *, token: str, who: str, machine: str, certificate: Path | None = None
    ) -> None:
        parts = urlsplit(address)
        self.name = f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}"
        self.path = parts.path.rstrip("/")
        self.who, self.machine = who, machine
        self._headers = {"Accept": "application/json"}
        if token:
            self._headers["Authorization"] = f"Bearer {token}"
        self._has_token, self._certificate = bool(token), certificate
        self._connection = _connection(parts, certificate, name=self.name)

    def head(self, *, is_dry_run: bool) -> SyncHead:
        """Return the house's id, its version and the time by its clock."""
        found = self._asked("POST", "/sync", {"is_dry_run": is_dry_run, "who": self.who})
        try:
            now = datetime.fromisoformat(found["now"])
            texts = {name: str(found[name]) for name in ("house", "version", "tables")}
        except (KeyError, TypeError, ValueError) as error:
            self._strange(error)
        if now.tzinfo is None:
            self._strange("a time without zone")
        return SyncHead(now=now, **texts)

    def compared(self, known: Mapping[str, int] | None, *, has_all: bool = False) -> Compared:
        """Return what the house has."""
        sent = {"known": None if known is None else dict(known), "has_all": has_all, "who": self.who}
        found = self._asked("POST", "/sync/compare", sent)
        try:
            return Compared(
                entries=tuple(Entry(**one) for one in found["entries"]),
                settings=dict(found["settings"]),
                people={str(name): str(role) for name, role in found["people"].items()},
            )
        except (AttributeError, KeyError, TypeError, ValueError) as error:
            self._strange(error)

    def prep(self, prep_id: str) -> dict[str, Any]:
        """Return the document of a prep."""
        found = self._asked("GET", f"/preps/{quote(prep_id, safe='')}/export")
        if not isinstance(found, dict):
            self._strange("no prep")
        return found

    def put_unit(self, entry: Entry, *, expected: str) -> None:
        """Put a unit or a set."""
        self._asked("POST", "/sync/units", {"entry": asdict(entry), "expected": expected, "who": self.who})

    def put_prep(self, document: Any, *, expected: int, beside: Any = None) -> int:
        """Put a prep."""
        sent = {
            "document": document,
            "beside": beside,
            "expected": expected,
            "who": self.who,
            "machine": self.machine,
        }
        found = self._asked("POST", "/sync/preps", sent)
        try:
            return int(found["seq"])
        except (KeyError, TypeError, ValueError) as error:
            self._strange(error)

    def check_prep(self, document: Any) -> None:
        """Ask the house to refuse a prep whose signatures it cannot prove; nothing is written there."""
        self._asked("POST", "/sync/preps", {"document": document, "who": self.who, "is_dry_run": True})

    def order_epochs(self, kind: str, unit_id: str, *, base: int, order: Order) -> None:
        """Assign each adjustment of a unit its own epoch."""
        sent_order = [{"id": id_, "at": at.isoformat()} for id_, at in order]
        sent = {"kind": kind, "id": unit_id, "base": base, "order": sent_order, "who": self.who}
        self._asked("POST", "/sync/epochs", sent)

    def close(self) -> None:
        """End the connection."""
        self._connection.close()

    def _asked(self, method: str, path: str, sent: Any = None) -> Any:
        """Ask once more where an idle connection was ended meanwhile: what was sent twice is kept once."""
        address = f"{self.path}{API}{path}"
        body = None if sent is None else json.dumps(sent, allow_nan=False).encode()
        headers = self._headers | ({} if body is None else {"Content-Type": "application/json"})
        for is_last in (False, True):
            try:
                self._connection.request(method, address, body=body, headers=headers)
                answer = self._connection.getresponse()
                data = answer.read(LARGEST_BYTES + 1)
                break
            except ssl.SSLCertVerificationError as error:
                raise HouseRefused(self._unvouched(error.verify_message)) from error
            except (OSError, http.client.HTTPException) as error:
                self._connection.close()
                if is_last:
                    cause = str(error) or type(error).__name__
                    raise HouseAway(_away(f"{cause}{_hint(self.name)}"), where=self.name) from error
        if len(data) > LARGEST_BYTES:
            self._strange(f"more than {LARGEST_BYTES // 2**20} MiB")
        return self._read(answer.status, data)

    def _read(self, status: int, data: bytes) -> Any:
        if status == 204:
            return None
        try:
            found = json.loads(data)
        except (ValueError, RecursionError) as error:
            self._strange(f"status {status}" if status != 200 else error)
        if status in (200, 201):
            return found
        detail = found.get("detail") if isinstance(found, dict) else None
        detail = str(detail or f"status {status}")
        if status == 401:
            was = (
                "does not know the token that was sent, or it was ended there"
                if self._has_token
                else ("asks for a token, and none was given")
            )
            raise HouseRefused(
                f"{self.name} {was}. A keeper makes one on that house with: shimwise people token NAME "
                "--role lead. Put it into SHIMWISE_TOKEN here, or give --token-file FILE."
            )
        if status == 403:
            raise HouseRefused(
                f"{self.name} says: {detail} A machine needs a token of its own there: a keeper makes it "
                "with shimwise people token NAME --role lead, and it is put into SHIMWISE_TOKEN here."
            )
        if status == 409:
            raise Conflict(detail, kind="home", id="")
        if status == 404 and "/sync" in detail:
            self._strange("no such address")
        if status >= 500:
            raise HouseAway(_away(detail), where=self.name)
        raise RecordError(detail)

    def _unvouched(self, reason: str) -> str:
        if self._certificate is not None:
            return (
                f"The certificate in {self._certificate} does not vouch for {self.name} ({reason}). Give the "
                "one that this house serves with, by a name that is in it."
            )
        return (
            f"{self.name} has a certificate that nobody known here signed ({reason}). Give the house's own "
            "with --certificate FILE."
        )

    def _strange(self, cause: object) -> NoReturn:
        raise RecordError(f"{self.name} {_NO_ANSWER.format(cause=cause)}")


def _away(cause: str) -> str:
    return f"cannot be reached now ({cause}). Sync again when it answers."


def _hint(name: str) -> str:
    """Return what else the address may have to be."""
    if name.startswith("http:"):
        return "; a house that serves with a certificate has an https:// address"
    return ""


def _connection(parts: Any, certificate: Path | None, *, name: str) -> http.client.HTTPConnection:
    """Return a connection, not yet open.

    Raises
    ------
    RecordAway
        If the address cannot be one of a house.
    """
    try:
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if parts.scheme not in ("https", "http") or not host or parts.username is not None:
        raise RecordAway(
            "cannot be there: give https://HOST:PORT as serve printed it, without a name or a password in "
            "it, or a postgresql:// address.",
            where=name,
        )
    if parts.scheme == "http":
        if not is_this_machine(host):
            raise RecordAway(
                "is asked for over http, by which a token could be read on the way. Give its https:// "
                "address; shimwise serve --host has one.",
                where=name,
            )
        return http.client.HTTPConnection(host, port, timeout=WAITED_S)
    context = ssl.create_default_context()
    if certificate is not None:
        try:
            context.load_verify_locations(cafile=str(certificate))
        except (OSError, ssl.SSLError) as error:
            raise RecordError(
                f"{certificate} cannot be read as a certificate ({error}). Give the one that the house "
                "serves with, as a PEM file."
            ) from error
    return http.client.HTTPSConnection(host, port, timeout=WAITED_S, context=context)

"""Frames in one storage place beside the record: a folder, or an object store that fsspec reaches.

Each file is kept under the SHA-256 of its content, and a sweep's files under that of their list, so what is
sent twice lies there once, nothing is ever changed, and whatever is read is checked by its name.
"""

import hashlib
import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import IO, Any
from uuid import uuid4

from shimwise.extras import require_extra
from shimwise.record.errors import StorageError
from shimwise.record.file_copy import make_durable

COPY_BYTES = 2**20
LIST = "shimwise.files/1"
MOST_LIST_BYTES = 2**20
REMOVED_AFTER = timedelta(days=1)
"""What is of no sweep may still be on its way into the record for so long."""
_DIGEST = re.compile(r"[0-9a-f]{64}")
_AWAY = "cannot be reached: {cause}. Look whether its place is there and may be used; nothing was changed."
_GONE = "does not hold {digest} any more. Put the files back, or send the frames again."
_CHANGED = "holds other content under {digest} than was kept. Put the files back from a copy of it."


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFile:
    """A file of a list: its digest and size. [bytes]"""

    digest: str
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredObject:
    """What lies under a digest: its size [bytes], and when it came; None if the store does not state it."""

    digest: str
    size: int
    came_at: datetime | None


class Storage:
    """Files by their SHA-256 in a folder, or where fsspec reaches. Safe to share among threads.

    Parameters
    ----------
    where : str or Path
        A folder of this machine or of the network, or an address such as ``s3://bucket/frames``.
    """

    def __init__(self, where: str | Path) -> None:
        self.where = str(where)
        self._place = _Remote(self.where) if "://" in self.where else _Folder(Path(where))

    def put(self, stream: IO[bytes]) -> str:
        """Keep what a stream holds; return its digest. The same content again is kept once.

        Raises
        ------
        StorageError
            If the place cannot be reached or is full.
        """
        with self._translated(), TemporaryDirectory(prefix="shimwise-") as folder:
            part, digest = Path(folder) / "part", hashlib.sha256()
            with part.open("wb") as out:
                while piece := stream.read(COPY_BYTES):
                    digest.update(piece)
                    out.write(piece)
            return self._keep(digest.hexdigest(), part)

    def put_folder(self, folder: Path) -> str:
        """Keep the files of a folder; return the digest of their list, which is kept last.

        Raises
        ------
        StorageError
            As :meth:`put`.
        """
        files: dict[str, list[str | int]] = {}
        with self._translated():
            for path in sorted(one for one in folder.rglob("*") if one.is_file()):
                with path.open("rb") as stream:
                    digest = hashlib.file_digest(stream, "sha256").hexdigest()
                name = path.relative_to(folder).as_posix()
                files[name] = [self._keep(digest, path), path.stat().st_size]
        text = json.dumps({"schema": LIST, "files": files}, sort_keys=True)
        with TemporaryDirectory(prefix="shimwise-") as place, self._translated():
            part = Path(place) / "list"
            part.write_text(text, encoding="utf-8")
            return self._keep(hashlib.sha256(text.encode()).hexdigest(), part)

    def files(self, digest: str) -> dict[str, StoredFile]:
        """Return the files of a list, by name; errors as :meth:`fetch`."""
        with self._translated(), self._opened(digest) as stream:
            data = stream.read(MOST_LIST_BYTES)
        if hashlib.sha256(data).hexdigest() != digest:
            raise StorageError(_CHANGED.format(digest=digest), where=self.where)
        named: dict[str, Any] = json.loads(data)["files"]
        return {name: StoredFile(digest=kept, size=size) for name, (kept, size) in named.items()}

    def fetch(self, digest: str, target: Path) -> None:
        """Copy what lies under a digest to a file that is not there yet.

        Raises
        ------
        StorageError
            If the place cannot be reached, does not hold it, or holds other content under its name.
        """
        found = hashlib.sha256()
        with self._translated(), self._opened(digest) as stream, target.open("xb") as out:
            while piece := stream.read(COPY_BYTES):
                found.update(piece)
                out.write(piece)
        if found.hexdigest() != digest:
            target.unlink()
            raise StorageError(_CHANGED.format(digest=digest), where=self.where)

    @contextmanager
    def folder(self, digest: str) -> Iterator[Path]:
        """Fetch the files of a list into a folder that goes afterwards; errors as :meth:`fetch`."""
        files = self.files(digest)
        with TemporaryDirectory(prefix="shimwise-frames-") as place:
            for name, file in files.items():
                path = PurePosixPath(name)
                if path.is_absolute() or ".." in path.parts:  # a list that we did not make
                    raise StorageError(_CHANGED.format(digest=digest), where=self.where)
                target = Path(place, path)
                target.parent.mkdir(parents=True, exist_ok=True)
                self.fetch(file.digest, target)
            yield Path(place)

    def has(self, digest: str) -> bool:
        """Return whether something lies under a digest."""
        with self._translated():
            return self._place.size(_name(digest)) is not None

    def objects(self) -> Iterator[StoredObject]:
        """Yield all that is kept; other files that lie there are let be."""
        with self._translated():
            for name, size, came_at in self._place.objects():
                digest = PurePosixPath(name).name
                if _DIGEST.fullmatch(digest):
                    yield StoredObject(digest=digest, size=size, came_at=came_at)

    def remove(self, one: StoredObject, *, now: datetime) -> bool:
        """Remove what came long ago; return whether it went. What is younger may be on its way to a sweep."""
        if one.came_at is None or one.came_at > now - REMOVED_AFTER:
            return False
        with self._translated():
            self._place.remove(_name(one.digest))
        return True

    def _keep(self, digest: str, file: Path) -> str:
        is_whole = self._place.size(_name(digest)) == file.stat().st_size
        if not is_whole:  # not there, or a part of it: a store that was broken off
            self._place.keep(_name(digest), file)
        return digest

    def _opened(self, digest: str) -> IO[bytes]:
        if not _DIGEST.fullmatch(digest):
            raise StorageError(_GONE.format(digest=digest[:80]), where=self.where)
        try:
            return self._place.opened(_name(digest))
        except FileNotFoundError as error:
            raise StorageError(_GONE.format(digest=digest), where=self.where) from error

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except StorageError:
            raise
        # A store's own library raises what it likes; all of it means that nothing was kept or read.
        except Exception as error:
            stated = error.strerror if isinstance(error, OSError) else str(error).strip().partition("\n")[0]
            cause = (stated or type(error).__name__)[:200].rstrip(".")
            raise StorageError(_AWAY.format(cause=cause), where=self.where) from error


def _name(digest: str) -> str:
    return f"{digest[:2]}/{digest}"


class _Folder:
    """A place where objects lie by name: a folder; needs no further library.

    What is not there raises FileNotFoundError where it is opened, and has no size.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.expanduser().absolute()

    def size(self, name: str) -> int | None:
        try:
            return (self.folder / name).stat().st_size
        except FileNotFoundError:
            if not self.folder.is_dir():
                self.folder.mkdir(parents=True, mode=0o700)
            return None

    def keep(self, name: str, file: Path) -> None:
        target = self.folder / name
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        part = target.with_name(f".{uuid4().hex}.part")
        try:
            shutil.copyfile(file, part)
            make_durable(part)
            part.replace(target)
            make_durable(target.parent)
        finally:
            part.unlink(missing_ok=True)

    def opened(self, name: str) -> IO[bytes]:
        return (self.folder / name).open("rb")

    def objects(self) -> Iterator[tuple[str, int, datetime | None]]:
        for path in sorted(self.folder.glob("??/*")):
            found = path.stat()
            yield path.name, found.st_size, datetime.fromtimestamp(found.st_mtime, UTC)

    def remove(self, name: str) -> None:
        (self.folder / name).unlink(missing_ok=True)


class _Remote:
    """A place as :class:`_Folder`: a file system of fsspec."""

    def __init__(self, where: str) -> None:
        require_extra("cluster", f"Frames in {where.partition('://')[0]}://…")
        import fsspec

        try:
            self.files, self.root = fsspec.core.url_to_fs(where)
        except (ImportError, ValueError) as error:
            raise StorageError(_AWAY.format(cause=str(error).rstrip(".")), where=where) from error

    def _path(self, name: str) -> str:
        return f"{self.root.rstrip('/')}/{name}"

    def size(self, name: str) -> int | None:
        try:
            return int(self.files.info(self._path(name))["size"])
        except FileNotFoundError:
            return None

    def keep(self, name: str, file: Path) -> None:
        path = self._path(name)
        self.files.makedirs(path.rpartition("/")[0], exist_ok=True)
        self.files.put_file(os.fspath(file), path)

    def opened(self, name: str) -> IO[bytes]:
        opened: IO[bytes] = self.files.open(self._path(name), "rb")
        return opened

    def objects(self) -> Iterator[tuple[str, int, datetime | None]]:
        self.files.invalidate_cache()
        found: Mapping[str, Mapping[str, Any]] = self.files.find(self.root, detail=True)
        for path, facts in found.items():
            yield path, int(facts["size"]), _time_of(facts)

    def remove(self, name: str) -> None:
        self.files.rm_file(self._path(name))


def _time_of(facts: Mapping[str, Any]) -> datetime | None:
    """Return when an object was written; each store reports it in its own way."""
    stated = next(
        (facts[name] for name in ("mtime", "LastModified", "last_modified", "created") if name in facts), None
    )
    if isinstance(stated, int | float):
        return datetime.fromtimestamp(stated, UTC)
    return stated if isinstance(stated, datetime) and stated.tzinfo is not None else None

"""Frames in a folder or an object store: found by what they hold, checked when read, orphans removed."""

import hashlib
import io
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

import pytest

from shimwise.extras import MissingExtraError
from shimwise.record.errors import StorageError
from shimwise.record.storage import REMOVED_AFTER, Storage

TEXT = b"invented frame"
DIGEST = hashlib.sha256(TEXT).hexdigest()
LATER = datetime.now(UTC) + 2 * REMOVED_AFTER


@pytest.fixture(params=["folder", "file", "memory"])
def storage(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Storage]:
    where = tmp_path / "kept"
    if request.param == "folder":
        yield Storage(where)
    elif request.param == "file":
        yield Storage(where.as_uri())
    else:
        yield Storage(f"memory://{uuid4().hex}/kept")


def a_sweep(folder: Path, *, frames: int = 3) -> Path:
    for number in range(frames):
        path = folder / "clips" / f"{number:04d}.png"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(TEXT + bytes([number]))
    (folder / "sweep.json").write_bytes(b"{}")
    return folder


def test_a_file_is_kept_under_its_sha256_and_read_back(storage: Storage, tmp_path: Path) -> None:
    assert storage.put(io.BytesIO(TEXT)) == DIGEST
    assert storage.put(io.BytesIO(TEXT)) == DIGEST  # once
    assert [(one.digest, one.size) for one in storage.objects()] == [(DIGEST, len(TEXT))]
    storage.fetch(DIGEST, tmp_path / "out")
    assert (tmp_path / "out").read_bytes() == TEXT


def test_a_folder_comes_back_as_it_was_and_is_kept_once(storage: Storage, tmp_path: Path) -> None:
    sent = a_sweep(tmp_path / "sent")
    digest = storage.put_folder(sent)
    count = len(list(storage.objects()))
    assert storage.put_folder(a_sweep(tmp_path / "again")) == digest
    assert len(list(storage.objects())) == count == 5  # three frames, sweep.json, the list
    with storage.folder(digest) as place:
        found = {path.relative_to(place).as_posix(): path.read_bytes() for path in place.rglob("*.*")}
        assert found == {path.relative_to(sent).as_posix(): path.read_bytes() for path in sent.rglob("*.*")}
    assert not place.exists()


def test_other_content_under_a_digest_is_refused(tmp_path: Path) -> None:
    storage = Storage(tmp_path / "kept")
    digest = storage.put_folder(a_sweep(tmp_path / "sent"))
    frame = storage.files(digest)["clips/0001.png"].digest
    (tmp_path / "kept" / frame[:2] / frame).write_bytes(b"x" * (len(TEXT) + 1))
    with pytest.raises(StorageError, match="holds other content under"), storage.folder(digest):
        pass
    (tmp_path / "kept" / digest[:2] / digest).write_bytes(b"{}")
    with pytest.raises(StorageError, match="holds other content under"):
        storage.files(digest)


def test_a_list_that_leads_out_of_its_folder_is_refused(tmp_path: Path) -> None:
    storage = Storage(tmp_path / "kept")
    kept = storage.put(io.BytesIO(TEXT))
    text = f'{{"files": {{"../out.png": ["{kept}", {len(TEXT)}]}}, "schema": "shimwise.files/1"}}'
    digest = storage.put(io.BytesIO(text.encode()))
    with pytest.raises(StorageError, match="other content"), storage.folder(digest):
        pass


def test_what_is_gone_is_said(storage: Storage, tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"does not hold .* any more"):
        storage.fetch(DIGEST, tmp_path / "out")
    with pytest.raises(StorageError, match="does not hold"):
        storage.files("../../etc/passwd")
    assert not storage.has(DIGEST)


def test_a_file_that_was_broken_off_is_kept_anew(tmp_path: Path) -> None:
    storage = Storage(tmp_path / "kept")
    storage.put(io.BytesIO(TEXT))
    (tmp_path / "kept" / DIGEST[:2] / DIGEST).write_bytes(TEXT[:5])
    storage.put(io.BytesIO(TEXT))
    storage.fetch(DIGEST, tmp_path / "out")


def test_only_what_came_long_ago_is_removed(storage: Storage, tmp_path: Path) -> None:
    digest = storage.put_folder(a_sweep(tmp_path / "sent"))
    left_over = storage.put(io.BytesIO(b"left over"))
    (orphan,) = (one for one in storage.objects() if one.digest == left_over)
    assert not storage.remove(orphan, now=datetime.now(UTC))  # perhaps on its way to a sweep
    assert storage.remove(orphan, now=LATER)
    assert left_over not in {one.digest for one in storage.objects()}
    with storage.folder(digest):
        pass


def test_a_store_that_cannot_be_used_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(StorageError, match="storage of frames cannot be reached"):
        Storage(tmp_path / "file").put(io.BytesIO(TEXT))
    with pytest.raises(StorageError, match="cannot be reached: Protocol not known"):
        Storage("nowhere://frames")
    monkeypatch.setitem(__import__("sys").modules, "fsspec", None)
    with pytest.raises(MissingExtraError, match=r"shimwise\[cluster\]"):
        Storage("memory://frames")
    assert Storage(tmp_path / "folder").put(io.BytesIO(TEXT)) == DIGEST  # a folder needs no library

"""Files that a reader once failed on, found by ``python -m benchmarks.fuzz``: each is refused."""

import sys
from contextlib import suppress
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.append(str(ROOT))

from benchmarks.fuzz.readers import READERS  # noqa: E402

from shimwise.errors import ShimwiseError  # noqa: E402

FILES = sorted((ROOT / "tests" / "reference" / "damaged").glob("*.bin"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_file_that_was_failed_on_is_refused_or_taken(path: Path) -> None:
    # Taken: a place beyond the file is refused by some file systems and not by others.
    with suppress(ShimwiseError):
        READERS[path.stem.rpartition("-")[0]](path.read_bytes())
        assert path.stem.startswith("clip")


def test_there_are_files_of_more_than_one_reader() -> None:
    assert len({path.stem.rpartition("-")[0] for path in FILES}) > 2

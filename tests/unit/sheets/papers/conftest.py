"""A signed sheet, made once, and a look at its pages through programs that are not ours."""

import io
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pypdf
import pytest
from invented_preps import signed_document

from shimwise.bench.sign.papers import CHECK, MadePaper, make_paper


@pytest.fixture(scope="session")
def signed_sheet() -> MadePaper:
    return make_paper(CHECK, [signed_document()])


@pytest.fixture
def text_of() -> Callable[[bytes], str]:
    """Text of a PDF as pypdf extracts it, white space as single spaces."""

    def extract(pdf: bytes) -> str:
        pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
        return " ".join(" ".join(page.extract_text() for page in pages).split())

    return extract


@pytest.fixture
def rastered(tmp_path: Path) -> Callable[..., list[Path]]:
    """Pictures of a PDF's pages, by poppler."""

    def paint(pdf: bytes, *, dpi: int = 100) -> list[Path]:
        if shutil.which("pdftoppm") is None:
            pytest.skip("poppler-utils is not installed")
        (tmp_path / "a.pdf").write_bytes(pdf)
        words = ["pdftoppm", "-r", str(dpi), "-gray", str(tmp_path / "a.pdf"), str(tmp_path / "page")]
        subprocess.run(words, check=True, capture_output=True)
        return sorted(tmp_path.glob("page*.pgm"))

    return paint

"""Which program sets a paper: two papers of one print are comparable letter by letter, others are not."""

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

from shimwise import __version__

MAKER = f"Shimwise {__version__}"
SETTERS = ("typst", "vl-convert-python", "segno")
"""What else a page's look depends on."""


@cache
def maker_print() -> str:
    """Return the digest of all that sets a page: sources, templates, typefaces, and the setters' versions."""
    folder = Path(__file__).parents[1]
    digest = hashlib.sha256(__version__.encode())
    for name in SETTERS:
        digest.update(f"{name} {version(name)}".encode())
    for path in sorted(folder.rglob("*")):
        if path.suffix in (".py", ".typ", ".ttf"):
            digest.update(path.relative_to(folder).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]

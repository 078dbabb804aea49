"""Libraries that only some work needs, installed as extras of the package; what is missing is named."""

from importlib.util import find_spec

from shimwise.errors import ShimwiseError

EXTRAS = {
    "frames": ("numba", "cv2", "av", "tifffile", "rawpy", "OpenEXR", "colour", "scipy"),
    "postgresql": ("psycopg",),
    "cluster": ("distributed", "fsspec"),
}
"""Extra -> the modules that it brings; the same names as in ``pyproject.toml``."""


class MissingExtraError(ShimwiseError):
    """Raised when a command or page needs an extra that is not installed."""

    def __init__(self, extra: str, purpose: str) -> None:
        self.extra = extra
        super().__init__(
            f"{purpose} needs libraries that are not installed here. Add them with "
            f"`pip install 'shimwise[{extra}]'` (in the project's folder: `make setup`), then try again."
        )


def require_extra(extra: str, purpose: str) -> None:
    """Raise MissingExtraError if a module of ``extra`` is not installed; ``purpose`` begins its sentence."""
    if not all(_is_installed(module) for module in EXTRAS[extra]):
        raise MissingExtraError(extra, purpose)


def _is_installed(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ValueError:  # a test has blocked the module by putting None in sys.modules
        return False

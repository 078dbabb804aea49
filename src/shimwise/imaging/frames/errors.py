"""What can go wrong with a frame's file or a sweep's description."""

from shimwise.errors import ImagingError


class FrameFileError(ImagingError):
    """Raised when one frame's file cannot be used; the rest of the sweep still can.

    Attributes
    ----------
    file : str
        The file's name as listed.
    reason : str
        What is wrong with it.
    """

    def __init__(self, file: str, reason: str) -> None:
        self.file, self.reason = file, reason
        super().__init__(f"{file}: {reason}")


class DescriptionError(ImagingError):
    """Raised when sweep.json, the CSV of positions or an argument is impossible."""


class TooFewFramesError(ImagingError):
    """Raised when too few frames of a sweep can be read.

    Attributes
    ----------
    got, need : int
        Frames that could be read, and the least that is of use.
    """

    def __init__(self, got: int, need: int, reasons: tuple[str, ...]) -> None:
        self.got, self.need = got, need
        listed = "; ".join(reasons[:3]) + (f"; and {len(reasons) - 3} more" if len(reasons) > 3 else "")
        because = f" Left out: {listed}." if listed else ""
        super().__init__(
            f"Only {got} of the {need} frames that a sweep needs can be read.{because} "
            "Copy the files again or record more frames."
        )

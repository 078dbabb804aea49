"""One family of errors: a root, then a branch for each step of the flow.

Catch :class:`ShimwiseError` for all of it, or a branch for one step. Every message states what was wrong with
the value found, where, and what to do next; the same words are shown in the command line, pages and reports.
"""

import re
from typing import ClassVar

_WORD_BEGINS = re.compile(r"(?<!^)(?=[A-Z])")


class ShimwiseError(Exception):
    """Anything Shimwise refuses or cannot do, in words meant for people.

    Attributes
    ----------
    code : str
        What happened, in snake case, for programs; kept for good. A class that names none has one made of its
        own name: ``reading_not_placed`` of ``ReadingNotPlacedError``.
    is_of_machine : bool
        Whether the machine could not do it, and nothing that was given is wrong.
    """

    code: ClassVar[str] = "shimwise"
    is_of_machine: ClassVar[bool] = False

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        if "code" not in vars(cls):
            cls.code = _WORD_BEGINS.sub("_", cls.__name__).lower().removesuffix("_error")

    @property
    def in_full(self) -> str:
        """The words with what only the machine itself may show, such as where the record lies."""
        return str(self)


class LengthError(ShimwiseError):
    """Raised when a text is no length that :mod:`shimwise.lengths` accepts."""


class OpticsError(ShimwiseError):
    """Raised when a physical quantity lies outside what the optics can answer."""


class ImagingError(ShimwiseError):
    """Raised when frames, a chart's layout or a sweep cannot be measured."""


class InferenceError(ShimwiseError):
    """Raised when landings, priors or settings cannot be judged."""


class RemedyError(ShimwiseError):
    """Raised when a mechanism or a shim stock is described so that no advice can follow."""


class RecordError(ShimwiseError):
    """Raised when a file or a record cannot be read, or holds something impossible."""


class SheetError(ShimwiseError):
    """Raised when a figure or a sheet cannot be drawn or written."""

"""Codes of errors: kept for programs."""

import pytest

from shimwise.errors import LengthError, ShimwiseError


def test_the_code_of_an_error_is_made_of_the_name_of_its_class() -> None:
    class DialNotFoundError(LengthError):
        pass

    assert (ShimwiseError.code, LengthError.code, DialNotFoundError.code) == (
        "shimwise",
        "length",
        "dial_not_found",
    )


def test_a_class_may_name_a_code_that_outlives_its_name() -> None:
    class RenamedError(LengthError):
        code = "dial_not_found"

    class NarrowerError(RenamedError):
        pass

    with pytest.raises(LengthError) as caught:
        raise RenamedError("No dial.")
    assert caught.value.code == "dial_not_found"
    assert NarrowerError.code == "narrower"

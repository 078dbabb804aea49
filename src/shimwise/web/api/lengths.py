"""A length in a request, to millimetres; what is none is refused by the name of its field."""

from shimwise.bench.typed_lengths import typed_distance

__all__ = ["length_mm"]


def length_mm(text: str, *, field: str) -> float:
    """Read a length [mm, infinite allowed].

    Raises
    ------
    InputError
        When it is none.
    """
    return typed_distance(text, field=field).mm

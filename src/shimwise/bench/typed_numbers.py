"""Numbers as they come from a person or a client: refused by field where they lie outside their limits."""

from shimwise.bench.errors import InputError
from shimwise.files.limits import NumberRange


def check_number(value: float | None, limits: NumberRange, *, field: str, hint: str = "") -> None:
    """Raise InputError if a number that is given lies outside its limits; ``hint`` follows the range."""
    if value is not None and not limits.hold(value):
        raise InputError(
            f"is out of range; accepted is {limits.text}{hint}.", field=field, typed=f"{value:g}"
        )

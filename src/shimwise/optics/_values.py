"""Numbers that come in and go out: floats or arrays alike, each checked once and named when it is wrong."""

from collections.abc import Callable
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from shimwise.arrays import BoolArray, FloatArray
from shimwise.errors import OpticsError

Q = TypeVar("Q", float, FloatArray)
"""A quantity: an array when any argument of a function is one (they broadcast), else a float."""


def plain(result: FloatArray, *inputs: Q | float) -> Q:  # noqa: ARG001 (the inputs fix the type)
    """Return a float where only single numbers went in, else the array."""
    return float(result) if result.ndim == 0 else result  # type: ignore[return-value]


def checked(name: str, value: ArrayLike, *, good: Callable[[FloatArray], BoolArray], want: str) -> FloatArray:
    """Return ``value`` as an array of floats when all of it is good.

    Parameters
    ----------
    name
        Name and unit as in the message, such as ``"focal length [mm]"``.
    value
        A number or an array.
    good
        Whether each element can be answered; NaN must come out false.
    want
        What is accepted, in words, for the message.

    Raises
    ------
    OpticsError
        At the first value that is not good, with its place in an array.
    """
    array = np.asarray(value, dtype=np.float64)
    is_good = good(array)
    if not is_good.all():
        bad, where = first(array, ~is_good)
        raise OpticsError(f"{bad:.12g}{where} cannot be the {name}: give {want}.")
    return array


def first(array: FloatArray, marked: BoolArray) -> tuple[float, str]:
    """Return the first marked value and, in words for a message, its place in an array."""
    place = tuple(int(i) for i in np.argwhere(np.broadcast_to(marked, array.shape))[0])
    where = f" (item {', '.join(map(str, place))} of the array)" if place else ""
    return float(array[place]), where


def positive(name: str, value: ArrayLike) -> FloatArray:
    """Return ``value`` as an array when all of it is finite and above 0."""
    return checked(name, value, good=lambda x: np.isfinite(x) & (x > 0), want="a finite number above 0")


def positive_or_infinite(name: str, value: ArrayLike) -> FloatArray:
    """Return ``value`` as an array when all of it is above 0; infinity is allowed."""
    return checked(name, value, good=lambda x: x > 0, want="a number above 0, or infinity")


def not_negative(name: str, value: ArrayLike) -> FloatArray:
    """Return ``value`` as an array when all of it is finite and not below 0."""
    return checked(name, value, good=lambda x: np.isfinite(x) & (x >= 0), want="a finite number, 0 or above")


def finite(name: str, value: ArrayLike) -> FloatArray:
    """Return ``value`` as an array when all of it is finite."""
    return checked(name, value, good=np.isfinite, want="a finite number")

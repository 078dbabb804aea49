"""Kinds of values in requests and answers, with their bounds."""

import math
from collections.abc import Iterator
from datetime import datetime
from functools import cache
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin

from fastapi import Query
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationInfo,
    field_validator,
)
from pydantic_core import PydanticCustomError

ID_PATTERN = r"^[0-9a-f]{32}$"
Facts = TypeVar("Facts")
PLAIN = r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*$"


class In(BaseModel):
    """What a request brings: no field beyond those named, no number that is none (true and "5" are not)."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True)

    @field_validator("*", mode="before")
    @classmethod
    def _refuse_no_number(cls, value: Any, info: ValidationInfo) -> Any:  # noqa: ANN401 - whatever is sent
        """Refuse a truth value or a text where a number is asked for; the library would take both."""
        annotation: Any = cls.model_fields[info.field_name].annotation if info.field_name else None
        if _takes_numbers(annotation) and any(isinstance(one, bool | str) for one in _items(value)):
            raise PydanticCustomError("float_type", "Input should be a valid number")
        return value

    def to(self, facts: type[Facts]) -> Facts:
        """Return the facts of this request as a dataclass of the bench; other fields are left out."""
        return TypeAdapter(facts).validate_python(self.model_dump())


@cache
def _takes_numbers(annotation: Any) -> bool:  # noqa: ANN401 - a type of any kind
    """Return whether a field takes numbers, and neither texts nor truth values."""
    kinds = _kinds(annotation)
    return bool(kinds & {int, float}) and not kinds & {str, bool}


def _kinds(annotation: Any) -> set[Any]:  # noqa: ANN401
    parts = get_args(annotation)[get_origin(annotation) is dict :]  # of a mapping its values
    return {annotation} if not parts else set().union(*map(_kinds, parts))


def _items(value: Any) -> Iterator[Any]:  # noqa: ANN401
    if isinstance(value, list | tuple | dict):
        for one in value.values() if isinstance(value, dict) else value:
            yield from _items(one)
    else:
        yield value


def _finite(value: Any) -> Any:  # noqa: ANN401 - whatever a view holds
    return None if isinstance(value, float) and not math.isfinite(value) else value


Id = Annotated[
    str,
    StringConstraints(pattern=ID_PATTERN),
    Field(description="32 hexadecimal digits.", examples=["3f2b8c1d9e6a47f0b5d2c8e1a0947f36"]),
]
NewId = Annotated[
    Id | None,
    Field(
        description="Made by the client, so that sending twice is safe: a random UUID as 32 hexadecimal "
        "digits. Without it one is made."
    ),
]
Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=PLAIN), Field(examples=["A-07"])]
OptionalName = Annotated[str, StringConstraints(max_length=80, pattern=PLAIN)]
Who = Annotated[
    str,
    StringConstraints(min_length=1, max_length=80, pattern=PLAIN),
    Field(description="Name of the person who does it.", examples=["R. Okafor"]),
]
Reason = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200, pattern=PLAIN),
    Field(examples=["the owner needs it today"]),
]
OptionalReason = Annotated[str, StringConstraints(max_length=200, pattern=PLAIN)]
Note = Annotated[str, StringConstraints(max_length=1000), Field(examples=["read twice"])]
Length = Annotated[
    str,
    StringConstraints(min_length=1, max_length=80),
    Field(description="As a technician writes it.", examples=["2' 11 1/2\"", "914 mm", "INF"]),
]
Focal = Annotated[float, Field(ge=1, le=5000, description="Focal length [mm].", examples=[35.0])]
Fnumber = Annotated[float, Field(ge=0.5, le=64, description="f-number.", examples=[2.0])]
ErrorUm = Annotated[float, Field(ge=-1000, le=1000, description="[µm, short < 0 < deep]", examples=[-2.0])]
SdUm = Annotated[float, Field(ge=0.01, le=1000, description="Standard uncertainty [µm].", examples=[3.0])]
ToleranceUm = Annotated[float, Field(ge=0.01, le=1000, description="± of every unit [µm].", examples=[10.0])]
DistanceMm = Annotated[
    float | None, BeforeValidator(_finite), Field(description="[mm]; null is infinity.", examples=[914.4])
]
Number = Annotated[float | None, BeforeValidator(_finite), Field(description="null: not known.")]
VerdictName = Literal["in_tolerance", "out_short", "out_deep", "cannot_tell", "not_checked"]
When = Annotated[datetime, Field(description="UTC.", examples=["2026-03-04T09:30:00Z"])]
Limit = Annotated[int, Query(ge=1, le=200, description="Most items in the answer.")]
Cursor = Annotated[
    str, Query(max_length=200, description="``next_cursor`` of the answer before; empty for the first.")
]
Search = Annotated[
    str, Query(max_length=80, pattern=PLAIN, description="Part of a name; upper and lower case are one.")
]


class PageQuery(BaseModel):
    """Which part of a list is asked for."""

    search: Search = ""
    limit: Limit = 50
    cursor: Cursor = ""


class UnitsQuery(PageQuery):
    """Which part of a list of units is asked for."""

    with_retired: Annotated[bool, Query(description="Those out of use too.")] = False

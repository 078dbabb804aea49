"""Response models made from the views of the bench: one shape for one fact.

A model has the fields of a view. What its Python types leave open (which text is an id, which number may be
unknown, where infinity becomes null) is in the tables of :mod:`shimwise.web.api.answer_fields`.
"""

import inspect
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from functools import cache, wraps
from types import GenericAlias, UnionType
from typing import Any, TypeAlias, TypeVar, Union, get_args, get_origin, get_type_hints

from fastapi import APIRouter, Response
from pydantic import BaseModel, ConfigDict, Field, create_model

from shimwise.web.api.answer_fields import BY_TYPE, BY_VIEW, HIDDEN, MODEL_NAMES, Renamed, named_field

Annotation: TypeAlias = Any
"""A type, or a special form of typing such as ``X | None``."""


class _Answer(BaseModel):
    model_config = ConfigDict(extra="forbid", from_attributes=True, frozen=True)


class AnswerRouter(APIRouter):
    """A router whose endpoints return views: the model of an answer is made from the annotated view."""

    def add_api_route(self, path: str, endpoint: Callable[..., Any], **options: Any) -> None:  # noqa: ANN401
        """Add an endpoint, with the model of its view where it returns one."""
        returned = get_type_hints(endpoint).get("return")
        if is_dataclass(_class_of(returned)):
            options["response_model"] = model = answer_model(returned)
            if not inspect.iscoroutinefunction(endpoint):
                endpoint = _answering(endpoint, model, status=options.get("status_code") or 200)
        super().add_api_route(path, endpoint, **options)


def _answering(endpoint: Callable[..., Any], model: type[BaseModel], *, status: int) -> Callable[..., Any]:
    """Return an endpoint that answers with the JSON of its view, made in the thread in which it runs.

    Left to the framework the view would be checked in another turn of a thread, for which it would queue.
    """

    @wraps(endpoint)
    def answered(**given: Any) -> Response:  # noqa: ANN401 - what the endpoint takes
        shown = model.model_validate(endpoint(**given))
        answer = Response(shown.model_dump_json(by_alias=True), status, media_type="application/json")
        for chosen in given.values():
            if isinstance(chosen, Response):  # by which an endpoint chooses another status, or sets a cookie
                answer.status_code = chosen.status_code or status
                answer.headers.raw.extend(chosen.headers.raw)
        return answer

    # A router that is included in another may add its endpoints anew: this one is answering already.
    answered.__annotations__ = {**endpoint.__annotations__, "return": Response}
    return answered


@cache
def answer_model(view: Annotation) -> type[BaseModel]:
    """Return the pydantic model with the fields of a dataclass; of a generic one with its parameters."""
    made_of = _class_of(view)
    known: dict[Any, Annotation] = dict(
        zip(getattr(made_of, "__parameters__", ()), get_args(view), strict=True)
    )
    hints, special = get_type_hints(made_of), BY_VIEW.get(view, {})
    shown: dict[str, Any] = {}
    for name in (*(one.name for one in fields(made_of)), *special):
        kind = special.get(name) or _annotation(name, hints[name], known)
        if isinstance(kind, Renamed):
            shown[kind.name] = (_annotation(name, hints[name], known), Field(validation_alias=name))
        elif kind is not HIDDEN:
            shown[name] = (kind, ...)
    return create_model(
        MODEL_NAMES.get(view, made_of.__name__),
        __base__=_Answer,
        __doc__=inspect.getdoc(made_of),
        __module__=made_of.__module__,
        **shown,
    )


def _annotation(name: str, hint: Annotation, known: Mapping[Any, Annotation]) -> Annotation:
    """Return the annotation of a model's field, from its name and from the annotation in the view."""
    if isinstance(hint, TypeVar):
        hint = known[hint]
    elif getattr(hint, "__parameters__", ()):
        hint = hint[tuple(known[one] for one in hint.__parameters__)]
    if is_dataclass(_class_of(hint)):
        return answer_model(hint)
    if hint in BY_TYPE:
        return named_field(name, hint)
    origin, args = _class_of(hint), get_args(hint)
    if origin in (Union, UnionType):
        return Union[tuple(_annotation(name, one, known) for one in args)]  # noqa: UP007 - as many as there are
    if origin is tuple:
        return GenericAlias(tuple, tuple(one if one is ... else _annotation("", one, known) for one in args))
    return hint


def _class_of(hint: Annotation) -> Annotation:
    """Return the class of a generic alias, or the annotation itself."""
    origin = get_origin(hint)
    return hint if origin is None else origin

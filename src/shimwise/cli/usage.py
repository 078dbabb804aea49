"""A command that is called wrongly, in one sentence: the option with what was typed, and what is accepted."""

import difflib
import re
from collections.abc import Sequence
from typing import Any

import typer

from shimwise.cli.commands import COMMANDS

__all__ = ["UsageError", "usage_sentence"]

UsageError: type[Exception] = typer.BadParameter.__mro__[1]
"""The branch of errors that the parser of the command line raises, whichever library it comes with."""
_REASONS = (
    (re.compile(r"valid number|valid float|valid decimal", re.I), "is no number; write one as 8 or 2.5"),
    (re.compile(r"valid integer", re.I), "is no whole number; write one as 8"),
    (re.compile(r"^Input should be "), "has to be "),
)
"""Messages of the parser about a value, and ours instead."""


def usage_sentence(error: Any, words: Sequence[str]) -> str:  # noqa: ANN401 - of the parser's own library
    """Return what is wrong with the words of a command; the whole help where nothing was asked."""
    name = type(error).__name__
    if name == "NoArgsIsHelpError":
        return str(error.format_message())
    detail = _detail(error, name, words).rstrip(".")
    more = (
        ""
        if isinstance(error, typer.BadParameter) and error.message
        else f" {_called(error)} -h says what it takes."
    )
    return f"shimwise: {detail}.{more}"


def _detail(error: Any, name: str, words: Sequence[str]) -> str:  # noqa: ANN401
    param = getattr(error, "param", None)
    hint = getattr(error, "param_hint", None) or _name_of(param)
    if name == "MissingParameter":
        return f"{hint} is missing"
    if isinstance(error, typer.BadParameter):
        return _bad_value(hint, _typed(param, words), error.message)
    if name == "NoSuchOption":
        near = _meant(error.possibilities or ())
        return f"{error.option_name} is no option of {_called(error)}{near}"
    if name == "BadOptionUsage":
        return f"{error.option_name} needs a value after it"
    return _bad_words(error)


def _bad_value(hint: str, typed: str, reason: str) -> str:
    reason = reason.removeprefix(f"[{typed}] ")
    for pattern, words_of in _REASONS:
        if pattern.search(reason):
            reason = pattern.sub(words_of, reason) if words_of.endswith(" ") else words_of
    return f"{f'{hint} {typed}'.strip()}: {reason}"


def _bad_words(error: Any) -> str:  # noqa: ANN401
    message = str(error.message)
    more = re.match(r"Got unexpected extra argument\S* \((.*)\)", message)
    if more is not None:
        return f"{more[1]} is more than this command takes"
    unknown = re.match(r"No such command '(.*?)'", message)
    if unknown is None:
        return message
    known = getattr(error.ctx.command, "commands", COMMANDS)
    near = _meant(difflib.get_close_matches(unknown[1], known, n=1))
    return f"{unknown[1]} is no command of {_called(error)}{near}"


def _meant(near: Sequence[str]) -> str:
    return f"; perhaps {' or '.join(near)} is meant" if near else ""


def _called(error: Any) -> str:  # noqa: ANN401
    context = getattr(error, "ctx", None)
    return "shimwise" if context is None else str(context.command_path)


def _name_of(param: Any) -> str:  # noqa: ANN401
    """Return an option as it is typed, an argument as the help names it."""
    if param is None:
        return ""
    if param.param_type_name == "option":
        return str(max(param.opts, key=len))
    return str(param.metavar or param.name)


def _typed(param: Any, words: Sequence[str]) -> str:  # noqa: ANN401
    """Return the last value of an option among the words; empty for an argument."""
    if param is None or param.param_type_name != "option":
        return ""
    found = ""
    for word, following in zip(words, [*words[1:], ""], strict=True):
        option, has_value, value = word.partition("=")
        if option in param.opts:
            found = value if has_value else following
    return found

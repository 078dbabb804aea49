"""The commands: each is a module, loaded only when it is called."""

import builtins
from importlib import import_module
from keyword import iskeyword
from typing import Annotated, Any

import typer
import typer.main

from shimwise import __version__

__all__ = ["COMMANDS", "command_line"]

COMMANDS = {
    "demo": ("desk", "See the main job done on invented data."),
    "judge": ("desk", "Say who is off, by how many microns, and what to do."),
    "plan": ("desk", "Say what to read next, or plan the whole check of a kit."),
    "optics": ("desk", "Ask the optics: lengths, landings, depth, contrast, heat."),
    "chart": ("desk", "Print a test chart at true scale."),
    "serve": ("", "Serve the pages, on which a prep is done and kept."),
    "sweep": ("desk", "Find best focus in frames as sensor, ring or chart moves."),
    "meter": ("desk", "Measure a feed live: how far the sensor is from sharp."),
    "adjust": ("prep", "Adjust a body or lens, step by step, none skipped."),
    "sign": ("prep", "Sign a prep, so that it stays as it is."),
    "reopen": ("prep", "Open a signed prep again, with a reason."),
    "drift": ("house", "Tell whether a body or a lens drifts."),
    "repeatability": ("house", "Tell how well you repeat, and the house without names."),
    "house": ("house", "Tell what the signed preps teach of the whole house."),
    "sheet": ("prep", "Print a prep's check sheet, cards, labels or set table."),
    "verify": ("prep", "Tell whether a sheet is what was signed."),
    "keys": ("house", "Show, give and know the keys that houses sign with."),
    "people": ("house", "Name people, their roles and PINs; list and end devices."),
    "list": ("exchange", "List the record's preps, bodies, lenses or sets."),
    "import": ("exchange", "Take in readings, a prep, or the house's list."),
    "export": ("exchange", "Write all that a prep holds, or its readings, as a file."),
    "sync": ("exchange", "Bring a machine that was away home, both ways at once."),
    "backup": ("exchange", "Copy the record, while it is used."),
    "restore": ("exchange", "Put a backup in the place of the record."),
    "check": ("exchange", "Check whether the record agrees with itself."),
}
"""Command -> the room of its module, and its line in the help.

The module has a function of the command's name, and ``MORE`` of its help.
"""


def command_line(wanted: str | None = None) -> Any:  # noqa: ANN401 - of the parser's own library
    """Return the command line as it is run, its help in words: the type of an argument is left to them."""
    command = typer.main.get_command(_build(wanted))
    _leave_types_out(command)
    return command


def _build(wanted: str | None = None) -> typer.Typer:
    """Return the command line with the command ``wanted`` loaded, the others named in the help only."""
    app = typer.Typer(
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_door)
    for name, (room, summary) in COMMANDS.items():
        if name == wanted:
            _add(app, name, room, summary)
        else:
            app.command(name, help=summary)(_not_loaded)
    return app


def _leave_types_out(command: Any) -> None:  # noqa: ANN401
    for param in command.params:
        if param.param_type_name == "argument" and hasattr(param, "display_type_rich"):
            param.display_type_rich = _nothing
    for one in getattr(command, "commands", {}).values():
        _leave_types_out(one)


def _nothing(ctx: object) -> None:
    """Show no type beside the name of an argument."""


def _add(app: typer.Typer, name: str, room: str, summary: str) -> None:
    """Load a command's module, and add its function of that name, or its group of commands."""
    own = f"{name}_" if iskeyword(name) or hasattr(builtins, name) else name
    module = import_module(".".join(filter(None, ("shimwise.cli", room, own))))
    if hasattr(module, "app"):
        app.add_typer(module.app, name=name, help=summary)
        return
    more = getattr(module, "MORE", "")
    app.command(name, help=f"{summary}\n\n{more}" if more else summary)(getattr(module, own))


def _show_version(is_asked: bool) -> None:
    if is_asked:
        typer.echo(f"shimwise {__version__}")
        raise typer.Exit


_Version = Annotated[
    bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and leave.")
]


def _door(*, version: _Version = False) -> None:
    """Shimwise: from focus readings to who is off, by how many microns, and what to turn or shim.

    Exit code: 0 done, 1 judged and not all is well, 2 bad input, 3 what the machine could not do, 130
    broken off.
    """


def _not_loaded() -> None:
    raise RuntimeError("a command was called that was not loaded")

"""Run the commands that the README and the guide show, and write anew what they print and the figures.

What is another on every run, times of day and the digests over them, is shown as … there. Run by
``make readme``; the tests use :func:`examples` and :func:`printed` to see whether the pages are true.
"""

import contextlib
import io
import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
README, FIGURE = ROOT / "README.md", ROOT / "docs" / "demo-verdict.svg"
PAGES = (README, *(ROOT / "docs" / "guide" / f"{name}.md" for name in ("eye", "record", "house")))
"""Pages with examples, in the order in which a newcomer types them."""
SHEET, SHEET_DPI = ROOT / "docs" / "check-sheet.png", 96
_EXAMPLE = re.compile(r"```console\n\$ (?P<command>(?:.*\\\n)*.*)\n(?P<output>(?:.*\n)*?)```\n")
_PLAIN = re.compile(
    r"shimwise (?P<words>[^|<>&;$]*?)\s*(?P<errors>2>&1)?\s*(?:\| (?P<end>head|tail) -n (?P<count>\d+))?"
)
"""A command without more of a shell than an end of its output."""
_PASSING = re.compile(
    r"\d{4}-\d\d-\d\d(?: \d\d:\d\d UTC|(?=  ))|\d{1,2} [A-Z][a-z]+ \d{4}, \d\d:\d\d UTC"
    r"|(?:[0-9a-f]{8} ){7}[0-9a-f]{8}|\b[0-9a-f]{64}\b|\b[0-9a-f]{16}\b"
)
"""Times and digests, as the commands print them."""


def examples(text: str) -> list[tuple[str, str]]:
    """Give the commands of a page in their order, each with what it is said to print."""
    return [(found["command"], found["output"]) for found in _EXAMPLE.finditer(text)]


def printed(command: str, *, folder: Path) -> str:
    """Run a command as a shell does, in a folder, without a terminal; give what it prints.

    One that is refused (2) has to say ``2>&1``, so that the refusal is meant to be seen.
    """
    plain = _PLAIN.fullmatch(command.replace("\\\n", " "))
    said, error, code = _called(plain, folder) if plain else _in_a_shell(command, folder)
    if error or code not in ((2,) if "2>&1" in command else (0, 1)):
        raise RuntimeError(f"{command} left with {code}: {error or said}")
    said = said.replace(f"{folder.resolve()}{os.sep}", "")
    return "".join(f"{_PASSING.sub('…', line).rstrip()}\n" for line in said.splitlines())


def _called(plain: re.Match[str], folder: Path) -> tuple[str, str, int]:
    """Run one command of Shimwise in this process, which has its libraries loaded."""
    from shimwise.cli import main

    out, err, code = io.StringIO(), io.StringIO(), 0
    errors = out if plain["errors"] else err
    columns = os.environ.get("COLUMNS")
    os.environ["COLUMNS"] = "80"
    try:
        with contextlib.chdir(folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
            main(shlex.split(plain["words"]))
    except SystemExit as left:
        code = int(left.code or 0)
    finally:
        if columns is None:
            del os.environ["COLUMNS"]
        else:
            os.environ["COLUMNS"] = columns
    lines = out.getvalue().splitlines(keepends=True)
    if plain["count"]:
        count, code = int(plain["count"]), 0
        lines = lines[:count] if plain["end"] == "head" else lines[-count:]
    return "".join(lines), err.getvalue(), code


def _in_a_shell(command: str, folder: Path) -> tuple[str, str, int]:
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    done = subprocess.run(  # noqa: S602 - the pages' own commands
        command,
        shell=True,
        cwd=folder,
        env=os.environ | {"PATH": path, "COLUMNS": "80"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stdout, done.stderr, done.returncode


def make_run(folder: Path) -> None:
    """Run in a folder what ``make run`` runs, since its reader has typed that first."""
    recipe = re.search(
        r"^run:.*\n((?:\t.*\n)+)", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE
    )
    if recipe is None:
        raise RuntimeError("the Makefile has no recipe of run")
    for line in recipe[1].splitlines():
        words = line.strip().removeprefix("$(BIN)/")
        printed(f"{words} --port 0" if " serve " in words else words, folder=folder)


def draw_sheet(sheet: Path) -> None:
    """Keep a picture of a sheet's first page; poppler's pdftoppm makes it."""
    words = ["pdftoppm", "-png", "-r", str(SHEET_DPI), "-singlefile", str(sheet), str(SHEET.with_suffix(""))]
    subprocess.run(words, check=True)  # noqa: S603


def main() -> None:
    """Write the examples of all pages and the figures anew."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_run(folder)

        def renewed(found: re.Match[str]) -> str:
            said = printed(found["command"], folder=folder)
            return f"```console\n$ {found['command']}\n{said}```\n"

        for page in PAGES:
            page.write_text(_EXAMPLE.sub(renewed, page.read_text(encoding="utf-8")), encoding="utf-8")
        FIGURE.write_bytes((folder / "shimwise-demo" / FIGURE.name).read_bytes())
        draw_sheet(folder / "shimwise-demo" / "sheet.pdf")


if __name__ == "__main__":
    main()

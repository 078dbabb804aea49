"""Run the commands that the README shows, and write anew what they print and the figures beside it.

What is another on every run, times of day and the digests over them, is shown as … there. Run by
``make readme``; the tests use :func:`examples` and :func:`printed` to see whether the README is true.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
README, FIGURE = ROOT / "README.md", ROOT / "docs" / "demo-verdict.svg"
SHEET, SHEET_DPI = ROOT / "docs" / "check-sheet.png", 96
_EXAMPLE = re.compile(r"```console\n\$ (?P<command>(?:.*\\\n)*.*)\n(?P<output>(?:.*\n)*?)```\n")
_PASSING = re.compile(
    r"\d{4}-\d\d-\d\d \d\d:\d\d UTC|\d{1,2} [A-Z][a-z]+ \d{4}, \d\d:\d\d UTC"
    r"|(?:[0-9a-f]{8} ){7}[0-9a-f]{8}|\b[0-9a-f]{64}\b|\b[0-9a-f]{16}\b"
)
"""Times and digests, as the commands print them."""


def examples(text: str) -> list[tuple[str, str]]:
    """Give the commands of a README in their order, each with what it is said to print."""
    return [(found["command"], found["output"]) for found in _EXAMPLE.finditer(text)]


def printed(command: str, *, folder: Path) -> str:
    """Run a command as a shell does, in a folder, without a terminal; give what it prints.

    One that is refused (2) has to say ``2>&1``, so that the refusal is meant to be seen.
    """
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    done = subprocess.run(  # noqa: S602 - the README's own commands
        command,
        shell=True,
        cwd=folder,
        env=os.environ | {"PATH": path, "COLUMNS": "80"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.stderr or done.returncode not in ((2,) if "2>&1" in command else (0, 1)):
        raise RuntimeError(f"{command} left with {done.returncode}: {done.stderr or done.stdout}")
    return "".join(f"{_PASSING.sub('…', line).rstrip()}\n" for line in done.stdout.splitlines())


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
    """Write the README's examples and the figures anew."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_run(folder)
        said = [
            printed(command, folder=folder) for command, _ in examples(README.read_text(encoding="utf-8"))
        ]
        fresh = iter(said)

        def renewed(found: re.Match[str]) -> str:
            return f"```console\n$ {found['command']}\n{next(fresh)}```\n"

        README.write_text(_EXAMPLE.sub(renewed, README.read_text(encoding="utf-8")), encoding="utf-8")
        FIGURE.write_bytes((folder / "shimwise-demo" / FIGURE.name).read_bytes())
        draw_sheet(folder / "shimwise-demo" / "sheet.pdf")


if __name__ == "__main__":
    main()

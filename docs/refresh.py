"""Run the commands that the README shows, and write anew what they print and the figure beside it.

Run by ``make readme``; the tests use :func:`examples` and :func:`printed` to see whether the README is true.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
README, FIGURE = ROOT / "README.md", ROOT / "docs" / "demo-verdict.svg"
_EXAMPLE = re.compile(r"```console\n\$ (?P<command>.*)\n(?P<output>(?:.*\n)*?)```\n")


def examples(text: str) -> list[tuple[str, str]]:
    """Give the commands of a README in their order, each with what it is said to print."""
    return [(found["command"], found["output"]) for found in _EXAMPLE.finditer(text)]


def printed(command: str, *, folder: Path) -> str:
    """Run a command as a shell does, in a folder, without a terminal; give what it prints."""
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
    if done.stderr or done.returncode not in (0, 1):
        raise RuntimeError(f"{command} left with {done.returncode}: {done.stderr}")
    return "".join(f"{line.rstrip()}\n" for line in done.stdout.splitlines())


def main() -> None:
    """Write the README's examples and the figure anew."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def renewed(found: re.Match[str]) -> str:
            command = found["command"]
            return f"```console\n$ {command}\n{printed(command, folder=folder)}```\n"

        README.write_text(_EXAMPLE.sub(renewed, README.read_text(encoding="utf-8")), encoding="utf-8")
        FIGURE.write_bytes((folder / "shimwise-demo" / FIGURE.name).read_bytes())


if __name__ == "__main__":
    main()

"""The base install: all but frames and PostgreSQL works without them, and names what is missing."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from shimwise.extras import EXTRAS

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "src/shimwise/bench/demo/demo_bench"
SWEEP = ROOT / "tests/reference/sweep-1"
WITHOUT = "import sys\nfor m in {modules!r}: sys.modules[m] = None\n"
RUN = "from shimwise.cli import main\nmain({words!r})\n"
EVERY_MODULE = """
import importlib, pkgutil, shimwise
for found in pkgutil.walk_packages(shimwise.__path__, "shimwise.", onerror=lambda name: None):
    name = found.name
    if not name.startswith(("shimwise.imaging", "shimwise.record.migrations")) and "__main__" not in name:
        try:
            importlib.import_module(name)
        except Exception as error:
            print(name, type(error).__name__, error)
"""
USE_CASES_ON_FRAMES = (
    "shimwise.bench.sweep.",
    "shimwise.bench.meter.",
    "shimwise.cli.desk.sweep ",
    "shimwise.cli.desk.sweeps ",
    "shimwise.cli.desk.meter ",
)
"""What measures frames may need them to be imported; nothing else may."""


def without_extras(code: str) -> subprocess.CompletedProcess[str]:
    blocked = [module for modules in EXTRAS.values() for module in modules]
    return subprocess.run(
        [sys.executable, "-c", WITHOUT.format(modules=blocked) + code],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_every_module_but_those_on_frames_loads_without_an_extra() -> None:
    done = without_extras(EVERY_MODULE)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert [line for line in lines if not line.startswith(USE_CASES_ON_FRAMES)] == []
    assert all(" MissingExtraError " in line for line in lines)


def test_the_judge_needs_no_extra() -> None:
    done = without_extras(RUN.format(words=["judge", str(BENCH / "readings.csv")]))
    assert done.returncode in (0, 1), done.stderr
    assert "Body A-07" in done.stdout


def test_a_chart_is_drawn_without_an_extra(tmp_path: Path) -> None:
    chart = tmp_path / "chart.pdf"
    done = without_extras(RUN.format(words=["chart", "--out", str(chart)]))
    assert done.returncode == 0, done.stderr
    assert chart.read_bytes().startswith(b"%PDF-")


def test_a_sweep_says_which_extra_is_missing_and_how_to_add_it() -> None:
    done = without_extras(RUN.format(words=["sweep", str(SWEEP)]))
    assert done.returncode == 2
    assert done.stderr == (
        "shimwise: Measuring frames needs libraries that are not installed here. Add them with "
        "`pip install 'shimwise[frames]'` (in the project's folder: `make setup`), then try again.\n"
    )


def test_a_record_on_postgresql_says_which_extra_is_missing() -> None:
    done = without_extras(RUN.format(words=["check", "--data", "postgresql://nobody@localhost/none"]))
    assert done.returncode == 2
    assert "A record on PostgreSQL needs libraries" in done.stderr
    assert "shimwise[postgresql]" in done.stderr


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = f"from flit_core import buildapi; buildapi.build_wheel({str(folder)!r})"
    subprocess.run([sys.executable, "-c", build], check=True, cwd=ROOT, timeout=120)
    [found] = folder.glob("shimwise-*.whl")
    return found


def test_a_wheel_holds_all_that_the_program_needs(wheel: Path, tmp_path: Path) -> None:
    # Unpacked in front of the project's own sources, so that a file left out of the wheel is missed.
    zipfile.ZipFile(wheel).extractall(tmp_path / "site")
    code = (
        f"import sys; sys.path.insert(0, {str(tmp_path / 'site')!r})\n"
        "import shimwise; assert 'site' in shimwise.__file__\n" + RUN.format(words=["demo"])
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "A-07" in done.stdout


def test_a_wheel_has_every_file_of_the_package(wheel: Path) -> None:
    packed = {name for name in zipfile.ZipFile(wheel).namelist() if name.startswith("shimwise/")}
    source = ROOT / "src"
    kept = {
        str(path.relative_to(source).as_posix())
        for path in (source / "shimwise").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert kept - packed == set()

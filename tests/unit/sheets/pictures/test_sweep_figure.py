"""The sweep's figure and sentence."""

import math
from pathlib import Path

import pytest
from invented_sweeps import MEASURED
from rich.console import Console
from specifications import checked

from shimwise.sheets.json.sweep_json import sweep_from_json
from shimwise.sheets.pictures.figure_file import save_figure
from shimwise.sheets.pictures.sweep_figure import Curve, sweep_figure
from shimwise.sheets.terminal.sweep_report import print_sweep_report
from shimwise.sheets.words.sweep_words import sweep_sentence

CURVES = (
    Curve(
        name="S0",
        points=tuple((float(um), math.exp(-(((um - 12) / 40) ** 2))) for um in range(-60, 61, 10)),
        fit=tuple((float(um), math.exp(-(((um - 12) / 40) ** 2))) for um in range(-60, 61)),
    ),
)
WITHHELD = MEASURED | dict.fromkeys(("best_um", "sd_um", "low_um", "high_um", "landing_um"))
WITHHELD |= {"flags": ["saturated: 3 % of the pixels of star S0. Lower the exposure."]}


@pytest.mark.slow
@pytest.mark.parametrize("suffix", [".svg", ".png", ".pdf"])
@pytest.mark.parametrize("document", [MEASURED, WITHHELD, MEASURED | {"stars": [], "landing_um": None}])
def test_every_kind_of_sweep_can_be_drawn(tmp_path: Path, suffix: str, document: dict[str, object]) -> None:
    path = save_figure(checked(sweep_figure(sweep_from_json(document), CURVES)), tmp_path / f"a{suffix}")
    assert path.stat().st_size > 2000


@pytest.mark.slow
def test_the_figure_tells_stars_and_sentence_in_words_too(tmp_path: Path) -> None:
    svg = save_figure(sweep_figure(sweep_from_json(MEASURED), CURVES), tmp_path / "a.svg").read_text(
        encoding="utf-8"
    )
    for words in ("lands short by 12 ± 3 µm with", "Star S2: +14.00 µm", "away from the lens"):
        assert words in svg


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            {"best_um": 12.0, "landing_um": -12.0},
            "lands short by 12 ± 3 µm with how a lens sits each time, so add",
        ),
        (
            {"best_um": -12.0, "low_um": -13.0, "high_um": -11.0, "landing_um": 12.0},
            "lands deep by 12 ± 3 µm with how a lens sits each time, so take away",
        ),
        ({"best_um": 0.5, "low_um": -0.5, "high_um": 1.5, "landing_um": -0.5}, "lands on the mark"),
        ({"is_relative": True, "landing_um": None}, "relative"),
        ({"landing_um": None}, "counted from the middle"),
        ({"swept": "ring", "best_at_mm": 914.4}, "with the ring at 3' (914 mm)"),
    ],
)
def test_the_sentence_says_which_way(change: dict[str, object], told: str) -> None:
    assert told in sweep_sentence(sweep_from_json(MEASURED | change))


def test_a_withheld_number_is_not_told_but_its_cause_is() -> None:
    assert sweep_sentence(sweep_from_json(WITHHELD)) == "Best focus cannot be told: saturated."


def test_hostile_names_cannot_steer_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    document = MEASURED | {"body": "A\x1b[31m", "flags": ["x\x1b]0;y"]}
    print_sweep_report(Console(width=80), sweep_from_json(document))
    assert "\x1b" not in capsys.readouterr().out

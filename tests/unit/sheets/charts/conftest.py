"""A printed chart, rasterised where a test looks at it."""

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.choice import choose_plan, standard_plan
from shimwise.sheets.charts.paper import paper_of
from shimwise.sheets.charts.plan import ChartPlan, SpokeKind
from shimwise.sheets.charts.sheet import chart_pdf, layout_json

Picture = NDArray[np.float64]

CAMERA = Camera(focal_mm=50, distance_mm=914.4, sensor_mm=(36, 24), pitch_um=5, fnumber=2.8)
"""Invented."""


class Print:
    """A chart's PDF with its layout, looked at through a rasteriser that is not ours."""

    def __init__(self, plan: ChartPlan, camera: Camera | None, folder: Path) -> None:
        self.plan = plan
        self.pdf = chart_pdf(plan, camera)
        self.layout = json.loads(layout_json(plan))
        self.file = folder / "chart.pdf"
        self.file.write_bytes(self.pdf)

    def region(
        self, x_mm: float, y_mm: float, width_mm: float, height_mm: float, *, dpi: int = 1200
    ) -> Picture:
        """Grey signal 0..1 of a region of the sheet, from its top left corner."""
        if shutil.which("pdftoppm") is None:
            pytest.skip("poppler-utils is not installed")
        box = [round(v / 25.4 * dpi) for v in (x_mm, y_mm, width_mm, height_mm)]
        words = ["pdftoppm", "-r", str(dpi), "-gray", "-singlefile"]
        for name, value in zip(("-x", "-y", "-W", "-H"), box, strict=True):
            words += [name, str(value)]
        target = self.file.with_name(f"region-{'-'.join(map(str, box))}-{dpi}")
        subprocess.run([*words, str(self.file), str(target)], check=True, capture_output=True)
        picture = cv2.imread(str(target.with_suffix(".pgm")), cv2.IMREAD_UNCHANGED)
        assert picture is not None
        assert picture.shape == (box[3], box[2])
        return picture.astype(np.float64) / 255

    def around(
        self, x_mm: float, y_mm: float, reach_mm: float, *, dpi: int = 1200
    ) -> tuple[Picture, Picture, Picture]:
        """Signal about a place of the layout, and x and y of each dot [mm] of the layout."""
        left, top = self.layout["sheet"]["origin_mm"]
        dot = 25.4 / dpi
        first = [round((v - reach_mm) / dot) for v in (left + x_mm, top + y_mm)]
        picture = self.region(first[0] * dot, first[1] * dot, 2 * reach_mm, 2 * reach_mm, dpi=dpi)
        rows, columns = np.indices(picture.shape)
        return picture, (first[0] + columns + 0.5) * dot - left, (first[1] + rows + 0.5) * dot - top


@pytest.fixture(scope="session")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Print]:
    """Print a chart once a session for each paper, count of stars and kind."""
    made: dict[tuple[str, int, str], Print] = {}

    def print_(paper: str, *, stars: int = 5, kind: str = "binary") -> Print:
        is_auto = kind == "binary"  # grey stars with many spokes take the rasteriser long
        key = (paper, stars, kind)
        if key not in made:
            sheet, spokes = paper_of(paper), SpokeKind(kind)
            plan = (
                choose_plan(sheet, CAMERA, stars=stars, kind=spokes)
                if is_auto
                else standard_plan(sheet, stars=stars, kind=spokes)
            )
            made[key] = Print(plan, CAMERA if is_auto else None, tmp_path_factory.mktemp("chart"))
        return made[key]

    return print_

"""Makes a test chart for a camera: how large its parts are, the sheet, and what it suits in words."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import SheetError
from shimwise.fields import build_from
from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.choice import choose_plan, standard_plan
from shimwise.sheets.charts.code import layout_from_code
from shimwise.sheets.charts.layout import trouble
from shimwise.sheets.charts.paper import paper_of
from shimwise.sheets.charts.plan import ChartPlan, SpokeKind
from shimwise.sheets.charts.sheet import chart_pdf, layout_json
from shimwise.sheets.charts.words import Advice, advise


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFacts:
    """What is known of the camera; None where it is not. Lengths in mm, the pitch in µm."""

    focal_mm: float | None = None
    distance_mm: float | None = None
    sensor_mm: tuple[float, float] | None = None
    pitch_um: float | None = None
    fnumber: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Parts whose size is wanted otherwise than chosen; None leaves the choice."""

    radius_mm: float | None = None
    spokes: int | None = None
    small_radius_mm: float | None = None
    small_spokes: int | None = None
    marker_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeChart:
    """A chart: its id, the sheet as PDF, the content of chart.json, and what it suits and does not."""

    id: str
    pdf: bytes
    layout_json: str
    paper: str
    suits: tuple[str, ...]
    does_not: tuple[str, ...]

    @property
    def layout(self) -> dict[str, Any]:
        """Content of chart.json, parsed."""
        return dict(json.loads(self.layout_json))


def make_chart(
    *,
    paper: str = "A4",
    stars: int = 5,
    kind: str = "binary",
    camera: CameraFacts | None = None,
    is_auto: bool = False,
    sizes: Sizes | None = None,
) -> MadeChart:
    """Make a test chart.

    Parameters
    ----------
    paper : str
        A name such as A4, or a size such as 600x400 in mm.
    stars : int
        5 or 9.
    kind : str
        ``binary`` or ``sinusoidal`` spokes.
    camera : CameraFacts, optional
        What the chart is for.
    is_auto : bool
        Choose stars, spokes and markers for the camera, of which then all must be known.
    sizes : Sizes, optional
        Parts whose size is given.

    Raises
    ------
    SheetError
        If the paper is unknown or too large, a fact is missing or impossible, or the parts do not fit.
    OpticsError
        If the distance lies inside the lens's near limit.
    """
    sheet, spoke_kind = paper_of(paper), _kind(kind)
    known, missing = _camera(camera or CameraFacts())
    if is_auto and known is None:
        raise SheetError(f"A chart made for a camera needs all of it; missing: {', '.join(missing)}.")
    if is_auto and known is not None:
        plan = choose_plan(sheet, known, stars=stars, kind=spoke_kind)
    else:
        plan = standard_plan(sheet, stars=stars, kind=spoke_kind)
    plan = _with_sizes(plan, sizes or Sizes())
    advice = advise(plan, known) if known else _unchecked(advise(plan, None), missing)
    text = layout_json(plan)
    return MadeChart(
        id=json.loads(text)["id"],
        pdf=chart_pdf(plan, known),
        layout_json=text,
        paper=sheet.name,
        suits=advice.suits,
        does_not=advice.does_not,
    )


def layout_of_picture(path: Path) -> dict[str, Any]:
    """Read a sheet's layout from a picture of it, by its QR square.

    Parameters
    ----------
    path : Path
        A still in PNG, TIFF or JPEG on which the whole square is sharp.

    Returns
    -------
    dict
        Content of chart.json.

    Raises
    ------
    ImagingError
        If the picture cannot be read.
    SheetError
        If no square is seen in it, or it is none of ours.
    """
    from shimwise.imaging.frames.folder import read_inside
    from shimwise.imaging.frames.recording import Recording
    from shimwise.imaging.frames.stills import read_still

    still = read_still(read_inside(path.parent, path.name), Recording(transfer="linear"), file=path.name)
    text = _square_text(np.nan_to_num(still.pixels))
    if not text:
        raise SheetError(
            f"No QR square is seen in {path.name}; take a sharp picture of the sheet's lower right corner."
        )
    return layout_from_code(text)


def _square_text(pixels: NDArray[np.float32]) -> str:
    """Text of the first QR square, looked for in the whole picture and then nearer in its quarters."""
    import cv2

    low, high = np.percentile(pixels[::4, ::4], (1, 99))
    grey = np.clip(255 * (pixels - low) / max(high - low, 1e-6), 0, 255).astype(np.uint8)
    rows, columns = grey.shape
    parts = [
        grey,
        *(grey[r : r + rows // 2, c : c + columns // 2] for r in (rows // 2, 0) for c in (columns // 2, 0)),
    ]
    finder = cv2.QRCodeDetector()
    for part in parts:
        for scale in (1, 2):
            nearer = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
            text, _, _ = finder.detectAndDecode(nearer)
            if text:
                return str(text)
    return ""


NAMES = {
    "focal_mm": "focal length",
    "distance_mm": "distance",
    "sensor_mm": "sensor",
    "pitch_um": "pixel pitch",
    "fnumber": "f-number",
}


def _camera(facts: CameraFacts) -> tuple[Camera | None, list[str]]:
    """Camera when all is known, and the names of what is missing."""
    missing = [NAMES[name] for name, value in asdict(facts).items() if value is None]
    return (None, missing) if missing else (build_from(Camera, facts), [])


def _unchecked(advice: Advice, missing: list[str]) -> Advice:
    if len(missing) == len(NAMES):
        return advice
    return replace(advice, does_not=(f"Not checked against the camera; missing: {', '.join(missing)}.",))


def _kind(kind: str) -> SpokeKind:
    try:
        return SpokeKind(kind)
    except ValueError as error:
        raise SheetError(f"Spokes are {' or '.join(SpokeKind)}, not {kind!r}.") from error


def _with_sizes(plan: ChartPlan, sizes: Sizes) -> ChartPlan:
    """Put the sizes that are given in, each checked, and all together."""
    given: dict[str, Any] = {name: value for name, value in asdict(sizes).items() if value is not None}
    if not given:
        return plan
    for name, value in given.items():
        low, high = (8, 720) if name.endswith("spokes") else (2.0, 600.0)
        if not low <= value <= high:
            what = name.removesuffix("_mm").replace("_", " ")
            raise SheetError(f"The {what} is {value:g}; give {low:g} to {high:g}.")
    stepped: dict[str, Any] = {name: _step(value) for name, value in given.items()}
    wanted = replace(plan, **stepped)
    reason = trouble(wanted)
    if reason:
        raise SheetError(f"{reason}. Make the parts smaller or the paper larger.")
    return wanted


def _step(value: float) -> float:
    """Round a length to the steps that a chart's code carries; counts stay whole."""
    return value if isinstance(value, int) else round(round(value / 0.05) * 0.05, 2)

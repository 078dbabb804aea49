"""Measure a sweep: a folder of frames or a clip goes in, best focus, tilt and landing come out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from shimwise.bench.desk.inputs import Progress
from shimwise.bench.sweep.curves import star_curves, texture_curve
from shimwise.bench.sweep.frame_files import sweep_settings
from shimwise.bench.sweep.image_space import SweptSpace
from shimwise.bench.sweep.texture import measure_texture
from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import SweptFrame, start_from_star
from shimwise.imaging.chart.layout import ChartLayout, layout_from_json, layout_of_star
from shimwise.imaging.focus.flags import Flag, Raised, raised
from shimwise.imaging.focus.result import SweepSettings
from shimwise.imaging.focus.sweep import measure_sweep
from shimwise.imaging.frames.levels import CodeLevels
from shimwise.imaging.frames.recording import Recording as Recording
from shimwise.imaging.frames.source import DESCRIPTION, FrameSource, open_sweep
from shimwise.optics.blur import GREEN_UM
from shimwise.sheets.json.sweep_json import SCHEMA_ID, SweepFacts, sweep_from_json, sweep_to_json
from shimwise.sheets.pictures.sweep_figure import Curve

if TYPE_CHECKING:
    from rich.console import Console


READING, FITTING = "Reading the frames", "Fitting the peak"
SAME_SHARE, MOST_ROUNDS = 0.02, 6
"""A screw's travel per turn, estimated by blur, is right where the fitted f-number equals the lens's own
within this share; the most rounds of that estimate. Chosen by us."""
TRAVEL_SD_SHARE = 0.06
"""Relative sd of that travel: as far as a marked f-number is off. Common practice, no source."""
CODECS = {"h264": "H.264", "hevc": "H.265"}
SAME_GAIN = 1e-4
"""A scale of the picture that differs less from the formula's makes no measurable difference."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnStar:
    """A star as a person points at it: its centre and radius in the picture [px], its dark spokes."""

    centre_px: tuple[float, float]
    radius_px: float
    spokes: int

    def __post_init__(self) -> None:
        sizes = (*self.centre_px, self.radius_px)
        if not all(math.isfinite(size) for size in sizes) or self.radius_px < 8:
            raise ImagingError(
                f"The star at {self.centre_px[0]:g}, {self.centre_px[1]:g} with a radius of "
                f"{self.radius_px:g} px cannot be measured; give a radius of 8 px or more."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """What to measure in the frames: the chart whose layout is found, unless something else is given.

    ``region_px`` (left, top, width, height) or ``no_chart`` measures texture; ``star`` a person's own star,
    or the centre star of the layout where there is one.
    """

    chart: Path | None = None
    star: OwnStar | None = None
    region_px: tuple[int, int, int, int] | None = None
    no_chart: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class UnderTest:
    """What was under test, as far as it is stated.

    ``distance_mm``: taped from the witness mark to the chart. ``reading_mm``: the ring's position while the
    chart moves. ``um_per_turn``: travel of the body's screw, where that is what moves.
    """

    body: str = ""
    lens: str = ""
    setup: str = ""
    distance_mm: float | None = None
    reading_mm: float | None = None
    separation_mm: float = 0.0
    um_per_turn: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSweep:
    """Result of a sweep: the document of ``shimwise.sweep/2``, and the curves behind it."""

    document: dict[str, Any]
    curves: tuple[Curve, ...]

    @property
    def is_measured(self) -> bool:
        """Whether best focus is reported; False where a flag withholds it."""
        return self.document["best_um"] is not None


def measure(
    place: str | Path,
    *,
    positions: str | Path | None = None,
    looked_at: LookedAt | None = None,
    recording: Recording | None = None,
    under_test: UnderTest | None = None,
    progress: Progress | None = None,
) -> MeasuredSweep:
    """Measure a sweep of the sensor, of the ring, of the chart's distance or of the body's screw.

    Parameters
    ----------
    place : path
        A folder of frames, or a clip.
    positions : path, optional
        CSV of positions, where the folder has no sweep.json.
    looked_at : LookedAt, optional
        What to measure; the chart, when not given.
    recording : Recording, optional
        What is known of camera and codes; takes precedence over the files.
    under_test : UnderTest, optional
        Body, lens and set-up.
    progress : callable, optional
        Called from time to time.

    Returns
    -------
    MeasuredSweep
        A number that cannot be trusted is None, with a flag for the reason.

    Raises
    ------
    ImagingError
        If the files are refused or nothing can be measured.
    OpticsError
        If a distance lies inside the lens's near limit.
    """
    target, unit = looked_at or LookedAt(), under_test or UnderTest()
    source = open_sweep(place, positions=positions, chart=target.chart, recording=recording)
    is_ring = source.coordinate.value == "ring"
    space = SweptSpace.of(
        source.coordinate,
        source.positions,
        focal_mm=source.recording.focal_mm,
        fixed_mm=unit.distance_mm if is_ring else unit.reading_mm,
        separation_mm=unit.separation_mm,
        um_per_turn=unit.um_per_turn,
    )
    if source.recording.is_by_pictures:
        space = replace(space, is_anchored=False)
    if target.star is None and source.layout is None:
        target = replace(target, star=_described_star(Path(place)))
    work = _Work(source=source, space=space, target=target, unit=unit, progress=progress)
    has_chart = source.layout is not None or target.star is not None
    if target.region_px is not None or target.no_chart or not has_chart:
        return work.of_texture()
    measured = work.of_chart()
    if space.um_per_turn is None or unit.um_per_turn is not None:
        return measured
    for _ in range(MOST_ROUNDS):
        if abs(work.fnumber_share - 1.0) < SAME_SHARE:
            break
        work.space = replace(space, um_per_turn=(work.space.um_per_turn or 0.0) / work.fnumber_share)
        measured = work.of_chart()
    return measured


def _described_star(place: Path) -> OwnStar | None:
    """Return the star that ``sweep.json`` points at, as x, y, radius in px and spokes, or None.

    Raises
    ------
    ImagingError
        If what it names can be no star.
    """
    star = sweep_settings(place if place.is_dir() else place.parent).get("star")
    if star is None:
        return None
    is_star = isinstance(star, list) and len(star) == 4
    if not is_star or not all(isinstance(one, int | float) and math.isfinite(one) for one in star):
        raise ImagingError(f"{DESCRIPTION}: star is no [x, y, radius, spokes].")
    x_px, y_px, radius_px, spokes = star
    return OwnStar(centre_px=(x_px, y_px), radius_px=radius_px, spokes=round(spokes))


def print_sweep(console: Console, measured: MeasuredSweep) -> None:
    """Print the sentence, the stars, the tilt, and each flag with what to do."""
    from shimwise.sheets.terminal.sweep_report import print_sweep_report

    print_sweep_report(console, sweep_from_json(measured.document))


def save_sweep_figure(measured: MeasuredSweep, path: str | Path) -> Path:
    """Save the figure as its name ends: .svg, .png or .pdf.

    Raises
    ------
    SheetError
        If the ending is another, or the file cannot be written there.
    """
    from shimwise.sheets.pictures.figure_file import save_figure
    from shimwise.sheets.pictures.sweep_figure import sweep_figure

    return save_figure(sweep_figure(sweep_from_json(measured.document), measured.curves), path)


@dataclass(slots=True)
class _Work:
    """One sweep on its way."""

    source: FrameSource
    space: SweptSpace
    target: LookedAt
    unit: UnderTest
    progress: Progress | None
    fnumber_share: float = 1.0

    def of_chart(self) -> MeasuredSweep:
        layout, start, has_scale = self._layout()
        settings = self._settings(self._levels())
        result = measure_sweep(self._frames(), layout, settings, start=start)
        seen, warning = self.space.seen(result.magnification if has_scale else None)
        if abs(seen.gain - self.space.gain) > SAME_GAIN:
            self.space = seen
            result = measure_sweep(self._frames(), layout, settings, start=start)
        if result.stars:
            fitted = [star.fit.fnumber for star in result.stars]
            self.fnumber_share = float(np.median(fitted)) / settings.fnumber
        if not has_scale:
            result = replace(result, magnification=None)
        flags = (*result.flags, *self._of_frames())
        result = replace(
            result, flags=flags, landing_um=result.landing_um if self.space.is_anchored else None
        )
        document = self._document(result.to_json(), [warning] if warning else [], is_relative=False)
        return MeasuredSweep(document=document, curves=star_curves(result))

    def of_texture(self) -> MeasuredSweep:
        levels = self._levels()
        found = measure_texture(
            lambda: ((frame.position_um, frame.pixels) for frame in self._frames()),
            region_px=self.target.region_px,
            white=levels.white_linear,
            black=levels.black_linear,
        )
        left, top, right, bottom = found.region_px
        where = f"Measured on {right - left} × {bottom - top} px at {left}, {top}."
        flags = (*found.flags, *self._of_frames())
        core = _relative_json(found.peak, flags, self.source.channel)
        document = self._document(core, [where], is_relative=True)
        return MeasuredSweep(document=document, curves=texture_curve(found))

    def _layout(self) -> tuple[ChartLayout, np.ndarray[Any, np.dtype[np.float64]] | None, bool]:
        """Return layout, the star as pointed at, and whether millimetres on the sheet are known."""
        star = self.target.star
        if self.source.layout is not None:
            layout = layout_from_json(self.source.layout)
            if star is None:
                return layout, None, True
            if star.spokes != layout.centre_star.spokes:
                raise ImagingError(
                    f"The star given has {star.spokes} spokes, the layout's centre star "
                    f"{layout.centre_star.spokes}; point at the centre star, or leave the layout away."
                )
            start = start_from_star(layout, centre_px=star.centre_px, radius_px=star.radius_px)
            return layout, start, True
        if star is None:
            raise ImagingError("No chart's layout and no star is given.")
        layout = layout_of_star(spokes=star.spokes, radius_mm=star.radius_px / 10)
        return layout, start_from_star(layout, centre_px=star.centre_px, radius_px=star.radius_px), False

    def _settings(self, levels: CodeLevels) -> SweepSettings:
        known = self.source.recording
        for name, value, option in (
            ("pixel pitch", known.pitch_um, "--pitch or as pitch_um"),
            ("f-number", known.fnumber, "--fnumber or as fnumber"),
        ):
            if value is None:
                raise ImagingError(
                    f"The {name} is not known; give it with {option} in sweep.json. "
                    "Without a chart (--no-chart) it is not needed."
                )
        return SweepSettings(
            pitch_um=known.pitch_um or 0.0,
            fnumber=known.fnumber or 0.0,
            focal_mm=known.focal_mm,
            white_level=levels.white_linear,
            black_level=levels.black_linear,
            wavelengths_um=known.wavelength_um or (GREEN_UM,),
            channel=self.source.channel,
            is_predicted=bool(self.source.predicted_by),
            may_slip=not known.is_by_pictures,
        )

    def _levels(self) -> CodeLevels:
        """Read the first frame that can be read, and with it what the codes mean."""
        frames = self.source.frames()
        next(frames, None)
        frames.close()  # type: ignore[attr-defined]
        if self.source.levels is None:
            raise ImagingError("What the codes of the frames mean is not known; give --transfer.")
        return self.source.levels

    def _frames(self) -> Iterator[SweptFrame]:
        """Return the frames with their positions in image space, and report progress."""
        report: Callable[[str, int, int], None] = self.progress or (lambda *_: None)
        report(READING, 0, self.source.count)
        for number, frame in enumerate(self.source.frames(), 1):
            position_um = self.space.position_um(frame.position)
            yield SweptFrame(position_um, frame.pixels, frame.name, frame.second)
            report(READING, number + len(self.source.skipped), self.source.count)
        report(FITTING, 0, 0)

    def _of_frames(self) -> tuple[Raised, ...]:
        """Return the flags that the frames' files raise: those left out, and a clip that predicts them."""
        codec = self.source.predicted_by
        report = [raised(Flag.PREDICTED_FRAMES, CODECS.get(codec, codec))] if codec else []
        return (*report, *(raised(Flag.FRAME_LEFT_OUT, str(one).rstrip(".")) for one in self.source.skipped))

    def _document(self, core: dict[str, Any], warnings: list[str], *, is_relative: bool) -> dict[str, Any]:
        report = [*self.source.warnings, *warnings]
        if self.space.um_per_turn is not None:
            source = (
                "as entered" if self.unit.um_per_turn else "estimated from the blur; --um-per-turn is better"
            )
            report.append(f"No landing: computed with {self.space.um_per_turn:.0f} µm a turn, {source}.")
        elif self.source.recording.is_by_pictures:
            report.append(
                "No landing: the meter measured the positions from these pictures, and counts them from best "
                "focus. Tilt and the stars are as in any sweep."
            )
        elif not self.space.is_anchored:
            fixed = "chart's distance (--distance)" if self.space.moved == "ring" else "ring (--reading)"
            report.append(
                f"No landing: the position of the {fixed} is not known; 0 µm is the sweep's middle."
            )
        best, known = core["best_um"], self.source.recording
        distance = self.unit.reading_mm if self.space.moved == "chart" else self.unit.distance_mm
        facts = SweepFacts(
            swept=self.space.moved,
            best_at_mm=None if best is None else self.space.value_mm(best),
            is_relative=is_relative,
            body=self.unit.body,
            lens=self.unit.lens,
            setup=self.unit.setup,
            distance_mm=distance,
            focal_mm=known.focal_mm,
            fnumber=known.fnumber,
            um_per_turn=self.space.um_per_turn,
            um_per_turn_sd=None if is_relative else self._travel_sd_um(),
        )
        return sweep_to_json(core, facts, warnings=report)

    def _travel_sd_um(self) -> float | None:
        """Return how well the blur shows a screw's travel [µm]; None where it was entered, or not found."""
        travel_um = self.space.um_per_turn
        is_found = self.unit.um_per_turn is None and abs(self.fnumber_share - 1.0) < SAME_SHARE
        return TRAVEL_SD_SHARE * travel_um if travel_um is not None and is_found else None


def _relative_json(peak: Any, flags: tuple[Raised, ...], channel: str) -> dict[str, Any]:  # noqa: ANN401
    """Return a target without a chart in the shape of ``shimwise.sweep/2``: most of it is not known."""
    report = {key: getattr(peak, key, None) for key in ("best_um", "sd_um", "low_um", "high_um")}
    tilt = ("x_um", "x_sd_um", "y_um", "y_sd_um", "chart_yaw_deg", "chart_pitch_deg")
    return {
        "schema": SCHEMA_ID,
        **report,
        "band_cy_mm": None,
        "w040_waves": None,
        "channel": channel,
        "alternatives": [],
        "stars": [],
        "tilt": dict.fromkeys(tilt),
        "magnification": None,
        "landing_um": None,
        "flags": [str(flag) for flag in flags],
        "notices": [flag.to_json() for flag in flags],
    }

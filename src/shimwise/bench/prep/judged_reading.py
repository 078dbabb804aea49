"""A reading that is kept, by eye or by picture, as the judge takes it in."""

from typing import TYPE_CHECKING

from shimwise.fields import build_from
from shimwise.inference.model.prep import Axis, FocusDesign, MeasuredLanding, Reading

if TYPE_CHECKING:
    from shimwise.record.tables.rows import LensRow, ReadingRow


def reading_of(
    row: "ReadingRow",
    *,
    body: str,
    lens: "LensRow",
    lens_name: str,
    setup: str,
    distance_mm: float,
    temperature_c: float | None = None,
) -> Reading | MeasuredLanding:
    """Return a reading, by eye or by picture, as the judge takes it in; its line is its number in the prep.

    By picture one that names no setting of the ring has one of its own. ``temperature_c``: the prep's, where
    the reading has none of its own.
    """
    seen = build_from(
        Reading,
        row,
        row=row.seq,
        line=row.seq,
        body=body,
        lens=lens_name,
        distance_mm=distance_mm,
        setup=setup,
        squeeze=lens.squeeze or 1.0,
        axis=Axis(row.axis) if row.axis else None,
        focus_design=FocusDesign(lens.focus_design) if lens.focus_design else None,
        temperature_c=temperature_c if row.temperature_c is None else row.temperature_c,
    )
    if row.landing_um is None or row.landing_sd_um is None:
        return seen
    return MeasuredLanding.by_picture(
        seen,
        landing_um=row.landing_um,
        landing_sd_um=row.landing_sd_um,
        setting=row.setting or f"reading {row.seq}",
    )

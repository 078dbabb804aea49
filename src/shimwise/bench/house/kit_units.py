"""From a kit and the rows of a readings file to the facts of units that the record does not know yet."""

from collections.abc import Sequence

from shimwise.bench.errors import InputError
from shimwise.bench.house.unit_checks import checked_body, checked_lens
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts
from shimwise.fields import build_from
from shimwise.files.errors import ReadingsFileError
from shimwise.files.kit import KitBody, KitLens
from shimwise.inference.model.prep import Reading
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount

KIT_FACTS = {
    "focal_lengths_mm": "focal_length_mm",
    "fnumber": "f_number",
    "separation_mm": "principal_separation_mm",
    "marks_mm": "marks",
}
"""Keys of a kit file behind facts that are called otherwise."""
_KINDS: dict[type[Mechanism], str] = {Screw: "screw", ShimmedMount: "shimmed mount", Fixed: "fixed"}


def body_of_kit(name: str, kit: KitBody) -> BodyFacts:
    """Return a body as the kit has it; of one that is not in the kit nothing but its name is known.

    Raises
    ------
    InputError
        If the record takes no such value.
    """
    facts = build_from(BodyFacts, kit, name=name, mechanism=mechanism_of_kit(kit.mechanism))
    try:
        return checked_body(facts)
    except InputError as error:
        raise of_unit("body", name, error) from error


def lens_of_rows(
    name: str, rows: Sequence[Reading], kit: KitLens, *, is_metric: bool, file: str
) -> LensFacts:
    """Return a lens as the kit has it, and by its rows where the kit has nothing.

    Parameters
    ----------
    name : str
        The lens.
    rows : sequence of Reading
        Its readings, at least one.
    kit : KitLens
        Empty for a lens that is not in the kit.
    is_metric : bool
        Whether its scale is engraved in metres.
    file : str
        The readings file, for messages.

    Raises
    ------
    ReadingsFileError
        If the rows differ in what the record keeps once.
    InputError
        If the record takes no such value.
    """
    separation_mm = kit.separation_mm
    if separation_mm is None and not kit.by_distance:
        separation_mm = _only(rows, "separation_mm", "principal_separation_mm", file)
    design = kit.focus_design or rows[0].focus_design
    facts = build_from(
        LensFacts,
        kit,
        name=name,
        focal_lengths_mm=kit.focal_lengths_mm or (_only(rows, "focal_mm", "focal_length_mm", file) or 0.0,),
        fnumber=kit.fnumber or min(row.fnumber for row in rows),
        separation_mm=separation_mm,
        focus_design=str(design or ""),
        squeeze=kit.squeeze or rows[0].squeeze,
        scale_unit="m" if is_metric else "ft",
    )
    try:
        return checked_lens(facts)
    except InputError as error:
        raise of_unit("lens", name, error) from error


def mechanism_of_kit(mechanism: Mechanism | None) -> MechanismFacts | None:
    """Return how a body is adjusted as the record keeps it."""
    if mechanism is None:
        return None
    away = mechanism.away if isinstance(mechanism, Screw) else None
    return build_from(
        MechanismFacts, mechanism, kind=_KINDS[type(mechanism)], away=away.value if away else ""
    )


def _only(rows: Sequence[Reading], field: str, column: str, file: str) -> float | None:
    """Return the value that all rows have of a lens."""
    first: float | None = getattr(rows[0], field)
    for row in rows:
        here: float | None = getattr(row, field)
        if here != first:
            raise ReadingsFileError(
                f"{row.lens} has {_as_text(here)} here, but {_as_text(first)} on line {rows[0].line}. The "
                "record keeps one for a lens: correct it, or say in a kit file what holds (the focal lengths "
                "of a zoom, a table by distance).",
                name=file,
                line=row.line,
                column=column,
                found=_as_text(here),
            )
    return first


def _as_text(value: float | None) -> str:
    return "nothing" if value is None else f"{value:g}"


def of_unit(kind: str, name: str, error: InputError) -> InputError:
    """Return the refusal of a fact with the unit that it is of."""
    return InputError(
        f"of the {kind} {name} ({error.field}) {error.reason}", field=error.field, typed=error.typed
    )

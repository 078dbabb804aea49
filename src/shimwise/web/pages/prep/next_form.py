"""Which reading the pad asks for: first, after one was saved, to correct one, or as a link asks."""

import uuid
from collections.abc import Mapping

from shimwise.bench.prep.views import PrepView, ReadingView, SavedReading
from shimwise.bench.verdict.recheck_views import RecheckView
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import number

KEPT_FIELDS = ("body_id", "lens_id", "focal_mm", "fnumber", "axis", "stop")
"""Fields of a reading that hold for the next one too."""


def asked_form(prep: PrepView, query: Form) -> Form | None:
    """Choose the reading that a link of another page asks for; None where it asks for none of this prep."""
    bodies, lenses = ({unit.id for unit in units} for units in (prep.bodies, prep.lenses))
    if query.text("body") not in bodies or query.text("lens") not in lenses:
        return None
    is_taped = query.text("setup") in {setup.id for setup in prep.setups}
    return Form.filled(
        id=uuid.uuid4().hex,
        body_id=query.text("body"),
        lens_id=query.text("lens"),
        focal_mm=query.text("focal"),
        setup_id=query.text("setup") if is_taped else "",
        distance_text="" if is_taped else query.text("distance"),
    )


def first_form(prep: PrepView, rechecks: tuple[RecheckView, ...]) -> Form:
    """Choose what an adjusted unit must be read with again, else the most informative, else the newest."""
    after_move = next((one for view in rechecks for one in view.readings), None)
    best = prep.verdict.next[0] if prep.verdict and prep.verdict.next else None
    upcoming, new_id = after_move or best, uuid.uuid4().hex
    focal_mm = best.focal_mm if best is not None and upcoming is best else None
    if upcoming is not None and upcoming.body_id and upcoming.lens_id:
        return Form.filled(
            id=new_id,
            body_id=upcoming.body_id,
            lens_id=upcoming.lens_id,
            focal_mm=None if focal_mm is None else number(focal_mm),
            setup_id=upcoming.setup_id,
            distance_text=None if upcoming.setup_id else upcoming.distance_text,
        )
    last = prep.readings[-1] if prep.readings else None
    if last is not None:
        return Form.filled(id=new_id, body_id=last.body_id, lens_id=last.lens_id, setup_id=last.setup_id)
    body_id = prep.bodies[0].id if prep.bodies else ""
    own = [setup for setup in prep.setups if setup.body_id == body_id]
    lens_id = prep.lenses[0].id if prep.lenses else ""
    return Form.filled(id=new_id, body_id=body_id, lens_id=lens_id, setup_id=own[-1].id if own else "")


def next_form(form: Form, saved: SavedReading, prep: PrepView) -> Form:
    """Keep body and set-up for the next reading, and choose the next lens that is not read there.

    Each focal length of a zoom counts by itself. Where all are read the lens stays: what is worth reading at
    another distance is offered, since somebody has to tape it first. ``choose.js`` chooses alike offline.
    """
    after = Form()
    after.set("id", uuid.uuid4().hex)
    for name in KEPT_FIELDS:
        after.values[name] = list(form.values.get(name, []))
    view = saved.view
    after.set("setup_id", view.setup_id)
    stops = [
        (lens.id, focal_mm)
        for lens in prep.lenses
        for focal_mm in (lens.focal_lengths_mm if lens.is_zoom else (None,))
    ]
    here = (view.lens_id, view.focal_mm if (view.lens_id, view.focal_mm) in stops else None)
    at = stops.index(here) if here in stops else 0
    read = read_at(prep)
    for lens_id, focal_mm in (*stops[at + 1 :], *stops[:at]):
        if _mark(view.setup_id, focal_mm) not in read.get(lens_id, ()):
            after.set("lens_id", lens_id)
            after.set("focal_mm", None if focal_mm is None else number(focal_mm))
            if lens_id != view.lens_id:
                for name in ("axis", "fnumber", "stop"):
                    after.set(name, None)
            break
    return after


def correcting_form(reading: ReadingView) -> Form:
    """Fill the pad with a reading that is to be corrected."""
    return Form.filled(
        id=uuid.uuid4().hex,
        corrects=reading.id,
        corrects_number=reading.number,
        **_entered(reading),
    )


def entered_form(reading: ReadingView) -> Form:
    """Fill the pad with what was entered, as it was before Save."""
    return Form.filled(id=uuid.uuid4().hex, **_entered(reading))


def read_at(prep: PrepView) -> Mapping[str, list[str]]:
    """Return by lens where it is read in its present state: set-ups, of a zoom ``set-up:focal length``."""
    zooms = {lens.id for lens in prep.lenses if lens.is_zoom}
    read: dict[str, list[str]] = {}
    for one in prep.readings:
        if not one.is_withdrawn and not one.is_past:
            mark = _mark(one.setup_id, one.focal_mm if one.lens_id in zooms else None)
            read.setdefault(one.lens_id, []).append(mark)
    return {lens_id: sorted(set(marks)) for lens_id, marks in read.items()}


def _mark(setup_id: str, focal_mm: float | None) -> str:
    return setup_id if focal_mm is None else f"{setup_id}:{number(focal_mm)}"


def _entered(reading: ReadingView) -> dict[str, object]:
    return {
        "body_id": reading.body_id,
        "lens_id": reading.lens_id,
        "setup_id": reading.setup_id,
        "focal_mm": number(reading.focal_mm),
        "axis": reading.axis,
        "stop": reading.stop,
        "note": reading.note,
        "temperature_c": None if reading.temperature_c is None else number(reading.temperature_c),
        "reading_text": reading.reading_text,
        "fnumber": number(reading.fnumber) if reading.is_stopped_down else None,
    }

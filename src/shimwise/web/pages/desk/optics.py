"""Optics at hand: one small form for each question, answered in a sentence."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.desk import optics
from shimwise.bench.errors import InputError
from shimwise.errors import LengthError
from shimwise.lengths import LengthTextError, length_to_mm, mm_to_feet_text, mm_to_metric_text
from shimwise.number_format import decimal_text, is_nought
from shimwise.web.pages.deps import VisitDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import half, number, signed, way

router = APIRouter()


@dataclass(frozen=True, slots=True)
class OpticsAnswer:
    """An answer: its sentence, and rows of name and value beneath."""

    sentence: str
    rows: tuple[tuple[str, str], ...] = ()


@router.get("/optics")
def show(visit: VisitDep) -> Response:
    """Show the questions, and the answer to the one that was asked."""
    query, answer = visit.form, None
    topic = query.text("topic") if query.text("topic") in _TOPICS else "landing"
    _, respond, question = _TOPICS[topic]
    _fill(query, topic, visit.page.units)
    if query.text("ask"):
        with visit.refusing(status=422):
            answer = respond(_Question(query, visit.page.units))
    return visit.show(
        "optics.html",
        sentence=answer.sentence if answer else question,
        topic=topic,
        topics=[(name, words) for name, (words, _, _) in _TOPICS.items()],
        answer=answer,
        mounts=optics.mounts() if topic == "mounts" else (),
        materials=MATERIALS,
    )


MATERIALS = (
    "aluminium 6061",
    "titanium Ti-6Al-4V",
    "stainless 304",
    "stainless 316",
    "brass C36000 free-cutting",
    "Invar",
)
"""Offered by name; the data file holds their sources."""


@dataclass(frozen=True, slots=True)
class _Question:
    """A question as it was typed, and the units in which the house writes lengths."""

    form: Form
    units: str

    def landing(self) -> OpticsAnswer:
        found = optics.landing(
            **self._needed("focal_mm", lengths=("distance", "reading")),
            separation_mm=self.form.number("separation_mm") or 0.0,
        )
        um = found.landing_um
        side = "on the mark" if is_nought(um) else f"{way(um)} by {decimal_text(abs(um), comma=True)} µm"
        rows = (
            ("Landing", f"{signed(um, 1)} µm"),
            ("Magnification at the chart", f"{found.magnification:.5f}"),
        )
        return OpticsAnswer(f"It lands {side} at the sensor.", rows)

    def ring(self) -> OpticsAnswer:
        asked = self._needed("landing_um", "focal_mm", lengths=["distance"])
        found = optics.ring_reading(**asked, separation_mm=self.form.number("separation_mm") or 0.0)
        um = asked["landing_um"]
        sentence = f"With {signed(um)} µm at the sensor the ring stands at {self._text(found.reading_mm)}."
        rows = (
            ("In feet", _text(found.reading_mm, "ft")),
            ("In metres", _text(found.reading_mm, "m")),
        )
        return OpticsAnswer(sentence, rows)

    def depth(self) -> OpticsAnswer:
        asked = self._needed("focal_mm", "fnumber", "coc_um", lengths=["distance"])
        found = optics.depth(coc_mm=1e-3 * asked.pop("coc_um"), **asked)
        near, far = self._text(found.near_mm), self._text(found.far_mm)
        at_sensor = f"± {half(500 * found.depth_of_focus_mm)} µm"
        rows = (
            ("Near limit", near),
            ("Far limit", far),
            ("Hyperfocal distance", self._text(found.hyperfocal_mm)),
            ("Depth of focus", at_sensor),
            ("Magnification", f"{found.magnification:.5f}"),
        )
        return OpticsAnswer(f"Sharp from {near} to {far}; at the sensor {at_sensor}.", rows)

    def plate(self) -> OpticsAnswer:
        asked = self._needed("thickness_mm", "index")
        um = optics.plate_shift_um(**asked, fnumber=self.form.number("fnumber"))
        sentence = f"The plate moves focus back by {um:,.0f} µm, away from the lens."
        return OpticsAnswer(sentence, (("Shift", f"{um:,.2f} µm"),))

    def heat(self) -> OpticsAnswer:
        asked = self._needed("change_k", "length_mm")
        um, change_k = optics.heat_change_um(material=self.form.text("material"), **asked), asked["change_k"]
        rows = [("Change", f"{signed(um, 2)} µm")]
        if change_k:
            rows.append(("For each kelvin", f"{signed(um / change_k, 3)} µm"))
        return OpticsAnswer(f"It {'grows' if um >= 0 else 'shrinks'} by {abs(um):,.1f} µm.", tuple(rows))

    def mounts(self) -> OpticsAnswer:
        return OpticsAnswer("Nominal flange depths, each with its source; no tolerance is known for any.")

    def _needed(self, *numbers: str, lengths: Iterable[str] = ()) -> dict[str, float]:
        """Return numbers and lengths that must not be left out, by the names of the bench."""
        asked = {name: self.form.needed(name) for name in numbers}
        return asked | {f"{name}_mm": self._length_mm(name) for name in lengths}

    def _length_mm(self, name: str) -> float:
        typed = self.form.text(name)
        try:
            return length_to_mm(typed)
        except LengthTextError as error:
            raise InputError(f"is no length: {error.reason}.", field=name, typed=typed) from error

    def _text(self, mm: float) -> str:
        return _text(mm, self.units)


_TOPICS: dict[str, tuple[str, Callable[[_Question], OpticsAnswer], str]] = {
    "landing": ("Landing", _Question.landing, "How many microns at the sensor does a reading mean?"),
    "ring": ("Ring", _Question.ring, "Where will the ring stand for an error at the sensor?"),
    "depth": ("Depth", _Question.depth, "From where to where is the picture sharp enough?"),
    "plate": ("Plate", _Question.plate, "How far does a filter or gel behind the lens move focus?"),
    "heat": ("Heat", _Question.heat, "How much does a part grow when it warms?"),
    "mounts": ("Mounts", _Question.mounts, "Nominal flange depths, each with its source."),
}
"""Name -> its word, what answers it, and the question as a sentence."""


def _fill(form: Form, topic: str, units: str) -> None:
    """Put usual values into fields that nobody has touched."""
    if form.text("ask"):
        return
    form.fill(
        focal_mm="50",
        fnumber="" if topic == "plate" else "2.8",
        coc_um="20",
        distance="1 m" if units == "m" else "3'",
        reading="980 mm" if units == "m" else "2' 11 1/2\"",
        landing_um="-10",
        thickness_mm="1",
        index="1.52",
        material=MATERIALS[0],
        length_mm="52",
        change_k="10",
    )


def _text(mm: float, units: str) -> str:
    if math.isinf(mm):
        return "infinity"
    try:
        return mm_to_metric_text(mm) if units == "m" else mm_to_feet_text(mm)
    except LengthError:
        return f"{number(mm)} mm"

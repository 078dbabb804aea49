"""What a reading would mean, while it is typed; nothing is kept."""

from shimwise.bench.errors import Conflict
from shimwise.bench.prep.reading_check import CheckedReading, ReadingNotes, TypedReading, checked_reading
from shimwise.bench.prep.views import Preview
from shimwise.inference.verdict.expected_landing import AgreementKind
from shimwise.inference.verdict.plausible_landing import farthest_landing_um
from shimwise.number_format import decimal_text
from shimwise.record.record import Record
from shimwise.sheets.words.landing_words import agreement_text, landing_text


class LandingBeyond(Conflict):
    """Raised when a reading lands farther off than body and lens go, and nobody confirmed it.

    Attributes
    ----------
    landing_um, farthest_um : float
        Its landing, and how far one may lie without a question. [µm]
    """

    def __init__(self, words: str, *, landing_um: float, farthest_um: float) -> None:
        self.landing_um, self.farthest_um = landing_um, farthest_um
        about = decimal_text(farthest_um)
        super().__init__(
            f"It would land {words}, farther than body and lens go together (about {about} µm here). "
            "Is the figure right?",
            kind="reading",
            id="",
        )


def preview_landing(record: Record, prep_id: str, typed: TypedReading) -> Preview:
    """Return what a reading would mean, while it is typed.

    Raises
    ------
    InputError, NotFound
        As for one that is saved.
    """
    with record.reading() as connection:
        return preview_of(checked_reading(record, connection, prep_id, typed))


def refuse_if_beyond(checked: CheckedReading) -> None:
    """Raise LandingBeyond for a landing farther than body and lens go that no other reading confirms."""
    seen = preview_of(checked)
    if seen.is_beyond:
        raise LandingBeyond(seen.landing_words, landing_um=seen.landing_um, farthest_um=seen.farthest_um)


def preview_of(checked: CheckedReading) -> Preview:
    """Return what a checked reading would mean."""
    setup, at = checked.setup, checked.prep.started_at  # any time will do
    row = checked.row("", setup_id=setup.id, operator="", words=ReadingNotes(), taken_at=at)
    presenter = checked.presenter(setup)
    landing, agreement = presenter.landing(row), presenter.agreement(row)
    farthest_um = farthest_landing_um(focal_mm=landing.focal_mm, m=landing.m, sd_um=landing.sd_um)
    is_confirmed = agreement.is_paired and agreement.kind is AgreementKind.AGREES
    words = landing_text(landing.um)
    return Preview(
        landing_um=landing.um,
        landing_sd_um=landing.sd_um,
        landing_words=words,
        agreement=agreement.kind.value,
        agreement_words=agreement_text(agreement),
        distance_mm=setup.distance_mm,
        reading_mm=checked.reading.mm,
        reading_text=checked.reading.text,
        words=f"{checked.reading.text} is {words}; {agreement_text(agreement)}",
        fnumber=checked.fnumber,
        lens_fnumber=checked.lens.fnumber,
        farthest_um=farthest_um,
        is_beyond=abs(landing.um) > farthest_um and not is_confirmed,
    )

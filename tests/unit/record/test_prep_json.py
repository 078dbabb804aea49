"""A prep goes from one record to another with nothing changed."""

import json
import math
import shutil
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_rows import BODY, LENS, NOON, a_house, a_job, a_prep, a_reading, a_setup, a_whole_job

from property_cases import examples
from record_template import empty_record
from shimwise.errors import RecordError
from shimwise.files.readings import parse_readings
from shimwise.record import journal
from shimwise.record.backup.checking import check
from shimwise.record.errors import Conflict
from shimwise.record.exchange.prep_json import Imported, export_prep, import_prep
from shimwise.record.exchange.readings_csv import export_readings
from shimwise.record.exchange.row_json import ExchangeError, row_to_json
from shimwise.record.queries import evidence, preps, units
from shimwise.record.queries import verdicts as judged
from shimwise.record.record import Record
from shimwise.record.tables.rows import (
    AdjustmentRow,
    BodyRow,
    LensRow,
    PrepRow,
    ReadingRow,
    SetupRow,
    VerdictRow,
)


def _exported(record: Record, prep_id: str = "prep-1") -> dict[str, Any]:
    with record.reading() as connection:
        document = export_prep(connection, prep_id)
    again: dict[str, Any] = json.loads(json.dumps(document, allow_nan=False))
    return again


@pytest.fixture(scope="module")
def whole_job(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Export a whole job, of a house that has a lens which the job does not name; tests copy it."""
    with Record.open(empty_record(tmp_path_factory.mktemp("home") / "record").parent) as home:
        a_whole_job(home)
        with home.writing(who="Ann") as change:
            units.add_unit(change, replace(LENS, id="lens-other", name="Lens of another set"))
        return _exported(home)


@pytest.mark.slow
def test_a_prep_imported_elsewhere_is_exported_as_the_same(record: Record, tmp_path: Path) -> None:
    a_whole_job(record)
    document = _exported(record)
    with Record.open(empty_record(tmp_path / "elsewhere").parent) as elsewhere:
        with elsewhere.writing(who="Cy") as change:
            assert import_prep(change, document) == Imported(prep_id="prep-1", is_new=True)
        assert _exported(elsewhere) == document
        assert check(elsewhere) == ()
        with record.reading() as ours, elsewhere.reading() as theirs:
            assert judged.unit_past(theirs, "lens-50") == judged.unit_past(ours, "lens-50")
        with elsewhere.writing(who="Cy") as change:  # and back home, where it is
            assert import_prep(change, document) == Imported(prep_id="prep-1", is_new=False)
        with elsewhere.writing(who="Cy") as change:  # it goes on there
            assert evidence.add_reading(change, a_reading(20)).seq == 5
    with record.writing(who="Ann") as change:
        assert not import_prep(change, document).is_new
    assert _exported(record) == document


texts = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=30)
numbers = st.floats(allow_nan=False, allow_infinity=False, width=64)
lengths = st.one_of(st.floats(0.1, 1e7), st.just(math.inf))
times = st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))
documents = st.recursive(
    st.none() | st.booleans() | numbers | st.integers(-(2**53), 2**53) | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)


@settings(
    max_examples=examples(10), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    title=texts,
    temperature_c=st.none() | numbers,
    distance_mm=lengths,
    readings=st.lists(
        st.tuples(lengths, texts, texts, times, st.booleans(), st.floats(0.5, 64.0)), min_size=1, max_size=5
    ),
    document=st.dictionaries(texts, documents, max_size=4),
)
@pytest.mark.slow
def test_whatever_a_prep_holds_survives_the_journey(
    sqlite_template: Path,
    title: str,
    temperature_c: float | None,
    distance_mm: float,
    readings: list[tuple[float, str, str, datetime, bool, float]],
    document: dict[str, Any],
) -> None:
    with TemporaryDirectory() as folder:
        for name in ("home", "away"):
            (Path(folder) / name).mkdir()
            shutil.copy(sqlite_template, Path(folder) / name)
        with Record.open(Path(folder) / "home") as home:
            with home.writing(who="Ann") as change:
                a_house(change)
                preps.add_prep(change, a_prep(title=title, temperature_c=temperature_c))
                evidence.add_setup(change, a_setup(distance_mm=distance_mm, distance_text=title))
                for number, (mm, typed, note, at, is_out, fnumber) in enumerate(readings):
                    row = a_reading(
                        number, reading_mm=mm, reading_text=typed, note=note, taken_at=at, fnumber=fnumber
                    )
                    evidence.add_reading(change, row)
                    if is_out:
                        evidence.withdraw(change, ReadingRow, row.id, reason=f"why: {note}")
                verdict = VerdictRow(
                    id="v",
                    prep_id="prep-1",
                    revision=1,
                    given_at=NOON,
                    program_version="0",
                    document={"schema": "x", "said": document},
                    headline=title,
                )
                judged.add_verdict(change, verdict)
            sent = _exported(home)
        with Record.open(Path(folder) / "away") as away:
            with away.writing(who="Bo") as change:
                import_prep(change, sent)
            assert _exported(away) == sent


def test_a_prep_that_is_here_with_other_content_is_refused_and_nothing_changes(record: Record) -> None:
    a_job(record)
    document = _exported(record)
    with record.writing(who="Ann") as change:
        evidence.add_reading(change, a_reading(7))
    now = _exported(record)
    with pytest.raises(Conflict, match="journal, prep, readings differ"), record.writing(who="Bo") as change:
        import_prep(change, document)
    assert _exported(record) == now


def test_another_unit_of_the_same_name_stands_in_the_way_and_nothing_is_left(
    record: Record, tmp_path: Path
) -> None:
    a_job(record)
    document = _exported(record)
    with Record.open(empty_record(tmp_path / "elsewhere").parent) as elsewhere:
        with elsewhere.writing(who="Cy") as change:
            units.add_unit(change, replace(BODY, id="their-own"))
        with (
            pytest.raises(Conflict, match="a body named Body A already"),
            elsewhere.writing(who="Cy") as change,
        ):
            import_prep(change, document)
        with elsewhere.reading() as connection:
            assert preps.prep_lines(connection) == []
            assert [line.what for line in journal.journal_after(connection, 0)] == ["body added"]


def test_a_unit_that_is_known_keeps_the_facts_of_this_record(record: Record, tmp_path: Path) -> None:
    a_job(record)
    document = _exported(record)
    with Record.open(empty_record(tmp_path / "elsewhere").parent) as elsewhere:
        with elsewhere.writing(who="Cy") as change:
            units.add_unit(change, replace(BODY, note="ours"))
        with elsewhere.writing(who="Cy") as change:
            assert import_prep(change, document).kept == ("Body A",)
        with elsewhere.reading() as connection:
            assert units.unit(connection, BodyRow, "body-a").note == "ours"


def _set(path: str, value: object) -> Callable[[dict[str, Any]], None]:
    def spoil(document: dict[str, Any]) -> None:
        *way, last = path.split(".")
        inner: Any = document
        for step in way:
            inner = inner[int(step) if step.isdigit() else step]
        if value is ...:
            del inner[last]
        else:
            inner[int(last) if last.isdigit() else last] = value

    return spoil


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("schema", "shimwise.verdict/1", "schema shimwise.prep/1"),
        ("readings", ..., "has no readings"),
        ("readings", {}, "readings has to be a list"),
        ("readings.0", 3, r"readings\[0\] is \[3\]; it has to be an object"),
        ("readings.1.reading_mm", "far", r"readings\[1\]\.reading_mm is \[far\]; it has to be a number"),
        ("readings.1.reading_mm", None, r"readings\[1\]\.reading_mm is empty"),
        ("readings.1.reading_mm", True, "has to be a number"),
        ("readings.1.seq", 1.5, "has to be a whole number"),
        ("readings.1.taken_at", "2025-03-01T12:00:00", "a time with its zone"),
        ("readings.1.taken_at", 7, "a time with its zone"),
        ("readings.1.note", ["x"], "has to be a text"),
        ("readings.1.colour", "red", "colour, which this version does not know"),
        ("readings.1.operator", ..., "has no operator"),
        ("readings.1.prep_id", "another", "of another prep"),
        ("readings.1.setup_id", "nowhere", "contradicts what is kept"),
        ("readings.1.id", "reading-1-1", "contradicts what is kept"),
        ("prep.lens_ids", "lens-50", "has to be ids"),
        ("prep.state", "flying", "contradicts what is kept"),
        ("prep.set_id", "another", "not that of its prep"),
        ("gauges.0.unit_kind", "tripod", "unknown unit kind"),
        ("bodies.0.is_retired", "no", "true or false"),
        ("journal", 3, "journal has to be a list"),
        ("journal.0.at", None, "is empty"),
        ("sign_offs.0.signed_json", "{}", "is not what its digest is over: the file was changed"),
        ("sign_offs.0.signed_json", 3, "it has to be a text"),
        ("strange", 1, "strange, which this version does not know"),
    ],
)
def test_a_document_that_no_record_wrote_is_refused_with_the_place(
    whole_job: dict[str, Any], tmp_path: Path, path: str, value: object, told: str
) -> None:
    document = deepcopy(whole_job)
    _set(path, value)(document)
    with Record.open(empty_record(tmp_path / "away").parent) as away:
        with pytest.raises(RecordError, match=told), away.writing(who="Bo") as change:
            import_prep(change, document)
        with away.reading() as connection:
            assert preps.prep_lines(connection) == []
            assert journal.last_seq(connection) == 0


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("readings.1.focal_mm", 10**400, "has to be a number"),
        ("readings.1.reading_mm", math.nan, "has to be a number"),
        ("readings.1.seq", 10**30, "has to be a whole number"),
        ("readings.1.note", "\ud800", "has to be a text"),
        ("journal.0.detail", {"title": "\ud800"}, "holds what no record keeps"),
        ("prep.started_at", "0001-01-01T00:00:00+14:00", "a time with its zone"),
        ("readings.1.focal_mm", -50.0, "focal_mm is -50, which no prep can hold"),
        ("readings.1.fnumber", "INF", "fnumber is inf"),
        ("readings.1.axis", "sideways", r"axis is \[sideways\]"),
        ("readings.1.lens_id", "lens-other", "a unit that the prep does not name"),
        ("readings.3.seq", 9, "not numbered from 1 to 4"),
        ("prep.revision", 1, "at revision 1, and was judged or signed at 9"),
        ("lenses.0.focal_lengths_mm", ["long"], "focal_lengths_mm are"),
        ("lenses.1.by_distance", [[1.0, 2.0]], "rows of another length"),
        (
            "verdicts.0.document",
            {"schema": "x", "bodies": [{}]},
            "has lines on its bodies that no verdict has",
        ),
        ("verdicts.0.document", 5, "of no known kind"),
        ("bodies.0.epoch", 0, "in epoch 0, and was adjusted into epoch 1"),
        ("adjustments.0.epoch_before", 3, "from epoch 3 to 1"),
    ],
)
def test_a_prep_that_could_never_be_shown_is_refused_before_it_is_kept(
    whole_job: dict[str, Any], tmp_path: Path, path: str, value: object, told: str
) -> None:
    document = deepcopy(whole_job)
    document["lenses"].append(row_to_json(replace(LENS, id="lens-other", name="Lens of another set")))
    _set(path, value)(document)
    with Record.open(empty_record(tmp_path / "away").parent) as away:
        with pytest.raises(ExchangeError, match=told), away.writing(who="Bo") as change:
            import_prep(change, document)
        with away.reading() as connection:
            assert journal.last_seq(connection) == 0


def test_a_unit_adjusted_further_elsewhere_is_here_in_that_epoch_too(record: Record, tmp_path: Path) -> None:
    a_whole_job(record)
    document = _exported(record)
    with Record.open(empty_record(tmp_path / "elsewhere").parent) as elsewhere:
        with elsewhere.writing(who="Cy") as change:
            units.add_unit(change, replace(BODY, note="ours", history_sd_um=2.0))
        with elsewhere.writing(who="Cy") as change:
            assert import_prep(change, document).kept == ("Body A",)
        with elsewhere.reading() as connection:
            body = units.unit(connection, BodyRow, "body-a")
        assert (body.epoch, body.note, body.history_sd_um) == (1, "ours", 4.0)
        assert check(elsewhere) == ()


def test_a_unit_adjusted_here_and_elsewhere_from_one_state_is_refused(record: Record, tmp_path: Path) -> None:
    a_whole_job(record)
    document = _exported(record)
    with Record.open(empty_record(tmp_path / "elsewhere").parent) as elsewhere:
        own = AdjustmentRow(
            id="adjustment-own",
            unit_kind="body",
            unit_id="body-a",
            action="move sensor",
            made_by="Cy",
            made_at=NOON,
        )
        with elsewhere.writing(who="Cy") as change:
            units.add_unit(change, BODY)
            judged.add_adjustment(change, own)
        with pytest.raises(Conflict, match="was adjusted here"), elsewhere.writing(who="Cy") as change:
            import_prep(change, document)
        assert check(elsewhere) == ()


@pytest.mark.parametrize("document", [None, 3, "text", [], {}, {"schema": "shimwise.prep/1"}])
def test_what_is_no_prep_is_told(record: Record, document: object) -> None:
    with pytest.raises(ExchangeError, match="The file"), record.writing(who="Bo") as change:
        import_prep(change, document)


def test_readings_as_csv_are_read_back_by_the_readings_file(record: Record) -> None:
    a_whole_job(record)
    with record.writing(who="Ann") as change:
        # The lens marks a text that would act in a spreadsheet; the readings file takes none such.
        evidence.withdraw(change, ReadingRow, "reading-1-9", reason="note of a formula")
        evidence.add_reading(
            change,
            a_reading(
                10, setup_id="setup-1-2", reading_mm=math.inf, reading_text="on", stop="T2", at_text="bay 2"
            ),
        )
        evidence.add_reading(
            change, a_reading(11, reading_mm=1828.8, reading_text="6'", note='a "quoted", note')
        )
    with record.reading() as connection:
        text = export_readings(connection, "prep-1")
        kept = [row for row in evidence.readings(connection, "prep-1") if row.withdrawn_at is None]
    back = parse_readings(text.encode(), name="exported.csv").readings
    assert [(row.reading_mm, row.fnumber, row.operator, row.stop, row.note, row.at) for row in back] == [
        (row.reading_mm, row.fnumber, row.operator, row.stop, row.note, row.at_text) for row in kept
    ]
    assert [row.distance_mm for row in back] == [1828.8, 1828.8, math.inf, 1828.8]
    assert {row.setup for row in back} == {"chart 1", "chart 2"}
    assert "6'" in text
    assert "bumped" not in text


def test_readings_before_an_adjustment_are_exported_as_another_unit(tmp_path: Path) -> None:
    long = "Body of a very long name, as long as a name may be, of the rental house "
    twins = (f"{long}north", f"{long}south")
    with Record.open(empty_record(tmp_path / "house").parent) as record, record.writing(who="Ann") as change:
        units.add_unit(change, LensRow(id="l", name="L", focal_lengths_mm=(50.0,), fnumber=2.0))
        for number, name in enumerate(twins):
            units.add_unit(change, BodyRow(id=f"b{number}", name=name, epoch=1))
        ids = ("b0", "b1")
        row = PrepRow(id="p", title="", started_at=NOON, started_by="Ann", body_ids=ids, lens_ids=("l",))
        preps.add_prep(change, row)
        for body in ids:
            evidence.add_setup(
                change,
                SetupRow(
                    id=f"s-{body}",
                    prep_id="p",
                    body_id=body,
                    name=f"chart of {body}",
                    distance_mm=914.4,
                    distance_text="3'",
                    taped_by="Ann",
                    taped_at=NOON,
                ),
            )
        for epoch in (0, 1):
            for body in ids:
                evidence.add_reading(
                    change,
                    ReadingRow(
                        id=f"r-{body}-{epoch}",
                        prep_id="p",
                        setup_id=f"s-{body}",
                        body_id=body,
                        lens_id="l",
                        focal_mm=50.0,
                        fnumber=2.0,
                        reading_mm=914.4 - 12.7 * (1 - epoch),
                        reading_text="on",
                        operator="Ann",
                        taken_at=NOON,
                        body_epoch=epoch,
                    ),
                )
        text = export_readings(change.connection, "p")
    rows = parse_readings(text.encode(), name="exported.csv").readings
    past, now = [row.body for row in rows[:2]], [row.body for row in rows[2:]]
    assert tuple(now) == twins
    assert len({*past, *now}) == 4
    assert all(name.startswith("Body of a very long") and " before adjustment 1" in name for name in past)


def test_a_prep_without_anything_is_exported_too(record: Record) -> None:
    with record.writing(who="Ann") as change:
        preps.add_prep(change, PrepRow(id="empty", title="", started_at=NOON, started_by="Ann"))
    document = _exported(record, "empty")
    assert (document["set"], document["readings"]) == (None, [])
    with record.reading() as connection:
        assert export_readings(connection, "empty").count("\n") == 1

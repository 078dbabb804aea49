"""A readings file goes into the record: whole or not, once, with its units, set-ups and what was typed."""

from importlib.resources import files
from pathlib import Path

import pytest
from invented_house import WHO, House

from shimwise.bench.desk.judge import judge_file
from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.exchange import record_admin
from shimwise.bench.exchange.import_readings import import_readings, is_readings_file
from shimwise.bench.exchange.record_admin import opened_or_empty
from shimwise.bench.house.units import change_unit, list_units
from shimwise.bench.house.views import BodyFacts, LensFacts
from shimwise.bench.prep.preps import close_prep, list_preps, open_prep
from shimwise.bench.verdict.verdict import current_verdict
from shimwise.errors import RecordError
from shimwise.record.queries import verdicts
from shimwise.record.record import Record
from shimwise.record.tables.rows import AdjustmentRow

HEADER = "body,lens,focal_length_mm,f_number,distance,reading,operator,setup"
DEMO = files("shimwise.bench.demo").joinpath("demo_bench")


def csv(*rows: str, header: str = HEADER) -> bytes:
    return "\n".join((header, *rows, "")).encode()


ONE = csv("""A-01,H50,50,2,3',"2' 11 1/2""\",assistant,near""")


@pytest.fixture
def kit(tmp_path: Path) -> Path:
    path = tmp_path / "kit.toml"
    path.write_text(DEMO.joinpath("kit.toml").read_text(encoding="utf-8"), encoding="utf-8")
    return path


def test_what_is_exported_comes_back_the_same_in_another_record(house: House, tmp_path: Path) -> None:
    prep = house.start(lens_ids=[house.ids["H25"]])
    for text, options in (
        ("2' 11 1/2\"", {}),
        ("905 mm", {"distance_text": "0.914 m", "stop": "T2.1", "at": "by the door", "note": "dim"}),
        ('short by 1/4"', {"lens_id": house.ids["H25"], "fnumber": 4.0}),
        ("INF", {"distance_text": "INF", "lens_id": house.ids["H25"]}),
    ):
        house.read(prep.id, text, **options)
    sent = record_admin.export_readings_csv(house.record, prep.id)
    with Record.open(tmp_path / "away") as away:
        done = import_readings(away, sent.encode(), who=WHO, name="sent.csv")
        assert (done.is_new, done.added, done.there) == (True, 4, 0)
        assert done.bodies == ("A-01",)
        assert record_admin.export_readings_csv(away, done.prep_id) == sent


def test_the_same_file_twice_adds_nothing_even_when_the_prep_is_signed_or_a_reading_is_withdrawn(
    house: House,
) -> None:
    first = import_readings(house.record, ONE, who=WHO)
    before = record_admin.export_prep(house.record, first.prep_id)
    again = import_readings(house.record, ONE, who="Another")
    named = import_readings(house.record, ONE, who=WHO, prep_id=first.prep_id)
    for done in (again, named):
        assert (done.prep_id, done.is_new, done.added, done.there) == (first.prep_id, False, 0, 1)
    assert record_admin.export_prep(house.record, first.prep_id) == before
    close_prep(house.record, first.prep_id, who=WHO)
    assert import_readings(house.record, ONE, who=WHO).added == 0


def test_readings_are_added_to_a_prep_that_is_there(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "on")
    rows = csv(
        """a-01,h50,50,2,3',3',assistant,A-01 at 3'""",
        """A-02,H25,25,2,914.4 mm,900 mm,,""",
    )
    done = import_readings(house.record, rows, who=WHO, prep_id=prep.id)
    assert (done.is_new, done.added, done.bodies, done.lenses) == (False, 2, (), ())
    view = open_prep(house.record, prep.id)
    assert [body.name for body in view.bodies] == ["A-01", "A-02"]
    assert done.setups == ("A-02 at 914.4 mm",)  # the other stands already, under this name at this distance
    assert [(one.operator, one.reading_text) for one in view.readings] == [
        (WHO, "3'"),
        ("assistant", "3'"),
        ("", "900 mm"),
    ]


def test_set_ups_are_listed_as_the_file_names_them(house: House) -> None:
    names = [f"chart {n}" for n in (7, 2, 9, 4, 1, 8)]
    done = import_readings(house.record, csv(*(f"A-01,H50,50,2,3',3',a,{name}" for name in names)), who=WHO)
    assert [one.name for one in open_prep(house.record, done.prep_id).setups] == names


def test_a_set_up_of_the_same_name_at_another_distance_is_another(house: House) -> None:
    rows = csv("A-01,H50,50,2,3',3',a,near", "A-01,H50,50,2,4',4',a,near")
    assert import_readings(house.record, rows, who=WHO).setups == ("near", "near (2)")


@pytest.mark.slow
def test_units_that_the_record_lacks_come_from_the_kit_and_are_judged_as_the_file_is(
    record: Record, kit: Path, tmp_path: Path
) -> None:
    text = DEMO.joinpath("readings.csv").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if "H18" in line or "H40" in line or line.startswith("body")]
    data = "\n".join(rows).encode()
    path = tmp_path / "readings.csv"
    path.write_bytes(data)
    gauged = kit.read_text(encoding="utf-8").replace(
        "[bodies.A-07]\n", "[bodies.A-07]\ngauge_um = -20\ngauge_sd_um = 3\n"
    )
    kit.write_text(gauged.replace("tolerance_um = 10", "tolerance_um = 12"), encoding="utf-8")
    done = import_readings(record, data, who=WHO, kit_path=kit)
    assert (done.bodies, done.lenses, done.added) == (("A-07", "A-12"), ("H18", "H40"), len(rows) - 1)
    mine = current_verdict(record, done.prep_id).document
    answer = judge_file(path, kit_path=kit).answer
    assert mine["tolerance_um"] == answer.tolerance_um == 12.0
    for said, body in zip(mine["bodies"], answer.bodies, strict=True):
        assert said["name"] == body.name
        # two samples of one posterior: set-ups have other names in the record, so other random numbers
        assert said["error_um"] == pytest.approx(body.error_um, abs=0.15 * body.sd_um)
        assert said["sd_um"] == pytest.approx(body.sd_um, rel=0.1)
    view = next(body for body in list_units(record, BodyFacts).units if body.name == "A-07")
    assert view.facts.mechanism is not None
    assert view.facts.mechanism.um_per_turn == 350


def test_a_lens_read_in_metres_has_a_metric_scale(record: Record) -> None:
    import_readings(record, csv("B,L,50,2,3',915 mm,a,", "B,M,35,2,3',2' 11\",a,"), who=WHO)
    lenses = list_units(record, LensFacts).units
    assert {lens.name: lens.facts.scale_unit for lens in lenses} == {"L": "m", "M": "ft"}


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("A-01,H50,50,2,3,3',a,", r"line 3, column distance: \[3\] "),
        (
            "A-01,H50,52,2,3',3',a,",
            r"line 3, column focal_length_mm: H50 is 52 mm here, but 50 mm in the record",
        ),
        ("A-01,h50,52,2,3',3',a,", r"h50 is 52 mm here, but 50 mm in the record"),
        ("A-01,H50,50,2,4\",3',a,", r"inside the near limit of H50"),
    ],
)
def test_a_wrong_row_is_refused_with_its_place_and_nothing_is_kept(
    house: House, row: str, message: str
) -> None:
    good = "New,New 35,35,2,3',3',a,"
    with pytest.raises(RecordError, match=message):
        import_readings(house.record, csv(good, row), who=WHO)
    assert list_preps(house.record).preps == ()
    assert len(list_units(house.record, BodyFacts).units) == 2


def test_a_squeeze_that_the_record_does_not_know_is_refused(house: House) -> None:
    rows = csv("A-01,H50,50,2,3',3',a,,2", header=f"{HEADER},squeeze")
    with pytest.raises(RecordError, match="H50 has 2 here, but 1 in the record"):
        import_readings(house.record, rows, who=WHO)


def test_a_new_lens_of_two_focal_lengths_in_capitals_apart_is_refused(record: Record) -> None:
    rows = csv("B,Z,24,2,3',3',a,", "B,z,35,2,3',3',a,")
    with pytest.raises(RecordError, match="line 3, column focal_length_mm: z has 35 here, but 24 on line 2"):
        import_readings(record, rows, who=WHO)


def test_a_closed_prep_takes_no_new_readings(house: House) -> None:
    prep = house.start()
    close_prep(house.record, prep.id, who=WHO)
    with pytest.raises(Conflict, match="closed"):
        import_readings(house.record, ONE, who=WHO, prep_id=prep.id)


def test_a_prep_or_a_unit_that_cannot_be_used_is_refused(house: House) -> None:
    with pytest.raises(NotFound):
        import_readings(house.record, ONE, who=WHO, prep_id="0" * 32)
    facts = BodyFacts(name="A-01", is_retired=True)
    change_unit(house.record, house.ids["A-01"], facts=facts, who=WHO)
    with pytest.raises(InputError, match="A-01 is out of use"):
        import_readings(house.record, ONE, who=WHO)


def test_a_changed_file_is_told_to_repeat_what_is_there(house: House) -> None:
    first = import_readings(house.record, ONE, who=WHO)
    longer = ONE + b"A-01,H25,25,2,3',3',assistant,near\n"
    done = import_readings(house.record, longer, who=WHO, prep_id=first.prep_id)
    assert done.added == 2
    assert any(one.startswith("Line 2 says what") for one in done.warnings)


def test_a_dry_run_tells_the_same_and_writes_nothing(house: House, tmp_path: Path) -> None:
    told = import_readings(house.record, ONE, who=WHO, is_dry_run=True)
    assert list_preps(house.record).preps == ()
    with opened_or_empty(tmp_path / "none", is_dry_run=True) as empty:
        alone = import_readings(empty, ONE, who=WHO, is_dry_run=True)
    assert not (tmp_path / "none").exists()
    done = import_readings(house.record, ONE, who=WHO)
    assert (told.prep_id, told.title, told.added, told.setups) == (done.prep_id, done.title, 1, ("near",))
    assert (alone.bodies, alone.lenses, alone.prep_id) == (("A-01",), ("H50",), done.prep_id)


@pytest.mark.parametrize(
    ("text", "is_readings"),
    [
        (HEADER, True),
        ("Lens;Body;Distance;Reading", True),
        ("kind,name,note", False),
        ("name;kind;focal length mm", False),
    ],
)
def test_a_csv_is_known_by_its_header(text: str, *, is_readings: bool) -> None:
    assert is_readings_file(text.encode(), name="file.csv") is is_readings


def test_a_header_of_neither_is_refused() -> None:
    with pytest.raises(InputError, match=r"file\.csv: its first line is the header of no readings file"):
        is_readings_file(b"date,weather\n1,2\n", name="file.csv")


def test_readings_of_a_unit_that_was_adjusted_are_told_to_count_after_that(house: House) -> None:
    prep_id = import_readings(house.record, ONE, who=WHO).prep_id
    with house.record.writing(who=WHO) as change:
        row = AdjustmentRow(
            id="1" * 32,
            unit_kind="body",
            unit_id=house.ids["A-01"],
            action="move sensor",
            made_by=WHO,
            made_at=change.at,
            prep_id=prep_id,
        )
        verdicts.add_adjustment(change, row)
    again = ONE + b"A-01,H50,50,2,3',3',another,near\n"
    done = import_readings(house.record, again, who=WHO, prep_id=prep_id)
    assert done.warnings == ("A-01 was adjusted in this prep: the readings count as taken after that.",)
    assert [one.epoch for one in open_prep(house.record, prep_id).bodies] == [1]


@pytest.mark.slow
def test_a_full_file_is_taken_in_within_the_limit_and_a_longer_one_refused(record: Record) -> None:
    def rows(count: int) -> bytes:
        return csv(*(f"B{n % 10},L{n % 30},50,2,3',3',a,B{n % 10} at 3 ft" for n in range(count)))

    assert import_readings(record, rows(600), who=WHO).added == 600
    with pytest.raises(InputError, match=r"has 5,001 readings; at most 5,000"):
        import_readings(record, rows(5_001), who=WHO)

"""Sweeps in line: one id is one sweep, the line has an end, and frames of what is not measured go."""

import io
import json
import time
import uuid
from dataclasses import replace
from pathlib import Path

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.exchange.record_admin import frames_left
from shimwise.bench.jobs.views import JobView
from shimwise.bench.sweep import jobs as sweep_jobs
from shimwise.bench.sweep.evidence import SweepRequest, sweep_task
from shimwise.bench.sweep.jobs import SweepJob, SweepJobs
from shimwise.bench.sweep.moves import Moves
from shimwise.bench.sweep.work import SweepTask
from shimwise.record.storage import Storage

pytestmark = pytest.mark.slow  # starts processes

PATIENCE_S = 120.0


@pytest.fixture
def line(house: House) -> SweepJobs:
    """Return a line whose worker is not started: what is sent waits."""
    return SweepJobs(house.record)


def send(
    line: SweepJobs, house: House, prep_id: str, *, sweep_id: str = "", pixel: str = "", lens: str = "H50"
) -> SweepJob:
    """Send a sweep of one frame; another ``pixel`` is another frame."""
    sent = sweep_id or uuid.uuid4().hex
    settings = json.dumps({"frames": [{"file": "a.png", "position_um": 0}]}).encode()
    frame = (pixel or sent).encode()
    facts = SweepRequest(body_id=house.ids["A-01"], lens_id=house.ids[lens], distance_text="3'")
    files = [("sweep.json", io.BytesIO(settings)), ("a.png", io.BytesIO(frame))]
    return line.begin(prep_id, sweep_id=sent, files=files, facts=facts, who=WHO)


def folders(house: House) -> set[str]:
    """Return the ids of the sweeps whose frames lie in the record's folder."""
    return {path.name for path in (house.record.folder / "frames").glob("*")}


def test_sweeps_wait_in_the_order_in_which_they_came(line: SweepJobs, house: House) -> None:
    prep, other = house.start(), house.start()
    first, second = send(line, house, prep.id), send(line, house, prep.id, lens="H35")
    send(line, house, other.id)
    assert [job.id for job in line.jobs(prep.id)] == [first.id, second.id]
    assert (first.state, first.title) == ("waiting", "H50 on A-01 at 3'")
    assert len(folders(house)) == 3


def test_the_same_id_sent_again_is_the_same_job(line: SweepJobs, house: House) -> None:
    prep = house.start()
    job = send(line, house, prep.id)
    assert send(line, house, prep.id, sweep_id=job.id) == job
    assert len(line.jobs(prep.id)) == 1
    with pytest.raises(Conflict, match="is that of another sweep already"):
        send(line, house, house.start().id, sweep_id=job.id)
    assert folders(house) == {job.id}


def test_a_job_is_found_from_its_own_prep_alone(line: SweepJobs, house: House) -> None:
    prep, other = house.start(), house.start()
    job = send(line, house, prep.id)
    assert line.job(job.id) == line.job(job.id, prep_id=prep.id) == job
    for act in (line.job, line.cancel, line.dismiss):
        with pytest.raises(NotFound):
            act(job.id, prep_id=other.id)
    assert line.job(job.id).state == "waiting"


def test_a_full_line_refuses_and_keeps_no_frames_of_what_it_refused(
    line: SweepJobs, house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweep_jobs, "MOST_WAITING", 2)
    prep = house.start()
    kept = {send(line, house, prep.id).id, send(line, house, prep.id, lens="H35").id}
    with pytest.raises(InputError, match="would wait behind 2 others"):
        send(line, house, prep.id, lens="H25")
    assert folders(house) == kept
    line.cancel(min(kept))
    assert send(line, house, prep.id, lens="H25").state == "waiting"


def test_the_same_frames_are_refused_while_the_first_wait(line: SweepJobs, house: House) -> None:
    prep = house.start()
    first = send(line, house, prep.id, pixel="one")
    with pytest.raises(InputError, match="are those of the sweep of H50 on A-01"):
        send(line, house, prep.id, pixel="one", lens="H35")
    assert folders(house) == {first.id}
    assert [job.id for job in line.jobs(prep.id)] == [first.id]


def test_frames_without_settings_leave_nothing(line: SweepJobs, house: House) -> None:
    prep = house.start()
    facts = SweepRequest(body_id=house.ids["A-01"], lens_id=house.ids["H50"], distance_text="3'")
    with pytest.raises(InputError, match=r"sweep\.json is not among the files"):
        line.begin(
            prep.id, sweep_id=uuid.uuid4().hex, files=[("a.png", io.BytesIO(b"a"))], facts=facts, who=WHO
        )
    assert folders(house) == set()
    assert line.jobs(prep.id) == ()


def test_a_charts_frames_without_a_pixel_pitch_are_refused_before_they_wait(
    line: SweepJobs, house: House
) -> None:
    prep = house.start()
    facts = SweepRequest(body_id=house.ids["A-01"], lens_id=house.ids["H50"], distance_text="3'")
    names = ("chart.json", "a.png", "b.png")
    moves = Moves(moved="sensor", first="-60", step="10")

    def begin(facts: SweepRequest) -> SweepJob:
        files = [(name, io.BytesIO(b"{}")) for name in names]
        new_id = uuid.uuid4().hex
        return line.begin(prep.id, sweep_id=new_id, files=files, facts=facts, who=WHO, moves=moves)

    with pytest.raises(InputError, match=r"pixel pitch of A-01 is not known.*on the body's page"):
        begin(facts)
    assert folders(house) == set()
    assert begin(replace(facts, pitch_um=5.0)).state == "waiting"


def test_a_star_needs_the_pixel_pitch_too_and_that_of_a_scaled_feed_is_of_its_own_pixels(
    line: SweepJobs, house: House
) -> None:
    prep = house.start()
    facts = SweepRequest(body_id=house.ids["A-01"], lens_id=house.ids["H50"], distance_text="3'")
    moves = Moves(moved="sensor", at=("0",))

    def begin(facts: SweepRequest) -> SweepJob:
        files = [("a.png", io.BytesIO(b"a"))]
        given = {"who": WHO, "moves": moves, "star": (9.0, 9.0, 90.0, 36.0)}
        return line.begin(prep.id, sweep_id=uuid.uuid4().hex, files=files, facts=facts, **given)  # type: ignore[arg-type]

    with pytest.raises(InputError, match="pixel pitch of A-01 is not known"):
        begin(facts)
    scaled = replace(facts, pitch_um=5.0, scale=2.5)
    assert sweep_task(house.record, prep.id, place="", facts=scaled).recording["pitch_um"] == 12.5
    assert begin(scaled).state == "waiting"


def test_a_cancelled_job_can_be_forgotten_and_a_waiting_one_cannot(line: SweepJobs, house: House) -> None:
    prep = house.start()
    job, other = send(line, house, prep.id), send(line, house, prep.id, lens="H35")
    assert line.cancel(job.id).state == "cancelled"
    assert line.cancel(job.id).state == "cancelled"
    assert [one.id for one in line.jobs(prep.id)] == [other.id]
    for one in (job, other):
        line.dismiss(one.id)
    with pytest.raises(NotFound):
        line.job(job.id)
    assert line.job(other.id).state == "waiting"


def test_what_waits_at_the_end_is_there_after_the_next_start(line: SweepJobs, house: House) -> None:
    prep = house.start()
    sent = [send(line, house, prep.id), send(line, house, prep.id, lens="H35")]
    line.stop()
    assert [job.id for job in SweepJobs(house.record).jobs(prep.id)] == [job.id for job in sent]
    assert folders(house) == {job.id for job in sent}


def test_a_cancelled_sweeps_frames_go_at_once(line: SweepJobs, house: House) -> None:
    prep = house.start()
    job, other = send(line, house, prep.id), send(line, house, prep.id, lens="H35")
    line.cancel(job.id)
    assert folders(house) == {other.id}


def test_frames_that_this_server_does_not_see_are_left_to_the_others_and_said(
    line: SweepJobs, house: House
) -> None:
    prep = house.start()
    job = send(line, house, prep.id)
    place = house.record.folder / "frames" / job.id
    place.rename(place.with_name("elsewhere"))
    line.start()
    try:
        assert line._line.wait(PATIENCE_S)
        found = line.job(job.id)
        assert (found.state, found.waits_for) == ("waiting", line._line.server)
        place.with_name("elsewhere").rename(place)
        line._line.wake()
        until_s = time.monotonic() + PATIENCE_S
        while line.job(job.id).state != "failed" and time.monotonic() < until_s:
            time.sleep(0.05)
        assert line.job(job.id).state == "failed"
    finally:
        line.stop()


def test_frames_in_the_storage_are_measured_by_a_server_that_did_not_take_them(
    house: House, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.record.storage = Storage(tmp_path / "storage")
    prep = house.start()
    job = send(SweepJobs(house.record), house, prep.id)  # this server takes them, and measures nothing
    assert folders(house) == set()
    with pytest.raises(InputError, match="are those of the sweep of"):
        send(SweepJobs(house.record), house, prep.id, pixel=job.id)

    seen: list[set[str]] = []

    def measured(_line: SweepJobs, _held: object, task: SweepTask) -> dict[str, object]:
        seen.append({path.name for path in Path(task.place).iterdir()})
        return {"is_relative": True, "sd_um": None}

    monkeypatch.setattr(SweepJobs, "_measured", measured)
    other = SweepJobs(house.record)
    other.start()
    try:
        until_s = time.monotonic() + PATIENCE_S
        while other.job(job.id).state not in ("failed", "done") and time.monotonic() < until_s:
            time.sleep(0.02)
        assert (other.job(job.id).state, other.job(job.id).problem) == ("done", "")
    finally:
        other.stop()
    assert seen == [{"sweep.json", "a.png"}]
    assert [one for one in frames_left(house.record) if one.subject == "storage"] == []


def test_a_server_without_the_storage_leaves_the_sweep_to_others(house: House, tmp_path: Path) -> None:
    house.record.storage = Storage(tmp_path / "storage")
    prep = house.start()
    job = send(SweepJobs(house.record), house, prep.id)
    house.record.storage = None
    assert SweepJobs(house.record).job(job.id).waits_for


def test_frames_that_cannot_be_measured_fail_in_words_and_go_and_the_next_is_taken(house: House) -> None:
    ended: list[JobView] = []
    line = SweepJobs(house.record, on_done=ended.append)
    prep = house.start()
    sent = [send(line, house, prep.id), send(line, house, prep.id, lens="H35")]
    line.start()
    until = time.monotonic() + PATIENCE_S
    while len(ended) < len(sent) and time.monotonic() < until:
        time.sleep(0.05)
    line.stop()
    assert [job.id for job in ended] == [f"sweep-{job.id}" for job in sent]
    assert {job.state for job in ended} == {"failed"}
    assert all(job.problem and job.id not in job.problem for job in ended)
    assert folders(house) == set()


def _gone_quiet(task: object, out: object) -> None:
    time.sleep(60)


@pytest.mark.parametrize(
    ("limit", "words"),
    [("PATIENCE_S", "no step further in 0.3 s"), ("MOST_BYTES", "GB of memory, the limit for what is sent")],
)
def test_measuring_is_bounded_in_time_and_memory(
    line: SweepJobs, house: House, monkeypatch: pytest.MonkeyPatch, limit: str, words: str
) -> None:
    if limit == "PATIENCE_S":
        monkeypatch.setattr(sweep_jobs, "_measure", _gone_quiet)
        monkeypatch.setattr(sweep_jobs, "PATIENCE_S", 0.3)
    else:
        monkeypatch.setattr(sweep_jobs, "_measure", _out_of_memory)
    job = send(line, house, house.start().id)
    line.start()
    try:
        until_s = time.monotonic() + PATIENCE_S
        while line.job(job.id).state not in ("failed", "done") and time.monotonic() < until_s:
            time.sleep(0.02)
        assert line.job(job.id).state == "failed"
        assert words in line.job(job.id).problem
    finally:
        line.stop()


def _out_of_memory(task: object, out: object) -> None:
    def fill(*_: object, **__: object) -> None:
        raise MemoryError

    sweep_jobs.measured_document = fill  # in the process of the measuring alone
    sweep_jobs._measure(task, out)

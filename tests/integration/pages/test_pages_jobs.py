"""The jobs on their page and by the interface: what waits, what failed and why; cancelled, and done again."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door, opened_door

from shimwise.record.queries import jobs

FAULT = "The readings contradict each other."


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record", has_pages=True) as opened:
        yield opened


@pytest.fixture
def prep_id(door: Door) -> str:
    """A prep whose verdict failed, and one that another server works on."""
    prep_id, other_id = str(door.start()["id"]), str(door.start()["id"])
    with door.record.working() as connection:
        for one in (prep_id, other_id):
            jobs.put(connection, [jobs.new_job(jobs.VERDICT, one, prep_id=one)])
        for server in ("bay-1:7", "bay-2:9"):
            row = jobs.take(connection, (jobs.VERDICT,), server=server, lease_s=60)
            assert row is not None
            if server == "bay-1:7":
                jobs.end(connection, row, state=jobs.FAILED, problem=FAULT, problem_code="inference")
        jobs.put(connection, [jobs.new_job(jobs.LEARN, "", prep_id=None)])
    return prep_id


def test_the_page_says_what_failed_why_and_what_is_worked_on_where(door: Door, prep_id: str) -> None:
    assert 'href="/jobs"' in door.client.get("/settings").text
    text = door.client.get("/jobs").text
    assert "1\u00a0job failed, 1\u00a0job worked on, 1\u00a0job waiting." in text
    assert FAULT in text
    assert "worked on by bay-2:9" in text
    part = door.client.get("/jobs", headers={"HX-Request": "true"}).text
    assert "<html" not in part
    answer = door.client.post(
        f"/jobs/verdict-{prep_id}/again", data={"who": WHO}, headers={"HX-Request": "true"}
    )
    assert "1\u00a0job worked on, 2\u00a0jobs waiting." in answer.text
    refused = door.client.post(f"/jobs/verdict-{prep_id}/again", data={"who": WHO}, follow_redirects=False)
    assert refused.status_code == 409
    assert "cannot be done again" in refused.text
    assert (
        door.client.post("/jobs/learn/cancel", data={"who": WHO}, follow_redirects=False).status_code == 303
    )


def test_the_interface_lists_cancels_and_repeats_jobs(door: Door, prep_id: str) -> None:
    failed, working, waiting = door.get("/jobs")["jobs"]
    assert (failed["state"], failed["problem"], failed["problem_code"]) == ("failed", FAULT, "inference")
    assert (failed["prep_id"], failed["server"], failed["can_repeat"]) == (prep_id, "bay-1:7", True)
    assert (working["state"], working["server"], waiting["kind"]) == ("working", "bay-2:9", "learn")
    cancelled = door.post(f"/jobs/{working['id']}/cancel", 200, who=WHO)
    assert (cancelled["state"], cancelled["can_repeat"]) == ("cancelled", True)
    assert door.post(f"/jobs/{failed['id']}/again", 200, who=WHO)["state"] == "waiting"
    door.post(f"/jobs/{failed['id']}/again", 409, who=WHO)
    door.post(f"/jobs/verdict-{'0' * 32}/cancel", 404, who=WHO)


def test_the_frames_of_a_sweep_are_waited_for_where_they_lie(door: Door) -> None:
    prep_id = str(door.start()["id"])
    with door.record.working() as connection:
        sweep = jobs.new_job(
            jobs.SWEEP,
            "7" * 32,
            prep_id=prep_id,
            title="H50 on A-01 at 3'",
            task={"place": f"frames/{'7' * 32}", "server": "bay-2:9"},
        )
        jobs.put(connection, [sweep])
    assert "waiting for bay-2:9, where its frames lie" in door.client.get(f"/preps/{prep_id}/sweeps").text
    assert door.get(f"/preps/{prep_id}/sweeps/{'7' * 32}/work")["waits_for"] == "bay-2:9"
    assert "its frames came to bay-2:9" in door.client.get("/jobs").text

"""From invented frames along a screw, sent by the prep's page, to the move that the guide leads to."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door
from pages_bench import SCRIPT, adjusting_at, furnished, sent
from pages_house import see
from sweep_files import BEST_UM, write_sweep

PATIENCE_S = 120.0
UM_PER_TURN = -470.0
"""Clockwise is toward the lens on this screw."""
STEPS = (("clean", "done"), ("lock", "was free"), ("place", "slot at the top"))


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record", short_um=-20.0) as opened:
        yield opened


def measured(door: Door, prep_id: str) -> None:
    """Wait until no sweep of the prep is under way."""
    end = time.monotonic() + PATIENCE_S
    while door.client.app.state.sweeps.jobs(prep_id):  # type: ignore[attr-defined]
        assert time.monotonic() < end, door.client.app.state.sweeps.jobs(prep_id)  # type: ignore[attr-defined]
        time.sleep(0.1)


@pytest.mark.slow
def test_frames_along_the_screw_sent_by_the_prep_lead_the_move_of_the_guide(
    door: Door, tmp_path: Path
) -> None:
    prep_id = door.ids["prep"]
    verdict = door.get(f"/preps/{prep_id}")["verdict"]
    at = adjusting_at(door, prep_id)
    for step, answer in STEPS:
        sent(door, f"{at}/answers", step=step, answer=answer)
    guide = see(door, at)
    assert "No sweep of this screw is kept since the adjustment was begun." in guide.text
    form_at = f"/preps/{prep_id}?screw={door.ids['A-01']}"
    assert form_at in guide.links
    offered = door.client.get(form_at).text
    assert '<option value="screw" selected>Screw</option>' in offered

    # Frames alone, their positions typed on the page: degrees and turns, beside a sign or a sense.
    folder = write_sweep(tmp_path / "frames")
    frames = sorted(folder.glob("*.png"))
    (folder / "sweep.json").unlink()
    first, last = -60.0, 60.0
    places = [(first + (last - first) * n / (len(frames) - 1)) / UM_PER_TURN for n in range(len(frames))]
    typed = [f"{one:.6f}".replace("-", "−") for one in places]
    typed[0] = f"{360 * places[0]:.4f}° clockwise"
    (setup,) = door.get(f"/preps/{prep_id}")["setups"]
    form = {
        "who": WHO,
        "setup_id": setup["id"],
        "lens_id": door.ids["H50"],
        "moved": "screw",
        "at": typed,
        "transfer": "linear",
        "fnumber": "2.8",
        "pitch_um": "5",
    }
    files = [("files", (one.name, one.read_bytes(), "image/png")) for one in frames]
    files.append(("files", ("chart.json", (folder / "chart.json").read_bytes(), "application/json")))
    path = f"/preps/{prep_id}/sweeps"
    twice = {**form, "at": ["-46° clockwise", *typed[1:]]}
    wrong = door.client.post(path, data=twice, files=files, headers=SCRIPT)
    assert (wrong.status_code, "says twice which way" in wrong.text) == (422, True)
    begun = door.client.post(path, data=form, files=files, headers=SCRIPT)
    assert begun.status_code == 200, begun.text
    measured(door, prep_id)

    prep = door.get(f"/preps/{prep_id}")
    (kept,) = prep["sweeps"]
    assert (kept["landing_um"], kept["result"]["swept"]) == (None, "screw"), kept["flags"]
    door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    assert door.get(f"/preps/{prep_id}")["verdict"]["bodies"] == verdict["bodies"]
    assert "anticlockwise along the screw" in see(door, f"/preps/{prep_id}").text

    guide = see(door, at)
    assert "sharpest 0.01" in guide.text
    none = sent(door, f"{at}/peak", 422, by="kept")
    assert "Choose the sweep that tells the peak." in none.text
    foreign = sent(door, f"{at}/peak", 422, by="kept", sweep_id="0" * 32)
    assert "is no sweep of this prep" in foreign.text
    sent(door, f"{at}/peak", by="kept", sweep_id=kept["id"])
    assert "by frames with H50" in see(door, at).text
    (adjustment,) = door.get(f"/preps/{prep_id}/adjustments")["adjustments"]
    assert adjustment["move"]["turns"] == pytest.approx(abs(BEST_UM / UM_PER_TURN), rel=0.05)
    assert adjustment["move"]["turn"].startswith("7° anticlockwise")

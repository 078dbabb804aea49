"""Joining a readings file and a kit to one prep."""

import pytest

from shimwise.bench.desk.inputs import LARGEST_BYTES, lens_texts, read_inputs
from shimwise.errors import InferenceError, RecordError
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep

READINGS = b"""body,lens,focal_length_mm,f_number,distance,reading,operator,setup
B1,L18,18,2,3',3',op,near
B1,L18,18,2.8,3',3',op,near
B1,Z1,24,4,3',3',op,near
B1,Z1,70,4,3',3',op,near
"""
KIT = "tolerance_um = 12\n[bodies.B1]\ntolerance_um = 8\n[lenses.Z1]\nfocal_length_mm = [24, 35, 70]\n"


@pytest.fixture
def kit_path(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("kit") / "kit.toml"
    path.write_text(KIT, encoding="utf-8")
    return str(path)


def test_a_prep_holds_the_files_readings_and_the_kits_knowledge(kit_path: str) -> None:
    inputs = read_inputs(READINGS, kit_path=kit_path)
    assert len(inputs.prep.readings) == 4
    assert inputs.prep.tolerance_um == 12
    assert inputs.prep.bodies == {"B1": BodyKnowledge(tolerance_um=8)}
    assert inputs.kit.lenses["Z1"].is_zoom


def test_a_tolerance_asked_for_goes_before_every_other(kit_path: str) -> None:
    prep = read_inputs(READINGS, kit_path=kit_path, tolerance_um=5).prep
    assert prep.tolerance_um == 5
    assert prep.bodies["B1"].tolerance_um is None


def test_without_readings_there_is_only_the_kit(kit_path: str) -> None:
    inputs = read_inputs(None, kit_path=kit_path)
    assert (inputs.prep.readings, inputs.notices) == ((), ())


@pytest.mark.parametrize("tolerance_um", [0.0, -1.0, float("nan"), float("inf"), 1000.1])
def test_a_tolerance_that_is_none_is_refused(tolerance_um: float) -> None:
    with pytest.raises(InferenceError, match="Give one above 0 and up to 1000 µm"):
        read_inputs(None, tolerance_um=tolerance_um)


def test_more_than_a_readings_file_can_hold_is_refused_and_not_cut() -> None:
    content = READINGS + b" " * (LARGEST_BYTES - len(READINGS)) + b"\n"
    with pytest.raises(RecordError, match="standard input: brings more than 64 MiB"):
        read_inputs(content)


def test_progress_is_told_of_the_file() -> None:
    told: list[tuple[str, int, int]] = []
    rows = READINGS + b"B1,L18,18,2,3',3',op,near\n" * 2500
    read_inputs(
        rows.replace(b"B1,Z1,24,4,3',3',op,near\nB1,Z1,70,4,3',3',op,near\n", b""),
        progress=lambda *words: told.append(words),
    )
    assert {what for what, _, _ in told} == {"Reading the file"}
    assert [done for _, done, _ in told] == sorted(done for _, done, _ in told)
    assert told[-1][1] == told[-1][2]


def test_a_lens_is_told_by_its_focal_length_and_widest_stop(kit_path: str) -> None:
    texts = lens_texts(read_inputs(READINGS, kit_path=kit_path).prep)
    assert texts == {"L18": "18 mm f/2", "Z1": "24–70 mm f/4"}


def test_of_a_lens_of_which_little_is_known_little_is_told() -> None:
    lenses = {
        "A": LensKnowledge(),
        "B": LensKnowledge(fnumber=2.8),
        "C": LensKnowledge(focal_lengths_mm=(50,)),
    }
    assert lens_texts(Prep(readings=(), lenses=lenses)) == {"A": "", "B": "f/2.8", "C": "50 mm"}

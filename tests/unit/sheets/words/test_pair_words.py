"""Pairs and differences in words, from the judge to the sheet and the set table."""

from pathlib import Path

import numpy as np
import pytest

import shimwise.bench.demo as demo
from shimwise.bench.desk.inputs import read_inputs
from shimwise.inference.verdict.answer import Answer
from shimwise.inference.verdict.judge import judge_prep
from shimwise.inference.verdict.pair_sentences import difference_sentence
from shimwise.optics.conjugates import magnification
from shimwise.sheets.papers.pair_table import pair_table
from shimwise.sheets.papers.set_table import offset_at
from shimwise.sheets.words.pair_words import set_texts
from shimwise.sheets.words.sentences import second_line

BENCH = Path(demo.__file__).parent / "demo_bench"


@pytest.fixture(scope="module")
def judged() -> tuple[Answer, np.ndarray, dict[tuple[str, ...], int]]:
    """The demonstration's answer, the joint covariance of what it reports, and where each quantity is."""
    prep = read_inputs(BENCH / "readings.csv", kit_path=BENCH / "kit.toml").prep
    found = judge_prep(prep)
    place = {(one.kind, *one.names): i for i, one in enumerate(found.draws.quantities.kinds)}
    return found.answer, found.draws.covariance(), place


@pytest.mark.parametrize("distance_mm", [914.4, 1828.8, 3657.6, np.inf])
def test_an_offset_of_the_set_table_is_as_uncertain_as_the_joint_draws_say(
    judged: tuple[Answer, np.ndarray, dict[tuple[str, ...], int]], distance_mm: float
) -> None:
    answer, covariance, place = judged
    lens, body = answer.unit("lens", "H40"), answer.bodies[0]
    extension = 40 * float(magnification(focal_mm=40.0, distance_mm=distance_mm))
    weight = np.zeros(len(covariance))
    weight[[place["body", body.name], place["lens", "H40"]]] = 1.0
    weight[place["scale", "H40"]] = extension
    offset = {"body": body, "lens": lens, "focal_mm": 40.0, "distance_mm": distance_mm}
    joint = offset_at(**offset, pair=answer.pair(body.name, "H40"))
    assert joint.u_um == pytest.approx(1.959964 * np.sqrt(weight @ covariance @ weight), rel=0.03)
    assert offset_at(**offset).u_um > 1.4 * joint.u_um  # as if they were independent, it is far too wide


def test_the_demonstration_is_told_by_its_pairs_and_by_its_bodies_against_each_other(
    judged: tuple[Answer, np.ndarray, dict[tuple[str, ...], int]],
) -> None:
    answer = judged[0]
    on_short, on_fine = set_texts(answer)
    assert on_short.startswith("On A-07, 1 of 8 lenses is within ±10 µm; H18, H21, H25 and 4 more land ")
    assert on_short.endswith(" µm short.")
    assert on_fine.endswith("H40 lands 28 ± 7 µm deep.")
    (one,) = answer.differences
    assert difference_sentence(one) == "A-12 lies 23 ± 4 µm deeper than A-07."
    assert second_line(answer).startswith("A-12 lies 23 ± 4 µm deeper than A-07.")
    table = pair_table(answer)
    assert [row["body"] for row in table["parts"][0]["rows"]] == ["A-07", "A-12"]
    assert [cell["way"] for cell in table["parts"][0]["rows"][1]["cells"]] == [""] * 4 + ["deep"] + [""] * 3

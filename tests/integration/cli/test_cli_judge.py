"""Whole commands of ``shimwise judge``: from a readings file to the verdict."""

import json
import re
from pathlib import Path

import pytest
from bench_files import (
    BENCH_1,
    HEADER,
    Ask,
    Run,
    Save,
    csv_text,
    exact_rows,
    ring_mm,
    shimwise,
    strict_json,
    unit,
)

from shimwise.optics.conjugates import landing_um

TRUTH = json.loads((BENCH_1 / "truth.json").read_text(encoding="utf-8"))


def test_the_example_bench_is_judged_in_a_process_of_its_own() -> None:
    # tests/reference/bench-1: a simulated bench with its truth beside it; the body is 21.26 µm short.
    done = shimwise("judge", BENCH_1 / "readings.csv", "--json")
    assert done.returncode == 1, "something is out"
    assert done.stderr == b""
    verdict = strict_json(done.stdout)
    body = unit(verdict, "bodies", "B1")
    assert body["verdict"] == "out_short"
    assert body["low_um"] < TRUTH["bodies"]["B1"]["flange_error_um"] < body["high_um"]
    cause = max(verdict["causes"], key=lambda one: one["probability"])
    assert (cause["kind"], cause["unit"]) == ("body", "B1")


def test_on_the_example_bench_blunders_lose_their_say_and_lenses_hold_their_truth(ask: Ask) -> None:
    _, verdict = ask("judge", BENCH_1 / "readings.csv")
    weights = {reading["row"]: reading["weight"] for reading in verdict["readings"]}
    assert len(weights) == 54
    assert all(weights[row] < 0.3 for row in TRUTH["blunder_rows"])
    assert sum(weight >= 0.3 for weight in weights.values()) > 45
    for lens in verdict["lenses"]:
        assert lens["low_um"] < TRUTH["lenses"][lens["name"]]["flange_error_um"] < lens["high_um"]
        assert lens["verdict"] not in ("out_short", "out_deep")


def test_landings_are_those_of_the_optics(ask: Ask) -> None:
    # First row of bench-1: L01, 18 mm, chart at 3', ring at 2'-10 3/4"; planes taken as coincident.
    _, verdict = ask("judge", BENCH_1 / "readings.csv")
    expected = landing_um(focal_mm=18, distance_mm=914.4, reading_mm=34.75 * 25.4)
    assert verdict["readings"][0]["landing_um"] == pytest.approx(expected, abs=1e-3)


def test_the_report_begins_with_the_sentence_and_fits_80_columns(run: Run) -> None:
    code, out, err = run("judge", BENCH_1 / "readings.csv")
    assert (code, err) == (1, "")
    assert out.startswith("Body B1 lands short: the sensor sits too close by ")
    assert max(map(len, out.splitlines())) <= 80
    for title in ("What to do now", "Unit", "Causes", "How it is done", "Warnings"):
        assert f"\n{title}" in out
    _, brief, _ = run("judge", BENCH_1 / "readings.csv", "--brief")
    assert out.startswith(brief.split("\n- ")[0])
    assert len(brief.splitlines()) <= 12


def test_the_same_seed_gives_the_same_verdict_and_another_one_nearly_the_same(run: Run) -> None:
    readings = BENCH_1 / "readings.csv"
    first, again, other = (run("judge", readings, "--seed", seed, "--json")[1] for seed in ("3", "3", "4"))
    assert first == again
    for one, two in zip(strict_json(first)["bodies"], strict_json(other)["bodies"], strict=True):
        assert one["error_um"] == pytest.approx(two["error_um"], abs=1.0)


def test_standard_input_is_judged_like_a_file(run: Run) -> None:
    content = (BENCH_1 / "readings.csv").read_bytes()
    done = shimwise("judge", "-", "--json", stdin=content)
    assert json.loads(done.stdout) == json.loads(run("judge", BENCH_1 / "readings.csv", "--json")[1])
    refused = shimwise("judge", "-", stdin=b"body,lens\n")
    assert (refused.returncode, refused.stdout) == (2, b"")
    assert refused.stderr.startswith(b"shimwise: standard input, line 1: the columns focal_length_mm, ")


def test_a_byte_order_mark_semicolons_and_decimal_commas_change_nothing(
    save: Save, tmp_path: Path, ask: Ask
) -> None:
    rows = exact_rows(landing_um=-20, focals_mm=(18.5, 35, 50))
    plain = save(csv_text(rows))
    comma = [[str(cell).replace(".", ",") for cell in row] for row in rows]
    other = tmp_path / "other.csv"
    other.write_bytes(b"\xef\xbb\xbf" + csv_text(comma, delimiter=";").replace("L18,5", "L18.5").encode())
    assert ask("judge", other) == ask("judge", plain)


@pytest.mark.parametrize("landing", [-25.0, 25.0])
def test_exact_readings_are_told_apart_from_none_only_in_sum(save: Save, ask: Ask, landing: float) -> None:
    # Without error of eye or tape every landing is what body and lens do together: the sum is known, whatever
    # the priors share out between them.
    code, verdict = ask("judge", save(csv_text(exact_rows(landing_um=landing, focals_mm=(18, 25, 35)))))
    body = unit(verdict, "bodies", "B1")
    for lens in verdict["lenses"]:
        # but for what the only eye may see short or deep by itself
        assert body["error_um"] + lens["error_um"] == pytest.approx(landing, abs=3.0)
    assert code == 1
    assert body["verdict"] == ("out_short" if landing < 0 else "out_deep")


def test_one_reading_is_judged_and_says_what_it_cannot_tell(save: Save, ask: Ask) -> None:
    rows = exact_rows(landing_um=-20, focals_mm=(25,), feet=(3,), repeats=1)
    code, verdict = ask("judge", save(csv_text(rows)))
    assert code == 1
    units = (*verdict["bodies"], *verdict["lenses"])
    assert {one["verdict"] for one in units} <= {"cannot_tell", "not_checked"}
    assert verdict["remedies"] == []
    assert verdict["next"], "something is left to read"
    assert any("One reading only" in warning for warning in verdict["warnings"])


GAUGED = """
[bodies.B1]
gauge_um = {gauge}
gauge_sd_um = 1
"""


def test_a_gauge_parts_the_body_from_its_lenses(save: Save, ask: Ask) -> None:
    # All three lenses land 20 µm short. What is the body's is not told by readings; a gauge tells it.
    readings = save(csv_text(exact_rows(landing_um=-20, focals_mm=(18, 25, 35))))
    for gauge in (-20, 0):
        _, verdict = ask("judge", readings, "--kit", save(GAUGED.format(gauge=gauge), f"{gauge}.toml"))
        body = unit(verdict, "bodies", "B1")
        assert body["error_um"] == pytest.approx(gauge, abs=2.5)
        assert body["sd_um"] < 1.1, "no wider than the gauge"
        for lens in verdict["lenses"]:
            assert lens["low_um"] <= -20 - gauge <= lens["high_um"], "but for a bias of the only eye"


def test_the_history_of_one_lens_parts_the_others_from_the_body(save: Save, ask: Ask) -> None:
    readings = save(csv_text(exact_rows(landing_um=-20, focals_mm=(18, 25, 35))))
    kit = save("[lenses.L18]\nhistory_mean_um = -20\nhistory_sd_um = 1\n", "kit.toml")
    without, with_history = ask("judge", readings)[1], ask("judge", readings, "--kit", kit)[1]
    before, after = (unit(verdict, "bodies", "B1") for verdict in (without, with_history))
    assert after["sd_um"] < before["sd_um"]
    assert after["error_um"] > before["error_um"], "the known lens takes the blame"
    assert unit(with_history, "lenses", "L18")["error_um"] < unit(without, "lenses", "L18")["error_um"]


def test_tolerance_is_the_options_then_the_kits_then_ten(save: Save, ask: Ask) -> None:
    readings = save(csv_text(exact_rows(landing_um=-20, focals_mm=(18, 25, 35))))
    kit = save("tolerance_um = 40\n[bodies.B1]\ntolerance_um = 30\n", "kit.toml")
    plain, with_kit, with_both = (
        ask("judge", readings, *words)[1]
        for words in ((), ("--kit", kit), ("--kit", kit, "--tolerance", "8"))
    )
    assert [one["tolerance_um"] for one in (plain, with_kit, with_both)] == [10, 40, 8]
    bodies = [unit(one, "bodies", "B1") for one in (plain, with_kit, with_both)]
    assert [body["tolerance_um"] for body in bodies] == [10, 30, 8]
    assert [body["verdict"] for body in bodies] == ["out_short", "in_tolerance", "out_short"]


def test_all_in_tolerance_leaves_with_zero(save: Save, ask: Ask) -> None:
    # Written between the marks: a person who writes the same few values is taken to read to marks.
    near = [exact_rows(landing_um=um, focals_mm=(18, 25, 35), repeats=2) for um in (-2.0, -0.5, 0.5, 2.0)]
    readings = save(csv_text([row for rows in near for row in rows]))
    kit = save(GAUGED.format(gauge=0), "kit.toml")
    code, verdict = ask("judge", readings, "--kit", kit)
    assert {one["verdict"] for one in (*verdict["bodies"], *verdict["lenses"])} == {"in_tolerance"}
    assert code == 0
    assert verdict["headline"].startswith("Nothing is out")


def test_a_zoom_is_one_lens_with_several_focal_lengths(save: Save, ask: Ask) -> None:
    rows = exact_rows(landing_um=-20, focals_mm=(24, 50, 80), lens="Z1")
    kit = save("[lenses.Z1]\nfocal_length_mm = [24, 50, 80]\n", "kit.toml")
    code, verdict = ask("judge", save(csv_text(rows)), "--kit", kit)
    assert code == 1
    assert [lens["name"] for lens in verdict["lenses"]] == ["Z1"]
    total = unit(verdict, "bodies", "B1")["error_um"] + verdict["lenses"][0]["error_um"]
    # A zoom's conversion is uncertain, by half at 3 ft, falling as 1/D: the sign is sure, the size less so.
    assert total == pytest.approx(-20, abs=4)
    assert any("a zoom, or a lens that focuses inside" in warning for warning in verdict["warnings"])


def test_an_anamorphic_is_judged_along_both_axes(save: Save, ask: Ask) -> None:
    # Vertically 40 mm, horizontally 40/2 mm: each axis is a landing of its own focal length.
    header = (*HEADER, "squeeze", "axis")
    rows = [
        [*row[:2], "40", *row[3:], "2", axis]
        for axis, focal_mm in (("vertical", 40), ("horizontal", 20))
        for row in exact_rows(landing_um=-20, focals_mm=(focal_mm,), lens="A1")
    ]
    _, verdict = ask("judge", save(csv_text(rows, header=header)))
    assert [lens["name"] for lens in verdict["lenses"]] == ["A1"]
    assert {round(reading["landing_um"], 1) for reading in verdict["readings"]} == {-20.0}
    total = unit(verdict, "bodies", "B1")["error_um"] + verdict["lenses"][0]["error_um"]
    assert total == pytest.approx(-20, abs=2)


def test_infinity_is_a_distance(save: Save, ask: Ask) -> None:
    # On a body 20 µm short the chart at infinity is sharp with the ring nearer than infinity: f²/x + 2f + x.
    ring = f"{50**2 / 0.02 + 100 + 0.02:.3f} mm"
    rows = [["B1", "L50", "50", "2", "INF", ring, "op", "collimator"]] * 4
    _, verdict = ask("judge", save(csv_text(rows)))
    assert verdict["readings"][0]["landing_um"] == pytest.approx(-20, abs=1e-3)
    assert verdict["setups"] == [], "no tape is involved"


def test_a_units_remedy_follows_the_kits_mechanism(save: Save, ask: Ask, run: Run) -> None:
    readings = save(csv_text(exact_rows(landing_um=-25, focals_mm=(18, 25, 35))))
    kit = save(
        '[bodies.B1.mechanism]\nkind = "screw"\num_per_turn = 500\naway = "anticlockwise"\nhas_lock = true\n',
        "kit.toml",
    )
    _, verdict = ask("judge", readings, "--kit", kit)
    remedy = next(one for one in verdict["remedies"] if one["unit"] == "B1")
    assert (remedy["action"], remedy["direction"], remedy["turn"]) == (
        "move sensor",
        "away from the flange",
        "anticlockwise",
    )
    assert remedy["turns"] == pytest.approx(remedy["amount_um"] / 500, abs=1e-3)
    out = " ".join(run("judge", readings, "--kit", kit)[1].split())
    assert re.search(r"Check the lock of B1, then turn its screw \d+° anticlockwise", out)
    assert re.search(r"L18, L25 and L35 land \d+ µm short\.", out), "landings that are equal are one number"
    assert "Never move a sensor that is locked" in out


def test_units_of_the_kit_that_were_not_read_are_not_checked(save: Save, ask: Ask) -> None:
    readings = save(csv_text(exact_rows(landing_um=0, focals_mm=(18,))))
    kit = save("[lenses.L75]\nfocal_length_mm = 75\nf_number = 2\n", "kit.toml")
    code, verdict = ask("judge", readings, "--kit", kit)
    assert unit(verdict, "lenses", "L75")["verdict"] == "not_checked"
    assert code == 1


def test_warnings_of_the_file_stand_in_the_verdict(save: Save, ask: Ask) -> None:
    rows = [[*row, "blue"] for row in exact_rows(landing_um=0, focals_mm=(18,))]
    _, verdict = ask("judge", save(csv_text(rows, header=(*HEADER, "colour"))))
    assert verdict["warnings"][0] == "Column colour is not read."


@pytest.mark.parametrize(("suffix", "start"), [(".svg", b"<svg"), (".png", b"\x89PNG"), (".pdf", b"%PDF")])
def test_the_figure_is_saved_as_its_name_ends(tmp_path: Path, run: Run, suffix: str, start: bytes) -> None:
    figure = tmp_path / f"out{suffix}"
    code, out, err = run("judge", BENCH_1 / "readings.csv", "--figure", figure)
    assert (code, err) == (1, "")
    assert out.rstrip().endswith(f"The figure is in {figure}.")
    assert figure.read_bytes().startswith(start)
    assert [path.name for path in tmp_path.iterdir()] == [figure.name]


def test_json_stays_json_beside_a_figure(tmp_path: Path, run: Run) -> None:
    figure = tmp_path / "out.svg"
    _, out, _ = run("judge", BENCH_1 / "readings.csv", "--figure", figure, "--json")
    assert strict_json(out)["tolerance_um"] == 10
    assert "B1" in figure.read_text(encoding="utf-8")


def test_newtons_form_agrees_with_the_optics() -> None:
    # The tests' own ring, which the exact readings are made with, against the product's conversion.
    ring = ring_mm(focal_mm=35, distance_mm=914.4, landing_um=-20)
    assert landing_um(focal_mm=35, distance_mm=914.4, reading_mm=ring) == pytest.approx(-20, abs=1e-9)

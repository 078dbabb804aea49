"""Whole commands of ``shimwise plan``: what to read, before the first reading and after some."""

import math
from itertools import pairwise

import pytest
from bench_files import BENCH_1, FOOT_MM, Ask, Run, Save, csv_text, exact_rows, shimwise, strict_json, unit

pytestmark = pytest.mark.usefixtures("few_preps")

KIT = """
[bodies.B1]
{body}
""" + "".join(
    f"""
[lenses.L{focal}]
focal_length_mm = {focal}
f_number = 2
principal_separation_mm = 0
{{lens}}
"""
    for focal in (18, 25, 35)
)
KNOWN, UNKNOWN = "history_sd_um = 3", ""


def kit(*, body: str = "", lens: str = "") -> str:
    return KIT.format(body=body, lens=lens)


def test_a_plan_from_a_kit_alone_reaches_its_target(save: Save, ask: Ask) -> None:
    code, plan = ask("plan", "--kit", save(kit(lens=KNOWN), "kit.toml"), "--target", "17")
    assert (code, plan["reached"], plan["help"], plan["next"]) == (0, True, [], [])
    assert plan["count"] == sum(reading["repeats"] for reading in plan["readings"]) > 0
    body = unit(plan, "bodies", "B1")
    assert body["limit_um"] < body["half_width_um"] <= 17
    assert {reading["distance_text"] for reading in plan["readings"]} <= {"3'", "6'", "12'"}
    for reading in plan["readings"]:
        assert reading["lens"] == f"L{reading['focal_length_mm']:g}"


def test_what_the_plan_says_it_reaches_readings_do_reach(save: Save, ask: Ask) -> None:
    # The plan's uncertainty needs no landing: taking its readings, without error, has to give it or less.
    path = save(kit(lens=KNOWN), "kit.toml")
    _, plan = ask("plan", "--kit", path, "--target", "17")
    rows = [
        row
        for reading in plan["readings"]
        for row in exact_rows(
            landing_um=0,
            focals_mm=(reading["focal_length_mm"],),
            feet=(reading["distance_mm"] / FOOT_MM,),
            repeats=reading["repeats"],
        )
    ]
    _, verdict = ask("judge", save(csv_text(rows)), "--kit", path)
    body = unit(verdict, "bodies", "B1")
    assert (body["high_um"] - body["low_um"]) / 2 < 17


def test_a_tighter_target_takes_more_readings(save: Save, ask: Ask) -> None:
    path = save(kit(lens=KNOWN), "kit.toml")
    counts = [ask("plan", "--kit", path, "--target", target)[1]["count"] for target in ("24", "17", "14.5")]
    assert all(fewer <= more for fewer, more in pairwise(counts))
    assert counts[0] < counts[-1]


def test_no_readings_reach_a_target_below_the_datum_and_the_plan_says_what_would(
    save: Save, ask: Ask, run: Run
) -> None:
    # Without end, readings of three lenses of sd 7.32 µm, a set of 1.74, an eye of .0401 N·c and a body of
    # 12.83 leave the body at 1.96/√(1/12.83² + 1/(7.32²/3 + 1.74² + 1.6²)) = ±8.9 µm: only what all share
    # stays unknown. The sds are those of the priors' healthy and off levels together.
    path = save(kit(), "kit.toml")
    code, plan = ask("plan", "--kit", path, "--target", "5")
    assert (code, plan["reached"]) == (1, False)
    shared_um2 = 7.32**2 / 3 + 1.74**2 + (0.0401 * 40) ** 2
    limit_um = 1.959964 / math.sqrt(1 / 12.83**2 + 1 / shared_um2)
    assert unit(plan, "bodies", "B1")["limit_um"] == pytest.approx(limit_um, rel=0.02)
    assert len(plan["help"]) == 1
    assert "depth gauge" in plan["help"][0]
    assert "one lens known to 3 µm" in plan["help"][0]
    code, out, err = run("plan", "--kit", path, "--target", "5")
    assert (code, err) == (1, "")
    assert out.startswith("±5 µm cannot be promised with these lenses.")


def test_a_gauge_on_the_body_makes_the_target_reachable(save: Save, ask: Ask) -> None:
    gauged = kit(body="gauge_um = 0\ngauge_sd_um = 2")
    code, plan = ask("plan", "--kit", save(gauged, "kit.toml"), "--target", "5")
    assert (code, plan["reached"]) == (0, True)


def test_what_is_known_well_enough_needs_no_reading(save: Save, run: Run) -> None:
    gauged = kit(body="gauge_um = 0\ngauge_sd_um = 1")
    code, out, _ = run("plan", "--kit", save(gauged, "kit.toml"), "--target", "5")
    assert code == 0
    assert out.startswith("Nothing more has to be read: body B1 is known to ±5 µm (95 %) already.")
    assert "Tape and read" not in out


def test_after_readings_the_plan_says_what_to_read_next_and_the_rest(ask: Ask, run: Run) -> None:
    readings = BENCH_1 / "readings.csv"
    verdict, plan = ask("judge", readings)[1], ask("plan", readings, "--target", "12")[1]
    assert plan["next"] == verdict["next"] != []
    assert {body["name"] for body in plan["bodies"]} == {"B1"}
    assert "Read next, for what is not decided yet" in run("plan", readings, "--target", "12")[1]


def test_readings_taken_count_for_the_plan(save: Save, ask: Ask) -> None:
    path = save(kit(lens=KNOWN), "kit.toml")
    near = [exact_rows(landing_um=um, focals_mm=(18, 25, 35), repeats=1) for um in (-2.0, -0.5, 0.5, 2.0)]
    readings = save(csv_text([row for rows in near for row in rows]))  # between the marks
    before = ask("plan", "--kit", path, "--target", "17")[1]["count"]
    after = ask("plan", readings, "--kit", path, "--target", "17")[1]["count"]
    assert after < before


def test_bodies_and_distances_can_be_named_and_a_chart_is_taped_once(save: Save, ask: Ask) -> None:
    path = save(kit(lens=KNOWN), "kit.toml")
    options = ("--body", "B2", "--distance", "2 m", "--distance", "3' 6\"", "--target", "10")
    _, plan = ask("plan", "--kit", path, *options)
    assert {body["name"] for body in plan["bodies"]} == {"B1", "B2"}
    assert {reading["distance_text"] for reading in plan["readings"]} <= {"2 m", "3' 6\""}
    setups = [(reading["body"], reading["distance_mm"]) for reading in plan["readings"]]
    changes = sum(one != other for one, other in pairwise(setups))
    assert changes == len(set(setups)) - 1, "readings at one set-up stand together"


def test_a_steadier_eye_needs_fewer_readings(save: Save, ask: Ask) -> None:
    path = save(kit(lens=KNOWN), "kit.toml")
    steady, shaky = (
        ask("plan", "--kit", path, "--target", "17", "--k", k)[1]["count"] for k in ("0.1", "0.3")
    )
    assert steady < shaky


def test_a_lens_that_the_kit_does_not_describe_is_told_of(save: Save, ask: Ask) -> None:
    path = save(kit(lens=KNOWN) + "\n[lenses.L75]\nfocal_length_mm = 75\n", "kit.toml")
    _, plan = ask("plan", "--kit", path, "--target", "17")
    assert plan["warnings"] == ["L75 is not planned with: the kit does not give its f_number."]


def test_the_table_fits_80_columns_and_says_each_distance_once_a_body(save: Save, run: Run) -> None:
    long = kit(lens=KNOWN).replace("L35", '"A lens with quite a long name, of the second set"')
    _, out, _ = run(
        "plan", "--kit", save(long, "kit.toml"), "--body", "B2 with a name of its own", "--target", "8"
    )
    assert max(map(len, out.splitlines())) <= 80
    table = out[out.index("Tape and read") : out.index("What that reaches")]
    assert all(table.count(f"{feet}' (") <= 2 for feet in (3, 6, 12)), "once for each of two bodies"


def test_the_whole_command_plans_in_a_process_of_its_own(save: Save) -> None:
    done = shimwise("plan", "--kit", save(kit(lens=KNOWN), "kit.toml"), "--target", "17", "--json")
    assert (done.returncode, done.stderr) == (0, b"")
    assert strict_json(done.stdout)["reached"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "There is nothing to plan with: name at least one body, and one lens"),
        (("--target", "0"), "A target of ±0 µm is none. Give one above 0"),
        (("--target", "nan"), "A target of ±nan µm is none."),
        (("--k", "7"), "A focusing spread k of 7 is nobody's."),
        (("--body", "=1+1"), "A body cannot be called [=1+1]: a name cannot start with ="),
        (("--body", " "), "A body has no name."),
        (("--distance", "10"), "[10] is no length, at character 3: the number has no unit. Accepted are:"),
        (("--kit", "no such kit.toml"), "no such kit.toml: cannot be opened"),
    ],
)
def test_a_plan_that_cannot_be_made_is_refused_in_one_message(
    run: Run, options: tuple[str, ...], said: str
) -> None:
    code, out, err = run("plan", *options)
    assert (code, out) == (2, "")
    assert err.startswith(f"shimwise: {said}")
    assert err.count("\n") == 1


def test_a_plan_by_picture_says_what_a_picture_is_worth(save: Save, ask: Ask, run: Run) -> None:
    file = save(kit(), "kit.toml")
    code, plan = ask("plan", "--kit", file, "--by-picture", "--target", "30")
    assert (code, plan["by_picture"]) == (0, True)
    assert 0 < plan["count"] <= 24
    assert {one["lens"] for one in plan["picture_worth"]} == {"L18", "L25", "L35"}
    _, out, _ = run("plan", "--kit", file, "--by-picture", "--target", "30")
    words = " ".join(out.split())
    assert "landings by picture at" in words
    assert "A landing by picture is worth more than ten readings by eye of L18, L25 and L35." in words

"""The report in the terminal: its order, its width, its alphabets, and that nothing in it is rubbish."""

import io
import re
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_answers import LENS_TEXT, answers, bench, large_bench, remedies
from rich.cells import cell_len
from rich.console import Console

from property_cases import examples
from shimwise.inference.model.prep import Reading
from shimwise.inference.verdict.answer import Answer, Verdict
from shimwise.notices import Notice
from shimwise.remedy.remedy import Remedy
from shimwise.sheets.terminal.report import print_brief, print_report
from shimwise.sheets.words.notices import as_written, notice_text

COLOURFUL = {"TERM": "xterm-256color", "COLORTERM": "truecolor"}
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


def printed(
    answer: Answer,
    advice: tuple[Remedy, ...] = (),
    *,
    width: int = 80,
    encoding: str = "utf-8",
    is_terminal: bool = False,
    readings: tuple[Reading, ...] = (),
    environment: Mapping[str, str] = COLOURFUL,
) -> str:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding, errors="strict", newline="\n")
    console = Console(file=file, width=width, force_terminal=is_terminal, _environ=environment)
    print_report(console, answer, advice, lens_text=LENS_TEXT, readings=readings)
    file.flush()
    return raw.getvalue().decode(encoding)


def test_the_sentence_comes_first_then_what_to_do_now_then_the_picture(
    answer: Answer, advice: tuple[Remedy, ...]
) -> None:
    text = printed(answer, advice)
    assert text.replace("\n", " ").startswith(answer.headline)
    parts = [
        "H50 is short as well",
        "What to do now",
        "Send H50 to a lens technician",
        "◀ short",
        "Verdict",
        "Causes",
        "How it is done",
    ]
    places = [text.index(part) for part in (*parts, "Warnings")]
    assert places == sorted(places)


def test_every_unit_has_its_verdict_in_words_and_its_error_with_uncertainty(answer: Answer) -> None:
    lines = printed(answer).splitlines()
    table = lines[next(i for i, line in enumerate(lines) if line.startswith("Unit ")) :]
    assert re.search(r"out, short +−14 ± 6 +93 %", next(line for line in table if "Body A-07" in line))
    assert re.search(r"out, short +−17 ± 7 +97 % +0 ± 2", next(line for line in table if "H50 50 mm" in line))
    assert "needs more readings" in next(line for line in table if "H75" in line)
    assert "not read" in next(line for line in table if "H135" in line)
    assert "in tolerance" in next(line for line in table if "H18" in line)


def test_what_a_next_reading_leaves_is_a_95_percent_interval(answer: Answer) -> None:
    # 95 % of a normal distribution lie within 1.96 standard deviations: an sd of 2.6 µm makes ± 5.1.
    text = " ".join(printed(answer).split())
    assert "Read H75 on B-12 at 3' (914 mm): it brings what is open to ± 5 µm" in text


def test_remedies_come_with_their_steps_in_order_and_their_cautions(
    answer: Answer, advice: tuple[Remedy, ...]
) -> None:
    text = " ".join(printed(answer, advice).split())
    clean = notice_text(Notice("clean"))
    for remedy in advice:
        place = text.index(remedy.unit, text.index("How it is done"))
        for step in map(notice_text, remedy.steps):
            if step != clean:  # once for all, before the others
                place = text.index(f". {step}", place)
        for caution in map(notice_text, remedy.cautions):
            assert text.count(caution) == 1, caution


def test_a_doubted_reading_is_told_with_its_line_and_what_was_typed(answer: Answer) -> None:
    reading = Reading(
        row=4,
        line=6,
        body="A-07",
        lens="H25",
        focal_mm=25.0,
        fnumber=2.0,
        distance_mm=1828.8,
        reading_mm=2438.4,
        operator="AK",
    )
    text = " ".join(printed(answer, readings=(reading,)).split())
    # 2438.4 mm are 8 ft.
    assert "Read H25 on A-07 at set-up A-07 D2 again: line 6 (8' by AK) lands +39 µm." in text
    assert "again: line 33 lands" in text


def test_when_nothing_is_out_nothing_is_to_be_done(answer: Answer) -> None:
    calm = replace(answer, bodies=answer.bodies[1:], lenses=answer.lenses[:3])
    calm = replace(calm, next=(), readings=tuple(one for one in answer.readings if not one.is_doubted))
    assert "Nothing has to be done." in printed(calm)
    assert "Nothing has to be done" not in printed(answer)


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252"])
def test_a_terminal_without_unicode_gets_ascii(
    answer: Answer, advice: tuple[Remedy, ...], encoding: str
) -> None:
    text = printed(answer, advice, encoding=encoding)
    assert text.isascii()
    assert "-14 +/- 6" in text


def test_colour_comes_only_with_a_terminal_and_never_against_no_color(answer: Answer) -> None:
    plain, coloured = printed(answer), printed(answer, is_terminal=True)
    assert "\x1b" not in plain
    assert "38;2;" in coloured
    assert ESCAPE.sub("", coloured) == plain
    without = printed(answer, is_terminal=True, environment={**COLOURFUL, "NO_COLOR": "1"})
    assert "38;2;" not in without


def test_no_name_is_read_as_markup_or_steers_the_terminal(answer: Answer) -> None:
    lens = replace(answer.lenses[0], name="[red]L1\x1b]0;x\x07[/red]")
    text = printed(replace(answer, lenses=(lens,)))
    assert "[red]L1�]0;x�[/red]"[:12] in text
    assert "\x1b" not in text
    assert "\x07" not in text


@pytest.mark.slow
@settings(max_examples=examples(15), deadline=None)
@given(answers(), st.integers(60, 130), st.booleans())
def test_no_line_is_wider_than_the_terminal_and_nothing_is_nan(
    answer: Answer, width: int, is_ascii: bool
) -> None:
    text = printed(answer, remedies(), width=width, encoding="ascii" if is_ascii else "utf-8")
    assert all(cell_len(line) <= min(width, 100) for line in text.split("\n"))
    assert not is_ascii or text.isascii()


MAD = st.floats(allow_nan=True, allow_infinity=True)


@pytest.mark.slow
@settings(max_examples=examples(15), deadline=None)
@given(answers(numbers=MAD, names=st.text("0123456789", min_size=1)), MAD, MAD)
def test_no_number_however_mad_is_printed_as_nan_or_inf(answer: Answer, sd: float, p_out: float) -> None:
    changed = replace(
        answer,
        headline="A sentence.",
        notices=(as_written("A word."),),
        bodies=tuple(replace(one, sd_um=sd, p_out=p_out) for one in answer.bodies),
        next=tuple(replace(one, sd_after_um=sd) for one in answer.next),
        readings=tuple(replace(one, setup="S", weight=0.0) for one in answer.readings),
        setups=(),
    )
    text = printed(changed)
    assert not re.search(r"(?i)\bnan\b|\binf\b(?!:)", text.replace("at INF", ""))


@pytest.mark.parametrize("width", [20, 59, 60, 80, 300])
def test_the_report_keeps_between_60_and_100_columns(width: int) -> None:
    longest = max(cell_len(line) for line in printed(bench(), remedies(), width=width).splitlines())
    assert longest <= max(60, min(width, 100))
    is_narrow = "No room here for" in printed(bench(), remedies(), width=width)
    assert is_narrow is (width <= 60), "columns that are left out are named"


@pytest.mark.slow
def test_a_hundred_thousand_readings_make_a_report_that_can_be_read() -> None:
    answer = replace(large_bench(), notices=tuple(as_written(f"Warning {i}.") for i in range(30)))
    lens_remedy = remedies()[2]
    advice = tuple(
        replace(lens_remedy, unit=f"L{i:02d}", advice=(as_written(f"L{i:02d} is short."),)) for i in range(50)
    )
    lines = printed(answer, advice).splitlines()
    assert len(answer.readings) == 100_500
    assert len(lines) < 220
    assert "and 28 more, all in tolerance" in lines
    assert " and 22 more" in lines
    assert any(re.fullmatch(r" and [\d,]{5,6} more", line) for line in lines)
    assert any(line.startswith(" and 42 more remedies: L08, L09") for line in lines)


def test_a_brief_report_has_the_sentence_and_what_presses_most_in_twelve_lines(
    answer: Answer, advice: tuple[Remedy, ...]
) -> None:
    file = io.StringIO()
    print_brief(Console(file=file, width=60), answer, advice)
    lines = file.getvalue().splitlines()
    assert len(lines) <= 12
    assert " ".join(lines).startswith(answer.headline)
    assert re.fullmatch(r"and \d+ more", lines[-1])
    full = " ".join(printed(answer, advice, width=60).split())
    for line in lines[3:-1]:
        assert line.removeprefix("- ").strip() in full


def test_units_beyond_the_list_that_are_not_fine_are_not_called_fine() -> None:
    answer = large_bench(repeats=1)
    doubtful = tuple(replace(one, verdict=Verdict.CANNOT_TELL) for one in answer.lenses)
    lines = printed(replace(answer, lenses=doubtful)).splitlines()
    assert "and 28 more" in lines

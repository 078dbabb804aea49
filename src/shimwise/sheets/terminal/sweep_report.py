"""The report of a sweep: one sentence first, then the stars, the tilt, and each flag with what to do."""

from collections.abc import Iterator

from rich.console import Console

from shimwise.inference.verdict.answer import Z95
from shimwise.number_format import decimal_text, half_digits, plus_minus_text, size_text
from shimwise.sheets.json.sweep_json import Sweep, SweepTilt
from shimwise.sheets.terminal.writer import MOST_REPORT_WIDTH
from shimwise.sheets.words.shared import ascii_text, capital, plain, signed_text, wrapped
from shimwise.sheets.words.sweep_words import grouped_flags, other_readings, sweep_sentence

STARS_NOTE = (
    "± is half the 95 % interval. Best focus is that of the plane through the stars at the frame's centre: a "
    "star beside the centre lies apart from it by its share of the tilt. The chart's own turn is not taken "
    "out of the stars, but out of best focus and tilt."
)


def print_sweep_report(console: Console, sweep: Sweep) -> None:
    """Print the report in lines of the console's width; in ASCII where its encoding asks for that."""
    is_ascii = not (console.encoding or "").lower().startswith("utf")
    for line, style in _lines(sweep, min(console.width, MOST_REPORT_WIDTH)):
        words = ascii_text(line) if is_ascii else line
        console.print(words, style=style, markup=False, highlight=False, soft_wrap=True)


def _lines(sweep: Sweep, width: int) -> Iterator[tuple[str, str]]:
    for line in wrapped(capital(sweep_sentence(sweep)), width):
        yield line, "bold"
    for other in other_readings(sweep):
        yield from ((line, "") for line in wrapped(other, width))
    if tilt := _tilt_words(sweep.tilt):
        yield from ((line, "") for line in wrapped(tilt, width))
    if sweep.stars:
        yield "", ""
        yield from _stars(sweep)
        yield from ((line, "dim") for line in wrapped(STARS_NOTE, width))
    for title, texts in (("Flags", sweep.flags), ("Warnings", sweep.warnings)):
        if texts:
            yield "", ""
            yield title, "bold"
        for text in grouped_flags(texts):
            first, *rest = wrapped(plain(text), width - 2)
            yield f"· {first}", ""
            yield from ((f"  {line}", "") for line in rest)


def _tilt_words(tilt: SweepTilt) -> str:
    axes = ((tilt.x_um, tilt.x_sd_um, "right", "left"), (tilt.y_um, tilt.y_sd_um, "bottom", "top"))
    parts = []
    for um, sd_um, plus, minus in axes:
        if um is None or sd_um is None:
            continue
        half_um = Z95 * sd_um
        if abs(um) <= half_um:
            within = decimal_text(half_um, half_digits(half_um))
            parts.append(f"{plus} and {minus} edge agree within {within} µm")
            continue
        far, near = (plus, minus) if um > 0 else (minus, plus)
        amount = f"{size_text(um, half_um)} µm"
        parts.append(f"the {far} edge is sharp {amount} farther from the lens than the {near} edge")
    if not parts:
        return ""
    turn = ""
    if tilt.chart_yaw_deg is not None and tilt.chart_pitch_deg is not None:
        yaw, pitch = (signed_text(deg, digits=2) for deg in (tilt.chart_yaw_deg, tilt.chart_pitch_deg))
        turn = f" The chart is turned by {yaw}° (yaw) and {pitch}° (pitch); its share is taken out."
    return f"Tilt: {'; '.join(parts)}.{turn}"


def _stars(sweep: Sweep) -> Iterator[tuple[str, str]]:
    yield f"{'Star':<8}{'at, px':>14}{'best, µm':>18}{'along radius':>15}{'across':>12}", "bold"
    for star in sweep.stars:
        half_um = Z95 * (star.sd_um or 0.0)
        along, across = (
            "" if um is None else signed_text(um, digits=half_digits(half_um))
            for um in (star.sagittal_um, star.tangential_um)
        )
        place, best = f"{star.x_px:.0f}, {star.y_px:.0f}", plus_minus_text(star.best_um, half_um)
        yield f"{plain(star.id)[:7]:<8}{place:>14}{best:>18}{along:>15}{across:>12}", ""

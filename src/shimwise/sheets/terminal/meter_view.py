"""The meter on one screen of a terminal: sentence, rail, contrast, and what is known of the feed."""

from collections.abc import Sequence

from rich.text import Text

from shimwise.sheets.json.meter_json import MeterLine
from shimwise.sheets.terminal.canvas import BOLD_STYLE, DIM_STYLE
from shimwise.sheets.words.meter_words import meter_notes, meter_sentence
from shimwise.sheets.words.shared import plain_or_ascii, wrapped

WIDTH = 78
REACHES_UM = (20.0, 50.0, 100.0, 200.0, 500.0)
"""Half lengths of the rail: the shortest that holds the interval."""


def meter_view(line: MeterLine, *, is_ascii: bool, more: Sequence[str] = ()) -> Text:
    """Return the screen, at most 78 columns wide; ``more``: sentences below the notes."""
    rows = [(row, BOLD_STYLE) for row in wrapped(meter_sentence(line), WIDTH)]
    rows += [("", ""), *((row, "") for row in _rail(line)), ("", "")]
    if line.contrast is not None:
        full = round(40 * min(max(line.contrast, 0.0), 1.0))
        rows.append((f"contrast {'█' * full}{'·' * (40 - full)} {100 * line.contrast:3.0f} %", ""))
    state = {"seeking": "looking for the sharpest", "moving": "moving", "still": "still"}[line.state]
    lost = f", {line.dropped} lost" if line.dropped else ""
    rows.append((f"{state} · {line.t_s:.1f} s · {line.frames} frames{lost}", DIM_STYLE))
    for note in (*meter_notes(line), *more):
        rows += [(row, "") for row in wrapped(note, WIDTH)]
    text = Text()
    for words, style in rows:
        text.append(plain_or_ascii(words, is_ascii=is_ascii) + "\n", style)
    return text


def _rail(line: MeterLine) -> list[str]:
    """Return the rail from short to deep with one diamond, and its scale."""
    ends = [abs(value) for value in (line.offset_um, line.low_um, line.high_um) if value is not None]
    reach = next((one for one in REACHES_UM if one >= max(ends, default=0.0)), REACHES_UM[-1])
    half = WIDTH // 2 - 1

    def column(um: float) -> int:
        return round(half * (1.0 + min(max(um / reach, -1.0), 1.0)))

    cells = ["─"] * (2 * half + 1)
    cells[half] = "┼"
    if line.offset_um is not None and line.low_um is not None and line.high_um is not None:
        for k in range(column(line.low_um), column(line.high_um) + 1):
            cells[k] = "═"
        cells[column(line.offset_um)] = "◆"
    left, right = f"−{reach:g} short", f"deep +{reach:g} µm"
    return ["".join(cells), f"{left}{'0'.center(2 * half + 1 - len(left) - len(right))}{right}"]

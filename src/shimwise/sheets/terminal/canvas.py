"""What a line of the rail is made of: signs, styles, and the cells that they take."""

from dataclasses import dataclass

from shimwise.inference.verdict.answer import Verdict
from shimwise.sheets.terminal.scale import EDGE, Scale

SHORT_STYLE, DEEP_STYLE, DIM_STYLE, BOLD_STYLE = "bold #3f97e0", "bold #e08a2e", "dim", "bold"
"""Blue and orange that are seen well on a dark and on a light ground, and for colour-blind eyes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Glyphs:
    """The signs of a rail; each is one terminal cell wide, but for the words' arrows."""

    reading: str
    many: str
    doubted: str
    bar: str
    centre: str
    zero: str
    body_line: str
    band: str
    beyond_left: str
    beyond_right: str
    axis: str
    tick: str
    short: str
    deep: str


_SIGNS = {
    "reading": ("◆", "o"),
    "many": ("#", "#"),
    "doubted": ("×", "x"),
    "bar": ("━", "="),
    "centre": ("╋", "+"),
    "zero": ("│", "|"),
    "body_line": ("┊", ":"),
    "band": ("░", "."),
    "beyond_left": ("←", "<"),
    "beyond_right": ("→", ">"),
    "axis": ("─", "-"),
    "tick": ("┴", "+"),
    "short": ("◀ short", "<< short"),
    "deep": ("deep ▶", "deep >>"),
}
UNICODE, ASCII = (Glyphs(**{name: signs[place] for name, signs in _SIGNS.items()}) for place in (0, 1))


def verdict_style(verdict: Verdict) -> str:
    """Return the style of a verdict: blue for short, orange for deep, bold for what is not yet decided."""
    return {
        Verdict.OUT_SHORT: SHORT_STYLE,
        Verdict.OUT_DEEP: DEEP_STYLE,
        Verdict.CANNOT_TELL: BOLD_STYLE,
        Verdict.NOT_CHECKED: DIM_STYLE,
    }.get(verdict, "")


class Canvas:
    """One line of the picture: a sign and a style in every cell."""

    def __init__(self, scale: Scale, glyphs: Glyphs) -> None:
        self.scale, self.glyphs = scale, glyphs
        self.cells = [(" ", "")] * scale.cells

    def put(self, cell: int, sign: str, style: str = "") -> None:
        """Put a sign into a cell; outside the line it is lost."""
        if 0 <= cell < len(self.cells):
            self.cells[cell] = sign, style

    def mark(self, cell: int, sign: str, style: str = "") -> None:
        """Put a sign on the scale, or beside an arrow at its edge, there in a free cell if there is one."""
        if self.scale.holds(cell):
            self.put(cell, sign, style)
            return
        arrow, inward = (0, 1) if cell < EDGE else (len(self.cells) - 1, -1)
        glyph = self.glyphs.beyond_left if inward > 0 else self.glyphs.beyond_right
        self.put(arrow, glyph, style)
        places = range(arrow + inward, arrow + EDGE * inward, inward)
        self.put(next((place for place in places if self.cells[place][0] == " "), places[-1]), sign, style)

    def text(self, cell: int, words: str, style: str = "") -> None:
        """Put words, one sign a cell."""
        for offset, sign in enumerate(words):
            self.put(cell + offset, sign, style)

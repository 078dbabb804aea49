"""An answer of the meter, ready to be shown."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from shimwise.fields import build_from
from shimwise.imaging.frames.levels import CodeLevels
from shimwise.imaging.meter.answer import MeterAnswer
from shimwise.sheets.json.meter_json import MeterLine, MeterMore, RingLine, meter_to_json
from shimwise.sheets.words.meter_words import meter_notes, meter_sentence, ring_sentence

FULL_RANGE = CodeLevels(black=0.0, white=255.0, transfer="Rec.709", bits=8)
"""What codes mean unless stated otherwise: as browsers return them."""
SCALE_SHARE = 0.05
"""95 % half width of f-number and pixel pitch together, as a share: an f-number is engraved to within 5 %
(ISO 517, from memory), a pixel pitch known to 1 %. Where either is wrong a landing is, and no picture shows
it."""


@dataclass(frozen=True, slots=True)
class Measured:
    """An answer to be shown: the line as JSON has it, its sentences, and whether it is the last.

    ``ring``: the error of setting the ring to its mark; None unless lens and distance are stated.
    """

    line: MeterLine
    is_last: bool = False
    ring: RingLine | None = None

    @property
    def document(self) -> dict[str, Any]:
        """The line of ``shimwise.meter/1``, or ``/2`` where it holds more."""
        has_more = self.ring is not None or self.line.axes_um is not None
        return meter_to_json(self.line, MeterMore(ring=self.ring) if has_more else None)

    @property
    def own_sentences(self) -> list[str]:
        """The answer as a sentence, and one for each note."""
        return [meter_sentence(self.line), *meter_notes(self.line)]

    @property
    def more_sentences(self) -> list[str]:
        """What the ring's setting adds."""
        return [] if self.ring is None else [ring_sentence(self.ring)]

    @property
    def sentences(self) -> list[str]:
        """All of them."""
        return [*self.own_sentences, *self.more_sentences]

    def with_ring(self, ring: RingLine | None) -> Measured:
        """Return it with what the ring's setting adds."""
        return replace(self, ring=ring)

    @property
    def has_microns(self) -> bool:
        """Whether there is a figure."""
        return self.line.offset_um is not None


def line_of(answer: MeterAnswer) -> MeterLine:
    """Return an answer as a line."""
    return build_from(MeterLine, answer, state=answer.state.value)

"""What readings are refused for, where a door reacts to more than the words."""

from shimwise.bench.errors import Conflict
from shimwise.number_format import decimal_text


class LandingBeyond(Conflict):
    """Raised when a reading lands farther off than body and lens go, and nobody confirmed it.

    Attributes
    ----------
    landing_um, farthest_um : float
        Its landing, and how far one may lie without a question. [µm]
    """

    def __init__(self, words: str, *, landing_um: float, farthest_um: float) -> None:
        self.landing_um, self.farthest_um = landing_um, farthest_um
        about = decimal_text(farthest_um)
        super().__init__(
            f"It would land {words}, farther than body and lens go together (about {about} µm here). "
            "Is the figure right?",
            kind="reading",
            id="",
        )

"""What is remembered of a unit between preps, by kind, and how little is known of one that is not."""

from enum import StrEnum


class Kind(StrEnum):
    """What a remembered error is of."""

    BODY = "body"
    LENS = "lens"
    SCALE = "scale"
    SETUP = "setup"
    AXIS = "axis"
    STOP = "stop"
    EYE = "eye"


UNKNOWN_SD = {
    Kind.BODY: 15.0,
    Kind.LENS: 12.0,
    Kind.SCALE: 3.0,
    Kind.AXIS: 8.0,
    Kind.STOP: 30.0,
    Kind.EYE: 0.2,
}
"""A unit that is known no better than this counts as unknown. [µm; scale ‰; eye: of N·c] Chosen by us."""

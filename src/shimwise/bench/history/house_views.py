"""The whole house, as the command line and the settings show it. Errors in µm, short < 0 < deep."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadView:
    """The usual spread of one effect (all but the wild) with its 95 % interval, in ``unit``.

    ``starting``: before the house taught its own; ``off_share`` and ``wild_share``: of its units.
    """

    effect: str
    name: str
    unit: str
    spread: float
    low: float
    high: float
    starting: float
    off_share: float
    wild_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkView:
    """How far units of a kind wander in a month (sd), its 95 % interval, and the share knocked. [µm]"""

    kind: str
    name: str
    month_um: float
    low_um: float
    high_um: float
    knocked_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseUnitView:
    """A body or lens as last read, from all preps together."""

    kind: str
    id: str
    name: str
    error_um: float
    sd_um: float
    low_um: float
    high_um: float
    is_undecided: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonFocusView:
    """Where a person places focus, from the mean of the house's persons, at f/2 and 20 µm. [µm, short < 0]"""

    name: str
    from_mean_um: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseReadingView:
    """What is worth reading next in the house."""

    body: str
    lens: str
    distance_text: str
    gain_um2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseTaughtView:
    """Spreads that the house's signed preps taught; ``is_used``: whether the judge uses them."""

    preps: int
    readings: int
    is_used: bool
    spreads: tuple[SpreadView, ...]
    walks: tuple[WalkView, ...]
    common_sd_um: float
    has_gauge: bool
    datum_words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseNetworkView:
    """The whole house: what it taught, every unit, persons (as far as one may see), what to read next."""

    taught: HouseTaughtView
    units: tuple[HouseUnitView, ...]
    persons: tuple[PersonFocusView, ...]
    persons_words: str
    next: tuple[HouseReadingView, ...]

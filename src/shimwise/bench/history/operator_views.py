"""How well people repeat, as pages, the command line and the interface show it. Standard deviations in µm."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorView:
    """A person's repeatability; all but the counts are None while nothing was read twice.

    ``k``: focusing spread as a share of N·c, with its 95 % interval; ``repeat_sd_um``: pooled standard
    deviation of repeats of one sight [µm]; ``degrees``: repeats beyond the first.
    """

    name: str
    k: float | None = None
    k_low: float | None = None
    k_high: float | None = None
    repeat_sd_um: float | None = None
    degrees: int = 0
    reading_count: int
    prep_count: int
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledView:
    """All persons together, without names: pooled standard deviation of repeats [µm], from how many."""

    repeat_sd_um: float
    degrees: int
    person_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyView:
    """Gauge R&R of the crossed part of the house's readings; standard deviations in µm.

    ``repeatability_um``: one person, one sight; ``reproducibility_um``: between persons; ``gauge_um``: both;
    ``part_um``: between the sights; ``total_um``: all. ``gauge_percent``: of the total spread. ``is_small``:
    of fewer persons or sights than a study should have.
    """

    person_count: int
    part_count: int
    trials: int
    repeatability_um: float
    reproducibility_um: float
    gauge_um: float
    part_um: float
    total_um: float
    gauge_percent: float | None
    is_interaction_kept: bool
    is_small: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseRepeatability:
    """What one who asks may see of the house.

    ``own``: their own figures, None where they have read nothing; ``people``: everybody, for a lead alone;
    ``pooled`` and ``study`` are None where there is too little, or too few persons to be nameless:
    ``pooled_words`` and ``study_words`` are the sentences of it. ``is_lead``: whether who asks is a lead.
    """

    who: str
    is_lead: bool
    own: OperatorView | None
    people: tuple[OperatorView, ...]
    pooled: PooledView | None
    pooled_words: str
    study: StudyView | None
    study_words: str

"""What a house knows of its bodies and lenses before a reading: the plain values of a kit."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from shimwise.fields import build_from
from shimwise.inference.model.prep import DEFAULT_COC_UM, BodyKnowledge, FocusDesign, LensKnowledge
from shimwise.remedy.mechanism import Mechanism

FROM_KIT = "kit"


@dataclass(frozen=True, slots=True, kw_only=True)
class KitUnit:
    """What a body and a lens have in common: mount, history and gauge [µm, short < 0 < deep]."""

    mount: str = ""
    history_mean_um: float | None = None
    history_sd_um: float | None = None
    gauge_um: float | None = None
    gauge_sd_um: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KitBody(KitUnit):
    """A body of the kit; what is None is not known."""

    pixel_pitch_um: float | None = None
    circle_of_confusion_um: float | None = None
    tolerance_um: float | None = None
    mechanism: Mechanism | None = None

    def knowledge(self) -> BodyKnowledge:
        """Return what the judge may know of this body."""
        coc_um = self.circle_of_confusion_um
        return build_from(BodyKnowledge, self, coc_um=DEFAULT_COC_UM if coc_um is None else coc_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class KitLens(KitUnit):
    """A lens of the kit; what is None or empty is not known.

    ``focal_lengths_mm``: one, or of a zoom several in rising order. ``by_distance``: rows of (distance mm,
    focal length mm, separation mm) in rising order. ``marks_mm``: engraved distances, in rising order.
    ``source``: where it is from, in messages.
    """

    focal_lengths_mm: tuple[float, ...] = ()
    fnumber: float | None = None
    separation_mm: float | None = None
    focus_design: FocusDesign | None = None
    squeeze: float | None = None
    by_distance: tuple[tuple[float, float, float], ...] = ()
    marks_mm: tuple[float, ...] = ()
    source: str = FROM_KIT

    @property
    def is_zoom(self) -> bool:
        """Whether it has more than one focal length."""
        return len(self.focal_lengths_mm) > 1

    def knowledge(self) -> LensKnowledge:
        """Return what the judge may know of this lens."""
        return build_from(
            LensKnowledge,
            self,
            focus_design=self.focus_design or FocusDesign.UNIT,
            squeeze=self.squeeze or 1.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """A kit file: bodies and lenses by name, the tolerance ± [µm] or None, and the shims in stock [µm]."""

    bodies: Mapping[str, KitBody] = field(default_factory=dict)
    lenses: Mapping[str, KitLens] = field(default_factory=dict)
    tolerance_um: float | None = None
    shim_stock_um: tuple[float, ...] = ()

    def body_knowledge(self) -> dict[str, BodyKnowledge]:
        """Return what the judge may know of each body, by name."""
        return {name: body.knowledge() for name, body in self.bodies.items()}

    def lens_knowledge(self) -> dict[str, LensKnowledge]:
        """Return what the judge may know of each lens, by name."""
        return {name: lens.knowledge() for name, lens in self.lenses.items()}

    def mechanisms(self) -> dict[str, Mechanism | None]:
        """Return how each body is adjusted, by name."""
        return {name: body.mechanism for name, body in self.bodies.items()}

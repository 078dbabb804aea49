"""From a verdict to what is done about it: short → add, deep → take away."""

from shimwise.remedy.advice import advise, advise_body, advise_lens, advise_scale, advise_setup
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn
from shimwise.remedy.remedy import Action, Direction, Kind, Remedy
from shimwise.remedy.shims import ShimChoice, choose_shims

__all__ = [
    "Action",
    "Direction",
    "Fixed",
    "Kind",
    "Mechanism",
    "Remedy",
    "Screw",
    "ShimChoice",
    "ShimmedMount",
    "Turn",
    "advise",
    "advise_body",
    "advise_lens",
    "advise_scale",
    "advise_setup",
    "choose_shims",
]

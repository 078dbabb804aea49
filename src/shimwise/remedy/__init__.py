"""From a verdict to what is done about it: short → add, deep → take away."""

from shimwise.remedy.adjustment import Adjustment, Confirmed, ConsentError, TakenBack, begin, begin_lens
from shimwise.remedy.adjustment_steps import Guide, Move, Step, StepAnswer
from shimwise.remedy.advice import advise, advise_body, advise_lens, advise_scale, advise_setup
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn
from shimwise.remedy.remedy import Action, Direction, Remedy, RemedyKind
from shimwise.remedy.shims import ShimChoice, choose_shims
from shimwise.remedy.stock import Restack, ShimStock, StockChoice, choose_from_stock, restack
from shimwise.remedy.turning import PlannedTurn

__all__ = [
    "Action",
    "Adjustment",
    "Confirmed",
    "ConsentError",
    "Direction",
    "Fixed",
    "Guide",
    "Mechanism",
    "Move",
    "PlannedTurn",
    "Remedy",
    "RemedyKind",
    "Restack",
    "Screw",
    "ShimChoice",
    "ShimStock",
    "ShimmedMount",
    "Step",
    "StepAnswer",
    "StockChoice",
    "TakenBack",
    "Turn",
    "advise",
    "advise_body",
    "advise_lens",
    "advise_scale",
    "advise_setup",
    "begin",
    "begin_lens",
    "choose_from_stock",
    "choose_shims",
    "restack",
]

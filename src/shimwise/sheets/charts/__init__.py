"""Test charts that print true: planned for a camera, laid out in millimetres, drawn as vectors."""

from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.choice import choose_plan, standard_plan
from shimwise.sheets.charts.code import chart_id, layout_from_code, plan_to_code
from shimwise.sheets.charts.layout import layout_of
from shimwise.sheets.charts.paper import PAPERS, Paper, paper_of
from shimwise.sheets.charts.plan import ChartPlan, SpokeKind
from shimwise.sheets.charts.sheet import chart_pdf
from shimwise.sheets.charts.words import Advice, advise

__all__ = [
    "PAPERS",
    "Advice",
    "Camera",
    "ChartPlan",
    "Paper",
    "SpokeKind",
    "advise",
    "chart_id",
    "chart_pdf",
    "choose_plan",
    "layout_from_code",
    "layout_of",
    "paper_of",
    "plan_to_code",
    "standard_plan",
]

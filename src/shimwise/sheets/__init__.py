"""What is shown of a verdict: the report with its rail in the terminal, the figure for paper, the JSON."""

from shimwise.sheets.json.verdict_json import SCHEMA_ID, answer_to_json, validate, verdict_schema
from shimwise.sheets.pictures.figure_file import check_figure_path, save_figure
from shimwise.sheets.pictures.verdict_figure import verdict_chart
from shimwise.sheets.terminal.rail import Rail, draw_rail
from shimwise.sheets.terminal.report import print_report, report

__all__ = [
    "SCHEMA_ID",
    "Rail",
    "answer_to_json",
    "check_figure_path",
    "draw_rail",
    "print_report",
    "report",
    "save_figure",
    "validate",
    "verdict_chart",
    "verdict_schema",
]

"""A cause in words."""

from shimwise.inference.verdict.answer import Cause
from shimwise.sheets.words.shared import titled


def cause_text(cause: Cause) -> str:
    """Return what may be wrong, such as ``the scale of lens P50``."""
    match cause.kind:
        case "scale":
            return f"the scale of {titled('lens', cause.unit)}"
        case "setup":
            return f"the tape of {titled('set-up', cause.unit)}"
        case "set":
            return "the whole set of lenses" if cause.unit == "set" else titled("set", cause.unit)
        case "body_reference":
            return f"where the tape of {titled('body', cause.unit)} begins"
        case "eye":
            return f"the eye of {cause.unit}" if cause.unit else "the eye that read"
        case kind:
            return titled(kind, cause.unit)

"""A landing in words, and how it compares with the others."""

from shimwise.inference.verdict.expected_landing import Agreement, AgreementKind
from shimwise.number_format import decimal_text, half_digits, is_nought, signed_text


def landing_text(landing_um: float) -> str:
    """Return a landing in words, ``14 µm short``; within half a micron ``on the mark``."""
    if is_nought(landing_um):
        return "on the mark"
    return f"{_um(landing_um)} {'short' if landing_um < 0 else 'deep'}"


def picture_text(landing_um: float, half_um: float) -> str:
    """Return a landing by picture in words: ``by picture −12.3 ± 2.7 µm``, half its 95 % interval."""
    digits = max(1, half_digits(half_um))
    half = decimal_text(half_um, digits)
    return f"by picture {signed_text(landing_um, digits=digits, comma=True)} ± {half} µm"


def agreement_text(agreement: Agreement) -> str:
    """Return how a landing compares with the others."""
    match agreement.kind:
        case AgreementKind.FIRST:
            return "the first of this lens on this body"
        case AgreementKind.AGREES:
            return "agrees with the others"
        case AgreementKind.APART:
            off_um = agreement.off_um or 0.0
            others = "the others say" if agreement.is_paired else "body and lens should land"
            return f"{_um(off_um)} {'deeper' if off_um > 0 else 'shorter'} than {others}: read it again"


def _um(size_um: float) -> str:
    return f"{decimal_text(abs(size_um), comma=True)} µm"

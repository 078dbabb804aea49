"""Any judge's verdicts against the truth: coverage, RMS, share decided, wrong calls, causes, calibration.

A verdict is the plain dict of the verdict's JSON; what it does not contain (``pairs``, ``differences``) is
not scored. Nothing here knows how the verdict came about.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from benchmarks.worlds.bench.truth import Truth

DECIDED = {"in_tolerance", "out_short", "out_deep"}
CAUSE_LIMITS = {"scale": 5.0, "setup": 5.0, "body_reference": 5.0, "eye": 0.25, "set": 10.0}
"""Beyond these a thing is a true cause, put in or not [‰, mm, mm, N·c, µm]; bodies, lenses: the tolerance."""

Verdict = dict[str, Any]
Naming = Callable[[dict[str, Any]], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One estimate beside its truth [µm]; ``kind`` is body, lens, pair, difference or eye (in N·c)."""

    kind: str
    name: str
    truth_um: float
    error_um: float
    low_um: float
    high_um: float
    p_out: float | None
    verdict: str | None

    @property
    def holds(self) -> bool:
        """Whether the interval contains the truth."""
        return self.low_um <= self.truth_um <= self.high_um

    def is_wrong(self, tolerance_um: float) -> bool:
        """Whether a decided verdict is false."""
        right = {
            "in_tolerance": abs(self.truth_um) <= tolerance_um,
            "out_short": self.truth_um < -tolerance_um,
            "out_deep": self.truth_um > tolerance_um,
        }
        return self.verdict in right and not right[self.verdict]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Figures of one kind over many benches; None where nothing was estimated.

    ``wrong`` are decided and false, of all; ``wrongly_out`` called out while within tolerance, of all;
    ``wrongly_in`` the other way, of all.
    """

    count: int
    coverage: float | None
    rms_um: float | None
    half_width_um: float | None
    decided: float | None
    wrong: float | None
    wrongly_out: float | None
    wrongly_in: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Causes:
    """How the causes fared over benches that have one fault put in (``benches``).

    ``named``: share with a cause at or above the threshold; ``right_if_named``: of those, the share whose
    likeliest cause is a true one; ``likeliest_right``: of all, whatever its probability; None without any.
    """

    benches: int
    named: float | None
    right_if_named: float | None
    likeliest_right: float | None


def estimates(verdict: Verdict, truth: Truth, *, lens_name: Naming | None = None) -> list[Estimate]:
    """Pair every estimate of a verdict with its truth; units and pairs that were never read count too.

    A verdict ``not_checked`` is undecided: its interval is scored as any other.

    Parameters
    ----------
    verdict
        The verdict's JSON.
    truth
        What is true.
    lens_name
        From a row of ``lenses`` (or ``pairs``) to the name in the truth, where they differ (zooms).
    """
    found = []
    named = lens_name or (lambda row: str(row.get("lens") or row["name"]))
    for row in verdict.get("bodies", ()):
        found += _estimate("body", row["name"], truth.bodies_um.get(row["name"]), row, "error_um")
    for row in verdict.get("lenses", ()):
        name = named(row)
        found += _estimate("lens", name, truth.lenses_um.get(name), row, "error_um")
    for row in verdict.get("pairs", ()):
        pair = (row["body"], named(row))
        found += _estimate("pair", " + ".join(pair), truth.pairs_um.get(pair), row, "landing_um")
    for row in verdict.get("differences", ()):
        key = (row["body"], row["than"])
        true = truth.differences_um.get(key)
        if true is None and key[::-1] in truth.differences_um:
            true = -truth.differences_um[key[::-1]]
        found += _estimate("difference", " - ".join(key), true, row, "difference_um")
    for row in verdict.get("operators", ()):
        interval = {"low_um": row.get("offset_low"), "high_um": row.get("offset_high")}
        true = truth.offsets_nc.get(row["name"])
        found += _estimate("eye", row["name"], true, interval | {"offset": row.get("offset")}, "offset")
    return found


def _estimate(kind: str, name: str, true_um: float | None, row: dict[str, Any], value: str) -> list[Estimate]:
    bounds = (row.get(value), row.get("low_um"), row.get("high_um"))
    if true_um is None or None in bounds:
        return []
    error, low, high = (float(bound) for bound in bounds if bound is not None)
    return [
        Estimate(
            kind=kind,
            name=name,
            truth_um=true_um,
            error_um=error,
            low_um=low,
            high_um=high,
            p_out=row.get("p_out"),
            verdict=row.get("verdict"),
        )
    ]


def tally(found: Iterable[Estimate], *, kind: str, tolerance_um: float) -> Tally:
    """Count the estimates of one kind."""
    mine = [estimate for estimate in found if estimate.kind == kind]
    judged = [estimate for estimate in mine if estimate.verdict is not None]
    wrong = [estimate for estimate in judged if estimate.is_wrong(tolerance_um)]
    n = len(mine)
    return Tally(
        count=n,
        coverage=_share(sum(estimate.holds for estimate in mine), n),
        rms_um=math.sqrt(sum((e.error_um - e.truth_um) ** 2 for e in mine) / n) if n else None,
        half_width_um=sum(e.high_um - e.low_um for e in mine) / 2 / n if n else None,
        decided=_share(sum(e.verdict in DECIDED for e in judged), len(judged)),
        wrong=_share(len(wrong), len(judged)),
        wrongly_out=_share(sum(e.verdict != "in_tolerance" for e in wrong), len(judged)),
        wrongly_in=_share(sum(e.verdict == "in_tolerance" for e in wrong), len(judged)),
    )


def is_true_cause(kind: str, unit: str, truth: Truth) -> bool:
    """Return whether this is put in as a fault, or beyond its limit anyway."""
    if any((cause.kind, cause.unit) == (kind, unit) for cause in truth.causes):
        return True
    sizes = {
        "body": truth.bodies_um,
        "lens": truth.lenses_um,
        "set": truth.sets_um,
        "scale": truth.scales_permille,
        "setup": truth.setups_mm,
        "body_reference": truth.marks_mm,
        "eye": truth.offsets_nc,
    }.get(kind, {})
    return abs(sizes.get(unit, 0.0)) > CAUSE_LIMITS.get(kind, truth.tolerance_um)


def causes(verdicts: Sequence[tuple[Verdict, Truth]], *, named_from: float = 0.5) -> Causes:
    """Score the likeliest cause of each bench that has exactly one fault put in."""
    single = [(verdict, truth) for verdict, truth in verdicts if len(truth.causes) == 1]
    named = right_named = right = 0
    for verdict, truth in single:
        rows = verdict.get("causes", ())
        if not rows:
            continue
        top = max(rows, key=lambda row: float(row["probability"]))
        is_right = is_true_cause(top["kind"], top["unit"], truth)
        is_named = float(top["probability"]) >= named_from
        right += is_right
        named += is_named
        right_named += is_named and is_right
    return Causes(
        benches=len(single),
        named=_share(named, len(single)),
        right_if_named=_share(right_named, named),
        likeliest_right=_share(right, len(single)),
    )


def turned_wrongly(verdicts: Sequence[tuple[Verdict, Truth]]) -> float:
    """Return the share of benches in which a remedy moves a body that is within tolerance."""

    def moves_a_true_body(row: dict[str, Any], truth: Truth) -> bool:
        error = truth.bodies_um.get(row["unit"], math.inf)
        return bool(row.get("amount_um")) and abs(error) <= truth.tolerance_um

    turned = [
        any(moves_a_true_body(row, t) for row in verdict.get("remedies", ())) for verdict, t in verdicts
    ]
    return sum(turned) / len(turned)


def calibration(
    found: Iterable[Estimate], *, tolerance_um: float, bins: int = 10
) -> list[tuple[float, float, int]]:
    """Return (mean P(out), share out in truth, count) of each bin of P(out) that is not empty."""
    rows: list[list[Estimate]] = [[] for _ in range(bins)]
    for estimate in found:
        if estimate.p_out is not None:
            rows[min(int(estimate.p_out * bins), bins - 1)].append(estimate)
    return [
        (
            sum(float(e.p_out or 0.0) for e in row) / len(row),
            sum(abs(e.truth_um) > tolerance_um for e in row) / len(row),
            len(row),
        )
        for row in rows
        if row
    ]


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None

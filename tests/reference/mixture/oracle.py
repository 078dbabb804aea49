"""An independent sampler of the mixture model: plain Metropolis, other parameters, no code of the project.

The judge's sampler draws levels, weights and latent landings in turn. This one knows none of them: levels
are summed over in the prior density with their shares integrated out (Dirichlet-multinomial over all 3^K
levels of the K units of a kind), errors are integrated out by the distribution function of Student's t, and
the common spread of healthy lenses is summed over its values. An ensemble of walkers moves by
single-coordinate random walks and by differences of other walkers (C. J. F. ter Braak, "A Markov chain Monte
Carlo version of the genetic algorithm differential evolution", Stat. Comput. 16 (2006) 239; from memory).

Run ``python tests/reference/mixture/oracle.py [names]`` from the project's root to write ``answers.json``
from ``benches.json`` beside this file. Two ensembles with different seeds are run for each bench; the
answers keep the mean of both and, as ``between``, how far they lie apart.
"""

import itertools
import json
import math
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import gammaln, stdtr

HERE = Path(__file__).parent
WALKERS, EVERY = 1200, 10


@dataclass(frozen=True)
class Run:
    """Length of a run, and log10 of its widest single-coordinate steps in sds of the healthy level."""

    iterations: int
    burn_in: int
    widest_step: float


SHORT_STEPS = Run(iterations=7_000, burn_in=1_500, widest_step=0.3)
"""On "two persons" these miss the sds of bodies, lenses and pairs by .5 %, of tapes by 3, of eyes by 6 %."""
LONG_STEPS = Run(iterations=10_000, burn_in=2_000, widest_step=1.4)
"""A tape's wild level is 17 times as wide as the healthy one; with short steps walkers seldom reach it."""
WITH_LONG_STEPS = {"two persons", "infinity only", "landings from frames"}
"""Benches whose stored answers were made with long steps."""
FOOT = 304.8
LEVELS = {
    "body": ((6, 18, 60), (0.5, 0.4, 0.1)),
    "lens": ((None, 18, 50), (0.86, 0.09, 0.05)),
    "lens told": ((1, 3, 9), (0.82, 0.13, 0.05)),
    "set": ((0.5, 8, 25), (0.9, 0.04, 0.06)),
    "set told": ((0.5, 8, 25), (0.98, 0.01, 0.01)),
    "scale": ((1.5, 4, 15), (0.6, 0.3, 0.1)),
    "setup": ((1.5, 5, 25), (0.85, 0.1, 0.05)),
    "body_reference": ((0.5, 8, 25), (0.88, 0.06, 0.06)),
    "eye": ((0.03, 0.12, 0.4), (0.9, 0.05, 0.05)),
}
SPREADS = np.array([3, 4.5, 6.5, 9, 13])


def magnification(f: float, x: float) -> float:
    """Solve f(2 + m + 1/m) = x for the smaller m by the quadratic formula."""
    if math.isinf(x):
        return 0.0
    b = x / f - 2
    return (b - math.sqrt(b * b - 4)) / 2


def student(t: np.ndarray) -> np.ndarray:
    """Distribution function of Student's t with 4 degrees of freedom, the textbook's closed form."""
    t = np.clip(t, -1e6, 1e6)
    return 0.5 + t * (t * t + 6) / (2 * (t * t + 4) ** 1.5)


def log_sum(terms: np.ndarray) -> np.ndarray:
    """Log of the sum of exponentials along the last axis."""
    top = terms.max(-1)
    return top + np.log(np.exp(terms - top[..., None]).sum(-1))


class Group:
    """Prior of all units of one kind: the sum over every combination of their levels."""

    def __init__(self, kind: str, bench: "Bench") -> None:
        self.columns = [j for j, (one, _) in enumerate(bench.names) if one == kind]
        units = [bench.told.get(bench.names[j][1], 1.0) if kind == "lens told" else 1.0 for j in self.columns]
        sds, share = LEVELS[kind]
        spreads = SPREADS if sds[0] is None else np.array([sds[0]])
        # (spreads, units, levels)
        self.sd = np.array([[[u * h, u * sds[1], u * sds[2]] for u in units] for h in spreads])
        self.combinations = np.array(list(itertools.product(range(3), repeat=len(units))))
        counts = np.stack([(self.combinations == s).sum(1) for s in range(3)], axis=1)
        alpha = 6 * np.array(share)
        self.log_weight = (gammaln(alpha + counts) - gammaln(alpha)).sum(1)

    def log_density(self, x: np.ndarray) -> np.ndarray:
        """Log prior density (walkers,) up to a constant."""
        part = x[:, self.columns][:, None, :, None]
        normal = -np.log(self.sd) - 0.5 * (part / self.sd) ** 2  # (walkers, spreads, units, levels)
        terms = sum(normal[:, :, i, self.combinations[:, i]] for i in range(len(self.columns)))
        return log_sum((terms + self.log_weight).reshape(len(x), -1))


class Bench:
    """Density of one bench over vectors (names of unknowns, then logits, then ln k)."""

    def __init__(self, spec: dict[str, Any]) -> None:
        self.spec, self.names, self.kinds = spec, [], []
        lenses = sorted({r["lens"] for r in spec["readings"]})
        self.has_set = len(lenses) >= 3
        self.told = spec.get("told_lenses", {})
        rows, low, high, blur, ring, person = [], [], [], [], [], []
        self.persons = sorted({r.get("person", "") for r in spec["readings"] if "measured" not in r}) or [""]
        middles: dict[Any, list[float]] = {}
        for r in spec["readings"]:
            lo, hi = self.bounds(r)
            middles.setdefault((r["body"], r["lens"], r["D"]), []).append(
                lo if math.isinf(hi) else (lo + hi) / 2
            )
        for r in spec["readings"]:
            f, d = r["f"], r["D"] if r["D"] is not None else math.inf
            m = magnification(f, d)
            row = {("body", r["body"]): 1.0, (self.lens_kind(r["lens"]), r["lens"]): 1.0}
            row["scale", r["lens"]] = f * m
            row["setup", r["setup"]] = 1000 * m * m
            row["body_reference", r["body"]] = 1000 * m * m
            if self.has_set:
                row["set told" if self.told else "set", "set"] = 1.0
            if "measured" not in r:
                row["eye", r.get("person", "")] = r["N"] * 20
                row["conversion", r["lens"]] = (
                    0.04 * 914.4 / d * float(np.median(middles[r["body"], r["lens"], r["D"]]))
                )
            rows.append(row)
            lo, hi = self.bounds(r)
            low.append(lo), high.append(hi)
            measured = "measured" in r
            blur.append(0.0 if measured else r["N"] * 20)
            ring.append(r["sd"] if measured else 1800 * (m * d / 914.4) ** 2)
            person.append(0 if measured else self.persons.index(r.get("person", "")))
        for row in rows:
            for key in row:
                if key not in self.names:
                    self.names.append(key)
        p = len(self.names)
        self.a = np.array([[row.get(name, 0.0) for name in self.names] for row in rows])
        self.low, self.high = np.array(low), np.array(high)
        self.blur, self.ring, self.person = np.array(blur), np.array(ring), np.array(person)
        self.groups = [
            Group(kind, self) for kind in sorted({kind for kind, _ in self.names if kind in LEVELS})
        ]
        self.conversions = [j for j, (kind, _) in enumerate(self.names) if kind == "conversion"]
        self.size, self.p = p + len(self.persons), p

    def lens_kind(self, lens: str) -> str:
        return "lens told" if lens in self.told else "lens"

    @staticmethod
    def bounds(r: dict[str, Any]) -> tuple[float, float]:
        if "measured" in r:
            return r["measured"] - 0.05 * r["sd"], r["measured"] + 0.05 * r["sd"]
        f = r["f"]
        zero = 1000 * f * magnification(f, r["D"] if r["D"] is not None else math.inf)
        near, far = r["cell"]
        low = zero - 1000 * f * magnification(f, near)
        return low, math.inf if far is None else zero - 1000 * f * magnification(f, far)

    def log_density(self, v: np.ndarray) -> np.ndarray:
        """Log density (walkers,) of vectors (walkers, size), up to a constant."""
        x, ln_k = v[:, : self.p], v[:, self.p :]
        total = -0.5 * (((ln_k - math.log(0.19)) / 0.45) ** 2).sum(1)
        total += -0.5 * (x[:, self.conversions] ** 2).sum(1)
        for group in self.groups:
            total += group.log_density(x)
        expected = x @ self.a.T
        scale = np.sqrt((np.exp(ln_k)[:, self.person] * self.blur) ** 2 + self.ring**2)
        lo, hi = (self.low - expected) / scale, (self.high - expected) / scale
        flip = lo > 0
        lo, hi = np.where(flip, -hi, lo), np.where(flip, -lo, hi)
        total += np.log(np.maximum(student(hi) - student(lo), 1e-290)).sum(1)
        for kind, name, value, sd in self.spec.get("gauges", []):
            j = self.names.index((kind, name))
            total += -0.5 * ((x[:, j] - value) / sd) ** 2
        return total

    def quantities(self, v: np.ndarray) -> dict[str, np.ndarray]:
        """Draws of what is compared; lenses with their set."""
        column = {name: v[:, j] for j, name in enumerate(self.names)}
        shift = next((column[n] for n in self.names if n[0].startswith("set") and n[1] == "set"), 0.0)
        found = {}
        for kind, name in self.names:
            plain = kind.removesuffix(" told")
            if plain in ("body", "lens", "scale", "setup", "eye"):
                found[f"{plain}|{name}"] = column[kind, name] + (shift if plain == "lens" else 0.0)
        bodies = [n for k, n in self.names if k == "body"]
        for body in bodies:
            for kind, lens in self.names:
                if kind in ("lens", "lens told"):
                    found[f"pair|{body}|{lens}"] = column["body", body] + column[kind, lens] + shift
        if len(bodies) > 1:
            one, other = sorted(bodies)[:2]
            found[f"difference|{one}|{other}"] = column["body", one] - column["body", other]
        return found


LIMITS = {"body": 10.0, "lens": 10.0, "pair": 10.0, "scale": 5.0, "setup": 5.0, "eye": 0.2}


def sample(bench: Bench, run: Run, seed: int) -> dict[str, dict[str, float]]:
    """Means, sds and P(|x| > limit) of all quantities from one ensemble."""
    rng = np.random.default_rng(seed)
    size = bench.size
    width = np.ones(size)
    for j, (kind, _) in enumerate(bench.names):
        width[j] = 1.0 if kind == "conversion" else (LEVELS[kind][0][1] if kind != "lens told" else 10.0)
    v = rng.standard_normal((WALKERS, size)) * width * 0.5
    v[:, bench.p :] += math.log(0.19)
    now = bench.log_density(v)
    half = WALKERS // 2
    sums: dict[str, np.ndarray] = {}
    kept = 0
    for i in range(run.iterations):
        for mine, others in ((slice(0, half), slice(half, WALKERS)), (slice(half, WALKERS), slice(0, half))):
            here, pool = v[mine], v[others]
            move = i % 3
            new = here.copy()
            if move == 0:  # one coordinate
                j = rng.integers(size, size=half)
                step = rng.standard_normal(half) * width[j] * 10 ** rng.uniform(-1.5, run.widest_step, half)
                new[np.arange(half), j] += step
            else:  # difference of two walkers of the other half; 1 now and then to jump between humps
                a = rng.integers(half, size=half)
                b = (a + 1 + rng.integers(half - 1, size=half)) % half
                gamma = 2.38 / math.sqrt(2 * size) * np.exp(rng.uniform(-1.5, 0.7, half))
                gamma = np.where(rng.random(half) < 0.1, 1.0, gamma)
                kept_coordinates = rng.random((half, size)) < (1.0 if move == 1 else 0.3)
                new += gamma[:, None] * (pool[a] - pool[b]) * kept_coordinates
                new += 1e-4 * width * rng.standard_normal(new.shape)
            then = bench.log_density(new)
            accepted = np.log(rng.random(half)) < then - now[mine]
            v[mine] = np.where(accepted[:, None], new, here)
            now[mine] = np.where(accepted, then, now[mine])
        if i >= run.burn_in and i % EVERY == 0:
            kept += 1
            for name, x in bench.quantities(v).items():
                limit = LIMITS.get(name.split("|")[0], math.inf)
                part = np.array([x.mean(), (x * x).mean(), (np.abs(x) > limit).mean()])
                sums[name] = sums.get(name, 0.0) + part
    answers = {}
    for name, total in sums.items():
        mean, square, p_out = total / kept
        answers[name] = {"mean": mean, "sd": math.sqrt(square - mean * mean), "p_out": p_out}
    return answers


def main(wanted: list[str]) -> None:
    """Write the answers of all benches, or of those named."""
    grid = np.linspace(-30, 30, 601)
    if np.abs(student(grid) - stdtr(4, grid)).max() > 1e-12:
        raise SystemExit("The closed form of Student's t does not agree with scipy's.")
    benches = json.loads((HERE / "benches.json").read_text())
    path = HERE / "answers.json"
    answers = json.loads(path.read_text()) if path.exists() else {}
    for name, spec in benches.items():
        if wanted and name not in wanted:
            continue
        bench = Bench(spec)
        run = LONG_STEPS if name in WITH_LONG_STEPS else SHORT_STEPS
        one, other = sample(bench, run, 1), sample(bench, run, 2)
        answers[name] = {
            unit: {
                **{key: round((one[unit][key] + other[unit][key]) / 2, 5) for key in one[unit]},
                "between": {key: round(abs(one[unit][key] - other[unit][key]), 5) for key in one[unit]},
            }
            for unit in one
        }
        worst = max(abs(one[u]["sd"] / other[u]["sd"] - 1) for u in one)
        worst_p = max(abs(one[u]["p_out"] - other[u]["p_out"]) for u in one)
        print(name, "worst sd ratio", round(worst, 4), "worst P", round(worst_p, 4), flush=True)
        path.write_text(json.dumps(answers, indent=1) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])

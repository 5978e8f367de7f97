"""Coverage of the agreement intervals: enumerated for two categories, simulated for the rest.

Run by hand: ``python tests/reference/simulate_agreement.py [samples]`` (300 samples a cell take some fifteen minutes on
one core). It rewrites agreement.csv beside it. Intervals are the package's own, with 2,000 draws each; the old ones
that they are set against are written out here. Nominal level 95 %.

Models. "mix": both coders give the same code with chance kappa and independent ones otherwise. "near": the second
coder errs to a neighbouring grade. "three": three coders err to neighbouring grades, each apart, and a tenth of the
codes is missing. "points": deductions 0, .1, .3, .5 and 1.0, the second coder errs to a neighbouring one.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import numpy as np
from scipy import special, stats

from analysis.stats import misclassification, pseudo_counts
from analysis.stats.agreement import (
    cohen_kappa,
    difference_with_miscoding,
    gwet_ac,
    intraclass,
    kappa_standard_error,
    krippendorff_alpha,
)
from analysis.stats.gwet import coefficient
from analysis.stats.intraclass import _correlation, _moments, _squares
from analysis.stats.kappa import disagreement, kappa_of
from analysis.stats.krippendorff import _measure

SEED = 20261125
SHARES = {
    3: [(1 / 3, 1 / 3, 1 / 3), (0.7, 0.2, 0.1), (0.9, 0.06, 0.04), (0.1, 0.8, 0.1)],
    5: [(0.2,) * 5, (0.5, 0.25, 0.15, 0.07, 0.03), (0.8, 0.1, 0.05, 0.03, 0.02)],
}
POINTS = np.array([0, 0.1, 0.3, 0.5, 1.0])
Row = tuple[str, str, float, float]


def neighbours(k: int, error: float) -> np.ndarray:
    """Return the chance of each code given the true grade: `error` is shared by the neighbours."""
    steps = np.abs(np.subtract.outer(np.arange(k), np.arange(k)))
    chance = (steps == 1) * error / 2
    return chance + np.diag(1 - chance.sum(axis=1))


def joint(share: np.ndarray, model: str, kappa: float) -> np.ndarray:
    if model == "mix":
        return kappa * np.diag(share) + (1 - kappa) * np.outer(share, share)
    return share[:, None] * neighbours(len(share), 1 - kappa)


def judge(limits: np.ndarray, truth: float, weight: np.ndarray | None = None) -> tuple[float, float]:
    low, high = limits.T
    covered = (low <= truth + 1e-9) & (truth <= high + 1e-9)
    return float(np.average(covered, weights=weight)), float(np.average(high - low, weights=weight))


def two_categories() -> Iterator[Row]:
    """Enumerate all tables of n = 20, 30 and 50 pairs."""
    for n in (20, 30, 50):
        tables = [(a, b, c, n - a - b - c) for a, b, c in product(range(n + 1), repeat=3) if a + b + c <= n]
        found: dict[str, dict[tuple[int, ...], tuple[float, float]]] = {}
        for a, b, c, d in tables:
            if b > c or a < d:
                continue  # swapping coders or categories changes no limit
            one, two = [1] * (a + b) + [0] * (c + d), [1] * a + [0] * b + [1] * c + [0] * d
            kappa, ac = cohen_kappa(one, two), gwet_ac(one, two)
            alpha = krippendorff_alpha(one, two)
            wald = 1.96 * kappa_standard_error(one, two)
            units = np.array([one, two]).T
            plain = coefficient(units, np.ones(n), np.eye(2))
            half = stats.t.ppf(0.975, n - 1) * plain.standard_error
            for name, low, high in (
                ("kappa, Wald", kappa.estimate - wald, kappa.estimate + wald),
                ("kappa", kappa.low, kappa.high),
                ("alpha", alpha.low, alpha.high),
                ("AC1, Wald t", plain.value - half, plain.value + half),
                ("AC1", ac.low, ac.high),
            ):
                limits = (-1, 1) if np.isnan(low) else (low, high)
                for same in ((a, b, c, d), (a, c, b, d), (d, b, c, a), (d, c, b, a)):
                    found.setdefault(name, {})[same] = limits
        counts = np.array(tables)
        for prevalence, kappa in product((0.5, 0.6, 0.7, 0.8, 0.9, 0.95), (0.2, 0.4, 0.6, 0.8)):
            cells = joint(np.array([prevalence, 1 - prevalence]), "mix", kappa).ravel()
            chance = np.exp(
                special.gammaln(n + 1) - special.gammaln(counts + 1).sum(axis=1) + counts @ np.log(cells)
            )
            ac = coefficient(np.array(list(product((0, 1), repeat=2))), cells, np.eye(2)).value
            for name, by_table in found.items():
                limits = np.array([by_table[table] for table in tables])
                yield (
                    f"2 categories, n = {n}",
                    name,
                    *judge(limits, ac if "AC" in name else kappa, chance),
                )


def half_counts(pair: np.ndarray, cost: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the percentiles of kappa with half a count in each cell, as for two categories, reaching the estimate."""
    k = len(cost)
    table = np.bincount(pair @ [k, 1], minlength=k * k)
    kappas = kappa_of(rng.standard_gamma(table + 0.5, size=(1_000, k * k)).reshape(-1, k, k), cost)
    estimate = kappa_of(table.reshape(k, k), cost)
    if np.isnan(estimate):
        return np.array([-1.0, 1.0])
    low, high = np.quantile(kappas, [0.025, 0.975])
    return np.array([min(low, estimate), max(high, estimate)])


def more_categories(samples: int, rng: np.random.Generator) -> Iterator[Row]:
    for k, n in product(SHARES, (20, 40)):
        every = np.array(list(product(range(k), repeat=2)))
        for share, (model, level) in product(
            SHARES[k], [("mix", 0.3), ("mix", 0.6), ("mix", 0.85), ("near", 0.6), ("near", 0.85)]
        ):
            cells = joint(np.array(share), model, level)
            pairs = every[rng.choice(k * k, p=cells.ravel(), size=(samples, n))]
            order, limits, truth = list(range(k)), {}, {}
            for weights in (None, "linear", "quadratic"):
                cost = disagreement(k, weights)
                agree = 1 - cost / cost.max()
                truth[f"kappa, {weights}"] = float(kappa_of(cells, cost))
                truth[f"AC, {weights}"] = coefficient(every, cells.ravel(), agree).value
                limits[f"kappa, {weights}"] = [
                    cohen_kappa(*s.T, weights, order=order, seed=i) for i, s in enumerate(pairs)
                ]
                plain = np.array([half_counts(s, cost, rng) for s in pairs])
                yield (
                    f"{k} categories",
                    f"kappa, {weights}, half a count in each cell",
                    *judge(plain, truth[f"kappa, {weights}"]),
                )
                limits[f"AC, {weights}"] = [gwet_ac(*s.T, weights, order=order) for s in pairs]
            truth["alpha, ordinal"] = float(_measure(every, None)(cells.reshape(1, -1))[0])
            limits["alpha, ordinal"] = [
                krippendorff_alpha(*s.T, metric="ordinal", seed=i) for i, s in enumerate(pairs)
            ]
            for name, intervals in limits.items():
                yield (
                    f"{k} categories",
                    name,
                    *judge(np.array([(i.low, i.high) for i in intervals]), truth[name]),
                )


def three_coders(samples: int, rng: np.random.Generator) -> Iterator[Row]:
    for n, k in product((20, 40), (2, 5)):
        shares = SHARES[5] if k == 5 else [(0.5, 0.5), (0.8, 0.2), (0.93, 0.07)]
        every = np.array(list(product(range(k), repeat=3)))
        for share, error in product(shares, (0.05, 0.3)):
            errs = neighbours(k, error)
            cells = np.einsum("t,ta,tb,tc->abc", share, errs, errs, errs).ravel()
            codes = every[rng.choice(k**3, p=cells, size=(samples, n))].astype(float)
            codes[rng.random(codes.shape) < 0.1] = np.nan
            for metric in ("nominal", "ordinal", "interval") if k > 2 else ("nominal",):
                steps = np.subtract.outer(np.arange(k), np.arange(k)).astype(float)
                cost = {"nominal": disagreement(k, None), "ordinal": None, "interval": steps**2}[metric]
                truth = float(_measure(every, cost)(cells[None, :])[0])
                found = [
                    krippendorff_alpha(*s.T, metric=metric, seed=i, order=range(k))
                    for i, s in enumerate(codes)
                ]
                yield (
                    f"3 coders, {k} categories, codes missing",
                    f"alpha, {metric}",
                    *judge(np.array([(i.low, i.high) for i in found]), truth),
                )


def points(samples: int, rng: np.random.Generator) -> Iterator[Row]:
    every = np.array(list(product(range(5), repeat=2)))
    for n, share, error in product((20, 40), SHARES[5], (0.05, 0.2, 0.5)):
        cells = joint(np.array(share), "near", 1 - error).ravel()
        sheets = POINTS[every[rng.choice(25, p=cells, size=(samples, n))]]
        exact = _squares(cells @ _moments(POINTS[every] - cells @ POINTS[every].mean(axis=1)), 10**9)
        for form, method in product(("1,1", "2,1", "3,1"), ("f", "dirichlet")):
            truth = float(_correlation(exact, form[0], 2, 10**9))
            found = [
                intraclass(s, form, interval=method, seed=i, values=POINTS) for i, s in enumerate(sheets)
            ]
            yield (
                "deductions",
                f"icc {form}, {method}",
                *judge(np.array([(i.low, i.high) for i in found]), truth),
            )
    for n, m, rho in product((20, 40), (2, 3), (0.5, 0.9)):
        effect = rng.normal(size=(samples, n, 1)) * np.sqrt(rho)
        sheets = effect + rng.normal(size=(samples, n, m)) * np.sqrt(1 - rho)
        for method in ("f", "dirichlet"):
            found = [intraclass(s, "2,1", interval=method, seed=i) for i, s in enumerate(sheets)]
            yield (
                "normal scores",
                f"icc 2,1, {method}",
                *judge(np.array([(i.low, i.high) for i in found]), rho),
            )


def miscoded(samples: int, rng: np.random.Generator) -> Iterator[Row]:
    rates = [(0.9, 0.9), (0.6, 0.6), (0.98, 0.98), (0.95, 0.6), (0.99, 0.5), (0.3, 0.3)]
    errors = [(1, 1), (0.95, 0.95), (0.9, 0.98), (0.98, 0.85), (0.8, 0.8)]
    for (p1, p2), (n1, n2), twice, (right, spec), drawn in product(
        rates, [(10, 20), (40, 60)], (20, 40), errors, ("at random", "by first code")
    ):
        overall = (n1 * p1 + n2 * p2) / (n1 + n2)
        cells = np.array(
            [overall * right, overall * (1 - right), (1 - overall) * (1 - spec), (1 - overall) * spec]
        )
        found, ignored = [], []
        for i in range(samples):
            x1, x2 = rng.binomial((n1, n2), [p * right + (1 - p) * (1 - spec) for p in (p1, p2)])
            if drawn == "at random":
                table = rng.multinomial(twice, cells).reshape(2, 2)
            else:  # half from each first code
                table = rng.multinomial(
                    twice // 2, (cells.reshape(2, 2) / cells.reshape(2, 2).sum(axis=0)).T
                ).T
            interval = difference_with_miscoding(x1, n1, x2, n2, table, seed=i, drawn=drawn)
            found.append((interval.low, interval.high))
            plain = difference_with_miscoding(x1, n1, x2, n2, [[10**8, 0], [0, 10**8]], seed=i)
            ignored.append((plain.low, plain.high))
        yield f"miscoding, double-coded {drawn}", "corrected", *judge(np.array(found), p1 - p2)
        yield f"miscoding, double-coded {drawn}", "errors ignored", *judge(np.array(ignored), p1 - p2)


def main(samples: int) -> None:
    pseudo_counts.DRAWS, misclassification.DRAWS = (
        (2_000, 2_000),
        2_000,
    )  # here, not on import: pytest imports this
    rngs = [np.random.default_rng([SEED, part]) for part in range(4)]
    rows: list[Row] = []
    for part in (
        two_categories(),
        more_categories(samples, rngs[0]),
        three_coders(samples, rngs[1]),
        points(samples, rngs[2]),
        miscoded(samples, rngs[3]),
    ):
        rows += part
        print(len(rows), rows[-1], flush=True)
    path = Path(__file__).with_name("agreement.csv")
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(
            ["set", "interval", "cells", "samples", "worst", "mean", "below .93", "below .90", "width"]
        )
        for key in dict.fromkeys(row[:2] for row in rows):
            chosen = [row for row in rows if row[:2] == key]
            cover, width = np.array([row[2] for row in chosen]), np.mean([row[3] for row in chosen])
            how = "all tables" if key[0].startswith("2 categories") else samples
            below = [int((cover < bound).sum()) for bound in (0.93, 0.9)]
            summary = [f"{cover.min():.3f}", f"{cover.mean():.3f}", *below, f"{width:.3f}"]
            table.writerow([*key, len(chosen), how, *summary])
    print(path.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)

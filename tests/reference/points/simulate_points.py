"""Intervals for points lost, by simulation: the standardised difference's coverage, and the trade's confidence.

    PYTHONPATH=. python tests/reference/points/simulate_points.py standardised 300    (about 6 minutes on one core)
    PYTHONPATH=. python tests/reference/points/simulate_points.py trade 400           (about 2 minutes)

Each rewrites its csv beside this file. Landings: logit of P(loss >= the k-th category) = eta - cut k, where eta is the
routine's own plus a normal athlete effect; losses 0, .1, .3, .5 and 1.0 ("falls"), or 0, .1, .2, .3 and .4. Truths are
means over the very routines of the sample, the athlete effect averaged out by Gauss-Hermite quadrature.

standardised: better athletes choose the first technique more often (logit slope 1, constant `chooses`) and lose less
(slope -1); quality, and with more columns 0/1 columns of which the first costs .5, are adjusted for. Beside ours: the
same always with common slopes and always with separate ones, the same with repeats ignored, and least squares with the
bias-reduced cluster-robust variance (CR2; with one routine each, HC2) and Satterthwaite's t.

trade: the gain is the true difference, so the trade is even and a confidence should be above .975 in 2.5 % of meets.
Beside ours: the share of Bayesian-bootstrap re-weightings of the athletes in which the trade pays.
"""

from __future__ import annotations

import csv
import itertools
import math
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.special import expit
from scipy.stats import t

from analysis.stats.design_matrix import read_design
from analysis.stats.standardised_points import _limits, _rows, standardised_points
from analysis.stats.thousandths import thousandths
from analysis.stats.trade import trade

CUTS = np.array([0, 1.2, 2.2, 3.0])
LOSSES = {"falls": np.array([0, 0.1, 0.3, 0.5, 1.0]), "no falls": np.array([0, 0.1, 0.2, 0.3, 0.4])}
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(41)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
SEED = 20261125
MIX = ("athletes", "most_routines", "sd", "base", "effect", "columns", "both", "chooses", "losses")
EVEN = ("first", "second", "most_routines", "sd", "eta_first", "eta_second", "losses")
DRAWS = 1_000


def mean_points(eta: np.ndarray, sd: float, losses: str) -> np.ndarray:
    """Return the expected points of routines, the athlete effect averaged out."""
    above = expit(eta[:, None, None] + sd * NODES[:, None] - CUTS)
    return (above @ np.diff(LOSSES[losses])) @ WEIGHTS


def landed(rng: np.random.Generator, eta: np.ndarray, losses: str) -> np.ndarray:
    """Return the points that routines lose, their athletes' effects already in eta."""
    return LOSSES[losses][((eta + rng.logistic(size=len(eta)))[:, None] > CUTS).sum(axis=1)]


def mixed_meet(rng, athletes, most, sd, base, effect, columns, both, chooses, losses):
    """One meet in which better athletes choose the first technique: points, first, columns, athletes and the truth."""
    athlete = np.repeat(np.arange(athletes), rng.integers(1, most + 1, athletes))
    n = len(athlete)
    quality = rng.normal(size=athletes)
    draws = rng.random(n) if both else rng.random(athletes)[athlete]
    first = draws < expit(chooses + quality[athlete])
    others = (rng.random((n, columns - 1)) < 0.4).astype(float)
    eta = base - quality[athlete] + 0.5 * others[:, :1].sum(axis=1)
    points = landed(rng, eta + effect * first + sd * rng.normal(size=athletes)[athlete], losses)
    truth = float((mean_points(eta + effect, sd, losses) - mean_points(eta, sd, losses)).mean())
    return points, first, np.column_stack([quality[athlete], others]), athlete, truth


def robust(rows: np.ndarray, points: np.ndarray, athlete: np.ndarray) -> tuple[float, float]:
    """CR2 limits of the second coefficient, with Satterthwaite's t (working model: independence)."""
    inverse = np.linalg.inv(rows.T @ rows)
    beta = inverse @ rows.T @ points
    residuals = points - rows @ beta
    variance, weights = 0.0, []
    for who in np.unique(athlete):
        mine = athlete == who
        own = rows[mine]
        values, vectors = np.linalg.eigh(np.eye(len(own)) - own @ inverse @ own.T)
        adjusted = (vectors / np.sqrt(np.clip(values, 1e-9, None))) @ vectors.T @ own @ inverse[1]
        variance += float(adjusted @ residuals[mine]) ** 2
        weight = -rows @ (inverse @ (own.T @ adjusted))
        weight[mine] += adjusted
        weights.append(weight)
    gram = np.array(weights) @ np.array(weights).T
    half = t.ppf(0.975, max(1, np.trace(gram) ** 2 / (gram**2).sum())) * math.sqrt(variance)
    return float(beta[1] - half), float(beta[1] + half)


def standardised_limits(points, first, X, athlete) -> dict[str, tuple[float, float]]:
    """Limits by method; ours are NaN where it refuses."""
    repeats = len(np.unique(athlete)) < len(athlete)
    ours = standardised_points(points, first, X, athlete=athlete if repeats else None)
    found = {"standardised_points": (ours.low, ours.high)}
    if math.isnan(ours.low):
        return found
    rows, _ = _rows(read_design(first, X))
    if repeats:
        plain = standardised_points(points, first, X)
        found["standardised_points, repeats ignored"] = plain.low, plain.high
    slopes = np.column_stack([rows, rows[:, 2:] * rows[:, [1]]])
    if np.linalg.matrix_rank(slopes) < slopes.shape[1] or len(slopes) < slopes.shape[1] + 3:
        slopes = rows
    lost = thousandths(points)
    for name, design in (("common slopes", rows), ("separate slopes", slopes)):
        found[f"standardised_points, {name}"] = _limits(design, lost, first.astype(int), athlete, 0.95)[1:3]
        found[f"CR2, Satterthwaite t, {name}"] = robust(design, points, athlete)
    return found


def mixed_cells() -> Iterator[tuple]:
    for (n, columns), base, effect, chooses in itertools.product(
        ((30, 1), (60, 3), (200, 2)), (-2.0, -0.3), (0.0, -1.5), (0.0, -1.5)
    ):
        yield n, 1, 0.0, base, effect, columns, True, chooses, "falls"
    for n, base in itertools.product((30, 200), (-2.0, -0.3)):
        yield n, 1, 0.0, base, 0.0, 3, True, 0.0, "no falls"
    for athletes, sd, (both, chooses) in itertools.product(
        (20, 60, 100), (0.0, 2.0), ((True, -1.5), (False, 0.0))
    ):
        yield athletes, 3, sd, -1.5, -1.5, 2, both, chooses, "falls"


def standardised(meets: int) -> None:
    rng = np.random.default_rng(SEED)
    with open(Path(__file__).with_name("standardised.csv"), "w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow([*MIX, "method", "meets", "coverage", "truth_below", "truth_above", "width"])
        for cell in mixed_cells():
            seen: dict[str, list[tuple[bool, bool, float]]] = {}
            for _ in range(meets):
                *meet, truth = mixed_meet(rng, *cell)
                for method, (low, high) in standardised_limits(*meet).items():
                    if not math.isnan(low):
                        seen.setdefault(method, []).append((truth < low, truth > high, high - low))
            for method, lines in seen.items():
                below, above, width = np.mean(lines, axis=0)
                shares = [f"{value:.4f}" for value in (1 - below - above, below, above, width)]
                out.writerow([*cell, method, len(lines), *shares])
            file.flush()


def even_meet(rng, one, two, most, sd, eta_first, eta_second, losses):
    """One meet of two techniques, each athlete showing one of them: points, first, athletes."""
    athlete = np.repeat(np.arange(one + two), rng.integers(1, most + 1, one + two))
    first = athlete < one
    eta = np.where(first, eta_first, eta_second) + sd * rng.normal(size=one + two)[athlete]
    return landed(rng, eta, losses), first, athlete


def resampled(rng, points, first, athlete, gain) -> float:
    """Share of Bayesian-bootstrap re-weightings of the athletes in which the trade pays."""
    means = []
    for mine in (first, ~first):
        _, place = np.unique(athlete[mine], return_inverse=True)
        sums, sizes = np.bincount(place, weights=points[mine]), np.bincount(place)
        weights = rng.exponential(size=(DRAWS, len(sizes)))
        means.append((weights @ sums) / (weights @ sizes))
    net = gain + means[1] - means[0]
    return float((net > 1e-12).mean() + (np.abs(net) <= 1e-12).mean() / 2)


def even_cells() -> Iterator[tuple]:
    sizes = ((5, 5), (9, 22), (20, 20), (40, 60))
    etas = ((-0.5, -0.5), (-3.0, -0.5), (-3.0, -3.0))
    for (one, two), (most, sd), (first, second) in itertools.product(sizes, ((1, 0.0), (3, 2.0)), etas):
        yield one, two, most, sd, first, second, "falls"
    yield from ((9, 22, 1, 0.0, -3.0, -0.5, "no falls"), (9, 22, 3, 2.0, -0.5, -3.0, "no falls"))


def even_trade(meets: int) -> None:
    rng = np.random.default_rng(SEED)
    with open(Path(__file__).with_name("trade.csv"), "w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(
            [*EVEN, "method", "meets", "without", "below_.025", "below_.1", "above_.9", "above_.975"]
        )
        for cell in even_cells():
            sd, first, second, losses = cell[3:]
            means = mean_points(np.array([first, second]), sd, losses)
            gain = float(means[0] - means[1])
            seen: dict[str, list[float]] = {"confidence": [], "athletes re-weighted": []}
            for _ in range(meets):
                points, arm, athlete = even_meet(rng, *cell)
                found = trade(points, arm, gain, athlete=athlete if cell[2] > 1 else None)
                seen["confidence"].append(found.confidence)
                seen["athletes re-weighted"].append(resampled(rng, points, arm, athlete, gain))
            for method, values in seen.items():
                known = np.array(values)[~np.isnan(values)]
                edges = (known < 0.025, known < 0.1, known > 0.9, known > 0.975)
                shares = [f"{edge.sum() / meets:.4f}" for edge in edges]
                out.writerow([*cell, method, meets, meets - len(known), *shares])
            file.flush()


if __name__ == "__main__":
    {"standardised": standardised, "trade": even_trade}[sys.argv[1]](int(sys.argv[2]))

"""Coverage of 95 % intervals for the standardised difference, by simulation; writes coverage.csv beside itself.

    PYTHONPATH=. python tests/reference/logistic/simulate_coverage.py 300      (about 8 minutes on one core)

Better athletes choose the first technique more often (logit slope 1), and quality, a 0/1 round and up to two further
columns are adjusted for. The truth is the mean difference over the very rows of the sample, the athlete's own effect
(normal on the logit) averaged out. Compared with ours: the delta method with z, the same with the cluster-robust
variance and t, and ours with repeats ignored.
"""

from __future__ import annotations

import csv
import itertools
import math
import sys
from pathlib import Path

import numpy as np
from scipy.special import expit
from scipy.stats import norm, t

from analysis.stats.design_matrix import read_design
from analysis.stats.logistic import standardised_difference
from analysis.stats.penalised import Penalised, prediction_constant

NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(41)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
CELL = ("athletes", "most_routines", "sd", "constant", "effect", "columns", "both")


def sample(rng, athletes, most, sd, constant, effect, columns, both):
    """One meet: outcomes, techniques, columns, athletes and the true standardised difference."""
    routines = rng.integers(1, most + 1, athletes)
    athlete = np.repeat(np.arange(athletes), routines)
    n = len(athlete)
    quality = rng.normal(size=athletes)
    draws = rng.random(n) if both else rng.random(athletes)[athlete]
    first = draws < expit(quality[athlete])
    others = (rng.random((n, columns - 1)) < 0.4).astype(float)
    logit = constant + quality[athlete] + 0.5 * others[:, :1].sum(axis=1)
    stuck = rng.random(n) < expit(logit + effect * first + sd * rng.normal(size=athletes)[athlete])
    means = [expit(logit[:, None] + shift + sd * NODES) @ WEIGHTS for shift in (effect, 0.0)]
    truth = float((means[0] - means[1]).mean())
    return stuck.astype(int), first, np.column_stack([quality[athlete], others]), athlete, truth


def delta(y, first, X, athlete, robust):
    """The delta method, with the model's variance and z, or the cluster-robust one and t(athletes - coefficients)."""
    model = Penalised(read_design(y, np.column_stack([first, X])))
    beta = model.best().beta
    constant = prediction_constant(model, beta)
    if math.isfinite(constant):
        beta = np.concatenate([[constant], beta[1:]])
    rows, gradients, rates = model.rows, [], []
    for value in (1.0, 0.0):
        there = rows.copy()
        there[:, 1] = (value - model.middle[1]) / model.scale[1]
        p = expit(there @ beta)
        rates.append(p.mean())
        gradients.append((there * (p * (1 - p))[:, None]).mean(axis=0))
    p = expit(rows @ beta)
    covariance = np.linalg.inv((rows * (p * (1 - p))[:, None]).T @ rows)
    quantile = norm.ppf(0.975)
    if robust:
        clusters, member = np.unique(athlete, return_inverse=True)
        scores = np.zeros((len(clusters), rows.shape[1]))
        np.add.at(scores, member, rows * (y - p)[:, None])
        free = max(len(clusters) - rows.shape[1], 1)
        covariance = covariance @ scores.T @ scores @ covariance * len(clusters) / (len(clusters) - 1)
        quantile = t.ppf(0.975, free)
    gradient = gradients[0] - gradients[1]
    half = quantile * math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
    middle = rates[0] - rates[1]
    return middle - half, middle + half


def intervals(y, first, X, athlete, repeats):
    """Limits by method, or None where ours refuses (one technique, no overlap)."""
    ours = standardised_difference(y, first, X, athlete=athlete if repeats else None)
    if math.isnan(ours.low):
        return None
    found = {"standardised_difference": (ours.low, ours.high), "delta, z": delta(y, first, X, athlete, False)}
    if repeats:
        plain = standardised_difference(y, first, X)
        found["standardised_difference, repeats ignored"] = plain.low, plain.high
        found["cluster-robust delta, t"] = delta(y, first, X, athlete, True)
    return found


def main(meets: int) -> None:
    rng = np.random.default_rng(20261125)
    alone = itertools.product((30, 60, 200), (1,), (0.0,), (0.0, 1.5, 3.0), (0.0, 1.5), (1, 4), (True,))
    again = itertools.product((20, 60), (3,), (0.0, 2.0), (0.5, 2.5), (0.0, 1.5), (2,), (True, False))
    with open(Path(__file__).with_name("coverage.csv"), "w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow([*CELL, "method", "meets", "coverage", "width"])
        for cell in itertools.chain(alone, again):
            inside, width, used = {}, {}, 0
            for _ in range(meets):
                y, first, X, athlete, truth = sample(rng, *cell)
                found = intervals(y, first, X, athlete, repeats=cell[1] > 1)
                if found is None:
                    continue
                used += 1
                for method, (low, high) in found.items():
                    inside[method] = inside.get(method, 0) + (low <= truth <= high)
                    width[method] = width.get(method, 0.0) + high - low
            for method in inside:
                share, mean = inside[method] / used, width[method] / used
                out.writerow([*cell, method, used, f"{share:.4f}", f"{mean:.4f}"])
            file.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]))

"""Coverage of the intervals for graded landings, and the size of the proportionality test: writes coverage.csv.

python tests/reference/ordinal/simulate_ordinal.py      (from the project's folder; about four minutes)

shares: `better_by_a_grade`, independent routines; every pair of six distributions over five grades.
shares, athletes: the same with two routines an athlete on average, alike through a common part of the latent landing.
slope, athletes: `proportional_odds` with athletes, the slope of the technique (each athlete shows one technique), true
slope 1 for an average athlete and 1 plus its shrinking through the athletes' spread for the marginal model, which is
found from a large sample.
proportionality: share of p <= 0.05 where the assumption holds.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from analysis.stats.ordinal import better_by_a_grade, proportional_odds, proportionality

SEED = 20261128
DISTRIBUTIONS = {
    "sure": (0.7, 0.15, 0.1, 0.03, 0.02),
    "fair": (0.3, 0.3, 0.2, 0.1, 0.1),
    "poor": (0.1, 0.1, 0.2, 0.3, 0.3),
    "stuck": (0.95, 0.03, 0.02, 0, 0),
    "all or nothing": (0.9, 0, 0, 0, 0.1),
    "two grades": (0.7, 0.28, 0, 0, 0.02),
}
SIZES = ((4, 6), (9, 22), (10, 60), (20, 20), (40, 40))


def truth(one, two):
    pairs = np.outer(one, two)
    return np.triu(pairs, 1).sum(), np.tril(pairs, -1).sum(), np.trace(pairs)


def draw(rng, sizes, dists, spread, most):
    """Grades, technique and athletes; each athlete has 1 to `most` routines of one technique."""
    grade, first, athlete = [], [], []
    for group, (n, dist) in enumerate(zip(sizes, dists, strict=True)):
        left = n
        while left:
            take = min(left, int(rng.integers(1, most + 1)))
            common = rng.normal() * spread
            latent = np.sqrt(1 - spread**2) * rng.normal(size=take) + common

            grade += list(np.searchsorted(np.cumsum(dist)[:-1], ndtr(latent)))
            first += [group == 0] * take
            athlete += [len(athlete) and athlete[-1] + 1] * take
            left -= take
    return grade, first, athlete


def shares(rng, runs, spread, most):
    for sizes in SIZES:
        for a, one in DISTRIBUTIONS.items():
            for b, two in DISTRIBUTIONS.items():
                real = truth(one, two)
                hits, widths = np.zeros(3), np.zeros(3)
                for _ in range(runs):
                    grade, first, athlete = draw(rng, sizes, (one, two), spread, most)
                    found = better_by_a_grade(grade, first, athlete=athlete if most > 1 else None)
                    for k, share in enumerate((found.first_better, found.second_better, found.tie)):
                        hits[k] += share.low - 1e-9 <= real[k] <= share.high + 1e-9
                        widths[k] += share.high - share.low
                for k, name in enumerate(("first better", "second better", "tie")):
                    kind = "shares, athletes" if most > 1 else "shares"
                    yield kind, sizes, f"{a} v {b}: {name}", runs, hits[k] / runs, widths[k] / runs


def graded(rng, athletes, most, sd, slope, cuts):
    n = rng.integers(1, most + 1, athletes)
    shows = np.arange(athletes) < round(0.35 * athletes)
    own = np.repeat(rng.normal(size=athletes) * sd, n)
    first = np.repeat(shows, n).astype(float)
    latent = slope * first + own + rng.logistic(size=n.sum())
    return np.searchsorted(cuts, latent), first, np.repeat(np.arange(athletes), n)


def slopes(rng, runs):
    cuts = np.array([-2.0, -1.0, 0.0])
    for athletes in (12, 20, 40, 100):
        for sd in (0.0, 1.0):
            big, first, _ = graded(rng, 40_000, 3, sd, 1.0, cuts)
            real = proportional_odds(big, first).coefficients[0]
            hits = widths = counted = 0
            for _ in range(runs):
                grade, first, athlete = graded(rng, athletes, 3, sd, 1.0, cuts)
                low, high = proportional_odds(grade, first, athlete=athlete).intervals[0]
                if not np.isnan(low + high):
                    counted += 1
                    hits += low <= real <= high
                    widths += high - low
            yield "slope, athletes", (athletes, 3), f"sd {sd}", counted, hits / counted, widths / counted


def sizes_of_the_check(rng, runs):
    for n1, n2, cuts, slope in (
        (5, 8, (-1, 0, 1), 0),
        (9, 22, (-2, -1, 0), 0),
        (9, 22, (-2, -1, 0), 1.5),
        (4, 60, (-3, -2, -1, 0), 1),
        (20, 40, (-3, -2, -1, 0), 2),
        (40, 60, (-3, -2, -1, 0), 1),
    ):
        first = np.repeat([1.0, 0.0], [n1, n2])
        found = []
        for run in range(runs):
            grade = np.searchsorted(cuts, slope * first + rng.logistic(size=n1 + n2))
            p_value = proportionality(grade, first, draws=499, seed=run).p_value
            found += [] if np.isnan(p_value) else [p_value <= 0.05]
        yield "proportionality", (n1, n2), f"slope {slope}", len(found), np.mean(found), float("nan")


if __name__ == "__main__":
    rng = np.random.default_rng(SEED)
    part = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    runs = [max(20, count // part) for count in (100, 40, 300, 1000)]
    with open(Path(__file__).parent / "coverage.csv", "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["kind", "sizes", "case", "samples", "coverage_or_size", "width"])
        for lines in (
            shares(rng, runs[0], 0.0, 1),
            shares(rng, runs[1], 0.6, 3),
            slopes(rng, runs[2]),
            sizes_of_the_check(rng, runs[3]),
        ):
            for kind, n, case, samples, rate, width in lines:
                table.writerow([kind, f"{n[0]}+{n[1]}", case, samples, f"{rate:.3f}", f"{width:.3f}"])

"""Coverage of the intervals for clustered points and grades, simulated.

Run by hand: ``python tests/reference/simulate_clustered_points.py [meets]`` (2,000 meets a cell take some minutes on
one core). It rewrites clustered_points.csv beside it. The intervals are computed here for many meets at once; three
meets of every cell are compared with the package.

Model: logit of P(loss >= the k-th category) = eta + athlete effect - cut k, athlete effect normal with sd 0, 1 or 2,
losses 0, .1, .3, .5 and 1.0 ("falls") or 0, .1, .2, .3 and .4 ("no falls"), P(no loss) from .3 to .98 on average.
The truth is the marginal mean (or chance), by Gauss-Hermite quadrature.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy import special, stats

from analysis.stats.clustered import clustered_difference, clustered_superiority

CUTS = np.array([0, 1.2, 2.2, 3.0])
LOSSES = {"falls": np.array([0, 0.1, 0.3, 0.5, 1.0]), "no falls": np.array([0, 0.1, 0.2, 0.3, 0.4])}
CLEAN = [
    (0.6, 0.6),
    (0.9, 0.9),
    (0.95, 0.8),
    (0.8, 0.95),
    (0.9, 0.5),
    (0.98, 0.7),
    (0.7, 0.98),
    (0.3, 0.3),
    (0.98, 0.98),
]
PATTERNS = {"1 to 4": [1, 2, 3, 4, 2], "2 each": [2], "1 each": [1], "one with 6": [1, 1, 1, 6]}
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(80)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
SEED = 20261125
COLUMNS = [
    "set",
    "losses",
    "interval",
    "cells",
    "meets per cell",
    "worst coverage",
    "mean coverage",
    "cells below .94",
    "cells below .90",
    "mean width",
    "width / Welch",
    "smallest share of meets with an interval",
]


def designs() -> Iterator[tuple[str, str, np.ndarray, np.ndarray]]:
    """Yield (set, name, group, athlete): techniques fixed per athlete, then athletes who show both."""
    for set_name, sizes in (
        ("5 to 40 athletes", [(5, 5), (5, 10), (10, 10), (6, 15), (15, 15), (10, 20), (20, 40)]),
        ("30 to 120 athletes", [(40, 60), (100, 100), (30, 120)]),
    ):
        for one, two in sizes:
            for name, pattern in PATTERNS.items():
                if set_name.startswith("30") and name not in ("1 to 4", "2 each"):
                    continue
                each = [pattern[i % len(pattern)] for i in range(one)] + [
                    pattern[(i + 1) % len(pattern)] for i in range(two)
                ]
                athlete = np.repeat(np.arange(one + two), each)
                yield set_name, f"{one} v {two}, {name}", (athlete >= one).astype(int), athlete
    for athletes in (10, 20, 40):
        for share in (0.5, 1.0):
            both = np.arange(athletes) < share * athletes
            rows = [(0, i) for i in range(athletes) if both[i] or i % 2] + [
                (1, i) for i in range(athletes) if both[i] or not i % 2
            ]
            rows += [(i % 2, i) for i in range(0, athletes, 3)]
            group, athlete = (np.array(column) for column in zip(*rows, strict=True))
            yield "athletes with both", f"{athletes} athletes, {share:.0%} show both", group, athlete


def categories(eta: float, sd: float) -> np.ndarray:
    """Return the marginal probabilities of the five categories."""
    above = WEIGHTS @ special.expit(eta + sd * NODES[:, None] - CUTS)
    return -np.diff(np.concatenate(([1.0], above, [0.0])))


def eta_for(clean: float, sd: float) -> float:
    """Return the eta that gives P(no loss) = clean on average."""
    low, high = -20.0, 20.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if categories(middle, sd)[0] > clean else (low, middle)
    return low


class Sums:
    """Sums of squares of one group for many meets; `y` has a row per meet."""

    def __init__(self, y: np.ndarray, athlete: np.ndarray) -> None:
        _, place = np.unique(athlete, return_inverse=True)
        sizes = np.bincount(place).astype(float)
        sums = y @ np.eye(len(sizes))[place]
        self.y, self.n, self.k = y, len(place), len(sizes)
        self.mean = y.mean(axis=1)
        self.total = ((y - self.mean[:, None]) ** 2).sum(axis=1)
        self.between = (sizes * (sums / sizes - self.mean[:, None]) ** 2).sum(axis=1)
        within = ((y - (sums / sizes)[:, place]) ** 2).sum(axis=1)
        self.within = np.where(within < 1e-12, 0, within)
        self.varies = y.max(axis=1) > y.min(axis=1)
        self.load = (sizes**2).sum() / self.n
        self.robust = (
            ((sums - sizes * self.mean[:, None]) ** 2).sum(axis=1) / self.n**2 * self.k / (self.k - 1)
        )


def upper_icc(groups: list[Sums], use: list[np.ndarray], tail: float) -> np.ndarray:
    df_between = sum(v * (g.k - 1) for g, v in zip(groups, use, strict=True))
    df_within = sum(v * (g.n - g.k) for g, v in zip(groups, use, strict=True))
    between = sum(v * g.between for g, v in zip(groups, use, strict=True))
    within = sum(v * g.within for g, v in zip(groups, use, strict=True))
    load = sum(v * (g.n - g.load) for g, v in zip(groups, use, strict=True)) / df_between
    upper = between / df_between / (within / df_within) / stats.f.ppf(tail, df_between, df_within)
    icc = np.clip((upper - 1) / (upper + load - 1), 0, 1)
    return np.where(np.isfinite(icc) & (within > 0), icc, 1.0)


def effective(groups: list[Sums]) -> list[np.ndarray]:
    pooled = upper_icc(groups, [g.varies for g in groups], 0.10)
    sizes = []
    for g in groups:
        icc = np.where(g.varies, np.maximum(pooled, upper_icc([g], [np.ones_like(g.mean)], 0.05)), pooled)
        sizes.append(g.n / (1 + (g.load - 1) * icc))
    return sizes


def shared(
    y: np.ndarray, group: np.ndarray, athlete: np.ndarray, groups: list[Sums], sizes: list[np.ndarray]
) -> np.ndarray:
    """Return the correlation of the two means by the estimated icc."""
    m = np.bincount(athlete).astype(float)
    one, two = (np.bincount(athlete[group == place], minlength=len(m)) for place in (0, 1))
    if not (one * two).any():
        return np.zeros(len(y))
    means = np.stack([g.mean for g in groups], axis=1)
    sums = (y - means[:, group]) @ np.eye(len(m))[athlete]
    between = (sums**2 / m).sum(axis=1)
    within = (groups[0].total + groups[1].total - between) / (len(athlete) - len(m))
    between = between / (len(m) - 2)
    load = (m.sum() - (m**2).sum() / m.sum()) / (len(m) - 1)
    icc = np.clip(np.nan_to_num((between - within) / (between + (load - 1) * within)), 0, 1)
    design = [g.n / size for g, size in zip(groups, sizes, strict=True)]
    return np.minimum(1, icc * (one * two).sum() / np.sqrt(groups[0].n * groups[1].n * design[0] * design[1]))


def add(
    difference: np.ndarray, down: list[np.ndarray], up: list[np.ndarray], r: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    low = difference - np.sqrt(np.maximum(0, down[0] ** 2 + up[1] ** 2 - 2 * r * down[0] * up[1]))
    return low, difference + np.sqrt(np.maximum(0, up[0] ** 2 + down[1] ** 2 - 2 * r * up[0] * down[1]))


def intervals(
    y: np.ndarray, group: np.ndarray, athlete: np.ndarray
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    groups = [Sums(y[:, group == place], athlete[group == place]) for place in (0, 1)]
    one, two = groups
    difference, k = one.mean - two.mean, int(athlete.max()) + 1
    t = float(stats.t.isf(0.025, 2 * k))
    found = {}
    parts = [g.total / (g.n - 1) / g.n for g in groups]
    df = sum(parts) ** 2 / sum(p**2 / (g.n - 1) for p, g in zip(parts, groups, strict=True))
    half = stats.t.isf(0.025, np.where(np.isfinite(df), df, 1)) * np.sqrt(sum(parts))
    found["Welch, repeats ignored"] = (difference - half, difference + half)
    half = stats.t.isf(0.025, max(1, k - 2)) * np.sqrt(one.robust + two.robust)
    found["cluster-robust, t(athletes - 2)"] = (difference - half, difference + half)
    sizes = effective(groups)
    r = shared(y, group, athlete, groups, sizes)
    pooled = (one.total + two.total) / (one.n + two.n - 2)
    variances = [np.where(g.varies, g.total / (g.n - 1), pooled) for g in groups]
    wide = [t * np.sqrt(v / size) for v, size in zip(variances, sizes, strict=True)]
    found["t limits, own variance, upper icc"] = add(difference, wide, wide, r)
    moments = [(g.y**2).sum(axis=1) / g.y.sum(axis=1) for g in groups]
    cap = np.fmax(*moments)
    down, up = [], []
    for g, size in zip(groups, sizes, strict=True):
        rate = np.minimum(1, g.mean / cap)
        centre = (rate + t**2 / (2 * size)) / (1 + t**2 / size)
        half = t * np.sqrt(rate * (1 - rate) / size + t**2 / (4 * size**2)) / (1 + t**2 / size)
        down.append((rate - centre + half) * cap)
        up.append((centre + half - rate) * cap)
    found["Wilson limits on the larger moment ratio, upper icc"] = add(difference, down, up, r)
    origin = y.min(axis=1)
    phi = pooled / (y.mean(axis=1) - origin)
    steps = [t**2 * phi / size for size in sizes]
    halves = [np.sqrt(s * (g.mean - origin) + s**2 / 4) for s, g in zip(steps, groups, strict=True)]
    down = [np.minimum(h - s / 2, g.mean - origin) for s, h, g in zip(steps, halves, groups, strict=True)]
    up = [h + s / 2 for s, h in zip(steps, halves, strict=True)]
    found["score limits, variance proportional to the mean, upper icc"] = add(difference, down, up, r)
    return found


def superiority(grade: np.ndarray, group: np.ndarray, athlete: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the limits of P(first lands better) + P(tie)/2 - 1/2; `grade` counts from the best."""
    beaten = np.zeros(grade.shape)
    for place in (0, 1):
        other = grade[:, group != place]
        worse = np.stack([(other > g).mean(axis=1) + (other == g).mean(axis=1) / 2 for g in range(5)], axis=1)
        mine = np.take_along_axis(worse, grade[:, group == place], axis=1)
        beaten[:, group == place] = mine if place == 0 else 1 - mine
    groups = [Sums(beaten[:, group == place], athlete[group == place]) for place in (0, 1)]
    sizes, chance = effective(groups), groups[0].mean
    larger = (sizes[0] + sizes[1]) / 2 - 1

    def variance(c: np.ndarray) -> np.ndarray:
        return c * (1 - c) * (1 + larger * ((1 - c) / (2 - c) + c / (1 + c))) / (sizes[0] * sizes[1])

    seen = sum(g.total / (g.n - 1) / size for g, size in zip(groups, sizes, strict=True))
    ties = np.stack([(grade == g).sum(axis=1) for g in range(5)]).astype(float)
    tied = (ties**3 - ties).sum(axis=0) / (grade.shape[1] ** 3 - grade.shape[1])
    smaller = np.minimum(*sizes)
    least = 1 - tied * smaller / (smaller + 16)
    factor = np.fmax(least, np.where(variance(chance) > 1e-15, seen / variance(chance), 0))
    t = float(stats.t.isf(0.025, 2 * (int(athlete.max()) + 1)))
    limits = []
    for edge in (0.0, 1.0):
        far, near = np.full(len(chance), edge), chance.copy()
        for _ in range(50):
            middle = (far + near) / 2
            outside = (chance - middle) ** 2 > t**2 * factor * variance(middle)
            far, near = np.where(outside, middle, far), np.where(outside, near, middle)
        limits.append(near)
    return limits[0] - 0.5, limits[1] - 0.5


def main(meets: int) -> None:
    rng = np.random.default_rng(SEED)
    rows = []
    for set_name, design, group, athlete in designs():
        for falls, losses in LOSSES.items():
            for clean in CLEAN:
                for sds in ((0, 0), (1, 1), (2, 2), (0, 2)):
                    if (set_name.startswith("athletes") and sds[0] != sds[1]) or (
                        "1 each" in design and sds != (1, 1)
                    ):
                        continue
                    eta = np.array([eta_for(p, sd) for p, sd in zip(clean, sds, strict=True)])
                    chances = [categories(e, sd) for e, sd in zip(eta, sds, strict=True)]
                    effect = rng.normal(size=(meets, athlete.max() + 1))[:, athlete] * np.array(sds)[group]
                    latent = eta[group] + effect + rng.logistic(size=(meets, len(group)))
                    grade = (latent[:, :, None] > CUTS).sum(axis=2)
                    y = losses[grade]
                    apart = [np.ptp(y[:, group == place], axis=1) > 0 for place in (0, 1)]
                    usable = apart[0] | apart[1]  # otherwise the package gives no interval
                    with np.errstate(all="ignore"):
                        found = intervals(y, group, athlete)
                        chance = superiority(grade, group, athlete)
                    truth = float((chances[0] - chances[1]) @ losses)
                    better = float(chances[0] @ (1 - np.cumsum(chances[1]) + chances[1] / 2)) - 0.5
                    compare(y, grade, group, athlete, found, chance, usable)
                    key = (set_name, falls)
                    for name, (low, high) in found.items():
                        rows.append((*key, name, *judge(low, high, truth, usable), usable.mean()))
                    if falls == "falls":
                        everything = np.ones(meets, dtype=bool)
                        rows.append(
                            (set_name, "grades", "superiority", *judge(*chance, better, everything), 1.0)
                        )
        print(design, flush=True)
    write(rows, meets)


def judge(low: np.ndarray, high: np.ndarray, truth: float, usable: np.ndarray) -> tuple[float, float]:
    low, high = low[usable], high[usable]
    return float(((low <= truth + 1e-9) & (truth <= high + 1e-9)).mean()), float((high - low).mean())


def compare(y, grade, group, athlete, found, chance, usable) -> None:
    """Check three meets against the package."""
    mine = found["score limits, variance proportional to the mean, upper icc"]
    for meet in np.flatnonzero(usable)[:3]:
        theirs = clustered_difference(np.round(y[meet], 3), group == 0, athlete, kind="points")
        np.testing.assert_allclose((theirs.low, theirs.high), (mine[0][meet], mine[1][meet]), atol=1e-8)
        theirs = clustered_superiority(-grade[meet], group == 0, athlete)
        np.testing.assert_allclose((theirs.low, theirs.high), (chance[0][meet], chance[1][meet]), atol=1e-8)


def write(rows: list[tuple], meets: int) -> None:
    path = Path(__file__).with_name("clustered_points.csv")
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        for key in dict.fromkeys(row[:3] for row in rows):
            chosen = [row for row in rows if row[:3] == key]
            naive = [row for row in rows if row[:3] == (*key[:2], "Welch, repeats ignored")]
            cover, width = np.array([row[3] for row in chosen]), np.array([row[4] for row in chosen])
            ratio = f"{np.mean(width / np.array([row[4] for row in naive])):.2f}" if naive else ""
            table.writerow(
                [
                    *key,
                    len(chosen),
                    meets,
                    f"{cover.min():.3f}",
                    f"{cover.mean():.3f}",
                    int((cover < 0.94).sum()),
                    int((cover < 0.90).sum()),
                    f"{width.mean():.3f}",
                    ratio,
                    f"{min(row[5] for row in chosen):.3f}",
                ]
            )
    print(path.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000)

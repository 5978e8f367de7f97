"""Coverage of intervals for the weighted mean difference within athletes: which limits `within_athletes` prints.

    python tests/reference/clustered_models/simulate_within.py      (about a minute; writes within_coverage.csv)

Each cell: 3 to 40 athletes who show both techniques, their own level and their own difference normal on the logit;
points are a landing without loss, a small step (.1), a large one (.3) or a fall (1.0). A line of the table holds the
worst and the mean coverage, and the mean width, over nine pairs of rates. `whole_t2k` is what `within_athletes` prints.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from scipy import stats

MEETS = 1000
LAYOUTS = {"1+1": (1, 1), "2+2": (2, 2), "1+3": (1, 3), "mixed": (0, 0)}
RATES = ((0, 0), (2, 0), (4, 0), (0, 1), (1, 1.5), (3, 1), (4, -2), (3, -2), (-0.5, 2.5))
LOSSES = {
    "stuck": ((1.0, 1.0),),
    "points": ((0.1, 0.7), (0.3, 0.3)),
    "falls": ((0.1, 0.6), (0.3, 0.3), (1.0, 0.1)),
}


def weighted(value, first, weight):
    """Each athlete's weight and difference; the arrays are meets x athletes x routines."""
    n1, n2 = (first * weight).sum(axis=2), ((1 - first) * weight).sum(axis=2)
    difference = (value * first * weight).sum(axis=2) / n1 - (value * (1 - first) * weight).sum(axis=2) / n2
    return n1 * n2 / (n1 + n2), difference


def pseudo(w, d, edge, share, quantile):
    """Limits with two more athletes of mean weight whose differences are +edge and -edge, each counted `share`."""
    mean = w.mean(axis=1)
    total = w.sum(axis=1) + 2 * share * mean
    centre = (w * d).sum(axis=1) / total
    squares = (w**2 * (d - centre[:, None]) ** 2).sum(axis=1)
    squares += share * mean**2 * ((edge - centre) ** 2 + (edge + centre) ** 2)
    effective = total**2 / ((w**2).sum(axis=1) + 2 * share * mean**2)
    half = quantile * np.sqrt(squares * effective / (effective - 1)) / total
    estimate = (w * d).sum(axis=1) / w.sum(axis=1)
    return np.minimum(estimate, centre - half), np.maximum(estimate, centre + half)


def main() -> None:
    """Simulate every cell and write the table."""
    rng = np.random.default_rng(20261203)
    lines = []
    for athletes in (3, 5, 8, 12, 20, 40):
        for name, (n1, n2) in LAYOUTS.items():
            for kind, losses in LOSSES.items():
                for sd, own in ((0, 0), (1, 0.7), (2, 0)):
                    found = {}
                    for base, shift in RATES:
                        shape = (MEETS, athletes, (n1 + n2) or 6)
                        weight = np.ones(shape)
                        first = np.broadcast_to(np.arange(shape[2]) < n1, shape).astype(float)
                        if name == "mixed":
                            weight *= np.arange(6) < np.resize([2, 3, 6], athletes)[:, None]
                            first = (rng.random(shape) < 0.4).astype(float)
                            first[:, :, 0], first[:, :, 1] = 1, 0
                        effect = rng.normal(size=(MEETS, athletes, 1)) * sd + base
                        more = rng.normal(size=(MEETS, athletes, 1)) * own + shift
                        hit = rng.random(shape) < 1 / (1 + np.exp(-(effect + more * first)))
                        sizes, chances = zip(*losses, strict=True)
                        value = hit * rng.choice(sizes, size=shape, p=chances)
                        level, difference = (
                            rng.normal(size=400_000) * sd + base,
                            rng.normal(size=400_000) * own + shift,
                        )
                        rates = 1 / (1 + np.exp(-(level + difference))) - 1 / (1 + np.exp(-level))
                        truth = float(rates.mean()) * float(np.dot(sizes, chances))
                        w, d = weighted(value, first, weight)
                        seen = np.where(weight == 1, value, np.nan)
                        edge = np.nanmax(seen, axis=(1, 2)) - np.nanmin(seen, axis=(1, 2))
                        edge = np.ones(MEETS) if kind == "stuck" else edge
                        varied = edge > 0
                        w, d, edge = w[varied], d[varied], edge[varied]
                        k = athletes
                        z, t, t2 = stats.norm.isf(0.025), stats.t.isf(0.025, k - 1), stats.t.isf(0.025, 2 * k)
                        tried = {
                            "t": pseudo(w, d, edge, 0.0, t),
                            "half_t": pseudo(w, d, edge, 0.5, stats.t.isf(0.025, k + 1)),
                            "whole_z": pseudo(w, d, edge, 1.0, z),
                            "whole_t2k": pseudo(w, d, edge, 1.0, t2),
                        }
                        for method, (low, high) in tried.items():
                            inside = (low <= truth + 1e-9) & (truth - 1e-9 <= high)
                            found.setdefault(method, []).append((inside.mean(), (high - low).mean()))
                    line = {"athletes": athletes, "routines": name, "kind": kind, "sd": sd, "own": own}
                    for method, cells in found.items():
                        coverage, width = np.array(cells).T
                        line |= {f"{method}_worst": round(float(coverage.min()), 4)}
                        line |= {f"{method}_mean": round(float(coverage.mean()), 4)}
                        line |= {f"{method}_width": round(float(width.mean()), 4)}
                    lines.append(line)
    with (Path(__file__).parent / "within_coverage.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, lines[0].keys())
        writer.writeheader()
        writer.writerows(lines)


if __name__ == "__main__":
    main()

"""How often `overlap` refuses, by how strongly one column moves the choice; writes refusals.csv beside it."""

from __future__ import annotations

import csv
import platform
from itertools import product
from pathlib import Path

import numpy as np
import scipy

from analysis.stats.overlap import overlap

MEETS = 200
SIZES = ((9, 22), (20, 20), (15, 60), (60, 60))
HERE = Path(__file__).parent


def meet(rng: np.random.Generator, n1: int, n2: int, columns: int, slope: float):
    """First n1 of n1 + n2 routines by `slope` times the first column plus logistic noise; columns 2 and 3 are 0/1."""
    n = n1 + n2
    X = rng.normal(size=(n, columns))
    if columns > 2:
        X[:, 1], X[:, 2] = rng.random(n) < 0.4, rng.random(n) < 0.15
    order = np.argsort(-(slope * X[:, 0] + rng.logistic(size=n)))
    return np.isin(np.arange(n), order[:n1]), X


def main() -> None:
    """Write refusals.csv and versions.txt."""
    rng = np.random.default_rng(20261125)
    with (HERE / "refusals.csv").open("w", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["n1", "n2", "columns", "slope", "meets", "refused"])
        for (n1, n2), columns, slope in product(SIZES, (1, 3, 5), (0, 1, 2, 4)):
            refused = sum(not overlap(*meet(rng, n1, n2, columns, slope)).enough for _ in range(MEETS))
            table.writerow([n1, n2, columns, slope, MEETS, refused])
    versions = f"python {platform.python_version()}\nnumpy {np.__version__}\nscipy {scipy.__version__}\n"
    (HERE / "versions.txt").write_text(versions)


if __name__ == "__main__":
    main()

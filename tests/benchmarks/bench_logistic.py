"""Time and agreement of the logistic routines, ours beside firthmodels, in one run.

Not part of the normal run. From the project's folder, firthmodels installed by hand:

    python -m pytest -o addopts="" -o python_files="bench_*.py" -s tests/benchmarks/bench_logistic.py

Penalised fits: seconds for fit, profile intervals and likelihood-ratio p-values, ours and theirs, and the largest
relative difference of the coefficients and of the limits. Separation and exact inference: our seconds. No time is
asserted.
"""

from __future__ import annotations

import time
import warnings

import numpy as np
import pandas as pd
import pytest
from logistic_sets import NINE, REFERENCE, endometrial

from analysis.stats.design_matrix import read_design
from analysis.stats.exact_counts import conditional_distribution
from analysis.stats.logistic import exact_logistic, firth, separation


def drawn(n, columns, fine, separated=False, seed=1):
    """Outcomes and `columns` columns, the last `fine` of them in tenths, the others 0/1."""
    rng = np.random.default_rng(seed)
    X = rng.integers(0, 2, (n, columns)).astype(float)
    X[:, columns - fine :] = (5.4 + 0.3 * rng.normal(size=(n, fine))).round(1)
    y = (rng.random(n) < 1 / (1 + np.exp(-(X - X.mean(axis=0)) @ rng.normal(0, 0.6, columns)))).astype(int)
    if separated:
        X[:, 0] = rng.random(n) < 0.1
        y[X[:, 0] == 1] = 1
    return y, X


def generated(number):
    rows = pd.read_csv(REFERENCE / "generated.csv").query("set == @number")
    return rows["stuck"].to_numpy(), rows[["first", "round", "difficulty", "quality"]].to_numpy(float)


SETS = {
    "9 of 9 v 14 of 22": (np.array(NINE[0]), np.array(NINE[1], dtype=float)[:, None]),
    "endometrial": (endometrial()[0].to_numpy(), endometrial()[1].to_numpy(float)),
    **{f"generated {number}": generated(number) for number in range(1, 13)},
    "300 x 6": drawn(300, 6, 2),
    "300 x 6 separated": drawn(300, 6, 2, separated=True),
    "6,000 x 8": drawn(6_000, 8, 3),
    "6,000 x 8 separated": drawn(6_000, 8, 3, separated=True),
}


def seconds(task):
    start = time.perf_counter()
    found = task()
    return found, time.perf_counter() - start


@pytest.mark.parametrize("name", SETS)
def test_penalised_beside_firthmodels(name):
    peer = pytest.importorskip("firthmodels")
    y, X = SETS[name]
    ours, our_time = seconds(lambda: firth(y, X))

    def theirs():
        model = peer.FirthLogisticRegression(max_iter=1_000, gtol=1e-9, xtol=1e-9).fit(X, y)
        return model, model.conf_int(method="pl", max_iter=1_000, tol=1e-9), model.lrt()

    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        (model, limits, _), their_time = seconds(theirs)
    slopes = np.array(ours.coefficients[1:])
    apart = np.abs(slopes / np.ravel(model.coef_) - 1).max()
    limits_apart = np.abs(np.array(ours.intervals[1:]) / limits[:-1] - 1)
    print(
        f"\n{name:22} ours {our_time:.3f} s, theirs {their_time:.3f} s; coefficients differ by {apart:.0e}, "
        f"limits by {np.nanmax(limits_apart):.0e}; their warnings {len(said)}, missing {int(np.isnan(limits).sum())}"
    )


@pytest.mark.parametrize("shape", [(300, 8, 0), (300, 8, 3), (6_000, 8, 0), (6_000, 8, 3)])
def test_separation_time(shape):
    for separated in (False, True):
        y, X = drawn(*shape, separated=separated)
        found, taken = seconds(lambda y=y, X=X: separation(y, X))
        print(f"\n{shape} separated {found.separated}: {taken:.3f} s")


@pytest.mark.parametrize(
    "shape",
    [(60, 3, 1), (150, 3, 1), (300, 2, 1), (300, 3, 1), (300, 3, 0), (300, 4, 0), (300, 4, 1), (300, 5, 0)],
)
def test_exact_time(shape):
    y, X = drawn(*shape)
    counted, counting = seconds(lambda: conditional_distribution(read_design(y, X), 1))
    fit, taken = seconds(lambda: exact_logistic(y, X, columns=[0]))
    print(
        f"\n{shape} counting {counting:.2f} s ({counted.why or 'counted'}), in all {taken:.2f} s: {fit.reasons[1]}"
    )

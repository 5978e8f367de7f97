"""Does one odds ratio serve every cut between grades? The test of proportional odds."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from scipy.special import expit

from analysis.stats.design_matrix import Floats
from analysis.stats.ordinal_fit import Cumulative, gap_terms, maximum, read_graded
from analysis.stats.result import Test

_CELLS = 2e7  # simulated routines times grades, over all draws
_AT_ONCE = 2e6
_NOTHING = 1e-8
ASSUMES = "independent routines; under the hypothesis one odds ratio for every cut between grades"


def proportionality(
    grade: Iterable[Any], X: Any, names: Sequence[str] | None = None, draws: int = 1_999, seed: int = 0
) -> Test:
    """Test whether the first column (the technique) shifts the odds of every cut between grades alike.

    Assumes independent routines, one per athlete, and proportional odds in the other columns.

    Parameters
    ----------
    grade : sequence of n whole numbers
    X : n x p numbers, a table or one column; without the constant. The first column is the one that is checked.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.
    draws : int
        Samples drawn from the fitted model; fewer where n is in the thousands.
    seed : int
        Seed of those samples.

    Returns
    -------
    Test
        `statistic` is the score statistic against a slope of its own for every cut (Neyman's C(alpha): the part of the
        score that the model's own parameters can't explain). Its p-value doesn't come from chi-square, which needs
        every grade to be frequent in both techniques, but from samples drawn from the fitted model, as
        (b + 1) / (B + 1). NaN, with `why`, where two grades or an uninformative first column leave nothing to check.

    Raises
    ------
    ValueError
        As in `proportional_odds`; or if draws isn't a whole number of at least 99.

    Examples
    --------
    Nine of nine are stuck, 14 of 22 otherwise; three routines of the first technique fall at another meet:

    >>> grades = [3] * 9 + [0] * 3 + [3] * 14 + [2] * 4 + [1] * 3 + [0]
    >>> print(proportionality(grades, [1] * 12 + [0] * 22))
    p = 0.0370 (two-sided), score test ...

    Notes
    -----
    Share of p <= .05 where the assumption holds, from 5 v 8 to 40 v 60 routines (1,000 samples in each of six cells,
    tests/reference/ordinal/coverage.csv): .025 to .052.

    A large p doesn't show that the assumption holds, least of all with few routines: read `cuts` beside it.

    References
    ----------
    Brant 1990, Biometrics 46:1171-1178. Peterson & Harrell 1990, Applied Statistics 39:205-217 (score test). Neyman
    1959, in Grenander (ed.), Probability and Statistics, 213-234.
    """
    codes, _, design = read_graded(grade, X, names)
    if isinstance(draws, bool) or int(draws) != draws or draws < 99:
        raise ValueError(f"draws is {draws!r}; a whole number of at least 99 is needed")
    method = "score test of one odds ratio for every cut"
    if codes.max() < 2:
        return _nothing(method, len(codes), "with fewer than three grades there is nothing to check")
    if design.X.shape[1] == 0:
        return _nothing(method, len(codes), "there is no column to check")
    model, peak, separated = maximum(codes, design)
    if not peak.found:
        return _nothing(method, len(codes), "the search for the maximum did not settle")
    weights, inverse, rank = _efficient(model, peak.beta, design.X[:, 0])
    if not rank:
        return _nothing(method, len(codes), "the first column says nothing that the others don't")
    observed = _statistic(np.einsum("gc,gcd->d", model.counts, weights)[None], inverse)[0]
    drawn = _drawn(model, peak.beta, weights, inverse, int(draws), seed)
    # A tie is a sample with the same counts: only rounding tells it from the observed one.
    hits = int((drawn >= observed * (1 - _NOTHING)).sum())
    p_value = (hits + 1) / (len(drawn) + 1)
    return Test(
        p_value=p_value,
        alternative="two-sided",
        method=f"{method}, {rank} degree{'s' * (rank != 1)} of freedom, simulated from the fitted model",
        n=len(codes),
        statistic=float(observed),
        draws=len(drawn),
        error=math.sqrt(p_value * (1 - p_value) / len(drawn)),
        assumes=ASSUMES,
        why="" if separated is None else "separation: the model is fitted by penalised maximum likelihood",
    )


def _nothing(method: str, n: int, why: str) -> Test:
    return Test(p_value=math.nan, alternative="two-sided", method=method, n=n, assumes=ASSUMES, why=why)


def _efficient(model: Cumulative, beta: Floats, column: Floats) -> tuple[Floats, Floats, int]:
    """What one routine of each row and grade adds to the efficient score, the inverse of its variance, its rank.

    A slope of its own for each cut but the first is the alternative. Its score less its regression on the scores of
    the model's parameters has mean 0 and the variance computed here, at whatever value of the parameters.
    """
    cuts = model.cuts
    standard = (column - column.mean()) / (column.std() or 1.0)
    first = np.zeros(len(model.Z))
    first[model.member] = standard
    theta, slopes = beta[:cuts], beta[cuts:]
    eta = theta - (model.Z @ slopes)[:, None]
    pull, _ = gap_terms(np.diff(theta))
    chances = model.chances(beta)
    below = expit(eta)
    # d log P(grade c) / d eta of the cut above it, and of the cut below it.
    above = expit(-eta) + np.concatenate([[0.0], pull])
    under = -below - np.concatenate([pull, [0.0]])
    directions = np.zeros((len(model.Z), cuts, len(beta) + cuts - 1))
    directions[:, range(cuts), range(cuts)] = 1.0
    directions[:, :, cuts : len(beta)] = -model.Z[:, None, :]
    for k in range(1, cuts):
        directions[:, k, len(beta) + k - 1] = -first
    scores = np.zeros((len(model.Z), cuts + 1, directions.shape[2]))
    scores[:, :-1] += above[:, :, None] * directions
    scores[:, 1:] += under[:, :, None] * directions
    weighted = scores * (model.m[:, None] * chances)[:, :, None]
    information = np.einsum("gci,gcj->ij", weighted, scores)
    own, extra = slice(0, len(beta)), slice(len(beta), None)
    regression = np.linalg.solve(information[own, own], information[own, extra])
    efficient = information[extra, extra] - information[extra, own] @ regression
    values, vectors = np.linalg.eigh((efficient + efficient.T) / 2)
    kept = values > _NOTHING * max(float(np.diag(information[extra, extra]).max()), _NOTHING)
    inverse = (vectors[:, kept] / values[kept]) @ vectors[:, kept].T
    return scores[:, :, extra] - scores[:, :, own] @ regression, inverse, int(kept.sum())


def _statistic(scores: Floats, inverse: Floats) -> Floats:
    return np.einsum("bi,ij,bj->b", scores, inverse, scores)


def _drawn(
    model: Cumulative, beta: Floats, weights: Floats, inverse: Floats, draws: int, seed: int
) -> Floats:
    """The statistic of samples drawn from the model at `beta`."""
    rng = np.random.default_rng(seed)
    chances = model.chances(beta)
    chances /= chances.sum(axis=1, keepdims=True)
    m = model.m.astype(np.int64)
    draws = max(99, min(draws, int(_CELLS / chances.size)))
    together = max(1, int(_AT_ONCE / chances.size))
    found = []
    for start in range(0, draws, together):
        size = (min(together, draws - start), len(m))
        counts = rng.multinomial(m, chances, size=size)
        found.append(_statistic(np.tensordot(counts, weights, axes=([1, 2], [0, 1])), inverse))
    return np.concatenate(found)

"""Coverage of intervals from estimating equations with few athletes: which limits `gee` should print.

    python tests/reference/clustered_models/simulate_gee.py      (about three minutes; writes gee_coverage.csv)

Outcomes by a threshold on a normal scale with an athlete part, so that the rates averaged over athletes are exactly
those of the logistic model. The equations are solved for all meets of a cell at once; `test_gee.py` checks that this
solver and `gee` agree.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from scipy import stats

MEETS = 2000
CELLS = [
    (k1, k2, m, rates, icc, choice)
    for k1, k2 in ((3, 8), (3, 30), (4, 16), (5, 5), (5, 10), (10, 10), (6, 24), (20, 40))
    for m in ((3,), (1, 2, 5))
    for rates in ((0.7, 0.7), (0.85, 0.6))
    for icc in (0.0, 0.3, 0.6)
    for choice in ("fixed", "afresh")
]


def solve(X, y, weight):
    """Solve for all meets at once: X (meets, athletes, routines, p), y and weight (1 where there is a routine)."""
    beta = np.zeros((len(X), X.shape[-1]))
    alpha = np.zeros(len(X))
    sizes = weight.sum(axis=2)
    for step in range(60):
        rate = 1 / (1 + np.exp(-np.clip(np.einsum("sijp,sp->sij", X, beta), -30, 30)))
        root = np.sqrt(rate * (1 - rate))
        residual = (y - rate) / root * weight
        scale = (residual**2).sum(axis=(1, 2)) / sizes.sum(axis=1)
        pairs = (sizes * (sizes - 1) / 2).sum(axis=1)
        together = ((residual.sum(axis=2) ** 2 - (residual**2).sum(axis=2)) / 2).sum(axis=1)
        if step:
            alpha = np.clip(together / scale / pairs, -0.99 / (sizes.max() - 1), 0.99)
        scaled = X * (root * weight)[..., None]
        shared = alpha[:, None] / (1 + alpha[:, None] * (sizes - 1))
        total = scaled.sum(axis=2)
        information = np.einsum("sijp,sijq->sipq", scaled, scaled) - shared[..., None, None] * (
            total[..., :, None] * total[..., None, :]
        )
        score = (
            np.einsum("sijp,sij->sip", scaled, residual) - (shared * residual.sum(axis=2))[..., None] * total
        )
        information, score = (
            part / (1 - alpha).reshape(-1, *[1] * (part.ndim - 1)) for part in (information, score)
        )
        change = np.linalg.solve(information.sum(axis=1), score.sum(axis=1)[..., None])[..., 0]
        if np.abs(change).max() < 1e-9 and step > 3:
            break
        beta = beta + np.clip(change, -3, 3)
    good = (np.abs(change).max(axis=1) < 1e-6) & (alpha > -0.98 / (sizes.max() - 1)) & (alpha < 0.98)
    return beta, information, score, good


def limits(information, score, k):
    """Errors of coefficient k: plain robust and bias-reduced, and Satterthwaite's degrees of freedom for the latter."""
    total = information.sum(axis=1)
    inverse = np.linalg.inv(total)
    plain = np.einsum("sp,sip->si", inverse[:, k], score)
    weights = np.linalg.inv(total[:, None] - information)[:, :, k]
    changes = np.einsum("sip,sip->si", weights, score)
    shared = np.einsum("sip,sipq->siq", weights, information)
    own = np.einsum("siq,siq->si", shared, weights)
    common = np.einsum("sip,spq,siq->si", shared, inverse, shared)
    crossed = np.einsum("sip,spr->sir", shared, np.linalg.cholesky(inverse))
    squares = (np.einsum("sir,sit->srt", crossed, crossed) ** 2).sum(axis=(1, 2))
    freedom = (own - common).sum(axis=1) ** 2 / ((own**2 - 2 * own * common).sum(axis=1) + squares)
    return np.sqrt((plain**2).sum(axis=1)), np.sqrt((changes**2).sum(axis=1)), freedom


def main() -> None:
    """Simulate every cell and write the table."""
    rng = np.random.default_rng(20261202)
    lines = []
    for k1, k2, m, rates, icc, choice in CELLS:
        athletes = k1 + k2
        sizes = np.resize(m, athletes)
        longest = int(sizes.max())
        weight = np.broadcast_to(np.arange(longest) < sizes[:, None], (MEETS, athletes, longest)).astype(
            float
        )
        if choice == "fixed":
            first = np.broadcast_to((np.arange(athletes) < k1)[None, :, None], weight.shape).astype(float)
        else:
            first = (rng.random(weight.shape) < k1 / athletes).astype(float)
        level = rng.normal(size=(MEETS, athletes, 1)) * np.sqrt(icc) + rng.normal(
            size=weight.shape
        ) * np.sqrt(1 - icc)
        rate = np.where(first == 1, *rates)
        y = (level < stats.norm.ppf(rate)) * 1.0
        x1, n1 = (y * first * weight).sum(axis=(1, 2)), (first * weight).sum(axis=(1, 2))
        x2, n2 = (y * (1 - first) * weight).sum(axis=(1, 2)), ((1 - first) * weight).sum(axis=(1, 2))
        estimable = (x1 > 0) & (x1 < n1) & (x2 > 0) & (x2 < n2)
        # at least two athletes in each technique
        estimable &= ((first * weight).max(axis=2).sum(axis=1) > 1) & (
            ((1 - first) * weight).max(axis=2).sum(axis=1) > 1
        )
        X = np.stack([np.ones_like(first), first], axis=-1)[estimable]
        beta, information, score, good = solve(X, y[estimable], weight[estimable])
        robust, reduced, freedom = limits(information[good], score[good], 1)
        truth = np.diff(np.log(np.array(rates[::-1]) / (1 - np.array(rates[::-1]))))[0]
        off = np.abs(beta[good, 1] - truth)
        p = 2
        covered = {
            "robust_z": off <= stats.norm.isf(0.025) * robust,
            "reduced_z": off <= stats.norm.isf(0.025) * reduced,
            "reduced_t": off <= stats.t.isf(0.025, athletes - p) * reduced,
            "reduced_satterthwaite": off <= stats.t.isf(0.025, freedom) * reduced,
            "robust_t": off <= stats.t.isf(0.025, athletes - p) * robust,
        }
        line = {
            "first_athletes": k1,
            "second_athletes": k2,
            "routines": "-".join(map(str, m)),
            "rates": "-".join(map(str, rates)),
            "icc": icc,
            "choice": choice,
            "fitted": round(good.sum() / MEETS, 4),
            "freedom": round(float(np.median(freedom)), 1),
        }
        line |= {name: round(float(inside.mean()), 4) for name, inside in covered.items()}
        lines.append(line)
    with (Path(__file__).parent / "gee_coverage.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, lines[0].keys())
        writer.writeheader()
        writer.writerows(lines)


if __name__ == "__main__":
    main()

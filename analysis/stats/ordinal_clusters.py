"""Standard errors of proportional odds when athletes come back: leave each athlete out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from analysis.stats.design_matrix import Floats, Ints
from analysis.stats.ordinal_fit import Cumulative, gap_terms
from analysis.stats.penalised import Peak

_ALONE = 1e-9  # share of the information that is left without an athlete below which nothing is left
_TOUCHED = 1e-6


@dataclass(frozen=True, eq=False)
class Robust:
    """Variances of the parameters (in the fitter's scale) that count athletes, and what rests on one athlete alone.

    `df` are the degrees of freedom of t: athletes less the constant and the slopes, at least 1.
    """

    variances: Floats
    alone: Floats
    athletes: int
    df: int


def leave_out_athletes(model: Cumulative, peak: Peak, athlete: Ints) -> Robust:
    """Variances from the shift of the estimate when each athlete is left out, to first order.

    Leaving out athlete c moves the maximum by (I - I_c)^-1 u_c, with u_c the athlete's part of the score and I_c
    that of the information; the variance is the sum of their squares. That is the correction of Mancl and DeRouen:
    a plain sandwich takes residuals that the fit has already shrunk for errors.
    """
    pieces, scores = _rows(model, peak.beta)
    athletes = int(athlete.max()) + 1
    size = scores.shape[1]
    totals = np.zeros((athletes, size))
    np.add.at(totals, athlete, scores)
    totals -= totals.mean(axis=0)  # the penalty's part of the score, shared out; nothing without a penalty
    owner = np.tile(athlete, len(pieces) // len(athlete))
    order = np.argsort(owner, kind="stable")
    ends = np.cumsum(np.bincount(owner, minlength=athletes))
    ordered = pieces[order]
    information = pieces.T @ pieces
    unit = 1 / np.sqrt(np.diag(information))
    variances, alone = np.zeros(size), np.zeros(size, dtype=bool)
    for c in range(athletes):
        own = ordered[ends[c - 1] if c else 0 : ends[c]]
        left = (information - own.T @ own) * unit[:, None] * unit
        values, vectors = np.linalg.eigh(left)
        gone = values < _ALONE
        moved = unit * (vectors[:, ~gone] @ ((vectors[:, ~gone].T @ (unit * totals[c])) / values[~gone]))
        variances += moved**2
        if gone.any():
            alone |= np.abs(vectors[:, gone]).max(axis=1) > _TOUCHED
    slopes = size - model.cuts
    return Robust(variances, alone, athletes, max(1, athletes - slopes - 1))


def _rows(model: Cumulative, beta: Floats) -> tuple[Floats, Floats]:
    """Rows whose squares add up to the information, n for each of three parts, and each routine's score."""
    cuts, n = model.cuts, len(model.codes)
    theta, slopes = beta[:cuts], beta[cuts:]
    eta = theta - (model.rows @ slopes)[:, None]
    gap = np.diff(theta)
    everyone = np.arange(n)
    scores = np.zeros((n, len(beta)))
    parts = []
    for cut, met, sign in (
        (model.codes, model.codes < cuts, 1.0),
        (model.codes - 1, model.codes > 0, -1.0),
    ):
        who, where = everyone[met], cut[met]
        direction = np.zeros((n, len(beta)))
        direction[who, where] = 1.0
        direction[who, cuts:] = -model.rows[who]
        at = eta[who, where]
        residual, weight = np.zeros(n), np.zeros(n)
        residual[who] = sign * expit(-sign * at)
        weight[who] = np.sqrt(expit(at) * expit(-at))
        scores += residual[:, None] * direction
        parts.append(weight[:, None] * direction)
    between = everyone[(model.codes > 0) & (model.codes < cuts)]
    place = model.codes[between]
    direction = np.zeros((n, len(beta)))
    direction[between, place] = 1.0
    direction[between, place - 1] = -1.0
    pull, bend = np.zeros(n), np.zeros(n)
    pull[between], squared = gap_terms(gap[place - 1])
    bend[between] = np.sqrt(squared)
    scores += pull[:, None] * direction
    parts.append(bend[:, None] * direction)
    return np.concatenate(parts), scores


def inflation(robust: Robust, peak: Peak, penalised: bool) -> Floats:
    """How many times the model's variance each parameter's variance is.

    Where the likelihood itself is infinite, the routines of one grade have residuals near 0 and the sandwich claims
    a precision that isn't there; the model's own variance is then the least that is taken.
    """
    ratio = robust.variances / np.diag(peak.covariance)
    ratio = np.maximum(ratio, 1.0) if penalised else ratio
    return np.where(robust.alone, math.nan, ratio)

"""Nodes for integrals over one rate while the other rate is a given difference away."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from analysis.stats.design_matrix import Floats

_FAR = 45.0  # e^-45 is nothing beside 1


@dataclass(frozen=True, eq=False)
class Nodes:
    """Rates `p2` and `p1` = p2 + d with what is missing from 1 (`rest2`, `rest1`), and the weights for dp2."""

    p2: Floats
    rest2: Floats
    p1: Floats
    rest1: Floats
    weights: Floats


def logit_nodes(d: float, smallest: float, smallest_rest: float, step: float) -> Nodes:
    """Trapezoidal nodes on the logit of the interval of p2 in which p2 and p2 + d both are rates.

    Beta-like integrands have their singularities at rates 0 and 1, which in this variable lie at distance pi from the
    real line, whatever d is; so the rule converges exponentially (Trefethen & Weideman 2014, SIAM Review 56:385-458).

    Parameters
    ----------
    d : float
        Difference p1 - p2, strictly between -1 and 1.
    smallest, smallest_rest : float
        Bounds of p2 and of 1 - p2 below which nothing is left to integrate.
    step : float
        Distance of nodes on the logit scale.
    """
    width = 1 - abs(d)
    below, above = max(0.0, -d), max(0.0, d)  # what p2 can't be at either end

    def end(least: float, cut: float) -> float:
        part = (least - cut) / width
        if part <= 0:
            return -_FAR
        return math.log(part) - math.log1p(-part) if part < 1 else math.inf

    start, stop = end(smallest, below), -end(smallest_rest, above)
    if not start < stop:
        empty = np.empty(0)
        return Nodes(empty, empty, empty, empty, empty)
    t = np.linspace(start, stop, max(3, math.ceil((stop - start) / step) + 1))
    part, other = expit(t), expit(-t)
    return Nodes(
        p2=below + width * part,
        rest2=above + width * other,
        p1=max(0.0, d) + width * part,
        rest1=max(0.0, -d) + width * other,
        weights=width * part * other * (t[1] - t[0]),
    )

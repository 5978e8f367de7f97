"""How many independent routines a group is worth when its athletes come back: effective n, group by group.

The intraclass correlation (icc) is not taken at its estimate but at an upper limit: the larger of the 90 % limit from
all groups that vary and the 95 % limit from the group itself. With few athletes an estimate near 0 says little, and an
interval built on it covers too seldom.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy import special

from analysis.stats.routines import Routines

POOLED_TAIL = 0.10
OWN_TAIL = 0.05


class Spread(NamedTuple):
    """One group's sums of squares. `load` is sum(m_i^2) / n: the routines that share a routine's athlete."""

    n: int
    athletes: int
    total: int  # summed outcome in whole units
    load: float
    between: float
    within: float

    @property
    def varies(self) -> bool:
        """Whether the routines of the group differ at all."""
        return self.between + self.within > 0


def spreads(routines: Routines, scale: float) -> list[Spread]:
    """Return the sums of squares of each group, between and within its athletes, outcomes divided by `scale`."""
    found = []
    for place in range(int(routines.group.max()) + 1):
        here = routines.group == place
        _, athlete, sizes = np.unique(routines.athlete[here], return_inverse=True, return_counts=True)
        values = routines.values[here]
        sums = np.zeros(len(sizes), dtype=np.int64)
        np.add.at(sums, athlete, values)
        n, total = len(values), int(values.sum())
        # In whole numbers up to the division, so that a group without spread has exactly none.
        apart = (sums * n - total * sizes) / (n * scale)
        inside = (values * sizes[athlete] - sums[athlete]) / (sizes[athlete] * scale)
        found.append(
            Spread(
                n,
                len(sizes),
                total,
                float((sizes.astype(float) ** 2).sum() / n),
                float((apart**2 / sizes).sum()),
                float((inside**2).sum()),
            )
        )
    return found


def upper_icc(groups: list[Spread], tail: float) -> float:
    """Return the upper limit of the icc pooled over `groups`, by the F distribution of one-way analysis of variance.

    1 where the data can't bound it: nothing varies, no athlete has two routines, or athletes never contradict
    themselves (no spread within).
    """
    df_between = sum(group.athletes - 1 for group in groups)
    df_within = sum(group.n - group.athletes for group in groups)
    within = sum(group.within for group in groups)
    if df_between <= 0 or df_within <= 0 or within <= 0:
        return 1.0
    load = (sum(group.n for group in groups) - sum(group.load for group in groups)) / df_between
    ratio = (sum(group.between for group in groups) / df_between) / (within / df_within)
    upper = ratio / float(special.fdtri(df_between, df_within, tail))
    if upper + load - 1 <= 0:
        return 1.0
    return min(1.0, max(0.0, (upper - 1) / (upper + load - 1)))


def effective_sizes(groups: list[Spread]) -> list[float]:
    """Return each group's effective n: n / (1 + (load - 1) icc), with the icc at its upper limit."""
    varying = [group for group in groups if group.varies]
    pooled = upper_icc(varying, POOLED_TAIL) if varying else 1.0
    found = []
    for group in groups:
        icc = max(pooled, upper_icc([group], OWN_TAIL)) if group.varies else pooled
        found.append(group.n / (1 + (group.load - 1) * icc))
    return found


def shared_correlation(routines: Routines, scale: float, groups: list[Spread], sizes: list[float]) -> float:
    """Return the correlation between the two groups' means that athletes with routines in both bring.

    With the icc at its estimate: an upper limit here would claim more help from shared athletes than there is.
    """
    athletes = int(routines.athlete.max()) + 1
    one, two = (
        np.bincount(routines.athlete[routines.group == place], minlength=athletes) for place in (0, 1)
    )
    overlap = float((one * two).sum())
    if overlap == 0:
        return 0.0
    icc = _estimated_icc(routines, scale, groups)
    # n_1 n_2 d_1 d_2 with design effect d = n / effective n
    spread = groups[0].n * groups[1].n * (groups[0].n / sizes[0]) * (groups[1].n / sizes[1])
    return min(1.0, icc * overlap / math.sqrt(spread))


def _estimated_icc(routines: Routines, scale: float, groups: list[Spread]) -> float:
    """Return the analysis-of-variance estimate of the icc, each athlete counted once, cut to 0 and 1."""
    means = np.array([group.total / group.n for group in groups])
    residuals = (routines.values - means[routines.group]) / scale
    sizes = np.bincount(routines.athlete).astype(float)
    sums = np.bincount(routines.athlete, weights=residuals)
    n, athletes = len(residuals), len(sizes)
    if athletes <= 2 or n <= athletes:
        return 0.0
    between = float((sums**2 / sizes).sum())
    within = max(0.0, sum(group.between + group.within for group in groups) - between)
    mean_between, mean_within = between / (athletes - 2), within / (n - athletes)
    load = (n - float((sizes**2).sum()) / n) / (athletes - 1)
    bottom = mean_between + (load - 1) * mean_within
    return min(1.0, max(0.0, (mean_between - mean_within) / bottom)) if bottom > 0 else 0.0

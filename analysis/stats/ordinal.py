"""Landing grade as an ordered outcome: proportional odds, and readings without a model.

The model is here. `proportionality` asks whether one odds ratio serves every cut between grades; `cuts` and
`better_by_a_grade` say the same in shares of landings; `stratified_rank` is the exact test beside the model.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from analysis.stats.design_matrix import Design
from analysis.stats.grade_shares import GradeShares, better_by_a_grade, cuts
from analysis.stats.ordinal_clusters import Robust, inflation, leave_out_athletes
from analysis.stats.ordinal_fit import Cumulative, maximum, read_graded
from analysis.stats.penalised import Peak
from analysis.stats.proportionality import proportionality
from analysis.stats.result import Fit, check_level
from analysis.stats.routines import few_athletes, number_codes
from analysis.stats.separated import Separation
from analysis.stats.stratified_ranks import stratified_rank

__all__ = [
    "GradeShares",
    "better_by_a_grade",
    "cuts",
    "proportional_odds",
    "proportionality",
    "stratified_rank",
]

_TOWARDS = {1: "towards plus infinity", -1: "towards minus infinity", 0: "sign left open"}
_FEWEST_DF = 3  # with fewer, t asks for a fall of the likelihood where its profile says nothing any more
_DEEPEST = 20.0  # falls of the log-likelihood down to which a profile can be followed,
_DEEPEST_PENALISED = 7.0  # and with the penalty, where far limits lie where the likelihood is flat
_NOTHING = 1e-9
_UNSETTLED = "the search for the maximum did not settle"


@dataclass(frozen=True)
class _Line:
    """One coefficient in the caller's units."""

    estimate: float = math.nan
    error: float = math.nan
    interval: tuple[float, float] = (math.nan, math.nan)
    p_value: float = math.nan
    why: str = ""


def proportional_odds(
    grade: Iterable[Any],
    X: Any,
    level: float = 0.95,
    names: Sequence[str] | None = None,
    athlete: Iterable[Hashable] | None = None,
) -> Fit:
    """Proportional-odds regression of a graded landing, by maximum likelihood where that is finite.

    Assumes independent routines (with `athlete`: independent athletes), and that each column shifts the log odds of
    every cut between grades by the same amount: logit P(grade <= k) = threshold_k - x beta. A positive coefficient
    means higher grades. Turn grades that count from the best if the better landing should be the higher one.

    Parameters
    ----------
    grade : sequence of n whole numbers
        A higher number is a higher grade. Numbers that don't occur have no threshold of their own.
    X : n x p numbers, a table or one column; without the constant
    level : float
        Confidence level of the profile intervals.
    names : sequence of p str, optional
        Names of the columns; a data frame brings its own.
    athlete : sequence of n hashable codes, optional
        Makes the standard errors count athletes: each is left out once, to first order (Mancl and DeRouen's
        correction of the sandwich). The profile's fall is measured in these units and set against t on as many
        degrees of freedom as there are athletes, less the constant and the slopes; so are the p-values.

    Returns
    -------
    Fit
        One coefficient per column, no constant; `thresholds` rise, one for each pair of neighbouring grades that occur.
        Intervals are profile likelihood intervals, p-values likelihood ratios, standard errors from the
        observed information. Where some coefficient has no finite maximum-likelihood value, which a linear programme
        decides, all of this comes from the likelihood penalised by Jeffreys' prior (Firth's penalty; expected
        information), `method`, `why` and `reasons` say so, and `log_likelihood` is the penalised one.

    Raises
    ------
    ValueError
        If a grade isn't a whole number, X isn't numeric and finite, lengths differ, or level makes no sense.

    Examples
    --------
    Grades 0 (fall) to 3 (stuck); nine of nine and 14 of 22 routines were stuck.

    >>> grades = [3] * 9 + [3] * 14 + [2] * 4 + [1] * 3 + [0]
    >>> fit = proportional_odds(grades, [1] * 9 + [0] * 22, names=["first"])
    >>> print(fit)
    proportional odds, penalised maximum likelihood (Jeffreys prior), penalised profile intervals, 31 observations
    (separation: maximum likelihood is infinite for first (towards plus infinity))
      first: 2.3755 (95 % 0.0849 to 7.2836), p = 0.0405 (separated: maximum likelihood has no finite value here)
    >>> [round(threshold, 2) for threshold in fit.thresholds]
    [-2.45, -1.27, -0.47]

    Notes
    -----
    Coverage of nominal 95 % for the technique's slope with `athlete`, 12 to 100 athletes of one to three routines (300
    samples in each of eight cells, tests/reference/ordinal/coverage.csv): .923 to .983. The coefficient is that of a
    routine drawn from all athletes, nearer to 0 than one for a given athlete.

    References
    ----------
    McCullagh 1980, Journal of the Royal Statistical Society B 42:109-142. Kosmidis 2014, Journal of the Royal
    Statistical Society B 76:169-196 (infinite estimates, bias). Firth 1993, Biometrika 80:27-38. Mancl & DeRouen 2001,
    Biometrics 57:126-134. Chandler & Bate 2007, Biometrika 94:167-183 (profiles for clusters).

    Not for: two or three routines in a group (use `stratified_rank` or `cuts`), or coefficients that differ between
    cuts (see `proportionality`).
    """
    level = check_level(level)
    codes, grades, design = read_graded(grade, X, names)
    athletes = None if athlete is None else number_codes(athlete, "athlete")[0]
    if athletes is not None and len(athletes) != len(codes):
        raise ValueError(f"athlete has {len(athletes)} codes and grade {len(codes)} values; each needs one")
    absent = _absent(grades)
    if len(grades) == 1:
        why = f"every grade is {grades[0]}, so nothing can be compared"
        return _told(design, [_Line(why=why)] * (len(design.names) - 1), level, "proportional odds", why=why)
    model, peak, separated = maximum(codes, design)
    robust = leave_out_athletes(model, peak, athletes) if athletes is not None and peak.found else None
    lines = _lines(model, peak, design, level, robust, separated)
    return _told(
        design,
        lines,
        level,
        _method(model, robust),
        log_likelihood=peak.log_likelihood if peak.found else math.nan,
        thresholds=_thresholds(model, peak),
        why="; ".join(
            part
            for part in (
                _infinite(separated, design),
                model.independent.why,
                absent,
                few_athletes([robust.athletes]) if robust else "",
            )
            if part
        ),
    )


def _told(design: Design, lines: list[_Line], level: float, method: str, **more: Any) -> Fit:
    return Fit(
        names=design.names[1:],
        coefficients=tuple(line.estimate for line in lines),
        standard_errors=tuple(line.error for line in lines),
        intervals=tuple(line.interval for line in lines),
        p_values=tuple(line.p_value for line in lines),
        level=level,
        method=method,
        n=design.n,
        assumes="independent outcomes, one odds ratio for every cut between grades",
        reasons=tuple(line.why for line in lines) if any(line.why for line in lines) else (),
        **more,
    )


def _lines(
    model: Cumulative,
    peak: Peak,
    design: Design,
    level: float,
    robust: Robust | None,
    separated: Separation | None,
) -> list[_Line]:
    found = [_Line(why=model.independent.why)] * design.X.shape[1]
    ratios = np.ones(len(peak.beta)) if robust is None else inflation(robust, peak, model.jeffreys)
    quantile = stats.chi2.ppf(level, 1) if robust is None else stats.f.ppf(level, 1, robust.df)
    for position, j in enumerate(model.independent.kept):
        if not model.independent.estimable[j + 1]:
            continue
        if not peak.found:
            found[j] = _Line(why=_UNSETTLED)
            continue
        place = model.cuts + position
        line = _profile(model, peak, place, float(ratios[place]), float(quantile), robust)
        why = line.why
        if separated is not None and j in separated.columns:
            why = "; ".join(
                part for part in ("separated: maximum likelihood has no finite value here", why) if part
            )
        scale = float(model.scale[position])
        low, high = line.interval
        found[j] = _Line(
            line.estimate / scale, line.error / scale, (low / scale, high / scale), line.p_value, why
        )
    return found


def _profile(
    model: Cumulative, peak: Peak, place: int, ratio: float, quantile: float, robust: Robust | None
) -> _Line:
    """Estimate, standard error, limits and p-value of one slope, in the fitter's scale."""
    estimate = float(peak.beta[place])
    if math.isnan(ratio):
        return _Line(estimate, why="it rests on one athlete alone, so athletes can't say how sure it is")
    if ratio < _NOTHING:
        return _Line(estimate, why="no athlete moves it, so athletes can't say how sure it is")
    error = math.sqrt(float(peak.covariance[place, place]) * ratio)
    drop = ratio * quantile / 2
    deepest = _DEEPEST_PENALISED if model.jeffreys else _DEEPEST
    if robust is not None and (robust.df < _FEWEST_DF or drop > deepest):
        columns = len(peak.beta) - model.cuts
        why = f"{robust.athletes} athletes are too few for limits with {columns} column{'s' * (columns != 1)}"
        return _Line(estimate, error, why=why)
    low, high = (model.limit(peak, place, side, drop) for side in (-1, 1))
    start = peak.beta - estimate * peak.covariance[place] / peak.covariance[place, place]
    null = model.maximum(start, place)
    fall = 2 * max(0.0, peak.log_likelihood - null.log_likelihood) / ratio
    p_value = float(stats.chi2.sf(fall, 1) if robust is None else stats.f.sf(fall, 1, robust.df))
    settled = null.found and not (math.isnan(low) or math.isnan(high))
    return _Line(
        estimate,
        error,
        (low, high),
        p_value if null.found else math.nan,
        "" if settled else "the search along the profile did not settle",
    )


def _method(model: Cumulative, robust: Robust | None) -> str:
    kind, profile = (
        ("penalised maximum likelihood (Jeffreys prior)", "penalised profile intervals")
        if model.jeffreys
        else ("maximum likelihood", "profile intervals")
    )
    if robust is None:
        return f"proportional odds, {kind}, {profile}"
    athletes = f"{robust.athletes} athlete{'s' * (robust.athletes != 1)}"
    freedom = f"{robust.df} degree{'s' * (robust.df != 1)} of freedom"
    return (
        f"proportional odds, {kind}, {profile} scaled to cluster-robust standard errors "
        f"(Mancl-DeRouen correction, {athletes}, t with {freedom})"
    )


def _thresholds(model: Cumulative, peak: Peak) -> tuple[float, ...]:
    """Thresholds where every column is 0, in the caller's units."""
    if not (peak.found and model.independent.estimable[0]):
        return (math.nan,) * model.cuts
    shift = float(peak.beta[model.cuts :] @ (model.middle / model.scale))
    return tuple(float(threshold) + shift for threshold in peak.beta[: model.cuts])


def _infinite(separated: Separation | None, design: Design) -> str:
    if separated is None:
        return ""
    told = ", ".join(
        f"{design.names[int(j) + 1]} ({_TOWARDS[sign]})"
        for j, sign in zip(separated.columns, separated.directions, strict=True)
        if int(j) >= 0
    )
    return f"separation: maximum likelihood is infinite for {told}"


def _absent(grades: tuple[int, ...]) -> str:
    """Say which whole numbers between the lowest and the highest grade no routine has."""
    missing = grades[-1] - grades[0] + 1 - len(grades)
    if not missing:
        return ""
    if missing > 5:
        return f"{missing:,} whole numbers between the lowest and the highest grade don't occur"
    present = set(grades)
    listed = ", ".join(str(k) for k in range(grades[0], grades[-1]) if k not in present)
    return f"no routine has grade {listed}"

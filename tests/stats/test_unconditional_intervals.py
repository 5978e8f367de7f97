"""Exact unconditional intervals: published limits, an independent oracle, coherence with Barnard's test, edges."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.special import xlog1py, xlogy
from scipy.stats import binom

from analysis.stats import certified_limits
from analysis.stats.budget import Budget
from analysis.stats.rays import DIFFERENCE, RATIO
from analysis.stats.unconditional import barnard, exact_difference, exact_ratio

# 0/10 v 0/20 and the like from measured.md: every table on which general libraries fail.
EDGE_TABLES = [
    (9, 9, 14, 22),
    (0, 10, 0, 20),
    (10, 10, 0, 20),
    (1, 1, 0, 1),
    (0, 16, 15, 72),
    (30, 30, 29, 30),
]


@pytest.mark.parametrize(
    ("source", "table", "form", "low", "high"),
    [
        ("Fagerland, Lydersen, Laake 2015", (7, 34, 1, 34), "two one-sided", 0.0194, 0.3584),
        ("Fagerland, Lydersen, Laake 2015", (7, 34, 1, 34), "two-sided", 0.0237, 0.3538),
        ("own plain enumeration, gamma 0", (9, 10, 3, 10), "two one-sided", 0.1608, 0.8795),
        ("own plain enumeration, gamma 0", (9, 10, 3, 10), "two-sided", 0.1557, 0.8509),
    ],
)
def test_published_exact_differences(source, table, form, low, high) -> None:
    """Chan-Zhang and Agresti-Min; the paper prints .019, .36 and .024, .35."""
    found = exact_difference(*table, form=form)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-5), source


def test_published_exact_ratio_upper_limits() -> None:
    """Fagerland et al. 2015, 7/34 v 1/34: Chan-Zhang 1.22 to 181, Agresti-Min 1.15 to 89.

    Their lower limits shrink the range of the nuisance rate; over all of it the accepted set reaches further, as the
    next test shows by plain enumeration.
    """
    assert exact_ratio(7, 34, 1, 34, form="two one-sided").high == pytest.approx(181, abs=0.5)
    assert exact_ratio(7, 34, 1, 34).high == pytest.approx(89, abs=0.5)
    assert exact_ratio(7, 34, 1, 34, form="two one-sided").low == pytest.approx(1.08629, abs=5e-6)
    assert exact_ratio(7, 34, 1, 34).low == pytest.approx(1.12797, abs=5e-6)


def rates_of(measure: str, value: float, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if measure == "difference":
        return max(value, 0) + (1 - abs(value)) * t, max(-value, 0) + (1 - abs(value)) * t
    return (value * t, t) if value <= 1 else (t, t / value)


def scores_by_search(measure: str, value: float, n1: int, n2: int) -> np.ndarray:
    """Score statistic of all tables, the restricted maximum found by golden-section search."""
    x1, x2 = np.meshgrid(np.arange(n1 + 1.0), np.arange(n2 + 1.0), indexing="ij")

    def likelihood(t: np.ndarray) -> np.ndarray:
        p1, p2 = (np.clip(p, 0, 1) for p in rates_of(measure, value, t))
        return xlogy(x1, p1) + xlog1py(n1 - x1, -p1) + xlogy(x2, p2) + xlog1py(n2 - x2, -p2)

    low, high = np.zeros_like(x1), np.ones_like(x1)
    for _ in range(80):
        left, right = low + 0.382 * (high - low), low + 0.618 * (high - low)
        rising = likelihood(left) < likelihood(right)
        low, high = np.where(rising, left, low), np.where(rising, high, right)
    t = (low + high) / 2
    for edge in (0.0, 1.0):
        at_edge = np.full_like(t, edge)
        t = np.where(likelihood(at_edge) >= likelihood(t), edge, t)
    p1, p2 = rates_of(measure, value, t)
    factor = value if measure == "ratio" else 1.0
    away = x1 / n1 - factor * x2 / n2 - (0.0 if measure == "ratio" else value)
    spread = np.sqrt(np.maximum(p1 * (1 - p1) / n1 + factor**2 * p2 * (1 - p2) / n2, 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(np.abs(away) < 1e-12, 0, away / spread)


def p_by_enumeration(
    measure: str, value: float, table: tuple[int, int, int, int], scores: np.ndarray
) -> float:
    """Two-sided p of one value of the measure: every table, a dense grid of nuisance rates, then refined."""
    x1, n1, x2, n2 = table
    seen = abs(scores[x1, x2])
    extreme = (np.abs(scores) >= seen - 1e-6 * (1 + seen)).astype(float)

    def chance(t: np.ndarray) -> np.ndarray:
        p1, p2 = rates_of(measure, value, t)
        first = binom.pmf(np.arange(n1 + 1), n1, p1[:, None])
        second = binom.pmf(np.arange(n2 + 1), n2, p2[:, None])
        return ((first @ extreme) * second).sum(axis=1)

    t = np.sin(np.linspace(0, np.pi / 2, 301)) ** 2
    best = 0.0
    for _ in range(4):
        values = chance(t)
        top = int(values.argmax())
        best = max(best, float(values[top]))
        t = np.linspace(t[max(top - 1, 0)], t[min(top + 1, len(t) - 1)], 41)
    return best


@pytest.mark.parametrize("measure", ["difference", "ratio"])
@pytest.mark.parametrize(("n1", "n2"), [(1, 2), (2, 4), (4, 3)])
def test_no_accepted_value_is_cut_off_and_limits_are_tight(measure, n1, n2) -> None:
    """Run once over all tables to 6 x 6 with 120 values: nothing cut off, nothing looser than 1e-7."""
    routine = exact_difference if measure == "difference" else exact_ratio
    grid = np.linspace(-0.973, 0.981, 29) if measure == "difference" else np.exp(np.linspace(-4.9, 5.1, 29))
    scores = [scores_by_search(measure, value, n1, n2) for value in grid]
    for x1, x2 in itertools.product(range(n1 + 1), range(n2 + 1)):
        table = (x1, n1, x2, n2)
        found = routine(*table)
        for value, score in zip(grid, scores, strict=True):
            if not found.low <= value <= found.high:
                assert p_by_enumeration(measure, value, table, score) <= 0.05 * (1 + 1e-6), (table, value)
        for limit, inward in ((found.low, 1), (found.high, -1)):
            if limit in (-1, 0, 1, math.inf):
                continue
            unit = abs(limit) if measure == "ratio" else 1
            near = [limit + inward * unit * step for step in (0, 3e-9, 1e-8, 2e-8, 1e-7)]
            best = max(
                p_by_enumeration(measure, v, table, scores_by_search(measure, v, n1, n2)) for v in near
            )
            assert best > 0.05 * (1 - 1e-5), (table, limit)


def test_spikes_between_the_points_of_a_coarse_grid_are_kept() -> None:
    """0/16 v 15/72: p is .033 at a difference of .031, .044 at .05 and .0542 at .0549, then drops to .0201."""
    found = exact_difference(0, 16, 15, 72)
    assert found.high == pytest.approx(0.0549006, abs=1e-7)
    for value, p in ((0.031, 0.0329995), (0.05, 0.0429379), (0.0549, 0.0541777), (0.055, 0.0200186)):
        scores = scores_by_search("difference", value, 16, 72)
        assert p_by_enumeration("difference", value, (0, 16, 15, 72), scores) == pytest.approx(p, abs=5e-7)
    assert exact_difference(0, 16, 15, 72, form="two one-sided").high == pytest.approx(0.0494, abs=5e-5)


def coherent(table: tuple[int, int, int, int], level: float = 0.95) -> str:
    """ "agrees", or "gap" where the test rejects and the hull still holds the null; anything else fails."""
    rejected = barnard(*table).p_value <= round(1 - level, 10)
    verdicts = set()
    for routine, null in ((exact_difference, 0), (exact_ratio, 1)):
        found = routine(*table, level=level)
        inside = found.low <= null <= found.high
        if not rejected:
            assert inside, (table, found)
        elif inside:
            assert "gap" in found.why
        verdicts.add("gap" if rejected and inside else "agrees")
    return "gap" if "gap" in verdicts else "agrees"


def test_null_is_inside_when_barnard_accepts_every_table_to_four() -> None:
    """Run once over all 4,459 tables with n1 <= n2 <= 12 (1,356 rejected): difference no gap, ratio 9 gaps."""
    for n1, n2 in itertools.combinations_with_replacement(range(1, 5), 2):
        for x1, x2 in itertools.product(range(n1 + 1), range(n2 + 1)):
            assert coherent((x1, n1, x2, n2)) == "agrees"


def test_a_gap_at_the_null_is_counted_and_said() -> None:
    """2/2 v 1/7: p is .0325 at a ratio of 1 and .0506 at .775, by plain enumeration too."""
    assert coherent((2, 2, 1, 7)) == "gap"
    scores = scores_by_search("ratio", 0.775, 2, 7)
    assert p_by_enumeration("ratio", 0.775, (2, 2, 1, 7), scores) == pytest.approx(0.050625, abs=1e-6)


counts = st.integers(1, 14).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(counts, counts, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
@example((9, 13), (4, 14), 0.95)
@settings(deadline=None, max_examples=30)
def test_null_is_inside_when_barnard_accepts(first, second, level) -> None:
    coherent((*first, *second), level)


@given(counts, counts, st.sampled_from(["greater", "less"]))
@settings(deadline=None, max_examples=25)
def test_one_sided_limits_belong_to_one_sided_barnard(first, second, side) -> None:
    found = exact_difference(*first, *second, alternative=side)
    rejected = barnard(*first, *second, side).p_value <= 0.05
    assert (found.low, found.high)[side == "greater"] == (1 if side == "greater" else -1)
    limit_inside = found.low <= 0 if side == "greater" else found.high >= 0
    assert limit_inside or rejected
    assert not (limit_inside and rejected) or "gap" in found.why
    ratio = exact_ratio(*first, *second, alternative=side)
    assert (ratio.high == math.inf) if side == "greater" else (ratio.low == 0)


@given(counts, counts)
@example((9, 9), (14, 22))
@settings(deadline=None, max_examples=12)
def test_swapping_groups_turns_the_interval_round(first, second) -> None:
    found, swapped = exact_difference(*first, *second), exact_difference(*second, *first)
    assert (found.low, found.high) == (-swapped.high, -swapped.low)
    missed = exact_difference(first[1] - first[0], first[1], second[1] - second[0], second[1])
    assert (missed.low, missed.high) == pytest.approx((-found.high, -found.low), abs=3e-8)
    ratio, turned = exact_ratio(*first, *second), exact_ratio(*second, *first)
    for one, other in ((ratio.low, turned.high), (ratio.high, turned.low)):
        assert (
            (one == 0 and other == math.inf)
            or (one == math.inf and other == 0)
            or one * other == pytest.approx(1)
        )


@pytest.mark.parametrize("table", EDGE_TABLES)
def test_every_edge_table_has_an_answer(table) -> None:
    difference, ratio = exact_difference(*table), exact_ratio(*table)
    x1, n1, x2, n2 = table
    assert -1 <= difference.low <= x1 / n1 - x2 / n2 <= difference.high <= 1
    assert difference.low < difference.high
    assert 0 <= ratio.low < ratio.high <= math.inf
    assert (ratio.high == math.inf) == (x2 == 0)
    assert (ratio.low == 0) == (x1 == 0)


def test_edge_limits() -> None:
    assert exact_difference(10, 10, 0, 20).low == pytest.approx(0.7, abs=2e-8)
    assert exact_difference(10, 10, 0, 20).high == 1
    found = exact_difference(0, 10, 0, 20)
    assert (found.low, found.high) == pytest.approx((-0.1693309, 0.3), abs=1e-7)
    assert found.estimate == 0
    unknown = exact_ratio(0, 10, 0, 20)
    assert math.isnan(unknown.estimate)
    assert (unknown.low, unknown.high) == (0, math.inf)
    assert "every ratio" in unknown.why
    assert exact_ratio(3, 10, 0, 20).estimate == math.inf


def test_limit_at_a_tie_is_the_null_itself() -> None:
    """9/13 v 4/14: Barnard's p is .0523 with its ties at 0 and below .05 just under it, so the limit is 0 exactly."""
    assert exact_difference(9, 13, 4, 14).low == 0.0
    assert exact_ratio(9, 13, 4, 14).low == 1.0


@given(counts, counts)
@settings(deadline=None, max_examples=10)
def test_wider_level_and_two_one_sided_form_hold_the_estimate(first, second) -> None:
    for form in ("two-sided", "two one-sided"):
        narrow, wide = (exact_difference(*first, *second, level, form=form) for level in (0.9, 0.99))
        assert wide.low <= narrow.low <= narrow.estimate <= narrow.high <= wide.high


def test_empty_group_is_said() -> None:
    for found in (exact_difference(0, 0, 3, 5), exact_ratio(3, 5, 0, 0)):
        assert math.isnan(found.estimate)
        assert "group without routines" in found.why
    assert (exact_difference(0, 0, 3, 5).low, exact_difference(0, 0, 3, 5).high) == (-1, 1)
    assert exact_ratio(3, 5, 0, 0).high == math.inf


def test_past_the_budget_the_asymptotic_interval_is_labelled() -> None:
    budget = Budget(operations=1000)
    for side in ("two-sided", "greater", "less"):
        for routine, edges in ((exact_difference, (-1, 1)), (exact_ratio, (0, math.inf))):
            found = routine(9, 9, 14, 22, alternative=side, budget=budget)
            assert "asymptotic" in found.method
            assert "budget" in found.why
            assert (found.low == edges[0]) == (side == "less")
            assert (found.high == edges[1]) == (side == "greater")
            assert found.level == 0.95


def test_nearly_tied_tables_take_many_boxes_and_are_resolved() -> None:
    """0/8 v 8/9: two tables' scores stay within a thousandth of the observed one over a third of the range."""
    found = exact_difference(0, 8, 8, 9)
    assert found.high == pytest.approx(-0.4686167, abs=1e-7)
    assert found.why == ""


def test_a_search_that_ends_early_is_rounded_outward_and_says_so(monkeypatch) -> None:
    monkeypatch.setattr(certified_limits, "MOST_BOXES", 3)
    found = exact_difference(9, 9, 14, 22)
    assert found.low <= 0.0149764 < 0.5734846 <= found.high
    assert "ended early" in found.why


@pytest.mark.parametrize("measure", [DIFFERENCE, RATIO])
def test_scores_fall_with_the_value_and_rise_with_the_first_count(measure) -> None:
    """What the proofs of the search stand on, over all tables to 7 x 9."""
    u = np.linspace(measure.lowest, measure.highest, 202)[1:-1]
    for n1, n2 in ((1, 1), (2, 7), (7, 2), (5, 5), (7, 9)):
        x1, x2 = np.arange(n1 + 1)[:, None, None], np.arange(n2 + 1)[None, :, None]
        scores = measure.score(x1, n1, x2, n2, u)
        assert (np.diff(scores, axis=2) <= 1e-9).all()
        assert (np.diff(scores, axis=0) >= -1e-9).all()
        assert (np.diff(scores, axis=1) <= 1e-9).all()


@pytest.mark.parametrize("measure", [DIFFERENCE, RATIO])
def test_lines_rise_and_fall_as_the_proof_needs(measure) -> None:
    t = np.linspace(0, 1, 21)
    u = np.linspace(measure.lowest, measure.highest, 61)[1:-1]
    p1, p2 = (np.array(p) for p in zip(*(measure.rates(float(value), t) for value in u), strict=True))
    assert (np.diff(p1, axis=0) >= -1e-15).all()
    assert (np.diff(p2, axis=0) <= 1e-15).all()
    assert ((p1 >= 0) & (p1 <= 1) & (p2 >= 0) & (p2 <= 1)).all()


@pytest.mark.parametrize("name", ["difference", "ratio"])
def test_scores_agree_with_a_search_for_the_restricted_maximum(name) -> None:
    measure = DIFFERENCE if name == "difference" else RATIO
    for value in (-0.83, -0.2, 0.004, 0.37) if name == "difference" else (0.02, 0.6, 1.3, 40.0):
        u = value if name == "difference" else value / (1 + value)
        x1, x2 = np.arange(6)[:, None], np.arange(10)[None]
        found = measure.score(x1, 5, x2, 9, u)
        assert found == pytest.approx(scores_by_search(name, value, 5, 9), abs=2e-6)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"level": 1.5}, "confidence level"),
        ({"alternative": "more"}, "not one of two-sided"),
        ({"form": "one"}, "form 'one' is not one of two-sided, two one-sided"),
    ],
)
def test_wrong_options_are_named(options, message) -> None:
    for routine in (exact_difference, exact_ratio):
        with pytest.raises(ValueError, match=message):
            routine(9, 9, 14, 22, **options)
        with pytest.raises(ValueError, match="needs 0 <= x <= n"):
            routine(10, 9, 14, 22)

"""Exact unconditional odds ratio: published limits, an independent oracle, coherence with Barnard's test, edges."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import binom

from analysis.stats import certified_odds
from analysis.stats.bernstein import to_bernstein
from analysis.stats.budget import Budget
from analysis.stats.certified_odds import odds_ratio_score
from analysis.stats.rejection import pooled_z_limits
from analysis.stats.two_groups import odds_ratio_interval
from analysis.stats.unconditional import barnard, exact_odds_ratio

EDGE_TABLES = [
    (9, 9, 14, 22),
    (0, 10, 0, 20),
    (10, 10, 0, 20),
    (1, 1, 0, 1),
    (0, 16, 15, 72),
    (30, 30, 29, 30),
]

counts = st.integers(1, 14).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.sampled_from([0.8, 0.9, 0.95, 0.99])


def scores_by_bisection(n1: int, n2: int, psi: float) -> np.ndarray:
    """Scores of all tables with rates found by halving: fitted total equal to the observed one."""
    x1, x2 = np.arange(n1 + 1.0)[:, None], np.arange(n2 + 1.0)[None]
    low, high = np.full((n1 + 1, n2 + 1), -80.0), np.full((n1 + 1, n2 + 1), 80.0)
    for _ in range(120):
        middle = (low + high) / 2
        above = n1 * expit(middle + math.log(psi)) + n2 * expit(middle) > x1 + x2
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    first, second = middle + math.log(psi), middle
    away = np.where(first < 0, x1 - n1 * expit(first), n1 * expit(-first) - (n1 - x1))
    variances = (n * expit(logit) * expit(-logit) for n, logit in ((n1, first), (n2, second)))
    found = away * np.sqrt(sum(1 / v for v in variances))
    return np.where((x1 + x2 == 0) | (x1 + x2 == n1 + n2), 0.0, found)


def p_by_enumeration(table: tuple[int, int, int, int], psi: float, scores: np.ndarray) -> float:
    """The two-sided p at an odds ratio: every table, a fine grid of rates, refined at its best point."""
    x1, n1, x2, n2 = table
    seen = abs(scores[x1, x2])
    extreme = (np.abs(scores) >= seen - 1e-7 * (1 + seen)).astype(float)
    half = math.log(psi) / 2
    w, best = np.linspace(-14 - abs(half), 14 + abs(half), 301), 0.0
    for _ in range(4):
        first = binom.pmf(np.arange(n1 + 1), n1, expit(w + half)[:, None])
        second = binom.pmf(np.arange(n2 + 1), n2, expit(w - half)[:, None])
        values = ((first @ extreme) * second).sum(axis=1)
        top = int(values.argmax())
        best = max(best, float(values[top]))
        w = np.linspace(w[max(top - 1, 0)], w[min(top + 1, len(w) - 1)], 41)
    return best


@pytest.mark.parametrize("sizes", [(1, 2), (2, 4), (3, 3)])
def test_no_accepted_odds_ratio_is_cut_off_and_limits_are_tight(sizes) -> None:
    """Run once with 60 values, all tables with n1 <= n2 <= 6 and 2 v 20: nothing cut off, nothing looser than 1e-7."""
    n1, n2 = sizes
    grid = np.exp(np.linspace(-6.9, 7.1, 17))
    scores = [scores_by_bisection(n1, n2, psi) for psi in grid]
    for x1, x2 in itertools.product(range(n1 + 1), range(n2 + 1)):
        table = (x1, n1, x2, n2)
        found = exact_odds_ratio(*table)
        for psi, score in zip(grid, scores, strict=True):
            if not found.low <= psi <= found.high:
                assert p_by_enumeration(table, psi, score) <= 0.05 * (1 + 1e-6), (table, psi)
        for limit, inward in ((found.low, 1), (found.high, -1)):
            if 0 < limit < math.inf and limit != 1:
                near = [limit * (1 + inward * step) for step in (0, 3e-9, 1e-8, 2e-8, 1e-7)]
                best = max(p_by_enumeration(table, v, scores_by_bisection(n1, n2, v)) for v in near)
                assert best > 0.05 * (1 - 1e-5), (table, limit)


def test_fagerland_2015_limits_hold_only_for_a_shorter_range_of_rates() -> None:
    """7/34 v 1/34, printed by Fagerland, Lydersen & Laake 2015 as Agresti-Min 1.19 to 72; over every rate 1.181 to 108.

    Whatever orders the tables, one with x1 <= 7 and x2 >= 1 is no less extreme against a high odds ratio. At 72 and
    rates of 216/1213 and 3/1000 these alone have a probability of .0729, in rational arithmetic, so 72 is accepted.
    """
    found = exact_odds_ratio(7, 34, 1, 34)
    assert (found.low, found.high) == pytest.approx((1.1808793, 107.954603), rel=1e-7)
    second = Fraction(3, 1000)
    first = 72 * second / (1 - second + 72 * second)
    few = sum(math.comb(34, x) * first**x * (1 - first) ** (34 - x) for x in range(8))
    assert few * (1 - (1 - second) ** 34) > Fraction(72, 1000)
    for psi, p in (
        (1.1808, 0.0471584),
        (1.182, 0.0514211),
        (72, 0.0740862),
        (107.9, 0.0500247),
        (108.5, 0.0497545),
    ):
        scores = scores_by_bisection(34, 34, psi)
        assert p_by_enumeration((7, 34, 1, 34), psi, scores) == pytest.approx(p, abs=6e-7)


def coherent(table: tuple[int, int, int, int], level: float = 0.95) -> str:
    """ "agrees", or "gap" where the test rejects and the hull still holds 1; anything else fails."""
    rejected = Fraction(barnard(*table).p_value) <= 1 - Fraction(str(level))
    found = exact_odds_ratio(*table, level=level)
    inside = found.low <= 1 <= found.high
    assert inside or rejected, (table, found)
    assert (inside and rejected) == ("gap" in found.why)
    assert math.isnan(found.estimate) or found.low <= found.estimate <= found.high
    return "gap" if inside and rejected else "agrees"


def test_one_is_inside_when_barnard_accepts_every_table_to_three() -> None:
    """Run once over all 4,459 tables with n1 <= n2 <= 12: 1,356 rejected, 2 gaps, no search ended early."""
    for n1, n2 in itertools.product(range(1, 4), repeat=2):
        for x1, x2 in itertools.product(range(n1 + 1), range(n2 + 1)):
            assert coherent((x1, n1, x2, n2)) == "agrees"


def test_a_gap_at_an_odds_ratio_of_one_is_counted_and_said() -> None:
    """2/5 v 0/8: p is .0499 at an odds ratio of 1 and .0524 at .82397, by plain enumeration too."""
    assert coherent((2, 5, 0, 8)) == coherent((3, 5, 8, 8)) == "gap"
    for psi, p in ((1.0, 0.0499213), (0.823968, 0.0524471)):
        assert p_by_enumeration((2, 5, 0, 8), psi, scores_by_bisection(5, 8, psi)) == pytest.approx(
            p, abs=5e-7
        )


@given(counts, counts, levels)
@example((9, 13), (4, 14), 0.95)
@settings(deadline=None, max_examples=30)
def test_one_is_inside_when_barnard_accepts(first, second, level) -> None:
    coherent((*first, *second), level)


@given(counts, counts, st.sampled_from(["greater", "less"]), levels)
@settings(deadline=None, max_examples=20)
def test_one_sided_odds_ratios_belong_to_one_sided_barnard(first, second, side, level) -> None:
    found = exact_odds_ratio(*first, *second, level=level, alternative=side)
    rejected = Fraction(barnard(*first, *second, side).p_value) <= 1 - Fraction(str(level))
    assert (found.high == math.inf) if side == "greater" else (found.low == 0)
    inside = found.low <= 1 <= found.high
    assert inside or rejected
    assert (inside and rejected) == ("gap" in found.why)


def test_limit_at_a_tie_is_one_itself() -> None:
    """9/13 v 4/14: Barnard's p is .0523 with its ties at 1 and below .05 just under it, so the limit is 1 exactly."""
    assert exact_odds_ratio(9, 13, 4, 14).low == 1.0
    assert exact_odds_ratio(4, 14, 9, 13).high == 1.0


@given(counts, counts)
@example((9, 9), (14, 22))
@settings(deadline=None, max_examples=12)
def test_swapping_groups_or_outcomes_gives_the_reciprocal(first, second) -> None:
    found = exact_odds_ratio(*first, *second)
    missed = ((n - x, n) for x, n in (first, second))
    for turned in (exact_odds_ratio(*second, *first), exact_odds_ratio(*itertools.chain(*missed))):
        for one, other in (
            (found.low, turned.high),
            (found.high, turned.low),
            (found.estimate, turned.estimate),
        ):
            assert math.isnan(one * other) or one * other == pytest.approx(1, rel=1e-14)
            assert (one == 0) == (other == math.inf)


@pytest.mark.parametrize("table", EDGE_TABLES)
@pytest.mark.parametrize("side", ["two-sided", "greater", "less"])
def test_every_edge_table_has_an_odds_ratio_interval(table, side) -> None:
    x1, n1, x2, _ = table
    found = exact_odds_ratio(*table, alternative=side)
    assert found.why
    if x1 + x2 == 0:
        assert math.isnan(found.estimate)
        assert (found.low, found.high) == (0, math.inf)
    elif x1 == 0:
        assert found.estimate == found.low == 0
        assert (0 < found.high < math.inf) == (side != "greater")
    else:
        assert x1 == n1
        assert found.estimate == found.high == math.inf
        assert (0 < found.low < math.inf) == (side != "less")
    if side == "two-sided":
        assert odds_ratio_interval(*table, method="exact-unconditional").to_dict() == found.to_dict()


def test_edge_odds_ratios() -> None:
    # 1/1 v 0/1: the observed table alone is extreme, with p1 q2 at most (r / (1 + r))^2 at odds ratio r^2.
    share = math.sqrt(0.05)
    assert exact_odds_ratio(1, 1, 0, 1).low == pytest.approx((share / (1 - share)) ** 2, rel=2e-8)
    assert exact_odds_ratio(9, 9, 14, 22).low == pytest.approx(1.1078542, abs=2e-7)
    assert exact_odds_ratio(0, 16, 15, 72).high == pytest.approx(1.6355489, abs=2e-7)
    assert exact_odds_ratio(5, 5, 3, 3).why == exact_odds_ratio(0, 10, 0, 20).why
    assert "carry no information" in exact_odds_ratio(5, 5, 3, 3).why


def test_empty_group_has_no_odds_ratio() -> None:
    for table in ((0, 0, 3, 5), (3, 5, 0, 0), (0, 0, 0, 0)):
        found = exact_odds_ratio(*table)
        assert math.isnan(found.estimate)
        assert (found.low, found.high) == (0, math.inf)
        assert "group without routines" in found.why


@given(counts, counts)
@settings(deadline=None, max_examples=10)
def test_wider_level_holds_the_narrower_odds_ratios(first, second) -> None:
    rising = [exact_odds_ratio(*first, *second, level) for level in (0.5, 0.9, 0.9999)]
    for narrow, wide in itertools.pairwise(rising):
        assert wide.low <= narrow.low
        assert narrow.high <= wide.high


@pytest.mark.parametrize("level", [1 - 1e-13, 1e-6])
def test_extreme_levels_have_an_answer(level) -> None:
    for side in ("two-sided", "greater", "less"):
        found = exact_odds_ratio(9, 13, 4, 14, level, side)
        assert found.low <= found.estimate <= found.high


def test_past_the_budget_the_score_interval_is_labelled() -> None:
    """7/34 v 1/34: 1.2466 to 56.4616 with the factor N / (N - 1), printed in statsmodels' tests from PropCIs."""
    budget = Budget(operations=1000)
    found = exact_odds_ratio(7, 34, 1, 34, budget=budget)
    assert (found.low, found.high) == pytest.approx((1.2466, 56.4616), abs=5.1e-5)
    assert "asymptotic" in found.method
    assert "budget" in found.why
    one_sided = (exact_odds_ratio(7, 34, 1, 34, 0.975, side, budget) for side in ("greater", "less"))
    assert [(f.low, f.high) for f in one_sided] == [
        (pytest.approx(found.low), math.inf),
        (0, pytest.approx(found.high)),
    ]
    edge = odds_ratio_interval(9, 9, 14, 22, "exact-unconditional", budget=budget)
    assert 1 < edge.low < edge.high == math.inf
    assert "empty cell" in edge.why
    assert "budget" in edge.why
    assert exact_odds_ratio(9, 9, 14, 22, 0.3, "greater", budget).low > edge.low


def test_a_search_for_odds_ratios_that_ends_early_is_rounded_outward(monkeypatch) -> None:
    monkeypatch.setattr(certified_odds, "MOST_BOXES", 3)
    found = exact_odds_ratio(14, 22, 3, 9)
    assert found.low < 0.6969 < 24.63 < found.high
    assert "ended early" in found.why


def test_scores_fall_with_the_odds_ratio_and_turn_only_far_out() -> None:
    """The fall is proved in the module and checked here; that z rises with x1 holds up to |z| = 4.5 and not beyond."""
    s = np.linspace(-25, 25, 501)
    for n1, n2 in ((1, 1), (1, 30), (50, 2), (5, 5), (12, 9)):
        scores = odds_ratio_score(np.arange(n1 + 1)[:, None, None], n1, np.arange(n2 + 1)[:, None], n2, s)
        assert (np.diff(scores, axis=2) <= 0).all()
        for axis, sign in ((0, 1), (1, -1)):
            fell = sign * np.diff(scores, axis=axis) < -1e-9
            one, other = np.moveaxis(scores, axis, 0)[:-1], np.moveaxis(scores, axis, 0)[1:]
            nearest = np.moveaxis(np.minimum(np.abs(one), np.abs(other)), 0, axis)
            assert nearest[fell].min(initial=math.inf) > 4.5


@pytest.mark.parametrize("psi", [1e-6, 0.02, 0.6, 1.0, 1.3, 40.0, 1e7])
def test_odds_ratio_scores_agree_with_rates_found_by_halving(psi) -> None:
    x1, x2 = np.arange(6)[:, None], np.arange(10)[None]
    found = odds_ratio_score(x1, 5, x2, 9, math.log(psi))
    assert found == pytest.approx(scores_by_bisection(5, 9, psi), rel=1e-9, abs=1e-9)


def test_at_an_odds_ratio_of_one_the_score_is_the_pooled_z() -> None:
    for table in ((5, 7, 3, 11), (9, 9, 14, 22), (0, 5, 4, 6)):
        assert float(odds_ratio_score(*table, 0.0)) == pytest.approx(barnard(*table).statistic, rel=1e-13)


def test_block_polynomials_stay_within_their_error() -> None:
    """An upper and a lower set of 9 v 22, evaluated between the nodes."""
    rng = np.random.default_rng(20261125)
    search = certified_odds._Search((9, 9, 14, 22), 0.05, True)
    starts = np.sort(rng.integers(0, 11, 23))
    for low, high in ((-8.0, -6.0), (-2.0, 0.0), (0.0, 2.0)):
        nodes, error = certified_odds._blocks(9, 22, low, high, 1e-4)
        assert error < 1e-13
        for s in (low, high):
            below, second = search.chances(s, nodes.ravel())
            rows = to_bernstein(((1 - below[:, starts]) * second).sum(axis=1).reshape(nodes.shape))
            width = (nodes[:, -1] - nodes[:, 0]) / math.cos(math.pi / 30)
            left = (nodes[:, -1] + nodes[:, 0] - width) / 2
            for place in (0.0, 0.03, 0.37, 0.99):
                below, second = search.chances(s, left + place * width)
                wanted = ((1 - below[:, starts]) * second).sum(axis=1)
                found = [evaluate_row(row, place) for row in rows]
                assert found == pytest.approx(wanted, abs=5e-12)


def evaluate_row(row: np.ndarray, place: float) -> float:
    """A polynomial by its Bernstein coefficients, which may be slightly negative."""
    return float(binom.pmf(np.arange(15), 14, place) @ row)


def test_opposite_ties_at_the_null_are_left_out_below_it() -> None:
    """What the search assumes: tables that `strict` drops tie exactly at an odds ratio of 1."""
    last, _ = pooled_z_limits(9, 13, 4, 14, "two-sided", strict=True)
    loose, _ = pooled_z_limits(9, 13, 4, 14, "two-sided")
    tied = [(int(loose[s]), s - int(loose[s])) for s in range(28) if loose[s] > last[s] and loose[s] >= 0]
    assert tied
    for x1, x2 in tied:
        assert odds_ratio_score(x1, 13, x2, 14, 0.0) == pytest.approx(-odds_ratio_score(9, 13, 4, 14, 0.0))
        assert odds_ratio_score(x1, 13, x2, 14, -0.01) > -odds_ratio_score(9, 13, 4, 14, -0.01)


@pytest.mark.parametrize(
    ("options", "message"),
    [({"level": 1.5}, "confidence level"), ({"alternative": "more"}, "not one of two-sided")],
)
def test_wrong_options_of_the_exact_odds_ratio_are_named(options, message) -> None:
    with pytest.raises(ValueError, match=message):
        exact_odds_ratio(9, 9, 14, 22, **options)
    with pytest.raises(ValueError, match="needs 0 <= x <= n"):
        exact_odds_ratio(10, 9, 14, 22)
    with pytest.raises(ValueError, match="exact-unconditional"):
        odds_ratio_interval(9, 9, 14, 22, method="unconditional")


def test_conditional_odds_ratios_are_still_found_by_name() -> None:
    assert odds_ratio_interval(7, 34, 1, 34, "baptista-pike").high == pytest.approx(195.49, abs=0.005)
    assert odds_ratio_interval(7, 34, 1, 34).method != odds_ratio_interval(7, 34, 1, 34, "mid-p").method

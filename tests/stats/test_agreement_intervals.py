"""Intervals of the agreement coefficients: coverage at small n, edges, and what must not change them."""

import csv
import math
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.special import gammaln

from analysis.stats import pseudo_counts
from analysis.stats.agreement import (
    cohen_kappa,
    gwet_ac,
    krippendorff_alpha,
    percent_agreement,
    positive_agreement,
)
from analysis.stats.gwet import coefficient
from analysis.stats.pseudo_counts import drawn_limits, expanded_tail, pseudo_patterns, with_pseudo_patterns

COEFFICIENTS = {"kappa": cohen_kappa, "alpha": krippendorff_alpha, "AC1": gwet_ac}
TRUTHS = list(product((0.5, 0.6, 0.7, 0.8, 0.9, 0.95), (0.2, 0.4, 0.6, 0.8)))


def both(a: int, b: int, c: int, d: int) -> tuple[list[int], list[int]]:
    return [1] * (a + b) + [0] * (c + d), [1] * a + [0] * b + [1] * c + [0] * d


@cache
def tables(n: int) -> list[tuple[int, ...]]:
    return [(a, b, c, n - a - b - c) for a, b, c in product(range(n + 1), repeat=3) if a + b + c <= n]


def limits_of_all_tables(name: str, n: int) -> np.ndarray:
    """One quarter is computed: swapping coders or categories changes no limit by more than the draws do."""
    found = {}
    for a, b, c, d in tables(n):
        if b <= c and a >= d:
            interval = COEFFICIENTS[name](*both(a, b, c, d))
            for same in ((a, b, c, d), (a, c, b, d), (d, b, c, a), (d, c, b, a)):
                found[same] = interval.low, interval.high
    return np.array([found[table] for table in tables(n)])


@pytest.mark.parametrize(("name", "n"), [("kappa", 20), ("alpha", 20), ("AC1", 20), ("AC1", 30)])
def test_coverage_over_all_tables_stays_near_95_percent(name, n, monkeypatch) -> None:
    """Measured, all tables, kappa .2 to .8, prevalence .5 to .95: Wald .32 at worst, for kappa and AC1.

    All sizes 20, 30 and 50 are in tests/reference/agreement.csv; 2,000 draws an interval cost up to .005 here.
    """
    monkeypatch.setattr(pseudo_counts, "DRAWS", (2_000, 2_000))
    low, high = limits_of_all_tables(name, n).T
    counts = np.array(tables(n))
    for prevalence, kappa in TRUTHS:
        apart = prevalence * (1 - prevalence) * (1 - kappa)
        cells = np.array([prevalence - apart, apart, apart, 1 - prevalence - apart])
        chance = np.exp(gammaln(n + 1) - gammaln(counts + 1).sum(axis=1) + counts @ np.log(cells))
        truth = kappa
        if name == "AC1":
            truth = coefficient(np.array(list(product((0, 1), repeat=2))), cells, np.eye(2)).value
        assert chance[(low <= truth) & (truth <= high)].sum() > 0.94


def test_the_committed_simulation_bears_out_what_the_docstrings_say() -> None:
    """300 samples a cell: the worst of some hundred cells lies up to .04 below its true coverage."""
    path = Path(__file__).parents[1] / "reference" / "agreement.csv"
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    replaced = ("Wald", "half a count", "errors ignored", ", f")
    kept = [row for row in rows if not any(name in row["interval"] for name in replaced)]
    assert len(kept) > 30
    for row in kept:
        assert float(row["worst"]) >= (0.94 if row["samples"] == "all tables" else 0.89), row
        assert float(row["mean"]) >= 0.95
    worst = {(row["set"], row["interval"]): float(row["worst"]) for row in rows}
    assert worst["deductions", "icc 2,1, f"] < 0.5
    assert worst["5 categories", "kappa, None, half a count in each cell"] < 0.5
    assert worst["miscoding, double-coded at random", "errors ignored"] < 0.5


@pytest.mark.parametrize("weights", [None, "linear", "quadratic"])
def test_five_grades_by_near_errors_are_covered(weights, monkeypatch) -> None:
    """Half a count in each of the 25 cells would cover .4 to .9 here; simulated in full in agreement.csv."""
    monkeypatch.setattr(pseudo_counts, "DRAWS", (2_000, 2_000))
    share = np.array([0.5, 0.25, 0.15, 0.07, 0.03])
    steps = np.abs(np.subtract.outer(np.arange(5), np.arange(5)))
    errs = (steps == 1) * 0.075
    errs = errs + np.diag(1 - errs.sum(axis=1))
    cells = share[:, None] * errs
    cost = {None: np.sign(steps), "linear": steps, "quadratic": steps**2}[weights].astype(float)
    truth = 1 - (cells * cost).sum() / (share @ cost @ cells.sum(axis=0))
    rng = np.random.default_rng(7)
    drawn = rng.choice(25, p=cells.ravel(), size=(150, 30))
    found = [cohen_kappa(d // 5, d % 5, weights, order=range(5), seed=i) for i, d in enumerate(drawn)]
    covered = np.mean([i.low <= truth <= i.high for i in found])
    assert covered > 0.95 - 3.5 * math.sqrt(0.95 * 0.05 / 150)


@pytest.mark.parametrize("routine", COEFFICIENTS.values())
def test_29_agreements_and_one_more_never_give_one_to_one(routine) -> None:
    perfect = routine(*both(29, 0, 0, 1))
    assert (perfect.estimate, perfect.high) == (1, 1)
    assert perfect.low < 0.97
    one_apart = routine(*both(28, 1, 0, 1))
    assert one_apart.low < one_apart.estimate < one_apart.high
    assert one_apart.high - one_apart.low > 0.1


def test_one_category_throughout_says_nothing_about_kappa_and_much_about_ac() -> None:
    one, two = ["stuck"] * 30, ["stuck"] * 30
    for routine in (cohen_kappa, krippendorff_alpha):
        found = routine(one, two)
        assert math.isnan(found.estimate)
        assert (found.low, found.high) == (-1, 1)
        assert "category" in found.why
        assert found.to_dict()["estimate"] is None
    assert gwet_ac(one, two).estimate == 1
    assert 0.8 < gwet_ac(one, two).low < 0.95
    assert percent_agreement(one, two).low == pytest.approx(0.025 ** (1 / 30))
    assert math.isnan(positive_agreement(one, two, "step").estimate)


@pytest.mark.parametrize("codes", [([], []), ([None, 1], [0, None])])
def test_nothing_coded_twice_is_an_answer_too(codes) -> None:
    for routine in (cohen_kappa, gwet_ac, krippendorff_alpha, percent_agreement):
        found = routine(*codes)
        assert math.isnan(found.estimate)
        assert found.n == 0
        assert found.low <= 0 < found.high == 1
        assert found.why


@pytest.mark.parametrize("routine", COEFFICIENTS.values())
def test_a_single_pair_has_an_interval_of_almost_the_whole_scale(routine) -> None:
    found = routine(["stuck"], ["step"])
    assert found.low <= found.estimate <= found.high
    assert found.high - found.low > 1.2


def test_the_same_seed_gives_the_same_limits_and_coders_may_be_swapped() -> None:
    a, b = both(14, 1, 4, 3)
    for routine in (cohen_kappa, krippendorff_alpha):
        assert routine(a, b) == routine(a, b)
        other, swapped = routine(a, b, seed=1), routine(b, a)
        assert routine(a, b).low != other.low
        for again in (other, swapped):
            assert (again.low, again.high) == pytest.approx(
                (routine(a, b).low, routine(a, b).high), abs=0.015
            )
    assert gwet_ac(a, b).low == pytest.approx(gwet_ac(b, a).low, abs=1e-12)


def test_a_higher_level_is_wider() -> None:
    a, b = both(14, 1, 4, 3)
    for routine in (cohen_kappa, krippendorff_alpha, gwet_ac):
        narrow, wide = routine(a, b, level=0.8), routine(a, b, level=0.99)
        assert wide.low < narrow.low < narrow.high < wide.high


def test_a_third_coder_who_agrees_narrows_alpha_and_missing_codes_widen_it() -> None:
    a, b = both(14, 2, 1, 8)
    two, three = krippendorff_alpha(a, b), krippendorff_alpha(a, b, a)
    fewer = krippendorff_alpha(a[:12] + [None] * 13, b)
    assert three.high - three.low < two.high - two.low < fewer.high - fewer.low


def test_pseudo_counts_are_half_a_count_in_each_cell_of_two_by_two() -> None:
    for made in (pseudo_patterns(2, 2), pseudo_patterns(2, 2, near=True), pseudo_patterns(2, 2, even=True)):
        assert made is not None
        assert made[1].tolist() == [0.5] * 4
    for k, coders in ((5, 2), (3, 4)):
        patterns, masses = pseudo_patterns(k, coders, near=True)
        assert masses.sum() == pytest.approx(2)
        assert masses[:k].sum() == pytest.approx(1)
        assert len(np.unique(patterns, axis=0)) == len(patterns)
    assert pseudo_patterns(80, 2) is None


def test_draws_are_dirichlet_with_half_counts() -> None:
    """A share of a 2 x 2 table is then beta: its quantiles are known."""
    from scipy.stats import beta

    places = np.array([[0, 0]] * 9 + [[0, 1]] * 3 + [[1, 1]] * 2)
    patterns, shapes = with_pseudo_patterns(places, 2)
    agree = (patterns[:, 0] == patterns[:, 1]).astype(float)
    low, high = drawn_limits(lambda w: w @ agree, shapes, 14, 11 / 14, 0.95, seed=3)
    tail = expanded_tail(14, 0.95)
    assert (low, high) == pytest.approx(beta.ppf([tail, 1 - tail], 12, 4), abs=0.006)


def test_the_tail_is_hesterbergs() -> None:
    """n = 10: sqrt(10/9) x 2.2622 = 2.3845, normal tail .00855; the nominal .025 for large n."""
    assert expanded_tail(10, 0.95) == pytest.approx(0.00855, abs=5e-6)
    assert expanded_tail(10**6, 0.95) == pytest.approx(0.025, abs=1e-6)


def test_more_codes_than_can_be_drawn_give_the_whole_scale_and_say_so() -> None:
    codes = list(range(90))
    for found in (cohen_kappa(codes, codes), gwet_ac(codes, codes), krippendorff_alpha(codes, codes)):
        assert found.estimate == 1
        assert (found.low, found.high) == (-1, 1)
        assert "too many" in found.why

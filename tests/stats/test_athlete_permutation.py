"""The permutation of whole athletes, against enumeration in rationals and the tests that it contains."""

from __future__ import annotations

import itertools
import random
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from analysis.stats.budget import Budget
from analysis.stats.clustered import athlete_permutation
from analysis.stats.deductions import permutation_mean_difference, rank_sum

SMALL = Budget(operations=2e10, cells=0, draws=20_000)  # nothing fits: random exchanges


def enumerated(outcome, first, athlete, alternative):
    """p, mid-p and smallest p of the design by enumeration, in rationals."""
    outcome = [Fraction(value).limit_denominator(1000) for value in outcome]
    n = len(outcome)
    rows = {code: [i for i in range(n) if athlete[i] == code] for code in athlete}
    single = [code for code in rows if len({first[i] for i in rows[code]}) == 1]
    both = [code for code in rows if code not in single]

    def signed(chosen):
        inside = [outcome[i] for i in chosen]
        others = sum(outcome) - sum(inside)
        d = Fraction(sum(inside), len(inside)) - Fraction(others, n - len(inside))
        return {"two-sided": abs(d), "greater": d, "less": -d}[alternative]

    observed = signed([i for i in range(n) if first[i]])
    ways = [itertools.combinations(rows[code], sum(first[i] for i in rows[code])) for code in both]
    own = list(itertools.product(*ways))
    every = []
    for chosen in itertools.combinations(single, sum(first[rows[code][0]] for code in single)):
        fixed = [i for code in chosen for i in rows[code]]
        every += [signed(fixed + [i for part in parts for i in part]) for parts in own]
    hits, beyond = sum(d >= observed for d in every), sum(d > observed for d in every)
    return (
        Fraction(hits, len(every)),
        Fraction(hits + beyond, 2 * len(every)),
        Fraction(every.count(max(every)), len(every)),
    )


def random_design(rng, kind):
    """A few athletes, some with the first technique, some with the second, some with both."""
    while True:
        outcome, first, athlete = [], [], []
        for number in range(rng.randint(2, 7)):
            mode = rng.choice("FSSB")
            for _ in range(rng.randint(1, 4)):
                outcome.append(rng.randint(0, 1) if kind == "stuck" else rng.choice([0, 0, 0.1, 0.3, 1.0]))
                first.append(mode == "F" or (mode == "B" and rng.random() < 0.5))
                athlete.append(("athlete", number))
        if 0 < sum(first) < len(first):
            return outcome, first, athlete


@pytest.mark.parametrize("kind", ["stuck", "points"])
def test_athlete_permutation_equals_enumeration_for_mixed_designs(kind):
    rng = random.Random(10)
    for _ in range(120):
        design = random_design(rng, kind)
        alternative = rng.choice(["two-sided", "greater", "less"])
        found = athlete_permutation(*design, alternative)
        p, mid, smallest = enumerated(*design, alternative)
        assert found.p_value == pytest.approx(float(p), rel=1e-12), (design, alternative)
        assert found.mid_p == pytest.approx(float(mid), rel=1e-12)
        assert found.smallest == pytest.approx(float(smallest), rel=1e-12)
        assert found.draws == 0


def test_athlete_permutation_with_one_routine_each_is_the_exact_test_with_fixed_margins():
    # 9 of 9 v 14 of 22: all splits as far from equal rates as this one
    outcome = [1] * 9 + [1] * 14 + [0] * 8
    first = [True] * 9 + [False] * 22
    found = athlete_permutation(outcome, first, range(31))
    law = stats.hypergeom(31, 23, 9)
    far = abs(Fraction(9, 9) - Fraction(14, 22))
    p = sum(law.pmf(x) for x in range(10) if abs(Fraction(x, 9) - Fraction(23 - x, 22)) >= far)
    assert found.p_value == pytest.approx(p, rel=1e-10)
    assert found.p_value == pytest.approx(
        permutation_mean_difference([1] * 9, outcome[9:]).p_value, rel=1e-12
    )


def test_athlete_permutation_of_midranks_with_one_routine_each_is_the_rank_sum_test():
    first, second = [3, 3, 2, 3, 1], [0, 1, 3, 2, 2, 0, 1, 3, 0]
    ranks = stats.rankdata(first + second)
    found = athlete_permutation(ranks, [True] * 5 + [False] * 9, range(14))
    assert found.p_value == pytest.approx(rank_sum(first, second).p_value, rel=1e-12)


def test_athletes_who_all_show_both_are_permuted_within():
    # three athletes, two routines of each technique, the first always better: 1 of 6^3 relabellings a side
    outcome = [1, 1, 0, 0] * 3
    first = [True, True, False, False] * 3
    found = athlete_permutation(outcome, first, [name for name in "ABC" for _ in range(4)])
    assert found.p_value == pytest.approx(2 / 216)
    assert found.smallest == pytest.approx(2 / 216)
    assert "exchangeable" in found.assumes


def test_smallest_p_shows_a_design_that_cannot_reach_five_percent():
    # three athletes against three: 2 of 20 reassignments
    found = athlete_permutation([1] * 9 + [0] * 9, [True] * 9 + [False] * 9, [i // 3 for i in range(18)])
    assert found.p_value == found.smallest == pytest.approx(2 / 20)


def test_random_exchanges_stand_in_past_the_budget_and_say_so():
    rng = random.Random(12)
    for kind in ("stuck", "points"):
        for _ in range(10):
            design = random_design(rng, kind)
            for alternative in ("two-sided", "greater"):
                exact = athlete_permutation(*design, alternative)
                drawn = athlete_permutation(*design, alternative, budget=SMALL, seed=3)
                assert drawn.draws == 20_000
                assert "random exchanges" in drawn.why
                assert drawn.p_value == pytest.approx(exact.p_value, abs=5 * drawn.error + 1e-4)
                assert drawn.mid_p == pytest.approx(exact.mid_p, abs=0.02)
                assert drawn.smallest == 1 / 20_001
    assert drawn == athlete_permutation(*design, "greater", budget=SMALL, seed=3)


def test_random_exchanges_convolve_the_relabellings_where_those_fit():
    rng = random.Random(13)
    design = random_design(rng, "points")
    while len({(a, f) for a, f in zip(design[2], design[1], strict=True)}) == len(set(design[2])):
        design = random_design(rng, "points")
    grid_too_large = Budget(operations=2e10, cells=60, draws=20_000)
    exact = athlete_permutation(*design)
    drawn = athlete_permutation(*design, budget=grid_too_large, seed=1)
    assert drawn.p_value == pytest.approx(exact.p_value, abs=5 * drawn.error + 1e-3)


def test_six_thousand_routines_of_fourteen_hundred_athletes_finish():
    rng = np.random.default_rng(14)
    sizes = rng.integers(1, 9, 1_400)
    athlete = np.repeat(np.arange(1_400), sizes)
    quality = rng.normal(size=1_400)[athlete]
    first = (np.arange(1_400) < 500)[athlete]
    first[rng.random(len(first)) < 0.1] = True
    outcome = rng.logistic(size=len(first)) < 1 + quality
    found = athlete_permutation(outcome, first, athlete)
    assert found.draws > 10_000
    assert 0 < found.p_value <= 1

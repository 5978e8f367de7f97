"""Athletes against themselves: enumeration in rationals, exact conditional logistic regression, and the edges."""

from __future__ import annotations

import itertools
import math
import random
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.stats.budget import Budget
from analysis.stats.deductions import permutation_mean_difference
from analysis.stats.strata import common_odds_ratio
from analysis.stats.within_athletes import within_athletes

REFERENCE = Path(__file__).parents[1] / "reference" / "clustered_models"
SETS = dict(list(pd.read_csv(REFERENCE / "generated.csv").groupby("set")))
CLOGIT = pd.read_csv(REFERENCE / "within.csv").set_index("set")

STUCK = [1, 1, 0, 1, 1, 0, 1, 1, 1, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0]
FIRST = [1, 1, 0, 1, 1, 0, 0, 1, 1, 0, 1, 1, 0, 0, 1, 1, 0, 0, 0]
WHO = list("AAABBBBCCCDDDDEEEFF")


@pytest.mark.parametrize("number", CLOGIT.index)
def test_survival_clogit_exact_on_generated_sets(number):
    # survival 3.5-3, R 4.2.2: make_reference.R
    rows = SETS[number]
    found = within_athletes(rows["stuck"], rows["first"], rows["athlete"])
    assert math.log(found.odds_ratio.estimate) == pytest.approx(
        CLOGIT.loc[number, "log_odds_ratio"], abs=1e-5
    )


def enumerated(outcome, first, athlete, alternative):
    """p, mid-p and smallest p by enumeration, in rationals."""
    values = [Fraction(value).limit_denominator(1000) for value in outcome]
    both = [
        code
        for code in dict.fromkeys(athlete)
        if len({bool(f) for f, a in zip(first, athlete, strict=True) if a == code}) == 2
    ]
    rows = [[i for i in range(len(values)) if athlete[i] == code] for code in both]
    counts = [sum(first[i] for i in own) for own in rows]
    centre = sum(
        count * sum(values[i] for i in own) / len(own) for own, count in zip(rows, counts, strict=True)
    )

    def far(chosen):
        away = sum(values[i] for i in chosen) - centre
        return {"two-sided": abs(away), "greater": away, "less": -away}[alternative]

    ways = [itertools.combinations(own, count) for own, count in zip(rows, counts, strict=True)]
    every = [far([i for part in parts for i in part]) for parts in itertools.product(*ways)]
    observed = far([i for own in rows for i in own if first[i]])
    hits, beyond = sum(a >= observed for a in every), sum(a > observed for a in every)
    return (
        float(Fraction(hits, len(every))),
        float(Fraction(hits + beyond, 2 * len(every))),
        every.count(max(every)) / len(every),
    )


@pytest.mark.parametrize("kind", ["stuck", "points"])
def test_the_exact_test_is_the_enumeration(kind):
    rng = random.Random(12)
    for _ in range(40):
        outcome, first, athlete = [], [], []
        for code in range(rng.randint(1, 5)):
            for _ in range(rng.randint(1, 4)):
                outcome.append(rng.randint(0, 1) if kind == "stuck" else rng.choice([0, 0, 0.1, 0.3, 1.0]))
                first.append(rng.random() < 0.4)
                athlete.append(code)
        if len(set(first)) < 2:
            continue
        for alternative in ("two-sided", "greater", "less"):
            found = within_athletes(outcome, first, athlete, alternative=alternative, kind=kind).difference
            if found is None:
                continue
            p_value, mid_p, smallest = enumerated(outcome, first, athlete, alternative)
            assert (found.p_value, found.mid_p, found.smallest) == pytest.approx(
                (p_value, mid_p, smallest), abs=1e-12
            )


def test_one_athlete_is_the_plain_permutation_test():
    first, second = [0.1, 0, 0, 0.3, 0], [0.3, 0.1, 1.0, 0.3]
    found = within_athletes(first + second, [True] * 5 + [False] * 4, ["A"] * 9)
    plain = permutation_mean_difference(first, second)
    assert found.difference.estimate == pytest.approx(plain.estimate)
    assert found.difference.p_value == pytest.approx(plain.p_value, abs=1e-12)
    assert found.odds_ratio is None
    assert math.isnan(found.difference.low)
    assert "only 1 athlete showed" in found.difference.why


def test_one_sided_p_is_that_of_the_common_odds_ratio():
    tables = [[[2, 0], [0, 1]], [[2, 0], [1, 1]], [[2, 0], [1, 0]], [[1, 1], [0, 2]], [[2, 0], [0, 1]]]
    for alternative in ("greater", "less"):
        found = within_athletes(STUCK, FIRST, WHO, alternative=alternative)
        other = common_odds_ratio(tables, alternative=alternative)
        assert found.difference.p_value == pytest.approx(other.p_value, abs=1e-12)
        assert (found.odds_ratio.low, found.odds_ratio.high) == (other.low, other.high)


def test_who_is_counted():
    found = within_athletes(STUCK, FIRST, WHO)
    assert (found.athletes, found.informative, found.routines) == (5, 4, 17)
    assert found.odds_ratio.n == 14
    assert "1 of 5 athletes" in found.why
    assert found.difference.n == 17
    alone = within_athletes(STUCK[:-2], FIRST[:-2], WHO[:-2])
    assert alone == found  # athlete F, who showed one technique, changes nothing


def test_weights_and_limits_by_hand():
    found = within_athletes(STUCK, FIRST, WHO).difference
    w = np.array([2 / 3, 1, 2 / 3, 1, 2 / 3, 0.8, 0.8])  # the last two are added: mean weight, +1 and -1
    d = np.array([1, 0.5, 0, 0.5, 1, 1, -1])
    assert found.estimate == pytest.approx(float((w * d)[:5].sum() / w[:5].sum()))
    centre = (w * d).sum() / w.sum()
    effective = w.sum() ** 2 / (w**2).sum()
    error = math.sqrt((w**2 * (d - centre) ** 2).sum() / w.sum() ** 2 * effective / (effective - 1))
    assert found.low == pytest.approx(centre - 2.228138852 * error)  # t, 10 degrees of freedom
    assert found.high == pytest.approx(min(1.0, max(found.estimate, centre + 2.228138852 * error)))


def test_all_concordant_has_a_width():
    found = within_athletes([1] * 18 + [0] * 4, [True, False] * 11, [i // 2 for i in range(22)])
    assert found.difference.estimate == 0
    assert -0.5 < found.difference.low < -0.1
    assert 0.1 < found.difference.high < 0.5
    assert found.difference.p_value == found.odds_ratio.p_value == 1
    assert math.isnan(found.odds_ratio.estimate)
    assert (found.odds_ratio.low, found.odds_ratio.high) == (0, math.inf)
    assert found.informative == 0
    same = within_athletes([0.1] * 22, [True, False] * 11, [i // 2 for i in range(22)])
    assert math.isnan(same.difference.low)
    assert "lose the same" in same.difference.why


def test_nobody_showed_both():
    found = within_athletes(
        [1] * 9 + [1] * 14 + [0] * 8, [True] * 9 + [False] * 22, [i // 2 + (i > 8) * 50 for i in range(31)]
    )
    assert (found.athletes, found.odds_ratio, found.difference) == (0, None, None)
    assert "no athlete showed both" in found.why
    assert found.to_dict()["difference"] is None


def test_swapping_the_techniques_turns_the_sign():
    found = within_athletes(STUCK, FIRST, WHO)
    turned = within_athletes(STUCK, [1 - f for f in FIRST], WHO)
    assert turned.difference.estimate == pytest.approx(-found.difference.estimate)
    assert (turned.difference.low, turned.difference.high) == pytest.approx(
        (-found.difference.high, -found.difference.low)
    )
    assert turned.difference.p_value == pytest.approx(found.difference.p_value)
    assert turned.odds_ratio.estimate == 0


def test_past_the_budget_it_draws_and_says_so():
    exact = within_athletes(STUCK, FIRST, WHO).difference
    drawn = within_athletes(
        STUCK, FIRST, WHO, budget=Budget(operations=2e10, cells=0, draws=20_000), seed=4
    ).difference
    assert drawn.draws == 20_000
    assert "Monte Carlo" in drawn.method
    assert abs(drawn.p_value - exact.p_value) < 4 * drawn.error
    assert drawn.smallest is None
    again = within_athletes(STUCK, FIRST, WHO, budget=Budget(operations=2e10, cells=0, draws=20_000), seed=4)
    assert again.difference == drawn


def test_one_sided_limits_end_at_the_scale():
    more = within_athletes(STUCK, FIRST, WHO, alternative="greater").difference
    less = within_athletes([0.1 * s for s in STUCK], FIRST, WHO, alternative="less").difference
    both = within_athletes(STUCK, FIRST, WHO, level=0.9).difference
    assert more.high == 1
    assert more.low == pytest.approx(both.low)
    assert less.low == -math.inf


def test_points_that_happen_to_be_0_and_1_and_bad_kinds():
    assert within_athletes(STUCK, FIRST, WHO, kind="points").odds_ratio is None
    with pytest.raises(ValueError, match='kind is "stuck"'):
        within_athletes([0.1 * s for s in STUCK], FIRST, WHO, kind="stuck")
    with pytest.raises(ValueError, match="kind 'grade' is not one of"):
        within_athletes(STUCK, FIRST, WHO, kind="grade")
    with pytest.raises(ValueError, match="each routine needs one of each"):
        within_athletes(STUCK, FIRST, WHO[:-1])


def test_simulated_coverage_is_what_the_docstring_of_within_athletes_says():
    # 1,944 cells x 1,000 meets in 216 lines: simulate_within.py
    table = pd.read_csv(REFERENCE / "within_coverage.csv")
    worst = table.groupby("kind")["whole_t2k_worst"].min().round(3).to_dict()
    assert worst == {"falls": 0.93, "points": 0.957, "stuck": 0.95}
    assert round(table[table["athletes"] > 3]["whole_t2k_worst"].min(), 3) == 0.939
    assert round(table["t_worst"].min(), 3) == 0.159

"""Stratified 2 x 2 tables against published values, R, and enumeration in rational arithmetic.

Values are those of the project's table of references: "R" = R 4.2.2 (mantelhaen.test, metafor) computed for this
project; "from memory" = attributed to a paper from memory.
"""

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.budget import Budget
from analysis.stats.conditional_sum import ConditionalSum, exact_weights
from analysis.stats.strata import (
    common_odds_ratio,
    mantel_haenszel_difference,
    mantel_haenszel_odds_ratio,
    read_tables,
    zelen,
)

# R ?mantelhaen.test, Rabbits: injected at once or after 1.5 hours, cured or died, five penicillin levels.
RABBITS = [[[0, 6], [0, 5]], [[3, 3], [0, 6]], [[6, 0], [2, 4]], [[5, 1], [6, 0]], [[2, 0], [5, 0]]]
# Gastwirth 1988, promotions (from memory; recomputed in R).
PROMOTIONS = [[[0, 7], [4, 16]], [[0, 7], [4, 13]], [[0, 8], [2, 13]]]
# Doll & Hill 1950, smoking and lung cancer, men and women.
DOLL_HILL = [[[647, 622], [2, 27]], [[41, 28], [19, 32]]]
# Beitler & Landis 1985, drug or control in eight clinics (from memory; recomputed in R).
CLINICS = [
    [[11, 25], [10, 27]],
    [[16, 4], [22, 10]],
    [[14, 5], [7, 12]],
    [[2, 14], [1, 16]],
    [[6, 11], [0, 12]],
    [[1, 10], [0, 10]],
    [[1, 4], [1, 8]],
    [[4, 2], [6, 1]],
]
LOPSIDED = [[[9, 0], [14, 8]], [[3, 1], [5, 4]]]


def test_rabbits_r_exact_mantel_haenszel() -> None:
    """R: p .03994, conditional estimate 10.361; R's upper limit 529.84 is loose: the equation is solved below."""
    found = common_odds_ratio(RABBITS)
    assert found.p_value == pytest.approx(0.03994, abs=5e-6)
    assert found.estimate == pytest.approx(10.361, abs=5e-4)
    assert found.low == pytest.approx(1.0774, abs=5e-5)
    assert found.high == pytest.approx(529.84, rel=5e-3)


def test_rabbits_mantel_haenszel_odds_ratio_r() -> None:
    """R and a public test file of a general library: 7 (1.026713 to 47.725133)."""
    found = mantel_haenszel_odds_ratio(RABBITS)
    assert (found.estimate, found.low, found.high) == (
        pytest.approx(7),
        pytest.approx(1.026713, abs=5e-7),
        pytest.approx(47.725133, abs=5e-7),
    )


def test_gastwirth_1988_promotions() -> None:
    """Exact p two-sided .0563, one-sided .0257, limits 0 to 1.009 (R; paper from memory)."""
    found = common_odds_ratio(PROMOTIONS)
    assert found.p_value == pytest.approx(0.0563, abs=5e-5)
    assert (found.estimate, found.low) == (0, 0)
    assert found.high == pytest.approx(1.009, abs=5e-4)
    assert common_odds_ratio(PROMOTIONS, alternative="less").p_value == pytest.approx(0.0257, abs=5e-5)


def test_beitler_landis_1985_eight_clinics() -> None:
    """R: exact p .01336, conditional estimate 2.130 (1.137 to 4.080); Mantel-Haenszel 2.135 (1.178 to 3.869)."""
    found = common_odds_ratio(CLINICS)
    assert found.p_value == pytest.approx(0.01336, abs=5e-6)
    assert found.estimate == pytest.approx(2.130, abs=5e-4)
    assert (found.low, found.high) == (pytest.approx(1.137, abs=5e-4), pytest.approx(4.080, abs=1e-3))
    asymptotic = mantel_haenszel_odds_ratio(CLINICS)
    assert asymptotic.estimate == pytest.approx(2.135, abs=5e-4)
    assert (asymptotic.low, asymptotic.high) == (
        pytest.approx(1.178, abs=5e-4),
        pytest.approx(3.869, abs=5e-4),
    )


def test_doll_hill_1950_robins_breslow_greenland_and_two_variances() -> None:
    """R (stats, metafor): OR 4.5239 (2.4171 to 8.4671); difference .3294, Greenland-Robins .2281 to .4307,
    Sato .2227 to .4361: the two variances differ, so the method names its own."""
    ratio = mantel_haenszel_odds_ratio(DOLL_HILL)
    assert ratio.estimate == pytest.approx(4.5239, abs=5e-5)
    assert (ratio.low, ratio.high) == (pytest.approx(2.4171, abs=5e-5), pytest.approx(8.4671, abs=5e-5))
    for variance, low, high in (("greenland-robins", 0.2281, 0.4307), ("sato", 0.2227, 0.4361)):
        found = mantel_haenszel_difference(DOLL_HILL, variance=variance)
        assert found.estimate == pytest.approx(0.3294, abs=5e-5)
        assert (found.low, found.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_zelen_on_doll_hill_22_tables() -> None:
    """.03221 over 22 sets of tables (computed for this project by enumeration)."""
    assert zelen(DOLL_HILL).p_value == pytest.approx(0.03221, abs=5e-6)


def test_zelen_says_when_the_margins_carry_no_information() -> None:
    """Gastwirth's tables allow one set only."""
    found = zelen(PROMOTIONS)
    assert found.p_value == 1
    assert "no information" in found.why


def test_zelen_past_the_budget_draws_and_gives_its_error() -> None:
    exact = zelen(CLINICS).p_value
    drawn = zelen(CLINICS, budget=Budget(operations=1.0, draws=40_000), seed=3)
    assert drawn.draws == 40_000
    assert "drawn" in drawn.why
    assert abs(drawn.p_value - exact) < 5 * drawn.error


def test_a_limit_put_back_leaves_half_the_error_in_its_tail() -> None:
    found = common_odds_ratio(LOPSIDED)
    total = ConditionalSum(read_tables(LOPSIDED))
    assert total.tails(math.log(found.low))[1] == pytest.approx(0.025, rel=1e-9)
    assert total.tails(math.log(found.high))[0] == pytest.approx(0.025, rel=1e-9)
    assert total.mean(math.log(found.estimate)) == pytest.approx(12, rel=1e-9)


def test_one_stratum_is_fishers_test() -> None:
    """R ?fisher.test, the tea taster: p .4857, conditional estimate 6.408309 (R's root finder stops 1e-5 early; the
    equation is solved in the test above), lower one-sided limit .3135693."""
    found = common_odds_ratio([[[3, 1], [1, 3]]])
    assert found.p_value == pytest.approx(34 / 70)
    assert found.estimate == pytest.approx(6.408309, abs=2e-5)
    one = common_odds_ratio([[[3, 1], [1, 3]]], alternative="greater")
    assert one.low == pytest.approx(0.3135693, abs=5e-6)
    assert one.high == math.inf
    assert one.p_value == pytest.approx(17 / 70)


def test_swapping_the_groups_turns_everything_round() -> None:
    turned = [[table[1], table[0]] for table in LOPSIDED]
    one, other = common_odds_ratio(LOPSIDED), common_odds_ratio(turned)
    assert other.estimate == pytest.approx(1 / one.estimate)
    assert (other.low, other.high) == (pytest.approx(1 / one.high), pytest.approx(1 / one.low))
    assert other.p_value == pytest.approx(one.p_value)
    difference, mirrored = mantel_haenszel_difference(LOPSIDED), mantel_haenszel_difference(turned)
    assert mirrored.estimate == pytest.approx(-difference.estimate)
    assert (mirrored.low, mirrored.high) == (pytest.approx(-difference.high), pytest.approx(-difference.low))


@pytest.mark.parametrize(
    "tables",
    [[[[5, 0], [5, 0]], [[9, 0], [3, 0]]], [[[0, 5], [0, 5]]], [[[1, 0], [0, 1]]], [[[9, 0], [0, 22]]]],
)
def test_the_score_difference_has_width_at_every_edge(tables: list) -> None:
    found = mantel_haenszel_difference(tables)
    assert -1 <= found.low <= found.estimate <= found.high <= 1
    assert found.high - found.low > 0.1


def test_one_stratum_of_the_score_difference_is_miettinen_nurminen() -> None:
    from analysis.stats.score import miettinen_nurminen

    for x1, n1, x2, n2 in ((9, 9, 14, 22), (0, 16, 15, 72), (9, 13, 4, 14)):
        one = mantel_haenszel_difference([[[x1, n1 - x1], [x2, n2 - x2]]])
        plain = miettinen_nurminen(x1, n1, x2, n2)
        assert (one.low, one.high) == (
            pytest.approx(plain.low, abs=1e-7),
            pytest.approx(plain.high, abs=1e-7),
        )


def test_a_stratum_with_one_technique_is_left_out_and_said() -> None:
    found = mantel_haenszel_difference([*LOPSIDED, [[4, 2], [0, 0]]])
    assert found.estimate == mantel_haenszel_difference(LOPSIDED).estimate
    assert "1 of the strata" in found.why
    assert math.isnan(mantel_haenszel_difference([[[4, 2], [0, 0]]]).estimate)
    assert common_odds_ratio([[[4, 2], [0, 0]]]).p_value == 1


@pytest.mark.parametrize("tables", [[], [[[1, 2, 3], [4, 5, 6]]], [[[1, -2], [3, 4]]], [[[1, 2.5], [3, 4]]]])
def test_what_is_no_list_of_tables_is_refused(tables: list) -> None:
    with pytest.raises(ValueError, match=r"table"):
        common_odds_ratio(tables)


def test_an_unknown_variance_is_refused_with_those_that_exist() -> None:
    with pytest.raises(ValueError, match="sato"):
        mantel_haenszel_difference(LOPSIDED, variance="robust")


small = st.lists(
    st.tuples(st.integers(0, 3), st.integers(0, 3), st.integers(0, 3), st.integers(0, 3)),
    min_size=1,
    max_size=3,
)


def enumerated(tables: list) -> list[tuple[int, Fraction, Fraction]]:
    """Every set of tables with the observed margins: (sum of first cells, weight, product of weights)."""
    per_table = []
    for (a, b), (c, d) in tables:
        n1, n2, stuck = a + b, c + d, a + c
        per_table.append(
            [
                (x, Fraction(math.comb(n1, x) * math.comb(n2, stuck - x)))
                for x in range(max(0, stuck - n2), min(n1, stuck) + 1)
            ]
        )
    return [
        (sum(x for x, _ in chosen), math.prod((w for _, w in chosen), start=Fraction(1)))
        for chosen in itertools.product(*per_table)
    ]


@given(small)
@settings(deadline=None, max_examples=200)
def test_exact_p_and_homogeneity_equal_enumeration_in_fractions(cells: list) -> None:
    tables = [[[a, b], [c, d]] for a, b, c, d in cells]
    sets = enumerated(tables)
    observed_sum = sum(t[0][0] for t in tables)
    whole = sum(weight for _, weight in sets)
    sums: dict[int, Fraction] = {}
    for total, weight in sets:
        sums[total] = sums.get(total, Fraction(0)) + weight
    p = sum(w for w in sums.values() if w <= sums[observed_sum]) / whole
    assert common_odds_ratio(tables).p_value == pytest.approx(float(p), rel=1e-10)
    here = [weight for total, weight in sets if total == observed_sum]
    observed = math.prod(
        (
            Fraction(math.comb(t[0][0] + t[0][1], t[0][0]) * math.comb(t[1][0] + t[1][1], t[1][0]))
            for t in tables
        ),
        start=Fraction(1),
    )
    q = sum(w for w in here if w <= observed) / sum(here)
    assert zelen(tables).p_value == pytest.approx(float(q), rel=1e-10)


def test_whole_number_weights_are_those_of_the_convolution() -> None:
    rows = read_tables(CLINICS)
    weights = exact_weights(rows)
    assert weights is not None
    total = sum(weights)
    chances = ConditionalSum(rows).chances(0.0)
    assert chances == pytest.approx([float(Fraction(weight, total)) for weight in weights], rel=1e-10)


def test_forty_meets_of_a_hundred_routines_are_answered_exactly() -> None:
    rng = np.random.default_rng(11)
    tables = []
    for _ in range(40):
        a, c = int(rng.binomial(90, 0.8)), int(rng.binomial(60, 0.75))
        tables.append([[a, 90 - a], [c, 60 - c]])
    found = common_odds_ratio(tables)
    assert found.low < mantel_haenszel_odds_ratio(tables).estimate < found.high
    assert found.estimate == pytest.approx(mantel_haenszel_odds_ratio(tables).estimate, rel=0.02)

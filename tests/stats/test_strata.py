"""Strata against further published tables, R, enumeration, and their own equations.

"R" = R 4.2.2 (stats, metafor), computed for the project's table of references; "public test" = the test file of a
general Python library, made with an R package; "from memory" = data or values attributed to a paper from memory.
"""

from __future__ import annotations

import itertools
import math
import shutil
import subprocess
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.stats.budget import Budget
from analysis.stats.conditional import fisher
from analysis.stats.many_groups import freeman_halton
from analysis.stats.strata import (
    breslow_day,
    common_odds_ratio,
    mantel_haenszel_difference,
    mantel_haenszel_odds_ratio,
    read_tables,
    zelen,
)

# Admitted and rejected, men then women, six departments: shipped with R.
ADMISSIONS = [
    [[512, 313], [89, 19]],
    [[353, 207], [17, 8]],
    [[120, 205], [202, 391]],
    [[138, 279], [131, 244]],
    [[53, 138], [94, 299]],
    [[22, 351], [24, 317]],
]
# The same as mistyped in a public test (department D, and columns swapped), whose values hold for this.
MISTYPED = [
    [[313, 512], [19, 89]],
    [[207, 353], [8, 17]],
    [[205, 120], [391, 202]],
    [[278, 139], [244, 131]],
    [[138, 53], [299, 94]],
    [[351, 22], [317, 24]],
]
FIVE = [[[20, 14], [10, 24]], [[15, 12], [3, 15]], [[3, 2], [3, 2]], [[12, 3], [7, 5]], [[1, 0], [3, 2]]]
DOLL_HILL = [[[647, 622], [2, 27]], [[41, 28], [19, 32]]]
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
# Liu 1992 in Agresti: smoking and lung cancer in eight Chinese cities (data from memory).
CITIES = [
    [[126, 100], [35, 61]],
    [[908, 688], [497, 807]],
    [[913, 747], [336, 598]],
    [[235, 172], [58, 121]],
    [[402, 308], [121, 215]],
    [[182, 156], [72, 98]],
    [[60, 99], [11, 43]],
    [[104, 89], [21, 36]],
]
# Breslow & Day 1980: alcohol of 80 g a day and more, six ages (data from memory).
ILLE_ET_VILAINE = [
    [[1, 9], [0, 106]],
    [[4, 26], [5, 164]],
    [[25, 29], [21, 138]],
    [[42, 27], [34, 139]],
    [[19, 18], [36, 88]],
    [[5, 0], [8, 31]],
]
# Hine 1989: deaths with and without lidocaine in six trials (data as in metadat).
LIDOCAINE = [
    [[2, 37], [1, 42]],
    [[4, 40], [4, 40]],
    [[6, 101], [4, 106]],
    [[7, 96], [5, 95]],
    [[7, 103], [3, 103]],
    [[11, 143], [4, 142]],
]
UGDP = [[[8, 98], [5, 115]], [[22, 76], [16, 69]]]
MEETS = [[[9, 0], [14, 8]], [[3, 1], [5, 4]], [[1, 6], [5, 4]]]


@pytest.mark.parametrize(
    ("source", "tables", "ratio", "low", "high", "half_digit"),
    [
        ("R, data shipped", ADMISSIONS, 0.9047, 0.7719, 1.0603, 5e-5),
        ("public test; not the admissions data", MISTYPED, 1.101879, 0.9402, 1.2914, 5e-5),
        ("public test", FIVE, 3.5912, 1.7811, 7.2406, 5e-5),
        ("Liu 1992; R, from memory", CITIES, 2.174, 1.984, 2.383, 5.1e-4),
        ("Hine 1989; R (another package prints .9575 to 3.3437)", LIDOCAINE, 1.7893, 1.0320, 3.1024, 5e-5),
    ],
)
def test_published_mantel_haenszel_odds_ratio_with_robins_breslow_greenland_limits(
    source, tables, ratio, low, high, half_digit
):
    found = mantel_haenszel_odds_ratio(tables)
    assert found.estimate == pytest.approx(ratio, abs=half_digit), source
    assert found.low == pytest.approx(low, abs=half_digit), source
    assert found.high == pytest.approx(high, abs=half_digit), source


@pytest.mark.parametrize(
    ("source", "tables", "plain", "corrected"),
    [
        ("R, data shipped: Tarone the same to four digits", ADMISSIONS, 18.8255, 18.8255),
        ("public test", MISTYPED, 18.83297, None),
        ("public test", FIVE, 1.8438, 1.8436),
        ("Doll & Hill 1950; R (trap: another package calls 5.1746 Breslow-Day)", DOLL_HILL, 5.2155, 5.1746),
        ("Hine 1989; R", LIDOCAINE, 1.537, None),
        ("Beitler & Landis 1985 in Agresti; from memory", CLINICS, 7.996, None),
        ("Liu 1992 in Agresti; from memory", CITIES, 5.200, None),
        ("Breslow & Day 1980; from memory", ILLE_ET_VILAINE, 9.32, 9.30),
    ],
)
def test_published_breslow_day_and_tarone(source, tables, plain, corrected):
    half_digit = (
        5e-3 if tables is ILLE_ET_VILAINE else 5e-4 if tables in (LIDOCAINE, CLINICS, CITIES) else 5e-5
    )
    found = breslow_day(tables, corrected=False)
    assert found.statistic == pytest.approx(plain, abs=half_digit), source
    assert "Breslow" in found.method
    tarone = breslow_day(tables)
    assert "Tarone" in tarone.method
    assert tarone.statistic <= found.statistic
    if corrected is not None:
        assert tarone.statistic == pytest.approx(corrected, abs=half_digit), source


def test_breslow_day_p_values():
    # R for the first (.002071), public test for the others (p of the mistyped table: 2.064786e-3; .7645)
    assert breslow_day(ADMISSIONS, corrected=False).p_value == pytest.approx(0.002071, abs=5e-7)
    assert breslow_day(MISTYPED, corrected=False).p_value == pytest.approx(0.002064786, abs=5e-10)
    assert breslow_day(FIVE).p_value == pytest.approx(0.7645, abs=5e-5)


def test_breslow_day_expects_tables_with_the_common_odds_ratio():
    # one stratum alone is fitted exactly; two equal ones as well
    for tables in ([[[9, 1], [14, 8]]] * 2, [[[3, 1], [5, 4]]] * 3):
        assert breslow_day(tables).statistic == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    "tables", [[[[9, 0], [14, 8]]], [[[9, 0], [14, 8]], [[3, 0], [5, 4]]], [[[0, 3], [0, 4]]]]
)
def test_breslow_day_without_two_strata_or_a_finite_ratio_says_so(tables):
    found = breslow_day(tables)
    assert math.isnan(found.p_value)
    assert "needs two strata" in found.why


def test_hine_1989_risk_difference_two_variances():
    # R (metafor): .0281, Greenland-Robins .0020 to .0542, Sato .0019 to .0542
    for variance, low in (("greenland-robins", 0.0020), ("sato", 0.0019)):
        found = mantel_haenszel_difference(LIDOCAINE, variance=variance)
        assert found.estimate == pytest.approx(0.0281, abs=5e-5)
        assert (found.low, found.high) == (pytest.approx(low, abs=5e-5), pytest.approx(0.0542, abs=5e-5))


def test_ugdp_risk_difference_greenland_robins_1985():
    # R, from memory: .0349 with standard error .0319
    found = mantel_haenszel_difference(UGDP, variance="greenland-robins")
    assert found.estimate == pytest.approx(0.0349, abs=5e-5)
    assert (found.high - found.low) / 2 / 1.959964 == pytest.approx(0.0319, abs=5e-5)
    assert mantel_haenszel_odds_ratio(UGDP).estimate == pytest.approx(1.403, abs=5e-4)


def test_doll_hill_1950_standard_errors_differ_so_the_method_names_its_own():
    # R (metafor): .05168 Greenland-Robins, .05444 Sato
    for variance, error in (("greenland-robins", 0.05168), ("sato", 0.05444)):
        found = mantel_haenszel_difference(DOLL_HILL, variance=variance)
        assert (found.high - found.low) / 2 / 1.959964 == pytest.approx(error, abs=5e-6)
        assert variance.split("-")[0].capitalize() in found.method


# Homogeneity ---------------------------------------------------------------------------------------------------


def test_zelen_is_exact_for_admissions_of_4526():
    # ours; R's asymptotic Breslow-Day p is .00207
    found = zelen(ADMISSIONS)
    assert found.draws == 0
    assert found.p_value == pytest.approx(0.001261, abs=5e-7)
    assert found.attained == pytest.approx(found.bound, rel=1e-8)


def homogeneity_by_enumeration(tables) -> Fraction:
    """Share of the sets of tables with the observed margins and sum that are not likelier than the observed set."""

    def weight(firsts):
        return math.prod(
            math.comb(a + b, first) * math.comb(c + d, a + c - first)
            for first, ((a, b), (c, d)) in zip(firsts, tables, strict=True)
        )

    ranges = [range(max(0, a - d), min(a + b, a + c) + 1) for (a, b), (c, d) in tables]
    total, seen = sum(t[0][0] for t in tables), weight([t[0][0] for t in tables])
    weights = [weight(firsts) for firsts in itertools.product(*ranges) if sum(firsts) == total]
    return Fraction(sum(w for w in weights if w <= seen), sum(weights))


cells = st.integers(0, 6)


@settings(deadline=None, max_examples=150)
@given(st.lists(st.tuples(cells, cells, cells, cells), min_size=2, max_size=5))
def test_zelen_equals_enumeration_of_all_sets_of_tables(rows):
    tables = [[[a, b], [c, d]] for a, b, c, d in rows]
    assert zelen(tables).p_value == pytest.approx(float(homogeneity_by_enumeration(tables)), rel=1e-10)


def test_zelen_with_every_stratum_alike_is_one():
    assert zelen([[[9, 3], [14, 8]]] * 2).p_value == pytest.approx(1)


def test_zelen_does_not_mind_the_order_of_strata_or_groups():
    one = zelen(CLINICS).p_value
    assert zelen(CLINICS[::-1]).p_value == pytest.approx(one, rel=1e-11)
    assert zelen([[second, first] for first, second in CLINICS]).p_value == pytest.approx(one, rel=1e-11)


def test_forty_meets_are_past_the_exact_test_and_said_to_be_drawn():
    rng = np.random.default_rng(4)
    meets = []
    for _ in range(40):
        first, second = int(rng.binomial(80, 0.8)), int(rng.binomial(60, 0.75))
        meets.append([[first, 80 - first], [second, 60 - second]])
    found = zelen(meets, budget=Budget(draws=20_000), seed=1)
    assert found.draws == 20_000
    assert abs(found.p_value - breslow_day(meets).p_value) < 0.05
    assert found == zelen(meets, budget=Budget(draws=20_000), seed=1)


# The common odds ratio -----------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.tuples(cells, cells, cells, cells), min_size=1, max_size=4),
    st.sampled_from([0.8, 0.95, 0.99]),
)
def test_the_interval_leaves_out_1_exactly_when_the_doubled_one_sided_p_rejects(rows, level):
    tables = [[[a, b], [c, d]] for a, b, c, d in rows]
    found = common_odds_ratio(tables, level=level)
    sides = [common_odds_ratio(tables, alternative=side).p_value for side in ("greater", "less")]
    rejected = 2 * min(sides) <= 1 - Fraction(str(level)) * 1
    assert (found.low > 1 or found.high < 1) == rejected
    assert found.low <= found.high
    if not math.isnan(found.estimate):
        assert found.low <= found.estimate <= found.high


def test_where_p_and_interval_part_the_doubled_p_is_given():
    # Gastwirth 1988: sum of small probabilities .0563, doubled one-sided p .0513: both keep 1
    promotions = [[[0, 7], [4, 16]], [[0, 7], [4, 13]], [[0, 8], [2, 13]]]
    assert "doubled" not in common_odds_ratio(promotions).why
    parted = common_odds_ratio(promotions, level=1 - 0.053)
    assert parted.high < 1
    assert parted.p_value > 0.053
    assert "doubled one-sided p, which is 0.0513" in parted.why


def test_one_sided_limits_put_all_the_error_on_their_side():
    two, one = (
        common_odds_ratio(MEETS, level=0.9),
        common_odds_ratio(MEETS, level=0.95, alternative="greater"),
    )
    assert one.low == pytest.approx(two.low, rel=1e-9)
    assert one.high == math.inf
    other = common_odds_ratio(MEETS, level=0.95, alternative="less")
    assert other.high == pytest.approx(two.high, rel=1e-9)
    assert other.low == 0


def test_one_stratum_is_fishers_test_and_the_2_by_2_table():
    for a, b, c, d in ((9, 0, 14, 8), (0, 16, 15, 57), (7, 27, 1, 33), (2, 15, 10, 3)):
        found = common_odds_ratio([[[a, b], [c, d]]])
        assert found.p_value == pytest.approx(fisher(a, a + b, c, c + d).p_value, rel=1e-10)
        assert found.p_value == pytest.approx(freeman_halton([[a, b], [c, d]]).p_value, rel=1e-10)


def test_strata_without_information_change_nothing_and_are_counted():
    more = [*MEETS, [[4, 0], [6, 0]], [[0, 0], [5, 2]], [[0, 3], [0, 1]]]
    one, other = common_odds_ratio(MEETS), common_odds_ratio(more)
    assert (one.estimate, one.low, one.high, one.p_value) == (
        other.estimate,
        other.low,
        other.high,
        other.p_value,
    )
    assert "3 of the strata" in other.why


def test_thousands_of_routines_all_one_way_are_answered():
    found = common_odds_ratio([[[1000, 0], [0, 1000]]])
    assert found.estimate == math.inf
    assert 1e5 < found.low < math.inf
    assert 0 < found.p_value < 1e-300


@pytest.mark.parametrize(
    "tables",
    [5, None, [[[1, 2], [3, math.nan]]], [[[1, 2], [3, math.inf]]], [[[1, 2], [3, "a"]]], [[1, 2], [3, 4]]],
)
def test_odd_input_is_refused_in_words(tables):
    with pytest.raises(ValueError, match="table"):
        read_tables(tables)


def test_arrays_tuples_and_whole_floats_are_taken():
    known = common_odds_ratio(MEETS)
    assert common_odds_ratio(np.array(MEETS)) == known
    assert common_odds_ratio(np.array(MEETS, dtype=float)) == known
    assert common_odds_ratio(tuple(tuple(map(tuple, table)) for table in MEETS)) == known


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="Rscript is not installed")
def test_random_strata_agree_with_r_exact():
    """R's exact Mantel-Haenszel test; its limits come from a loose root finder, so they are held to 2 %."""
    rng = np.random.default_rng(8)
    sets = []
    for strata, size in ((2, 12), (3, 20), (5, 15), (8, 40), (12, 25)):
        rates = rng.uniform(0.3, 0.9, size=(strata, 2))
        sizes = rng.integers(3, size, size=(strata, 2))
        first, second = rng.binomial(sizes[:, 0], rates[:, 0]), rng.binomial(sizes[:, 1], rates[:, 1])
        found = np.stack(
            [np.stack([first, sizes[:, 0] - first], 1), np.stack([second, sizes[:, 1] - second], 1)], 1
        )
        sets.append(found[(found.sum(axis=1) > 0).all(axis=1)])
    script = "".join(
        f"m <- mantelhaen.test(aperm(array(c({','.join(map(str, tables.ravel()))}), c(2, 2, {len(tables)})), "
        "c(2, 1, 3)), exact = TRUE); cat(format(c(m$p.value, m$estimate, m$conf.int), digits = 15), '\\n');"
        for tables in sets
    )
    said = subprocess.run(
        ["Rscript", "-e", script], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    for tables, line in zip(sets, said, strict=True):
        p, ratio, low, high = map(float, line.split())
        found = common_odds_ratio(tables)
        assert found.p_value == pytest.approx(p, rel=1e-6)
        assert found.estimate == pytest.approx(ratio, rel=1e-3)
        assert (found.low, found.high) == (pytest.approx(low, rel=0.02), pytest.approx(high, rel=0.02))

"""Fisher's test and the conditional odds ratio: published values, rational arithmetic, and the defining equations."""

import math
import shutil
import subprocess
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis.stats.conditional import fisher, fisher_p, hypergeometric_weights, log_weights
from analysis.stats.odds_ratio import odds_ratio_interval

ALTERNATIVES = ("two-sided", "greater", "less")
METHODS = ("exact", "mid-p", "baptista-pike", "baptista-pike mid-p")
TABLES = st.tuples(st.integers(1, 40), st.integers(1, 40)).flatmap(
    lambda n: st.tuples(st.integers(0, n[0]), st.just(n[0]), st.integers(0, n[1]), st.just(n[1]))
)


def agrees(value: float, printed: str) -> bool:
    """Within half a unit of the last printed digit."""
    decimals = len(printed.partition(".")[2])
    return abs(value - float(printed)) <= 0.5 * 10**-decimals * (1 + 1e-9)


def small_tables(largest):
    for n1 in range(1, largest + 1):
        for n2 in range(1, largest + 1):
            for x1 in range(n1 + 1):
                for x2 in range(n2 + 1):
                    yield x1, n1, x2, n2


def chances(x1, n1, x2, n2, odds=Fraction(1)):
    """Probabilities of every table with these margins, in rational arithmetic, by the count of the first group."""
    m = x1 + x2
    weights = {t: comb(n1, t) * comb(n2, m - t) * odds**t for t in range(max(0, m - n2), min(n1, m) + 1)}
    total = sum(weights.values())
    return {t: Fraction(w) / total for t, w in weights.items()}


def fisher_by_definition(x1, n1, x2, n2, alternative, mid_p, odds=Fraction(1)):
    found = chances(x1, n1, x2, n2, odds)
    if alternative == "two-sided":
        rarer = sum(p for p in found.values() if p < found[x1])
        tied = sum(p for p in found.values() if p == found[x1])
    else:
        rarer = sum(p for t, p in found.items() if (t > x1 if alternative == "greater" else t < x1))
        tied = found[x1]
    return rarer + (tied / 2 if mid_p else tied)


# Published values --------------------------------------------------------------------------------------------------


def test_fisher_1935_tea():
    # The Design of Experiments: one-sided 17/70; two-sided .4857 from the package of Fagerland et al. 2017, and R.
    assert fisher(3, 4, 1, 4, "greater").p_value == 17 / 70
    assert agrees(fisher(3, 4, 1, 4).p_value, ".4857")


def test_fisher_1962_twins():
    # Input in R's help for fisher.test, output R 4.2.2: p(less) = 619/1330665.
    assert fisher(2, 17, 10, 13, "less").p_value == 619 / 1330665


@pytest.mark.parametrize(
    ("table", "alternative", "p"),
    [
        # Perondi, Ritland, Lampasona: output of the package of Fagerland et al. 2017, recomputed in R 4.2.2.
        ((7, 34, 1, 34), "two-sided", ".0544"),
        ((0, 16, 15, 72), "two-sided", ".06287"),
        ((9, 13, 4, 14), "two-sided", ".0570"),
        # Barnard 1945 (attribution from memory, number recomputed).
        ((3, 3, 0, 3), "greater", ".05"),
        # Chan 1998 influenza, in Mehta & Senchaudhuri 2003, quoted in the documentation of scipy.
        ((7, 15, 12, 15), "less", ".06407"),
        ((7, 15, 12, 15), "two-sided", ".1281"),
        # Saari 2004 in scipy's documentation: the statistic of its Boschloo test is this one-sided p.
        ((74, 117, 31, 63), "greater", ".0483"),
    ],
)
def test_published_fisher_p_values(table, alternative, p):
    assert agrees(fisher(*table, alternative).p_value, p)


@pytest.mark.parametrize(
    ("table", "mid_p"),
    [
        # The trap of two definitions: every table tied with the observed one counts half. With equal groups the other
        # definition gives .0420 and .3714; with no other table tied both agree.
        ((7, 34, 1, 34), ".0297"),
        ((3, 4, 1, 4), ".2571"),
        ((0, 16, 15, 72), ".0447"),
        ((9, 13, 4, 14), ".0391"),
    ],
)
def test_two_sided_mid_p_halves_every_tied_table(table, mid_p):
    # Output of the package of Fagerland et al. 2017, recomputed.
    assert agrees(fisher(*table, mid_p=True).p_value, mid_p)


@pytest.mark.parametrize(
    ("method", "table", "low", "high"),
    [
        # Fagerland, Lydersen & Laake 2015, SMMR 24:224-254: printed .97-397, 1.19-200, 1.00-195 and 1.33-99.
        ("exact", (7, 34, 1, 34), ".9733", "396.99"),
        ("mid-p", (7, 34, 1, 34), "1.1886", "199.62"),
        ("baptista-pike", (7, 34, 1, 34), "1.00", "195"),
        ("baptista-pike mid-p", (7, 34, 1, 34), "1.33", "99"),
        # Lampasona 2013, recomputed. The trap: a public package prints the mid-p limits under "Cornfield exact".
        ("exact", (9, 13, 4, 14), ".847", "40.44"),
        ("mid-p", (9, 13, 4, 14), "1.0226", "31.5025"),
        # Recomputed elsewhere on a grid as 30.08 and 29.08; in rational arithmetic p crosses .05 between 30.090 and
        # 30.091, and the mid-p jumps over it at 29.0861 (see the scans below).
        ("baptista-pike", (9, 13, 4, 14), ".858", "30.09"),
        ("baptista-pike mid-p", (9, 13, 4, 14), "1.149", "29.09"),
        # Baptista & Pike 1977 (attribution from memory). The public package prints .0151 to 1.7523 under "exact"; a
        # grid gave 1.7507 for the mid-p and .0076 to 2.206 for the exact, which rational arithmetic does not confirm.
        ("baptista-pike", (1, 8, 5, 12), ".0075", "2.207"),
        ("baptista-pike mid-p", (1, 8, 5, 12), ".0151", "1.7523"),
        ("exact", (1, 8, 5, 12), ".0037", "2.7103"),
        # Tea, R 4.2.2. Its upper limit there, 621.93, is its root finder's: P(T <= 3) = .025 at 626.24.
        ("exact", (3, 4, 1, 4), ".2117", "626.24"),
    ],
)
def test_published_odds_ratio_limits(method, table, low, high):
    found = odds_ratio_interval(*table, method)
    assert agrees(found.low, low)
    assert agrees(found.high, high)


def test_conditional_estimates_in_r():
    # R 4.2.2 on the inputs of the help page of fisher.test; its root finder leaves an error of some 1e-5.
    # Tea: estimate 6.408309, one-sided lower .3135693. Twins: .04693661, one-sided upper .2849601.
    assert odds_ratio_interval(3, 4, 1, 4).estimate == pytest.approx(6.408309, abs=2e-5)
    assert odds_ratio_interval(3, 4, 1, 4, level=0.9).low == pytest.approx(0.3135693, abs=1e-5)
    assert odds_ratio_interval(2, 17, 10, 13).estimate == pytest.approx(0.04693661, abs=1e-5)
    assert odds_ratio_interval(2, 17, 10, 13, level=0.9).high == pytest.approx(0.2849601, abs=1e-5)


# Rational arithmetic -----------------------------------------------------------------------------------------------


def test_fisher_equals_its_definition_for_all_tables_to_8_by_8():
    for table in small_tables(8):
        for alternative in ALTERNATIVES:
            for mid_p in (False, True):
                expected = fisher_by_definition(*table, alternative, mid_p)
                assert fisher_p(*table, alternative, mid_p) == expected, (table, alternative, mid_p)


@pytest.mark.parametrize("mid_p", [False, True])
@pytest.mark.parametrize(
    "table",
    [(9, 9, 14, 22), (0, 16, 15, 72), (7, 34, 1, 34), (60, 71, 61, 90), (25, 50, 31, 50), (9, 60, 51, 60)],
)
def test_past_the_integers_floats_give_the_same_p(monkeypatch, table, mid_p):
    monkeypatch.setattr("analysis.stats.conditional.EXACT_TRIALS", 0)
    for alternative in ALTERNATIVES:
        expected = float(fisher_by_definition(*table, alternative, mid_p))
        assert fisher_p(*table, alternative, mid_p) == pytest.approx(expected, rel=1e-12)


def test_nearly_tied_weights_are_told_apart_in_integers(monkeypatch):
    # Ties by symmetry (equal groups; as many successes as failures) and tables that are only nearly tied.
    monkeypatch.setattr("analysis.stats.conditional._NEARLY_TIED", 0.5)
    exact = {t: fisher_by_definition(*t, "two-sided", True) for t in small_tables(7)}
    monkeypatch.setattr("analysis.stats.conditional.EXACT_TRIALS", 0)
    for table, expected in exact.items():
        assert fisher_p(*table, mid_p=True) == pytest.approx(float(expected), rel=1e-12), table


def test_weights_in_integers_and_logarithms_agree():
    first, weights = hypergeometric_weights(40, 71, 55)
    again, logs = log_weights(40, 71, 55)
    assert first == again == 0
    assert sum(weights) == comb(111, 55)
    assert logs == pytest.approx([math.log(w) - math.log(max(weights)) for w in weights], abs=1e-12)


def test_least_p_of_the_margins():
    for table in small_tables(5):
        for alternative in ALTERNATIVES:
            for mid_p in (False, True):
                m, n1, n2 = table[0] + table[2], table[1], table[3]
                reachable = [
                    fisher_by_definition(t, n1, m - t, n2, alternative, mid_p) for t in chances(*table)
                ]
                found = fisher(*table, alternative, mid_p)
                assert found.smallest == float(min(reachable))
                assert found.smallest <= found.p_value <= 1


# Limits put back ---------------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=150)
@given(TABLES, st.sampled_from([0.8, 0.9, 0.95, 0.99]), st.sampled_from(["exact", "mid-p"]))
def test_one_sided_tails_at_the_limits_are_half_alpha(table, level, method):
    found, mid_p = odds_ratio_interval(*table, method, level), method == "mid-p"
    for limit, alternative in ((found.low, "greater"), (found.high, "less")):
        if 0 < limit < math.inf:
            tail = fisher_by_definition(*table, alternative, mid_p, odds=Fraction(limit))
            assert float(tail) == pytest.approx((1 - level) / 2, rel=1e-9)


@settings(deadline=None, max_examples=100)
@given(TABLES)
def test_conditional_estimate_is_where_the_expected_count_is_the_observed_one(table):
    found = odds_ratio_interval(*table)
    support = list(chances(*table))
    if len(support) == 1:
        assert math.isnan(found.estimate)
        assert (found.low, found.high) == (0, math.inf)
        assert found.why
    elif table[0] in (support[0], support[-1]):
        assert found.estimate == (0 if table[0] == support[0] else math.inf)
        assert "edge" in found.why
    else:
        expected = sum(t * p for t, p in chances(*table, odds=Fraction(found.estimate)).items())
        assert float(expected) == pytest.approx(table[0], abs=1e-9)
        assert found.why == ""
    assert found.low <= found.high


@pytest.mark.parametrize("mid_p", [False, True])
def test_baptista_pike_limits_bound_the_accepted_odds_ratios(mid_p):
    """Just inside each limit p is above alpha, just outside it isn't; beyond, no odds ratio of a fine scan is accepted.

    Run once by hand for all tables up to 8 x 8 at levels .8, .9 and .95.
    """
    method = "baptista-pike mid-p" if mid_p else "baptista-pike"
    near, slack = Fraction(1, 10**9), Fraction(1, 10**12)
    logs = np.linspace(-8, 8, 1501)
    for level in (0.8, 0.95):
        alpha = 1 - Fraction(str(level))
        for table in small_tables(5):
            x1, _n1, _x2, _n2 = table
            weights = chances(*table)
            if len(weights) == 1:
                continue
            found = odds_ratio_interval(*table, method, level)
            for limit, inwards in ((found.low, 1), (found.high, -1)):
                if 0 < limit < math.inf:
                    inside, outside = (
                        Fraction(limit) * (1 + inwards * near),
                        Fraction(limit) * (1 - inwards * near),
                    )
                    assert fisher_by_definition(*table, "two-sided", mid_p, inside) > alpha - slack
                    assert fisher_by_definition(*table, "two-sided", mid_p, outside) <= alpha + slack
            counts, base = np.array(list(weights)), np.array([float(p) for p in weights.values()])
            tilted = (
                base * np.exp(logs[:, None] * (counts - x1)) / base[list(weights).index(x1)]
            )  # the observed is 1
            p = np.where(tilted <= 1 + 1e-9, tilted, 0).sum(axis=1)
            p -= np.where(np.abs(tilted - 1) < 1e-9, tilted, 0).sum(axis=1) / 2 if mid_p else 0
            accepted = np.exp(logs[p / tilted.sum(axis=1) > float(alpha) + 1e-9])
            assert len(accepted) == 0 or (found.low <= accepted[0] and accepted[-1] <= found.high), (
                table,
                level,
            )


# Agreement with the tests --------------------------------------------------------------------------------------------


def coherent(table, level):
    """Whether each interval and its test agree on an odds ratio of 1; returns how many hulls hold a rejected 1."""
    alpha, gaps = 1 - Fraction(str(level)), 0
    for method, mid_p in (("exact", False), ("mid-p", True)):
        doubled = 2 * min(fisher_p(*table, side, mid_p) for side in ("greater", "less"))
        found = odds_ratio_interval(*table, method, level)
        assert (doubled <= alpha) == (not found.low <= 1 <= found.high), (table, method)
    for method, mid_p in (("baptista-pike", False), ("baptista-pike mid-p", True)):
        rejected = fisher_p(*table, "two-sided", mid_p) <= alpha
        found = odds_ratio_interval(*table, method, level)
        inside = found.low <= 1 <= found.high
        assert rejected or inside, (table, method)
        assert (rejected and inside) == ("gap" in found.why), (table, method)
        gaps += rejected and inside
    return gaps


def test_intervals_agree_with_their_tests_on_small_tables():
    # Up to 6 x 6 here; run once by hand for all 8,100 tables up to 12 x 12 at levels .8, .9 and .95.
    tables = [t for t in small_tables(6) if len(chances(*t)) > 1]
    gaps = sum(coherent(table, 0.9) for table in tables)
    assert gaps < 0.02 * len(tables)


@settings(deadline=None, max_examples=100)
@given(TABLES, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_intervals_agree_with_their_tests(table, level):
    if len(chances(*table)) > 1:
        coherent(table, level)


def test_a_p_of_exactly_alpha_rejects():
    # 3/3 v 0/3: two-sided Fisher p exactly 1/10 and one-sided 1/20, with a tie at an odds ratio of 1.
    assert fisher(3, 3, 0, 3).p_value == 0.1
    for method in ("baptista-pike", "exact"):
        assert odds_ratio_interval(3, 3, 0, 3, method, level=0.9).low > 1
        assert odds_ratio_interval(3, 3, 0, 3, method, level=0.901).low <= 1


def test_a_gap_is_said():
    # 9/9 v 14/22: the mid-p rejects 1 while the hull of the odds ratios that it accepts begins at .905.
    found = odds_ratio_interval(9, 9, 14, 22, "baptista-pike mid-p")
    assert fisher(9, 9, 14, 22, mid_p=True).p_value < 0.05
    assert found.low < 1
    assert "gap" in found.why


# Symmetry and size ---------------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=100)
@given(TABLES, st.sampled_from(METHODS))
def test_swapping_groups_or_outcomes_gives_reciprocals(table, method):
    x1, n1, x2, n2 = table
    found = odds_ratio_interval(*table, method)
    for other in (
        odds_ratio_interval(x2, n2, x1, n1, method),
        odds_ratio_interval(n1 - x1, n1, n2 - x2, n2, method),
    ):
        if not math.isnan(found.estimate):
            for one, two in (
                (found.low, other.high),
                (found.high, other.low),
                (found.estimate, other.estimate),
            ):
                assert one == pytest.approx(1 / two if two else math.inf, rel=1e-9)
    mirrored = {"two-sided": "two-sided", "greater": "less", "less": "greater"}
    for alternative, mirror in mirrored.items():
        assert fisher_p(*table, alternative) == fisher_p(x2, n2, x1, n1, mirror)
        assert fisher_p(*table, alternative) == fisher_p(n1 - x1, n1, n2 - x2, n2, mirror)


def test_thousands_of_routines():
    table = (1790, 2500, 1701, 2600)
    assert fisher(*table).p_value == pytest.approx(
        stats.fisher_exact([[1790, 710], [1701, 899]])[1], rel=1e-8
    )
    found = odds_ratio_interval(*table)
    assert stats.nchypergeom_fisher.sf(1789, 5100, 3491, 2500, found.low) == pytest.approx(0.025, rel=1e-6)
    assert stats.nchypergeom_fisher.cdf(1790, 5100, 3491, 2500, found.high) == pytest.approx(0.025, rel=1e-6)
    narrow = odds_ratio_interval(*table, "baptista-pike")
    assert found.low <= narrow.low < found.estimate < narrow.high <= found.high


def test_refusals_say_what_is_allowed():
    with pytest.raises(ValueError, match="two-sided, greater, less"):
        fisher(9, 9, 14, 22, "larger")
    with pytest.raises(ValueError, match="exact, mid-p, baptista-pike, baptista-pike mid-p"):
        odds_ratio_interval(9, 9, 14, 22, "woolf")
    with pytest.raises(ValueError, match="second group"):
        fisher(9, 9, 23, 22)
    with pytest.raises(ValueError, match=r"above 0\.5"):
        odds_ratio_interval(9, 9, 14, 22, "baptista-pike mid-p", level=0.5)


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="Rscript is not installed")
def test_fisher_and_the_exact_odds_ratio_in_r():
    rng = np.random.default_rng(20261125)
    sizes = rng.integers(1, 90, (60, 2))
    tables = [(9, 9, 14, 22), (0, 16, 15, 72), (30, 30, 29, 30), (10, 10, 0, 20)]
    tables += [(int(rng.integers(0, a + 1)), int(a), int(rng.integers(0, b + 1)), int(b)) for a, b in sizes]
    tables = [t for t in tables if len(chances(*t)) > 1]
    # One process; R's own root finder is good to about 1e-4 on the odds ratio or its reciprocal.
    call = "f <- fisher.test(matrix(c(k[1], k[2] - k[1], k[3], k[4] - k[3]), 2))"
    call += "; cat(f$p.value, f$conf.int, f$estimate, '\\n')"
    script = f"options(digits = 15); for (k in list({', '.join(f'c{t}' for t in tables)})) {{ {call} }}"
    lines = subprocess.run(
        ["Rscript", "-e", script], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    for table, line in zip(tables, lines, strict=True):
        p, low, high, estimate = (float(word) for word in line.split())
        assert fisher(*table).p_value == pytest.approx(p, rel=1e-6), table
        found = odds_ratio_interval(*table)
        for ours, theirs in ((found.low, low), (found.high, high), (found.estimate, estimate)):
            if theirs in (0, math.inf):
                assert ours == theirs
            else:
                assert min(ours, 1 / ours) == pytest.approx(min(theirs, 1 / theirs), abs=3e-4), table

"""Agreement coefficients against published tables, statsmodels and the definitions written out in fractions.

Status of the published values as in the list that they come from: "printed" means that the output was seen printed,
"recomputed" that another program gave it too, "from memory" that the attribution to the paper is unchecked.
"""

from decimal import Decimal
from fractions import Fraction
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa as statsmodels_kappa

from analysis.stats import pseudo_counts
from analysis.stats.agreement import (
    cohen_kappa,
    gwet_ac,
    kappa_standard_error,
    krippendorff_alpha,
    negative_agreement,
    percent_agreement,
    positive_agreement,
    prevalence_effect,
)
from analysis.stats.coded import read_codes
from analysis.stats.kappa import kappa_of

CODES = st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1, max_size=25)


@pytest.fixture(autouse=True, scope="module")
def _few_draws():
    """Estimates are tested here; the limits in test_agreement_intervals."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pseudo_counts, "DRAWS", (200, 200))
        yield


def agrees(value: float, printed: str) -> bool:
    """Within half a unit of the last printed digit."""
    decimals = len(printed.partition(".")[2])
    return abs(value - float(printed)) <= 0.5 * 10**-decimals * (1 + 1e-9)


def codes_of(table):
    """Two coders' lists from a table, first coder in rows."""
    pairs = [(i, j) for i, row in enumerate(table) for j, count in enumerate(row) for _ in range(count)]
    return [i for i, _ in pairs], [j for _, j in pairs]


def coders_of(text, missing="."):
    """One list per line; a dot is a missing code."""
    return [
        [None if code == missing else int(code) for code in line.split()] for line in text.strip().split("\n")
    ]


FREQ = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]
ABSTRACTORS = [[13, 0, 0], [0, 20, 7], [0, 4, 56]]
FOUR_BY_TWELVE = coders_of(
    "1 2 3 3 2 1 4 1 2 . . .\n1 2 3 3 2 2 4 1 2 5 . 3\n. 3 3 3 2 3 4 2 2 5 1 .\n1 2 3 3 2 4 4 1 2 5 1 ."
)
THREE_BY_FIFTEEN = coders_of(
    ". . . . . 3 4 1 2 1 1 3 3 . 3\n1 . 2 1 3 3 4 3 . . . . . . .\n. . 2 1 3 4 4 . 2 1 1 3 3 . 4"
)
FOURTEEN_RATERS = [  # ten subjects, counts per category
    (0, 0, 0, 0, 14), (0, 2, 6, 4, 2), (0, 0, 3, 5, 6), (0, 3, 9, 2, 0), (2, 2, 8, 1, 1),
    (7, 7, 0, 0, 0), (3, 2, 6, 3, 0), (2, 5, 3, 2, 2), (6, 5, 2, 1, 0), (0, 2, 2, 3, 7),
]  # fmt: skip
DIAGNOSES = (  # thirty patients, the codes of six raters each
    "444444 222555 233335 555555 222444 113333 333355 113334 114444 555555 144444 124444 222333 144444 224445 "
    "333335 111455 111112 224444 133555 555555 244444 224555 114444 144445 222224 111155 224444 133333 555555"
)


@pytest.mark.parametrize(
    ("weights", "kappa", "error", "null"),
    [(None, ".4842", ".1380", ".1484"), ("linear", ".4701", ".1457", None)],
)
def test_freq_example_of_the_sas_documentation(weights, kappa, error, null) -> None:
    """Printed in statsmodels' tests (SAS FREQ, kappa with its asymptotic standard errors)."""
    a, b = codes_of(FREQ)
    assert agrees(cohen_kappa(a, b, weights).estimate, kappa)
    seen = kappa_standard_error(a, b, weights)
    assert agrees(seen, error)
    if null:
        under = kappa_standard_error(a, b, null=True)
        assert agrees(under, null)
        assert agrees(cohen_kappa(a, b).estimate / under, "3.2626")
        limits = cohen_kappa(a, b).estimate + np.array([-1, 1]) * 1.959964 * seen
        assert agrees(limits[0], ".2137")
        assert agrees(limits[1], ".7547")


def test_cohen_1968_weights_of_his_own() -> None:
    """Recomputed; that Cohen 1960/1968 prints the third digits is from memory."""
    table = np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]]) * 200
    counts = np.round(table).astype(int)
    assert agrees(cohen_kappa(*codes_of(counts)).estimate, ".492")
    assert agrees(float(kappa_of(counts, np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0.0]]))), ".348")


@pytest.mark.parametrize(
    ("table", "plain", "linear"),
    [
        ([[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]], ".1293", ".2374"),
        ([[38, 5, 0, 1], [33, 11, 3, 0], [10, 14, 5, 6], [3, 7, 3, 10]], ".2079", ".3797"),
        ([[5, 3, 0, 0], [3, 11, 4, 0], [2, 13, 3, 4], [1, 2, 4, 14]], ".2965", ".4773"),
    ],
)
def test_tables_shipped_with_r_vcd_sexual_fun_and_ms_patients(table, plain, linear) -> None:
    """Kappas recomputed for the list; the tables are from memory and reproduce them to the last digit."""
    a, b = codes_of(table)
    assert agrees(cohen_kappa(a, b).estimate, plain)
    assert agrees(cohen_kappa(a, b, "linear").estimate, linear)


def fleiss_kappa(alpha: float, codes: int) -> float:
    """Fleiss's kappa from alpha: the same disagreements, expected with replacement."""
    return 1 - (1 - alpha) * codes / (codes - 1)


def test_fleiss_1971_psychiatric_diagnoses_and_each_category() -> None:
    """Recomputed (data in statsmodels' tests); that Fleiss prints the categories' kappas is from memory."""
    coders = list(zip(*(map(int, row) for row in DIAGNOSES.split()), strict=True))
    assert agrees(fleiss_kappa(krippendorff_alpha(*coders).estimate, 180), ".430")
    for category, printed in zip(range(1, 6), (".245", ".245", ".520", ".471", ".566"), strict=True):
        against = [[code == category for code in codes] for codes in coders]
        assert agrees(fleiss_kappa(krippendorff_alpha(*against).estimate, 180), printed)


def test_fleiss_kappa_wikipedia_fourteen_raters() -> None:
    """Printed in statsmodels' tests, and recomputed."""
    subjects = [[code for code, times in enumerate(row) for _ in range(times)] for row in FOURTEEN_RATERS]
    assert agrees(fleiss_kappa(krippendorff_alpha(*zip(*subjects, strict=True)).estimate, 140), ".210")


def test_gwet_three_by_three_abstractors() -> None:
    """Printed in the test file of Gwet's own package (kappa, Scott); AC1 and standard error recomputed."""
    a, b = codes_of(ABSTRACTORS)
    assert agrees(cohen_kappa(a, b).estimate, ".7964094")
    assert agrees(gwet_ac(a, b).estimate, ".8493")
    assert agrees(fleiss_kappa(krippendorff_alpha(a, b).estimate, 200), ".7962397")  # Scott's pi
    assert agrees(kappa_standard_error(a, b), ".05891072")


def test_krippendorff_gwet_four_coders_twelve_units() -> None:
    """Recomputed; attribution from memory."""
    for metric, printed in (("nominal", ".743"), ("ordinal", ".815"), ("interval", ".849")):
        assert agrees(krippendorff_alpha(*FOUR_BY_TWELVE, metric=metric).estimate, printed)
    a, b, *more = FOUR_BY_TWELVE
    assert agrees(gwet_ac(a, b, more=more).estimate, ".77544")


def test_krippendorff_three_coders_fifteen_units() -> None:
    """Recomputed (example of a published package's front page); attribution from memory."""
    assert agrees(krippendorff_alpha(*THREE_BY_FIFTEEN).estimate, ".691")
    assert agrees(krippendorff_alpha(*THREE_BY_FIFTEEN, metric="interval").estimate, ".811")


@pytest.mark.parametrize(
    ("table", "agreement", "kappa", "ac1"),
    [
        ([[40, 9], [6, 45]], ".85", ".70", ".701"),
        ([[80, 10], [5, 5]], ".85", ".32", ".808"),
        ([[118, 5], [2, 0]], ".944", "-.023", ".941"),
    ],
)
def test_feinstein_cicchetti_1990_and_gwet_paradox(table, agreement, kappa, ac1) -> None:
    """Recomputed; attribution from memory."""
    a, b = codes_of(table)
    assert agrees(percent_agreement(a, b).estimate, agreement)
    assert agrees(cohen_kappa(a, b).estimate, kappa)
    assert agrees(gwet_ac(a, b).estimate, ac1)


@pytest.mark.parametrize(
    ("table", "kappa"),
    [([[45, 15], [25, 15]], ".1304"), ([[25, 35], [5, 35]], ".2593"), ([[20, 5], [10, 15]], ".40")],
)
def test_wikipedia_cohens_kappa(table, kappa) -> None:
    """Recomputed; attribution from memory."""
    assert agrees(cohen_kappa(*codes_of(table)).estimate, kappa)


def test_brown_and_o_donoghue_2008_tennis_seven_codes() -> None:
    """Margins and agreement printed; kappa recomputed. Kappa depends on these alone: the other cells are made up."""
    table = np.diag([69, 41, 217, 19, 131, 78, 701])
    for row, column, count in (
        (4, 2, 26), (4, 6, 12), (0, 6, 10), (1, 6, 1), (2, 6, 20), (5, 0, 11), (5, 4, 3), (6, 4, 17),
    ):  # fmt: skip
        table[row, column] = count
    assert table.sum(axis=1).tolist() == [79, 42, 237, 19, 169, 92, 718]
    assert table.sum(axis=0).tolist() == [80, 41, 243, 19, 151, 78, 744]
    a, b = codes_of(table)
    assert agrees(percent_agreement(a, b).estimate, ".926")
    assert agrees(cohen_kappa(a, b).estimate, ".888")


@settings(deadline=None, max_examples=60)
@given(CODES, st.sampled_from([None, "linear", "quadratic"]))
def test_kappa_and_its_errors_are_those_of_statsmodels(pairs, weights) -> None:
    a, b = zip(*pairs, strict=True)
    table = np.zeros((4, 4))
    np.add.at(table, (a, b), 1)
    mine = cohen_kappa(a, b, weights, order=range(4))
    if np.isnan(mine.estimate):
        assert len({*a, *b}) == 1
        return
    with np.errstate(all="ignore"):  # roots of rounding errors below zero
        theirs = statsmodels_kappa(table, wt=weights)
    assert mine.estimate == pytest.approx(theirs.kappa, abs=1e-12)
    # The square root turns a rounding error of 1e-16 into 1e-8.
    error = kappa_standard_error(a, b, weights, order=range(4))
    assert error**2 == pytest.approx(np.nan_to_num(theirs.var_kappa), abs=1e-12)
    null = kappa_standard_error(a, b, weights, order=range(4), null=True)
    assert null**2 == pytest.approx(np.nan_to_num(theirs.var_kappa0), abs=1e-12)


def alpha_by_pairs(coders, cost) -> Fraction | None:
    """Alpha from its definition: mean cost within units over mean cost between all codes."""
    units = [[code for code in unit if code is not None] for unit in zip(*coders, strict=True)]
    units = [unit for unit in units if len(unit) > 1]
    codes = [code for unit in units for code in unit]
    if len(set(codes)) < 2:
        return None
    within = sum(Fraction(sum(cost(x, y) for x, y in permutations(unit, 2)), len(unit) - 1) for unit in units)
    between = Fraction(sum(cost(x, y) for x, y in permutations(codes, 2)), len(codes) - 1)
    return 1 - within / between


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(*[st.sampled_from([None, 0, 1, 2, 5])] * 3), min_size=1, max_size=12))
def test_alpha_is_its_definition(units) -> None:
    coders = list(zip(*units, strict=True))
    pairable = [
        code for unit in units if sum(c is not None for c in unit) > 1 for code in unit if code is not None
    ]

    def ordinal(x, y):
        low, high = sorted((x, y))
        between = sum(low <= code <= high for code in pairable)
        return (between - Fraction(pairable.count(low) + pairable.count(high), 2)) ** 2

    costs = {"nominal": lambda x, y: int(x != y), "interval": lambda x, y: (x - y) ** 2, "ordinal": ordinal}
    for metric, cost in costs.items():
        expected = alpha_by_pairs(coders, cost)
        found = krippendorff_alpha(*coders, metric=metric).estimate
        assert np.isnan(found) if expected is None else found == pytest.approx(float(expected), abs=1e-12)


@settings(deadline=None, max_examples=40)
@given(CODES)
def test_ac_is_its_definition(pairs) -> None:
    a, b = zip(*pairs, strict=True)
    n, k = len(pairs), max(2, len({*a, *b}))
    shares = [Fraction(a.count(code) + b.count(code), 2 * n) for code in {*a, *b}]
    chance = sum(share * (1 - share) for share in shares) / (k - 1)
    seen = Fraction(sum(x == y for x, y in pairs), n)
    assert gwet_ac(a, b).estimate == pytest.approx(float((seen - chance) / (1 - chance)), abs=1e-12)


def test_ac2_with_linear_weights_by_hand() -> None:
    """Three grades, 9 pairs: 6 alike, 2 a step apart, 1 two steps apart."""
    a, b = [0, 0, 0, 0, 1, 2, 0, 1, 0], [0, 0, 0, 0, 1, 2, 1, 2, 2]
    seen = Fraction(6 * 2 + 2 * 1, 9 * 2)
    shares = [Fraction(10, 18), Fraction(4, 18), Fraction(4, 18)]
    assert [a.count(g) + b.count(g) for g in range(3)] == [10, 4, 4]
    total_weight = 3 + 4 * Fraction(1, 2)
    chance = total_weight / (3 * 2) * sum(share * (1 - share) for share in shares)
    assert gwet_ac(a, b, "linear").estimate == pytest.approx(float((seen - chance) / (1 - chance)), abs=1e-12)


def test_specific_agreements_and_their_limits_return_to_the_binomial() -> None:
    """Cicchetti and Feinstein: 2a/(2a + b + c); the limit put back has tail 2.5 %."""
    from scipy.stats import binom

    a, b = codes_of([[118, 5], [2, 4]])
    none, given = positive_agreement(a, b, 0), negative_agreement(a, b, 0)
    assert none.estimate == pytest.approx(236 / 243)
    assert given.estimate == pytest.approx(8 / 15)
    for interval, both, one in ((none, 118, 7), (given, 4, 7)):
        low, high = (limit / (2 - limit) for limit in (interval.low, interval.high))
        assert binom.sf(both - 1, both + one, low) == pytest.approx(0.025)
        assert binom.cdf(both, both + one, high) == pytest.approx(0.025)
    assert positive_agreement([True, False, True], [1, 0, 0]).estimate == pytest.approx(2 / 3)


def test_prevalence_effect_tells_the_two_tables_of_feinstein_apart() -> None:
    """Same agreement .85: kappa .70 with balanced codes, .32 with nine in ten alike (recomputed; from memory)."""
    balanced, lopsided = (prevalence_effect(*codes_of(t)) for t in ([[40, 9], [6, 45]], [[80, 10], [5, 5]]))
    assert not balanced.misleading
    assert lopsided.misleading
    assert (balanced.balanced, lopsided.balanced) == pytest.approx((0.7, 0.7))
    assert (lopsided.prevalence_index, lopsided.bias_index) == pytest.approx((0.75, 0.05))
    assert lopsided.chance == pytest.approx(0.9 * 0.85 + 0.1 * 0.15)
    assert prevalence_effect(["stuck"] * 9, ["stuck"] * 9).misleading
    assert prevalence_effect([], []).to_dict()["kappa"] is None


def test_codes_may_be_anything_that_means_the_same() -> None:
    plain = cohen_kappa([1, 0, 1, 1, 0, 1], [1, 0, 0, 1, 0, 1])
    for a, b in (
        (np.array([1, 0, 1, 1, 0, 1]), pd.Series([1.0, 0, 0, 1, 0, 1])),
        ((True, False, True, True, False, True), [1, 0, 0, 1, 0, 1]),
        (pd.Series([1, 0, 1, 1, 0, 1], dtype="category"), iter([1, 0, 0, 1, 0, 1])),
        (
            pd.array([1, 0, 1, 1, 0, 1, None], dtype="Int64"),
            np.array([1, 0, 0, 1, 0, 1, np.nan], dtype=object),
        ),
    ):
        found = cohen_kappa(a, b)
        assert (found.estimate, found.low, found.high, found.n) == (plain.estimate, plain.low, plain.high, 6)
    assert percent_agreement([0.1 + 0.2, np.float32(0.1), Decimal("0.3")], [0.3, 0.1, 0.3]).estimate == 1
    assert positive_agreement([0.3, 0.1], [0.3, 0.3], positive=0.1 + 0.2).estimate == pytest.approx(2 / 3)


def test_missing_codes_are_left_out_and_counted() -> None:
    a = ["stuck", None, "step", "stuck", float("nan"), "step", pd.NA]
    b = ["stuck", "step", "step", "step", "stuck", " ", "stuck"]
    for found in (cohen_kappa(a, b), gwet_ac(a, b), krippendorff_alpha(a, b), percent_agreement(a, b)):
        assert found.n == 3
        assert "4 of 7 left out" in found.why
    assert (
        cohen_kappa(a, b).estimate
        == cohen_kappa(["stuck", "step", "stuck"], ["stuck", "step", "step"]).estimate
    )


def test_order_of_text_is_asked_for_or_said() -> None:
    a = ["stuck", "step", "fall", "stuck", "step", "stuck"]
    b = ["stuck", "step", "step", "stuck", "fall", "step"]
    order = ["stuck", "step", "fall"]
    said, unsaid = cohen_kappa(a, b, "linear", order=order), cohen_kappa(a, b, "linear")
    assert said.why == ""
    assert "alphabet: fall, step, stuck" in unsaid.why
    as_places = cohen_kappa([order.index(x) for x in a], [order.index(x) for x in b], "linear")
    assert said.estimate == as_places.estimate
    shuffled = ["step", "stuck", "fall"]
    for routine in (cohen_kappa, gwet_ac):
        assert (
            routine(a, b, "quadratic", order=order).estimate
            != routine(a, b, "quadratic", order=shuffled).estimate
        )
        assert routine(a, b, order=order).estimate == pytest.approx(routine(a, b, order=shuffled).estimate)
    assert "alphabet" in krippendorff_alpha(a, b, metric="ordinal").why
    assert krippendorff_alpha(a, b, metric="ordinal", order=order).why == ""


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: cohen_kappa([1, 0], [1]), "2, 1 codes"),
        (lambda: cohen_kappa("stuck", "stuck"), "plain list"),
        (lambda: cohen_kappa({"a": 1}, [1]), "plain list"),
        (lambda: cohen_kappa(np.eye(2), [1, 0]), "plain list"),
        (lambda: cohen_kappa([[1], [0]], [1, 0]), "a code is text or a number"),
        (lambda: cohen_kappa([1, 0], [1, 0], weights="square"), "weights 'square'"),
        (lambda: cohen_kappa([1, 0], [1, 2], order=[0, 1]), "code 2 of coder 2 at position 1"),
        (lambda: cohen_kappa([1, 0], [1, 0], order=[0, 0]), "two or more different"),
        (lambda: cohen_kappa([1, 0], [1, 0], order="stuck"), "list of categories"),
        (lambda: cohen_kappa([1, 0], [1, 0], level=95), "level"),
        (lambda: cohen_kappa([1, 0], [1, 0], seed=-1), "seed"),
        (lambda: krippendorff_alpha(["a", "b"], ["a", "a"], metric="interval"), "not a finite number"),
        (lambda: krippendorff_alpha([1, 1e300], [1, 2], metric="interval"), "not a finite number"),
        (lambda: krippendorff_alpha([1, 2], [1, 1], metric="ratio"), "metric"),
        (lambda: krippendorff_alpha([1, 2], [1, 1], weights="linear", metric="interval"), "give one"),
        (lambda: positive_agreement(["stuck"], ["step"]), "name the code"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_words(call, message) -> None:
    with pytest.raises(ValueError, match=message):
        call()


def test_codes_of_many_kinds_are_sorted_without_complaint() -> None:
    assert read_codes([["x", 1, (2, 3), 0.5]]).categories == (0.5, 1, "x", (2, 3))

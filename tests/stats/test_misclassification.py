"""The difference of stuck rates when codes may be wrong."""

import math

import numpy as np
import pytest

from analysis.stats.agreement import difference_with_miscoding
from analysis.stats.two_groups import difference_interval

FLAWLESS = [[10**8, 0], [0, 10**8]]


@pytest.mark.parametrize("counts", [(9, 9, 14, 22), (8, 10, 9, 20), (30, 40, 20, 40)])
def test_without_errors_it_comes_near_the_exact_interval(counts) -> None:
    found, exact = difference_with_miscoding(*counts, FLAWLESS), difference_interval(*counts)
    assert found.estimate == pytest.approx(exact.estimate, abs=1e-6)
    assert (found.low, found.high) == pytest.approx((exact.low, exact.high), abs=0.02)


def test_it_is_never_shorter_than_the_interval_that_takes_the_codes_as_right() -> None:
    """0 of 16 v 15 of 72: the exact interval reaches .055, one near mid-p stops below 0."""
    exact = difference_interval(0, 16, 15, 72)
    alone = difference_with_miscoding(0, 16, 15, 72, FLAWLESS)
    found = difference_with_miscoding(0, 16, 15, 72, FLAWLESS, uncorrected=exact)
    assert alone.high < 0 < exact.high
    assert found.high == pytest.approx(exact.high)
    assert found.low <= exact.low + 1e-6
    errors = difference_with_miscoding(0, 16, 15, 72, [[12, 3], [0, 15]], uncorrected=exact)
    assert errors.high >= exact.high / 0.8 - 1e-9


def test_rogan_gladen_by_hand() -> None:
    """Sensitivity 18/20, specificity 9/10: (r - .1) / .8; 14/20 -> .75, 6/20 -> .25."""
    found = difference_with_miscoding(14, 20, 6, 20, [[18, 2], [1, 9]])
    assert found.estimate == pytest.approx(0.5)
    plain = difference_with_miscoding(14, 20, 6, 20, FLAWLESS)
    assert found.high - found.low > plain.high - plain.low
    assert found.counts == ((14, 20), (6, 20))
    assert "as common in both techniques" in found.assumes


def test_a_table_in_proportion_gives_the_same_estimate_however_it_was_drawn() -> None:
    """Called stuck in 24 of 40; the double-coded part is a half of everything, so both ways of drawing fit."""
    table = [[11, 1], [1, 7]]
    at_random = difference_with_miscoding(16, 20, 8, 20, table)
    by_code = difference_with_miscoding(16, 20, 8, 20, table, drawn="by first code")
    assert by_code.estimate == pytest.approx(at_random.estimate)


def test_rare_codes_drawn_on_purpose_are_weighed_back() -> None:
    """90 % called stuck, but half of the double-coded part comes from those not called stuck.

    Of those called stuck .9 are, of the others .1: P(called | stuck) = .81/.82, P(called | not) = .09/.18.
    """
    found = difference_with_miscoding(38, 40, 34, 40, [[18, 2], [2, 18]], drawn="by first code")
    right, wrong = 0.81 / 0.82, 0.09 / 0.18
    expected = [min(1, max(0, (rate - wrong) / (right - wrong))) for rate in (0.95, 0.85)]
    assert found.estimate == pytest.approx(expected[0] - expected[1])
    naive = difference_with_miscoding(38, 40, 34, 40, [[18, 2], [2, 18]])
    assert naive.estimate != pytest.approx(found.estimate, abs=0.05)


@pytest.mark.parametrize(
    ("counts", "table", "drawn", "why"),
    [
        ((9, 9, 14, 22), [[3, 9], [8, 2]], "at random", "sensitivity"),
        ((9, 9, 14, 22), [[5, 5], [4, 4]], "at random", "sensitivity"),
        ((9, 9, 14, 22), [[12, 1], [0, 0]], "at random", "reference calls not stuck"),
        ((9, 9, 14, 22), [[12, 0], [1, 0]], "by first code", "called not stuck"),
        ((9, 9, 14, 22), [[0, 0], [0, 0]], "at random", "reference calls stuck"),
        ((0, 0, 14, 22), [[9, 1], [1, 9]], "at random", "without routines"),
    ],
)
def test_what_cannot_be_corrected_says_so(counts, table, drawn, why) -> None:
    found = difference_with_miscoding(*counts, table, drawn=drawn)
    assert math.isnan(found.estimate)
    assert (found.low, found.high) == (-1, 1)
    assert why in found.why


def test_the_fewer_routines_coded_twice_the_wider() -> None:
    widths = []
    for times in (1, 4, 16):
        found = difference_with_miscoding(9, 9, 14, 22, [[14 * times, times], [times, 8 * times]])
        assert found.low <= found.estimate <= found.high
        widths.append(found.high - found.low)
    assert widths == sorted(widths, reverse=True)


def test_seed_and_order_of_the_techniques() -> None:
    table = [[14, 1], [2, 8]]
    one = difference_with_miscoding(9, 9, 14, 22, table)
    assert one == difference_with_miscoding(np.int64(9), 9, 14.0, 22, np.array(table))
    swapped = difference_with_miscoding(14, 22, 9, 9, table)
    assert swapped.estimate == pytest.approx(-one.estimate)
    assert (swapped.low, swapped.high) == pytest.approx((-one.high, -one.low), abs=0.01)


@pytest.mark.parametrize("drawn", ["at random", "by first code"])
def test_coverage_with_twenty_four_coded_twice(drawn) -> None:
    """Rates .95 and .6, sensitivity .9, specificity .95; the whole grid is in tests/reference/agreement.csv."""
    rng = np.random.default_rng(9)
    rates, sizes, right, spec, meets = (0.95, 0.6), (12, 30), 0.9, 0.95, 60
    overall = (12 * 0.95 + 30 * 0.6) / 42
    cells = np.array(
        [[overall * right, overall * (1 - right)], [(1 - overall) * (1 - spec), (1 - overall) * spec]]
    )
    covered = 0
    for meet in range(meets):
        x1, x2 = rng.binomial(sizes, [rate * right + (1 - rate) * (1 - spec) for rate in rates])
        if drawn == "at random":
            table = rng.multinomial(24, cells.ravel()).reshape(2, 2)
        else:
            table = rng.multinomial(12, (cells / cells.sum(axis=0)).T).T
        found = difference_with_miscoding(x1, 12, x2, 30, table, seed=meet, drawn=drawn)
        covered += found.low <= 0.35 <= found.high
    assert covered >= 52  # 57 expected; P(51 or fewer) at .95 is .008, and the true coverage is higher


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((10, 9, 14, 22, FLAWLESS), "first group"),
        ((9, 9, 14, 22, [[1, 2, 3]]), "2 by 2"),
        ((9, 9, 14, 22, [[1, 2], [-1, 3]]), "whole numbers"),
        ((9, 9, 14, 22, [[1, 2], [0.5, 3]]), "whole numbers"),
        ((9, 9, 14, 22, [[1, 2], [math.nan, 3]]), "whole numbers"),
        ((9, 9, 14, 22, [["a", 2], [1, 3]]), "whole numbers"),
    ],
)
def test_counts_that_cannot_be_are_refused(arguments, message) -> None:
    with pytest.raises(ValueError, match=message):
        difference_with_miscoding(*arguments)
    with pytest.raises(ValueError, match="drawn"):
        difference_with_miscoding(9, 9, 14, 22, FLAWLESS, drawn="by technique")

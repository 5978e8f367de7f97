"""How many routines to code twice."""

import numpy as np
import pytest
from scipy.stats import binom

from analysis.stats.agreement import cohen_kappa, recode_size
from analysis.stats.proportions import proportion_interval


def expected_half_width(n: int, rate: float) -> float:
    limits = [proportion_interval(x, n, "clopper-pearson") for x in range(n + 1)]
    return sum(binom.pmf(x, n, rate) * (i.high - i.low) / 2 for x, i in enumerate(limits))


@pytest.mark.parametrize(("wanted", "agreement"), [(0.15, 0.9), (0.1, 0.8), (0.25, 0.95)])
def test_the_size_for_agreement_is_the_smallest_that_does(wanted, agreement) -> None:
    found = recode_size(wanted, agreement, measure="agreement")
    assert found.half_width == pytest.approx(expected_half_width(found.routines, agreement), abs=1e-9)
    assert found.half_width <= wanted < expected_half_width(found.routines - 1, agreement)


def test_the_formula_is_that_of_the_large_sample_error() -> None:
    """Trade facts C (recomputed): agreement .90, chance .50, N = 50 gives a standard error of .085."""
    found = recode_size(1.959964 * np.sqrt(0.9 * 0.1 / 50) / 0.5, agreement=0.9, prevalence=0.5)
    assert np.sqrt(0.9 * 0.1 / 50) / 0.5 == pytest.approx(0.085, abs=5e-4)
    assert found.formula in (50, 51)
    assert found.routines > found.formula  # the interval that holds up is wider


def test_the_size_for_kappa_gives_the_width_wanted() -> None:
    found = recode_size(0.2, agreement=0.9, prevalence=0.7)
    rng = np.random.default_rng(4)
    cells = [0.65, 0.05, 0.05, 0.25]
    widths = []
    for a, b, c, d in rng.multinomial(found.routines, cells, size=60):
        one, two = [1] * (a + b) + [0] * (c + d), [1] * a + [0] * b + [1] * c + [0] * d
        interval = cohen_kappa(one, two)
        widths.append((interval.high - interval.low) / 2)
    assert np.mean(widths) == pytest.approx(0.2, abs=0.02)


def test_rarer_codes_and_narrower_wishes_need_more() -> None:
    sizes = [recode_size(0.25, agreement=0.92, prevalence=p).routines for p in (0.5, 0.93)]
    assert sizes == sorted(sizes)
    sizes = [recode_size(half, agreement=0.92).routines for half in (0.4, 0.25)]
    assert sizes == sorted(sizes)
    assert recode_size(0.2, seed=1) == recode_size(0.2, seed=1)


def test_no_more_than_there_are() -> None:
    short = recode_size(0.1, agreement=0.9, available=40)
    assert short.routines == 40
    assert short.half_width > 0.1
    assert "all 40" in short.why
    assert recode_size(0.3, agreement=0.9, available=400) == recode_size(0.3, agreement=0.9)
    assert recode_size(0.49, agreement=0.99, measure="agreement").routines >= 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"half_width": 0}, "half_width"),
        ({"half_width": 0.1, "agreement": 1}, "agreement"),
        ({"half_width": 0.1, "prevalence": 90}, "prevalence"),
        ({"half_width": 0.1, "agreement": 0.7, "prevalence": 0.95}, "agree on at least 0.9"),
        ({"half_width": 0.0001}, "wider one"),
        ({"half_width": 0.1, "available": 0}, "available"),
        ({"half_width": 0.1, "measure": "alpha"}, "measure"),
        ({"half_width": 0.1, "level": 95}, "level"),
    ],
)
def test_wishes_that_cannot_be_meant_are_refused(arguments, message) -> None:
    with pytest.raises(ValueError, match=message):
        recode_size(**arguments)

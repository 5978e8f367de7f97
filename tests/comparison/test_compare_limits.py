"""What a comparison says where the data end: nothing varies, one side only, more routines than exact work allows."""

import json

import pytest
from studies import PIKED, TUCKED, routines

import analysis
from analysis.comparison.choose import PAST_BUDGET
from analysis.comparison.counts import compare_counts
from analysis.stats.budget import Budget

LANDINGS = ["stuck"] * 14 + ["small step or hop"] * 5 + ["large step or jump"] * 3


def test_deductions_that_never_vary_have_an_estimate_and_no_interval(study) -> None:
    rows = routines(PIKED, ["stuck"] * 9, "P") + routines(TUCKED, ["large step or jump"] * 9, "T")
    head = json.loads(analysis.compare(study(rows, outcome="deduction")).to_json())
    assert head["headline"]["difference"]["estimate"] == pytest.approx(-0.3)
    assert head["headline"]["difference"]["low"] is None
    assert head["headline"]["difference"]["why"]
    assert head["headline"]["claim"] == "not shown"
    assert "no interval" in head["reading"]


def test_a_one_sided_limit_of_points_is_null_on_its_other_side(study) -> None:
    rows = routines(PIKED, LANDINGS[8:], "P") + routines(TUCKED, LANDINGS, "T")
    head = json.loads(analysis.compare(study(rows, outcome="deduction", sides="fewer")).to_json())["headline"]
    assert head["difference"]["low"] is None
    assert "one-sided" in head["difference"]["why"]
    assert isinstance(head["difference"]["high"], float)


def test_past_the_budget_the_reason_says_so_and_the_pair_is_asymptotic(study) -> None:
    rows = routines(PIKED, LANDINGS * 2, "P") + routines(TUCKED, LANDINGS * 3, "T")
    found = analysis.compare(study(rows), budget=Budget(operations=10.0))
    assert found.headline.reason == PAST_BUDGET
    assert found.headline.interval is not None
    assert found.headline.test is not None
    assert "asymptotic" in found.headline.interval.method
    assert "asymptotic" in found.headline.test.method
    assert all("asymptotic" not in test.method for test in found.beside.tests)


def test_counts_past_the_budget_give_no_p_under_an_exact_name() -> None:
    found = compare_counts(9000, 18000, 8900, 18000, budget=Budget(operations=10.0)).to_dict()
    assert found["tests"]["barnard"] is None
    assert found["tests"]["boschloo"] is None
    assert found["tests"]["fisher"] == pytest.approx(0.29, abs=0.02)
    assert found["tests_why"]["barnard"]
    assert found["score_test"]["p_value"] == pytest.approx(0.2918, abs=5e-4)


def test_counts_within_the_budget_need_no_score_test() -> None:
    found = compare_counts(9, 9, 14, 22).to_dict()
    assert found["score_test"] is None
    assert None not in found["tests"].values()

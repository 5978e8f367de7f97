"""The planning of the next sample: which rates are supposed, and what the curve says about them."""

import json
import math
from dataclasses import asdict, replace

import pytest
from publish_comparisons import build

from analysis.comparison.planning import LADDER, Planning, make_planning
from analysis.publish.planning import chance_words, enough_words, planning_table, supposition_words
from analysis.stats.expected_width import expected_width
from analysis.stats.power import exact_power

BASE = build(full=False)


def plan(counts=((9, 9), (14, 22)), effective=None, **asked) -> Planning | None:
    """Plan from two counts, and as many effective routines as there are unless said."""
    worth = effective or tuple(n for _, n in counts)
    groups = tuple(
        replace(group, x=x, n=n, effective_n=e)
        for group, (x, n), e in zip(BASE.groups, counts, worth, strict=False)
    )
    question = replace(BASE.question, **{"matters": None, "sides": "two", **asked})
    return make_planning(question, groups, BASE.headline)


def test_every_step_is_the_exact_power_and_the_expected_width_of_its_supposition():
    planning = plan(effective=(5, 11))
    assert planning.design_effect == pytest.approx((9 / 5 + 2) / 2)
    for one in planning.suppositions:
        for step in one.steps[:5]:
            n = math.floor(step.routines / planning.design_effect + 1e-9)
            assert step.effective == n
            assert step.chance == exact_power(one.first, one.second, n, n, "barnard").power
            assert step.half_width == expected_width(one.first, one.second, n, n, "newcombe").half_width


def test_the_rates_seen_are_never_supposed():
    # 9 of 9 against 14 of 22: rates 1 and .64. What is supposed lies closer together, and no rate is 1.
    planning = plan()
    bases = {one.basis: one for one in planning.suppositions}
    seen = 10 / 11 - 15 / 24
    assert bases["half"].difference == pytest.approx(seen / 2)
    assert bases["matters"].difference == pytest.approx(0.2)
    assert all(0 < one.second < one.first < 1 for one in planning.suppositions)
    middle = (10 / 11 + 15 / 24) / 2
    assert all((one.first + one.second) / 2 == pytest.approx(middle) for one in planning.suppositions)


def test_the_plans_own_smallest_difference_is_used():
    planning = plan(matters=0.3)
    assert (planning.matters, planning.matters_given) == (0.3, True)
    assert planning.suppositions[0].difference == pytest.approx(0.3)
    assert not plan().matters_given


def test_the_side_of_the_supposed_difference():
    # The sign is that of the sample, or of the side that the plan asks.
    assert plan(((14, 22), (9, 9))).suppositions[0].difference < 0
    fewer = plan(sides="fewer")
    assert fewer.alternative == "less"
    assert [one.basis for one in fewer.suppositions] == ["matters"]
    assert fewer.suppositions[0].difference < 0
    one = fewer.suppositions[0]
    assert one.steps[2].chance == exact_power(one.first, one.second, 20, 20, "barnard", 0.05, "less").power


def test_half_of_next_to_nothing_is_not_a_supposition():
    assert [one.basis for one in plan(((13, 20), (19, 29))).suppositions] == ["matters"]


def test_a_mean_near_the_edge_is_moved_so_that_both_rates_fit():
    planning = plan(((40, 40), (39, 40)), matters=0.3)
    first, second = planning.suppositions[0].first, planning.suppositions[0].second
    assert first == pytest.approx(1.0)
    assert second == pytest.approx(0.7)


@pytest.mark.parametrize("effective", [(9, 22), (4, 13)])
def test_enough_is_where_the_chance_passes_the_one_wanted(effective):
    planning = plan(effective=effective)
    one = planning.suppositions[0]
    at = math.floor(one.enough / planning.design_effect + 1e-9)
    assert exact_power(one.first, one.second, at, at, "barnard") >= 0.8
    assert exact_power(one.first, one.second, at - 1, at - 1, "barnard") < 0.8
    assert one.steps[0].routines < one.enough < one.steps[-1].routines


def test_what_the_ladder_does_not_reach_is_none_and_said():
    planning = plan(matters=0.05)
    one = planning.suppositions[0]
    assert one.enough is None
    assert enough_words(planning, one).startswith("200 routines per technique don't reach a chance of 80")


def test_no_plan_without_stuck_or_without_routines():
    assert plan(((0, 0), (14, 22))) is None
    assert plan(effective=(0.05, 0.1)) is None
    points = build(full=False, outcome="deduction")
    assert make_planning(points.question, points.groups, points.headline) is None
    missing = replace(BASE.headline, first="nobody's technique")
    assert make_planning(BASE.question, BASE.groups, missing) is None


def test_a_plan_is_plain_data():
    planning = plan(effective=(3.5, 9.25))
    text = json.dumps(asdict(planning), allow_nan=False)
    assert json.loads(text)["suppositions"][0]["steps"][0]["effective"] == 4
    assert planning == plan(effective=(3.5, 9.25))


def test_table_prints_each_number_once_rounded():
    planning = plan(effective=(4, 13))
    table = planning_table(planning)
    assert [row[0] for row in table.rows] == [str(n) for n in LADDER]
    for row, one, other in zip(
        table.rows, planning.suppositions[0].steps, planning.suppositions[1].steps, strict=True
    ):
        assert int(row[1]) == one.effective
        assert abs(int(row[2]) - 100 * one.half_width) <= 0.5
        assert row[3].startswith(">") or abs(float(row[3]) - 100 * one.chance) <= 0.5
        assert abs(int(row[4]) - 100 * other.half_width) <= 0.5
    words = " ".join(table.notes)
    assert "The rates seen are not taken as true" in words
    assert "Because athletes come back" in words
    assert len(planning_table(plan()).header) == len(table.header) - 1


def test_words_of_a_supposition_and_of_a_chance():
    planning = plan()
    assert supposition_words(planning, planning.suppositions[0]) == (
        "20 percentage points apart, a difference that would matter: 87 against 67\N{NO-BREAK SPACE}%"
    )
    assert (chance_words(0.424), chance_words(0.9951), chance_words(1.0)) == ("42", "> 99", "> 99")

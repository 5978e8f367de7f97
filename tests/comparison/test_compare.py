"""The run from a plan to its answer, on sheets small enough to check by eye."""

import json
import math

import jsonschema
import pytest
from studies import LAYOUT, PIKED, TUCKED, routines

import analysis
from analysis.comparison.result import results_schema
from analysis.stats.clustered import athlete_permutation, clustered_difference
from analysis.stats.deductions import permutation_mean_difference
from analysis.stats.two_groups import barnard, difference_interval
from analysis.study.problem import InputProblem

STUCK, SMALL, LARGE, UNSEEN = "stuck", "small step or hop", "large step or jump", "not seen"
NINE_OF_NINE = routines(PIKED, [STUCK] * 9, "P")
FOURTEEN_OF_22 = routines(TUCKED, [STUCK] * 14 + [SMALL] * 5 + [LARGE] * 3, "T")


def answer(plan) -> dict:
    comparison = analysis.compare(plan)
    text = comparison.to_json()
    found = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} in the JSON"))
    jsonschema.validate(found, results_schema())
    rows = found["rows"]
    assert rows["read"] == rows["used"] + rows["set_aside"]
    assert rows["set_aside"] == sum(reason["rows"] for reason in rows["reasons"])
    assert (comparison.table["status"] == "used").sum() == rows["used"]
    assert len(comparison.table) == rows["read"]
    return found


def test_one_routine_each_is_answered_by_the_exact_pair(study) -> None:
    found = answer(study(NINE_OF_NINE + FOURTEEN_OF_22))
    head = found["headline"]
    interval = difference_interval(9, 9, 14, 22, method="exact")
    assert head["difference"]["low"] == pytest.approx(interval.low)
    assert head["difference"]["high"] == pytest.approx(interval.high)
    assert head["p_value"] == pytest.approx(barnard(9, 9, 14, 22).p_value)
    assert head["claim"] == "first higher"
    assert [(g["name"], g["x"], g["n"], g["athletes"]) for g in found["groups"]] == [
        (PIKED, 9, 9, 9),
        (TUCKED, 14, 22, 22),
    ]
    assert "9 of 9" in found["reading"]
    assert "14 of 22" in found["reading"]


def test_the_plans_order_is_the_order_everywhere(study) -> None:
    one = answer(study(NINE_OF_NINE + FOURTEEN_OF_22))
    other = answer(study(NINE_OF_NINE + FOURTEEN_OF_22, compare=[TUCKED, PIKED]))
    for limit, mirrored in (("low", "high"), ("high", "low"), ("estimate", "estimate")):
        assert other["headline"]["difference"][limit] == pytest.approx(
            -one["headline"]["difference"][mirrored], abs=2e-6
        )
    assert other["headline"]["p_value"] == pytest.approx(one["headline"]["p_value"])
    assert other["headline"]["claim"] == "first lower"
    assert [g["name"] for g in other["groups"]] == [TUCKED, PIKED]


def returning(technique: str, per_athlete: list[tuple[int, int]], prefix: str) -> list:
    """(stuck, shown) per athlete, spread over the rounds of three meets."""
    rows = []
    places = [(m, r) for m in ("Lindenau", "Brosslund", "Kelvenau") for r in ("qualification", "final")]
    for i, (stuck, shown) in enumerate(per_athlete):
        for j in range(shown):
            meet, part = places[j]
            landing, points = (STUCK, "0") if j < stuck else (SMALL, "0.1")
            rows.append((meet, part, f"{prefix}{i}", technique, landing, points))
    return rows


FEW_FIRST = [(1, 2), (3, 3), (0, 1), (4, 5), (2, 2), (2, 4)]
FEW_SECOND = [(3, 3), (2, 2), (1, 2), (1, 1)]


def test_returning_athletes_are_the_units(study) -> None:
    found = answer(study(returning(PIKED, FEW_FIRST, "P") + returning(TUCKED, FEW_SECOND, "T")))
    head = found["headline"]["difference"]
    # The limits are the worked values of the project's own design notes for these ten athletes.
    assert head["low"] == pytest.approx(-0.5645, abs=5e-5)
    assert head["high"] == pytest.approx(0.3802, abs=5e-5)
    outcome, first, athlete = [], [], []
    for group, arms in ((True, FEW_FIRST), (False, FEW_SECOND)):
        for i, (stuck, shown) in enumerate(arms):
            outcome += [1] * stuck + [0] * (shown - stuck)
            first += [group] * shown
            athlete += [(group, i)] * shown
    assert found["headline"]["p_value"] == pytest.approx(athlete_permutation(outcome, first, athlete).p_value)
    assert found["repeats"]["returning"] == 8
    assert found["headline"]["claim"] == "not shown"
    assert "fewer than five" in " ".join(found["words"]["cannot_say"])


def test_the_limits_of_each_group_are_those_of_the_headline(study) -> None:
    """Square and add: the headline's limits follow from the groups' own (no athlete is shared here)."""
    found = answer(study(returning(PIKED, FEW_FIRST, "P") + returning(TUCKED, FEW_SECOND, "T")))
    one, two = found["groups"]
    p1, p2 = one["x"] / one["n"], two["x"] / two["n"]
    low = p1 - p2 - math.hypot(p1 - one["low"], two["high"] - p2)
    high = p1 - p2 + math.hypot(one["high"] - p1, p2 - two["low"])
    assert found["headline"]["difference"]["low"] == pytest.approx(low)
    assert found["headline"]["difference"]["high"] == pytest.approx(high)
    assert one["effective_n"] < one["n"]


def test_first_keeps_the_first_routine_in_time_not_in_the_sheet(study) -> None:
    rows = [
        ("Lindenau", "final", "P0", PIKED, SMALL, "0.1"),
        ("Lindenau", "qualification", "P0", PIKED, STUCK, "0"),
        *routines(PIKED, [STUCK] * 4, "Q"),
        *routines(TUCKED, [STUCK, SMALL, SMALL], "T"),
    ]
    found = answer(study(rows, repeats="first"))
    assert [(g["x"], g["n"]) for g in found["groups"]] == [(5, 5), (1, 3)]
    assert found["rows"]["reasons"] == [
        {"reason": "a later routine of an athlete whose first one counts", "rows": 1}
    ]


def test_first_goes_by_date_where_there_is_one(study) -> None:
    header = ("meet", "date", "athlete", "technique", "landing")
    rows = [
        ("Brosslund", "2025-10-18", "P0", PIKED, SMALL),
        ("Lindenau", "2025-09-20", "P0", PIKED, STUCK),
        *(("Lindenau", "2025-09-20", f"Q{i}", PIKED, STUCK) for i in range(3)),
        *(("Lindenau", "2025-09-20", f"T{i}", TUCKED, SMALL) for i in range(3)),
    ]
    found = answer(study(rows, header, repeats="first"))
    assert [(g["x"], g["n"]) for g in found["groups"]] == [(4, 4), (0, 3)]


def test_a_first_routine_that_was_not_seen_makes_way_for_the_next(study) -> None:
    rows = [
        ("Lindenau", "qualification", "P0", PIKED, UNSEEN, ""),
        ("Lindenau", "final", "P0", PIKED, STUCK, "0"),
        *routines(PIKED, [STUCK] * 2, "Q"),
        *routines(TUCKED, [SMALL] * 3, "T"),
    ]
    found = answer(study(rows, repeats="first"))
    assert [(g["x"], g["n"]) for g in found["groups"]] == [(3, 3), (0, 3)]


def test_counting_all_with_repeats_is_warned_about(study) -> None:
    found = answer(
        study(returning(PIKED, FEW_FIRST, "P") + returning(TUCKED, FEW_SECOND, "T"), repeats="all")
    )
    assert found["repeats"]["note"].startswith("Warning")
    assert found["headline"]["p_value"] == pytest.approx(barnard(12, 17, 7, 8).p_value)


def test_fewer_than_three_routines_make_no_claim(study) -> None:
    found = answer(study(routines(PIKED, [STUCK] * 2, "P") + routines(TUCKED, [SMALL] * 40, "T")))
    head = found["headline"]
    assert head["difference"]["low"] > 0  # the interval alone would claim
    assert head["p_value"] is None
    assert "fewer than 3" in head["why"]
    assert head["claim"] == "not shown"


def test_a_technique_without_a_usable_routine_has_no_interval(study) -> None:
    found = answer(study(routines(PIKED, [STUCK] * 5, "P") + routines(TUCKED, [UNSEEN] * 4, "T")))
    head = found["headline"]
    assert head["difference"]["estimate"] is None
    assert "second technique" in head["difference"]["why"]
    assert head["claim"] == "not shown"
    assert found["rows"]["set_aside"] == 4


def test_every_row_set_aside_has_its_reason(study) -> None:
    rows = [
        *NINE_OF_NINE,
        *FOURTEEN_OF_22,
        ("Lindenau", "final", "X1", LAYOUT, STUCK, "0"),
        ("Lindenau", "final", "X2", PIKED, UNSEEN, "0.1"),
        ("Lindenau", "final", "", PIKED, STUCK, "0"),
        ("Lindenau", "final", "X4", "", STUCK, "0"),
        ("Lindenau", "final", "X5", PIKED, "landed on the moon", "0"),
    ]
    comparison = analysis.compare(study(rows))
    aside = comparison.table[comparison.table["status"] == "set aside"]
    assert len(aside) == 5
    assert comparison.rows.used == 31
    assert (aside["reason"] != "").all()
    assert "not compared" in aside["reason"].iloc[0]


def test_stuck_is_refused_without_a_landing_column(study) -> None:
    header = ("meet", "athlete", "technique", "deduction")
    rows = [("Lindenau", f"P{i}", PIKED, "0") for i in range(4)]
    rows += [("Lindenau", f"T{i}", TUCKED, "0.1") for i in range(4)]
    with pytest.raises(InputProblem, match="landing"):
        analysis.compare(study(rows, header))
    found = answer(study(rows, header, outcome="deduction"))
    assert [(g["x"], g["n"]) for g in found["groups"]] == [(4, 4), (0, 4)]


def test_everything_that_the_plan_misnames_is_told_at_once(study) -> None:
    plan = study(NINE_OF_NINE + FOURTEEN_OF_22, compare=["piked duble back", TUCKED], strata=["county"])
    with pytest.raises(InputProblem) as caught:
        analysis.compare(plan)
    told = str(caught.value)
    assert "piked duble back" in told
    assert "county" in told


def test_deduction_is_in_points_and_counts_routines_without(study) -> None:
    found = answer(study(NINE_OF_NINE + FOURTEEN_OF_22, outcome="deduction"))
    head = found["headline"]
    first, second = [0.0] * 9, [0.0] * 14 + [0.1] * 5 + [0.3] * 3
    effect = permutation_mean_difference(first, second)
    assert head["difference"]["estimate"] == pytest.approx(-1.4 / 22)
    direct = clustered_difference(first + second, [True] * 9 + [False] * 22, range(31), kind="points")
    assert head["difference"]["low"] == pytest.approx(direct.low)
    assert head["p_value"] == pytest.approx(effect.p_value)
    beside = found["deductions"][0]["effect"]
    assert (beside["low"], beside["high"]) == (pytest.approx(effect.low), pytest.approx(effect.high))
    assert head["unit"] == "points"
    assert [(g["x"], g["n"]) for g in found["groups"]] == [(9, 9), (14, 22)]
    assert found["groups"][1]["mean"] == pytest.approx(1.4 / 22)


def test_a_better_landing_grade_counts_as_higher(study) -> None:
    found = answer(study(NINE_OF_NINE + FOURTEEN_OF_22, outcome="landing grade"))
    # 9 stuck against 14 stuck and 8 worse: P(better) + P(tie) / 2 - 1/2 = 8/22 + 7/22 - 1/2.
    assert found["headline"]["difference"]["estimate"] == pytest.approx(15 / 22 - 0.5)
    assert [(g["x"], g["n"]) for g in found["groups"]] == [(9, 9), (14, 22)]


@pytest.mark.parametrize("outcome", ["deduction", "landing grade"])
def test_returning_athletes_in_points_and_grades(study, outcome: str) -> None:
    rows = returning(PIKED, FEW_FIRST, "P") + returning(TUCKED, FEW_SECOND, "T")
    found = answer(study(rows, outcome=outcome))
    head = found["headline"]
    assert head["difference"]["low"] < head["difference"]["estimate"] < head["difference"]["high"]
    assert 0 < head["p_value"] <= 1


def test_falls_are_told_apart_in_points(study) -> None:
    rows = NINE_OF_NINE + routines(TUCKED, [STUCK] * 5 + [SMALL] * 2 + ["fall"] * 2, "T")
    found = answer(study(rows))
    with_falls, without = found["deductions"]
    assert with_falls["falls"] == "with falls"
    assert with_falls["groups"][1]["n"] == 9
    assert without["groups"][1]["n"] == 7
    assert with_falls["groups"][1]["mean"] == pytest.approx(2.2 / 9)
    assert without["groups"][1]["mean"] == pytest.approx(0.2 / 7)


def test_one_sided_questions_end_at_the_edge_of_the_scale(study) -> None:
    more = answer(study(NINE_OF_NINE + FOURTEEN_OF_22, sides="more"))["headline"]
    assert more["difference"]["high"] == 1
    assert more["p_value"] == pytest.approx(barnard(9, 9, 14, 22, alternative="greater").p_value)
    fewer = answer(study(NINE_OF_NINE + FOURTEEN_OF_22, sides="fewer"))["headline"]
    assert fewer["difference"]["low"] == -1
    assert fewer["claim"] == "not shown"


def test_a_difference_too_small_to_matter_can_be_claimed(study) -> None:
    half = [STUCK, SMALL] * 60
    rows = routines(PIKED, half, "P") + routines(TUCKED, half, "T")
    assert answer(study(rows))["headline"]["claim"] == "not shown"
    assert answer(study(rows, matters=0.2))["headline"]["claim"] == "about the same"


def test_three_techniques_open_with_the_overall_test(study) -> None:
    rows = NINE_OF_NINE + FOURTEEN_OF_22 + routines(LAYOUT, [STUCK] * 2 + [LARGE] * 9, "L")
    found = answer(study(rows, compare=[PIKED, TUCKED, LAYOUT]))
    assert found["reading"].startswith("Over all 3 techniques")
    assert found["rows"]["used"] == 42
    pairs = found["pairs"]["pairs"]
    assert [(pair["first"], pair["second"]) for pair in pairs] == [
        (PIKED, TUCKED),
        (PIKED, LAYOUT),
        (TUCKED, LAYOUT),
    ]
    for pair in pairs:
        assert pair["family_p"] >= pair["p_value"]
        assert pair["difference"]["level"] == pytest.approx(1 - 0.05 / 3)
    assert found["headline"]["difference"]["estimate"] == pytest.approx(8 / 22)


def test_three_techniques_with_returning_athletes_use_holm(study) -> None:
    rows = returning(PIKED, FEW_FIRST, "P") + returning(TUCKED, FEW_SECOND, "T")
    rows += returning(LAYOUT, [(0, 3), (1, 4), (0, 2), (0, 2)], "L")
    found = answer(study(rows, compare=[PIKED, TUCKED, LAYOUT]))
    assert "Holm" in found["pairs"]["control"]
    assert found["pairs"]["overall"]["p_value"] == min(p["family_p"] for p in found["pairs"]["pairs"])


def test_a_reversal_within_meets_is_said_in_the_first_paragraph(study) -> None:
    """A reversal made on purpose: piked is stuck less often in each meet, and more often over both."""
    rows = routines(PIKED, [STUCK] * 27 + [SMALL] * 3, "A", "Lindenau")
    rows += routines(TUCKED, [STUCK] * 10, "B", "Lindenau")
    rows += routines(PIKED, [STUCK] * 2 + [SMALL] * 8, "C", "Brosslund")
    rows += routines(TUCKED, [STUCK] * 9 + [SMALL] * 21, "D", "Brosslund")
    found = answer(study(rows, strata=["meet"]))
    assert found["headline"]["difference"]["estimate"] > 0
    assert found["strata"]["difference"]["estimate"] < 0
    assert "the other way" in found["reading"]
    assert [(t["x1"], t["n1"], t["x2"], t["n2"]) for t in found["strata"]["tables"]] == [
        (27, 30, 10, 10),
        (2, 10, 9, 30),
    ]


def test_strata_with_returning_athletes_rest_on_first_routines(study) -> None:
    rows = returning(PIKED, FEW_FIRST, "P") + returning(TUCKED, FEW_SECOND, "T")
    found = answer(study(rows, strata=["meet"]))
    assert found["strata"]["basis"] == "the first routine of each athlete"
    assert sum(t["n1"] + t["n2"] for t in found["strata"]["tables"]) == 10
    assert found["strata"]["standardised"] is not None


def test_leaving_out_one_athlete_is_reported(study) -> None:
    found = answer(study(NINE_OF_NINE + FOURTEEN_OF_22))
    doubt = found["doubt"]
    assert doubt["leave_out_runs"] == 31
    assert doubt["leave_out_low"] < found["headline"]["difference"]["estimate"] < doubt["leave_out_high"]
    named = {item["what"] for item in doubt["alternatives"]}
    assert "no landing deduction at all counts" in named


def test_adjusting_is_refused_where_the_techniques_do_not_overlap(study) -> None:
    header = ("meet", "athlete", "technique", "landing", "difficulty")
    rows = [("Lindenau", f"P{i}", PIKED, STUCK, "5.2") for i in range(12)]
    rows += [("Lindenau", f"T{i}", TUCKED, SMALL if i % 3 else STUCK, "4.1") for i in range(12)]
    found = answer(study(rows, header, adjust=["difficulty"]))
    assert found["adjusted"]["difference"] is None
    assert "difficulty tells without error who used which technique" in found["adjusted"]["why"]


def test_adjusting_gives_a_difference_for_the_same_mix(study) -> None:
    header = ("meet", "athlete", "technique", "landing", "difficulty")
    rows = []
    for i in range(30):
        rows.append(("Lindenau", f"P{i}", PIKED, STUCK if i % 4 else SMALL, f"{4.0 + (i % 7) / 10:.1f}"))
        rows.append(("Lindenau", f"T{i}", TUCKED, STUCK if i % 2 else SMALL, f"{3.9 + (i % 5) / 10:.1f}"))
    found = answer(study(rows, header, adjust=["difficulty"]))
    adjusted = found["adjusted"]["difference"]
    assert adjusted["low"] < adjusted["estimate"] < adjusted["high"]
    assert adjusted["estimate"] == pytest.approx(found["headline"]["difference"]["estimate"], abs=0.1)


def test_the_same_plan_gives_the_same_answer_twice(study) -> None:
    plan = study(returning(PIKED, FEW_FIRST, "P") + returning(TUCKED, FEW_SECOND, "T"), strata=["meet"])
    assert analysis.compare(plan).to_json() == analysis.compare(plan).to_json()


def test_no_file_name_in_the_answer_tells_where_it_was(study, tmp_path) -> None:
    text = analysis.compare(study(NINE_OF_NINE + FOURTEEN_OF_22)).to_json()
    assert str(tmp_path) not in text


def test_the_clustered_interval_is_the_one_called_directly(study) -> None:
    found = answer(study(returning(PIKED, [(2, 2)] * 5, "P") + returning(TUCKED, [(2, 2)] * 5, "T")))
    direct = clustered_difference([1] * 20, [True] * 10 + [False] * 10, [i // 2 for i in range(20)])
    head = found["headline"]["difference"]
    assert (head["low"], head["high"]) == (pytest.approx(direct.low), pytest.approx(direct.high))
    assert head["high"] == pytest.approx(0.4653, abs=5e-5)


@pytest.mark.parametrize("outcome", ["stuck", "deduction", "landing grade"])
def test_pairs_are_closed_by_exact_tests_in_every_outcome(study, outcome: str) -> None:
    rows = NINE_OF_NINE + FOURTEEN_OF_22 + routines(LAYOUT, [STUCK] * 2 + [LARGE] * 9, "L")
    found = answer(study(rows, compare=[PIKED, TUCKED, LAYOUT], outcome=outcome))["pairs"]
    assert found["control"].startswith("closed testing")
    overall = found["overall"]["p_value"]
    assert "Holm" not in found["overall"]["method"]
    for pair in found["pairs"]:
        # With three techniques a pair's family-wise p is the larger of its own and the overall one.
        assert pair["family_p"] == pytest.approx(max(pair["p_value"], overall))

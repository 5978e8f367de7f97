"""Like with like: the models side by side, the refusal, and what is said of both."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from studies import PIKED, TUCKED

import analysis
from analysis.comparison.evidence import Adjusted, Model
from analysis.comparison.result import Comparison
from analysis.stats.logistic import firth, standardised_difference
from analysis.stats.ordinal import proportional_odds
from analysis.stats.standardised_points import standardised_points
from analysis.stats.strata import common_odds_ratio

Study = Callable[..., Path]
HEADER = (
    "meet",
    "round",
    "athlete",
    "technique",
    "landing",
    "deduction",
    "difficulty",
    "execution",
)
LANDINGS = (("stuck", "0.0"), ("small step or hop", "0.1"), ("large step or jump", "0.3"), ("fall", "1.0"))


def series(seed: int = 5, athletes: int = 30, gap: bool = False, all_stuck: bool = False) -> list[tuple]:
    """An invented autumn in which better athletes show the piked one; each comes twice, some show both."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(athletes):
        skill = rng.normal()
        piked = skill + rng.normal() > 0.3
        for meet in ("Lindenau", "Ostrau"):
            mine = piked if rng.random() < 0.8 else not piked
            grade = (
                0
                if (all_stuck and mine) or rng.random() < 1 / (1 + np.exp(-0.5 - skill))
                else 1 + rng.integers(3)
            )
            landing, lost = LANDINGS[int(grade)]
            before = 8.5 + 0.3 * skill
            difficulty = "" if gap and i == 4 else f"{4.5 + 0.2 * mine + rng.normal() / 4:.1f}"
            rows.append(
                (
                    meet,
                    "final" if rng.random() < 0.3 else "qualification",
                    f"A{i:02d}",
                    PIKED if mine else TUCKED,
                    landing,
                    lost,
                    difficulty,
                    f"{before - float(lost):.2f}",
                )
            )
    return rows


def adjusted_of(found: Comparison) -> Adjusted:
    assert found.adjusted is not None
    return found.adjusted


def line(found: Comparison, key: str) -> Model:
    return next(model for model in adjusted_of(found).models if model.key == key)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    from studies import write_study

    folder = tmp_path_factory.mktemp("series")
    plan = write_study(folder, series(), HEADER, adjust=["difficulty", "round"], strata=["meet"], prior=[1, 1],
                       difficulty_gain=0.2)  # fmt: skip
    return analysis.compare(plan)


def arrays(rows: list[tuple]) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[str]]:
    """The same series as plain arrays, coded here by hand."""
    stuck = np.array([int(row[4] == "stuck") for row in rows])
    first = np.array([row[3] == PIKED for row in rows])
    difficulty = np.array([float(row[6]) for row in rows])
    rare = np.array([float(row[1] == "final") for row in rows])
    X = np.column_stack([(difficulty - difficulty.mean()) / difficulty.std(), rare])
    return stuck, first, X, [row[2] for row in rows]


def test_the_rule_chooses_the_standardised_difference_and_says_why(found: Comparison) -> None:
    adjusted = adjusted_of(found)
    assert adjusted.chosen == "standardised"
    assert [model.key for model in adjusted.models if model.chosen] == ["standardised"]
    assert "Athletes come back" in adjusted.reason
    assert any("showed both techniques" in text for text in adjusted.drivers)
    assert adjusted.agreement in " ".join([found.reading.headline, *found.reading.sentences])


def test_every_line_is_what_its_routine_gives(found: Comparison) -> None:
    stuck, first, X, athletes = arrays(series())
    difference = standardised_difference(stuck, first, X, athlete=athletes)
    assert line(found, "standardised").estimate == pytest.approx(difference.estimate, rel=1e-9)
    assert line(found, "standardised").low == pytest.approx(difference.low, rel=1e-9)
    fit = firth(stuck, np.column_stack([first, X]))
    assert line(found, "penalised").estimate == pytest.approx(np.exp(fit.coefficients[1]), rel=1e-6)
    tables = []
    for athlete in dict.fromkeys(athletes):
        own = np.array([a == athlete for a in athletes])
        if 0 < first[own].sum() < own.sum():
            counts = [
                [int(stuck[own & side].sum()), int((own & side).sum() - stuck[own & side].sum())]
                for side in (first, ~first)
            ]
            tables.append(counts)
    within = common_odds_ratio(tables)
    assert line(found, "within_odds").p_value == pytest.approx(within.p_value, rel=1e-9)


def test_all_models_stand_side_by_side(found: Comparison) -> None:
    assert [model.key for model in adjusted_of(found).models] == [
        "plain",
        "standardised",
        "standardised_none",
        "penalised",
        "exact",
        "maximum_likelihood",
        "random_intercept",
        "gee",
        "first_routines",
        "within",
        "within_odds",
    ]
    assert line(found, "plain").estimate == found.headline.estimate


def test_rows_with_a_gap_are_left_out_and_the_plain_difference_is_given_over_the_same_rows(
    study: Study,
) -> None:
    found = analysis.compare(study(series(gap=True), HEADER, adjust=["difficulty"]))
    same = line(found, "plain_same_rows")
    assert same.n == adjusted_of(found).rows == line(found, "plain").n - 2
    assert any("2 routines have no value" in text for text in adjusted_of(found).drivers)
    assert "over the 58 routines with a value in each column" in adjusted_of(found).agreement


def test_a_group_that_is_all_stuck_makes_maximum_likelihood_infinite_and_leaves_the_others_finite(
    study: Study,
) -> None:
    found = analysis.compare(study(series(all_stuck=True), HEADER, adjust=["round"]))
    likely, penalised = line(found, "maximum_likelihood"), line(found, "penalised")
    assert likely.estimate == np.inf
    assert likely.low is not None
    assert np.isfinite(likely.low)
    assert penalised.estimate is not None
    assert np.isfinite(penalised.estimate)
    assert line(found, "gee").estimate is None
    assert PIKED in line(found, "gee").why
    standardised = line(found, "standardised")
    assert standardised.high is not None
    assert standardised.high <= 1


def test_techniques_that_do_not_overlap_are_not_adjusted_but_still_compared_within_athletes(
    study: Study,
) -> None:
    rows = [(*row[:6], "5.9" if row[3] == PIKED else "4.1", row[7]) for row in series()]
    found = analysis.compare(study(rows, HEADER, adjust=["difficulty"]))
    adjusted = adjusted_of(found)
    assert adjusted.chosen == ""
    assert "difficulty tells without error" in adjusted.why
    assert all(line(found, key).estimate is None for key in ("standardised", "penalised", "exact", "gee"))
    assert line(found, "within").estimate is not None
    assert "nothing is compared" in adjusted.agreement


def test_returning_athletes_are_modelled_without_any_column(study: Study) -> None:
    found = analysis.compare(study(series(), HEADER))
    assert adjusted_of(found).chosen == "plain"
    assert adjusted_of(found).agreement == ""
    assert line(found, "random_intercept").estimate is not None


def test_nothing_to_adjust_and_nobody_comes_back_gives_no_section(study: Study) -> None:
    rows = [row for row in series() if row[0] == "Lindenau"]
    assert analysis.compare(study(rows, HEADER)).adjusted is None


@pytest.mark.parametrize("outcome", ["stuck", "deduction", "landing grade"])
def test_a_column_that_one_technique_never_has_is_refused(study: Study, outcome: str) -> None:
    rows = [(*row[:6], "" if row[3] == PIKED else row[6], row[7]) for row in series()]
    found = analysis.compare(study(rows, HEADER, adjust=["difficulty"], outcome=outcome))
    assert adjusted_of(found).chosen == ""
    assert adjusted_of(found).why == "one technique has no routine with a value in every column"


def test_a_column_of_many_names_is_sent_to_strata(study: Study) -> None:
    rows = [(*row, f"clip {i}") for i, row in enumerate(series())]
    found = analysis.compare(study(rows, (*HEADER, "hall"), adjust=["hall"]))
    assert (
        adjusted_of(found).why == "hall has 60 values, too many to adjust for; name it under strata instead"
    )


def test_the_landing_is_given_back_to_the_execution_score(study: Study) -> None:
    rows = series()
    found = analysis.compare(study(rows, HEADER, adjust=["Execution before landing"]))
    before = np.array([float(row[7]) + float(row[5]) for row in rows])
    stuck, first, _, athletes = arrays(rows)
    wanted = standardised_difference(stuck, first, before, athlete=athletes)
    assert line(found, "standardised").estimate == pytest.approx(wanted.estimate, abs=1e-9)
    warned = analysis.compare(study(rows, HEADER, adjust=["execution"]))
    assert any("takes part of the outcome away" in text for text in adjusted_of(warned).drivers)


def test_points_are_standardised_as_points(study: Study) -> None:
    rows = series()
    found = analysis.compare(study(rows, HEADER, adjust=["difficulty", "round"], outcome="deduction"))
    _, first, X, athletes = arrays(rows)
    wanted = standardised_points([float(row[5]) for row in rows], first, X, athlete=athletes)
    assert line(found, "standardised").estimate == pytest.approx(wanted.estimate, abs=1e-9)
    assert "points" in adjusted_of(found).agreement


def test_grades_are_read_from_the_ordered_model(study: Study) -> None:
    rows = series()
    found = analysis.compare(study(rows, HEADER, adjust=["difficulty", "round"], outcome="landing grade"))
    _, first, X, athletes = arrays(rows)
    names = [landing for landing, _ in LANDINGS]
    better = [-names.index(row[4]) for row in rows]
    wanted = proportional_odds(better, np.column_stack([first, X]), athlete=athletes)
    assert adjusted_of(found).chosen == "ordered"
    assert line(found, "ordered").estimate == pytest.approx(np.exp(wanted.coefficients[0]), rel=1e-6)
    assert "odds of a better landing" in adjusted_of(found).agreement


def test_athletes_whose_codes_start_again_at_each_meet_are_told_apart(study: Study) -> None:
    """The trap of cluster ids that repeat across centres (geepack's respiratory data): A01 here isn't A01 there."""
    plain = analysis.compare(study(series(), HEADER))
    apart = analysis.compare(study(series(), HEADER, athlete=["meet", "athlete"]))
    assert plain.repeats.returning == 30
    assert apart.repeats.returning == 0
    assert apart.repeats.athletes == 60


def test_who_does_which_technique_is_laid_open(found: Comparison) -> None:
    assert found.selection is not None
    assert found.selection.balance is not None
    columns = [one.column for one in found.selection.balance.lines if not one.value]
    assert columns == ["difficulty", "execution before landing", "round", "meet"]
    assert found.selection.e_value is not None
    assert len(found.selection.tipping) == 4


def test_every_grade_is_compared_and_the_model_checked(found: Comparison) -> None:
    graded = found.graded
    assert graded is not None
    assert graded.fit is not None
    assert graded.check is not None
    assert graded.rank is not None
    assert [cut.grade for cut in graded.cuts] == ["stuck", "small step or hop", "large step or jump"]
    assert graded.cuts[0].difference.estimate == pytest.approx(found.headline.estimate)
    shares = graded.shares
    assert shares is not None
    total = shares.first_better.estimate + shares.second_better.estimate + shares.tie.estimate
    assert total == pytest.approx(1)


def test_points_come_in_parts_with_falls_and_without_and_the_trade_is_read(found: Comparison) -> None:
    assert [part.falls for part in found.points_parts] == ["with falls", "without falls"]
    for part in found.points_parts:
        assert part.parts is not None
        assert part.trade is not None
        assert part.parts.from_how_often + part.parts.from_how_much == pytest.approx(
            part.parts.whole.estimate
        )
        assert part.trade.net.estimate == pytest.approx(0.2 - part.parts.whole.estimate)
        assert part.reading in found.reading.sentences


def test_a_prior_is_shown_where_the_plan_gives_one_and_never_changes_the_headline(
    found: Comparison, study: Study
) -> None:
    assert found.priors is not None
    assert found.priors.posteriors[0].difference.estimate != found.headline.estimate
    without = analysis.compare(study(series(), HEADER, adjust=["difficulty", "round"], strata=["meet"]))
    assert without.priors is None
    assert without.headline == found.headline

"""Which model the report reads when it adjusts, and why: one table, in the words that the report prints."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.comparison.result import Outcome

_SCALE = (
    "the penalised logistic fit stays finite where a group is all stuck, and the difference standardised over these "
    "routines is on the scale of a stuck rate, not of odds"
)
_POINTS = "the difference in mean points, standardised over these routines, is in the unit of the score sheet"
_GRADE = (
    "the proportional-odds model keeps the order of the landings and makes no claim about their distances"
)
_UNITS = "Athletes come back, so whole athletes are the units of its interval."
_ONCE = "Each athlete counts once."
_PLAIN = (
    "The plan names no column to adjust for, so the plain difference with athletes as units stands; the models "
    "beside it show what follows from other assumptions about athletes who come back."
)


@dataclass(frozen=True)
class ModelChoice:
    """The model that is read in one situation, and the reason that the report gives."""

    outcome: Outcome
    columns: bool
    clustered: bool
    model: str
    reason: str


MODEL_CHOICES: tuple[ModelChoice, ...] = (
    ModelChoice("stuck", True, False, "standardised", f"The plan names columns: {_SCALE}. {_ONCE}"),
    ModelChoice("stuck", True, True, "standardised", f"The plan names columns: {_SCALE}. {_UNITS}"),
    ModelChoice("stuck", False, True, "plain", _PLAIN),
    ModelChoice("deduction", True, False, "standardised", f"The plan names columns: {_POINTS}. {_ONCE}"),
    ModelChoice("deduction", True, True, "standardised", f"The plan names columns: {_POINTS}. {_UNITS}"),
    ModelChoice("deduction", False, True, "plain", _PLAIN),
    ModelChoice("landing grade", True, False, "ordered", f"The plan names columns: {_GRADE}. {_ONCE}"),
    ModelChoice("landing grade", True, True, "ordered", f"The plan names columns: {_GRADE}. {_UNITS}"),
    ModelChoice("landing grade", False, True, "plain", _PLAIN),
)


def choose_model(outcome: Outcome, columns: bool, clustered: bool) -> ModelChoice | None:
    """Return the row of the table for a situation; None where there is nothing to adjust and nobody comes back.

    Parameters
    ----------
    outcome : {"stuck", "deduction", "landing grade"}
    columns : bool
        Whether the plan names columns to adjust for.
    clustered : bool
        Whether the plan treats athletes as clusters and at least one of them comes back.
    """
    for choice in MODEL_CHOICES:
        if (choice.outcome, choice.columns, choice.clustered) == (outcome, columns, clustered):
            return choice
    return None

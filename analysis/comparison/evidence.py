"""The frozen parts of a comparison that models give: adjustment, selection, graded landings, points, priors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.reading.claim import Claim
from analysis.shown import Shown, show_number
from analysis.stats.balance import Balance
from analysis.stats.grade_shares import GradeShares
from analysis.stats.overlap import Overlap
from analysis.stats.prior_logistic import WeakPosterior
from analysis.stats.priors import Posterior
from analysis.stats.result import Fit, Interval, Test
from analysis.stats.robustness import EValue, Tipping
from analysis.stats.trade import Trade
from analysis.stats.two_part import TwoPart


@dataclass(frozen=True)
class Model(Shown):
    """One way to answer the question, as a line of the table in which all of them stand side by side.

    `low`, `high` and `p_value` are None where `why` says so; an odds ratio may be infinite. `chosen` marks the one
    that the report reads from.
    """

    key: str
    name: str
    compares: str
    quantity: str
    estimate: float | None
    low: float | None
    high: float | None
    level: float
    p_value: float | None
    n: int
    athletes: int
    method: str
    claim: Claim
    chosen: bool
    why: str

    def __str__(self) -> str:
        if self.estimate is None:
            return f"{self.name}: {self.why}"
        low, high = ("not estimated" if end is None else show_number(end, 2) for end in (self.low, self.high))
        p = "" if self.p_value is None else f", p = {show_number(self.p_value)}"
        read = " (the one that is read)" if self.chosen else ""
        return f"{self.name}: {show_number(self.estimate, 2)}, {low} to {high}{p}, {self.n} routines{read}"


@dataclass(frozen=True)
class Adjusted(Shown):
    """The contrast for the same mix of the columns in `columns`, beside every other model, or why not.

    `chosen` is the key of the model that is read, "" for none, with the rule's `reason` and the facts that drove
    it. `fit` is the penalised (or ordered) model with all its coefficients. `agreement` is the sentence that sets the
    answer beside the plain one, and `changes` is True where its sign or its claim is another one.
    """

    columns: tuple[str, ...]
    fit: Fit | None
    difference: Interval | None
    rows: int
    why: str
    chosen: str
    reason: str
    drivers: tuple[str, ...]
    models: tuple[Model, ...]
    overlap: Overlap | None
    agreement: str
    changes: bool


@dataclass(frozen=True)
class Selection(Shown):
    """Who does which technique, and how strong a hidden advantage would have to be to explain the difference."""

    balance: Balance | None
    e_value: EValue | None
    e_value_why: str
    tipping: tuple[Tipping, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Cut(Shown):
    """Share of landings at least as good as one category, first technique minus second."""

    grade: str
    difference: Interval

    def __str__(self) -> str:
        return f"{self.grade} or better: {self.difference}"


@dataclass(frozen=True)
class Graded(Shown):
    """The landing as an ordered outcome: all categories at once, the check of the model, and each cut."""

    fit: Fit | None
    check: Test | None
    rank: Test | None
    rank_basis: str
    shares: GradeShares | None
    cuts: tuple[Cut, ...]
    reading: str
    why: str


@dataclass(frozen=True)
class PointsParts(Shown):
    """Points lost: how often, how much when any, for the same mix, and what a difference in difficulty does."""

    falls: Literal["with falls", "without falls"]
    parts: TwoPart | None
    standardised: Interval | None
    trade: Trade | None
    reading: str
    why: str


@dataclass(frozen=True)
class Priors(Shown):
    """What a reader with an earlier belief would conclude; never the headline."""

    given: tuple[float, float]
    posteriors: tuple[Posterior, ...]
    logistic: WeakPosterior | None
    reading: str

"""The frozen answer to "how well do the coders agree?", and its JSON. Nothing downstream computes."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Literal

from analysis.shown import Shown
from analysis.stats.agreement import LimitsOfAgreement, PrevalenceEffect
from analysis.stats.result import Interval, strict_json
from analysis.study.coders import Pairing, Who

SCHEMA = "landing-outcomes/agreement/1"

Kind = Literal["named", "yes or no", "graded", "points"]
Drawn = Literal["at random", "by first code"]


@dataclass(frozen=True)
class PairAgreement(Shown):
    """Two coders on one variable.

    Parameters
    ----------
    first, second : int
        Their places among the coders.
    n : int
        Routines that both coded.
    measures : tuple of (str, Interval)
        "agreement" (share of equal codes) and, by kind of variable, "positive agreement", "negative agreement",
        "kappa", "weighted kappa".
    limits : LimitsOfAgreement or None
        For points, first minus second.
    prevalence : PrevalenceEffect or None
        Whether kappa is low because nearly all codes are alike; `note` says so in words.
    categories : tuple of str
        The codes that occur, in the codebook's order; "not seen" last.
    table : tuple of tuple of int
        Routines by code of the first coder (rows) and of the second (columns), those not seen by one included.
    """

    first: int
    second: int
    n: int
    measures: tuple[tuple[str, Interval], ...]
    limits: LimitsOfAgreement | None
    prevalence: PrevalenceEffect | None
    note: str
    categories: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]

    def measure(self, name: str) -> Interval | None:
        """Return a measure by its name, None where this kind of variable has none."""
        return dict(self.measures).get(name)


@dataclass(frozen=True)
class VariableAgreement(Shown):
    """All coders on one variable.

    Parameters
    ----------
    variable : str
        "technique", "stuck", "landing", "deduction" or "other faults".
    kind : {"named", "yes or no", "graded", "points"}
    coded : tuple of int
        Paired routines for which each coder has a code.
    pairs : tuple of PairAgreement
        Each two coders who have the column.
    together : tuple of (str, Interval)
        All coders at once: "AC", "alpha", and for points "ICC".
    """

    variable: str
    kind: Kind
    coded: tuple[int, ...]
    pairs: tuple[PairAgreement, ...]
    together: tuple[tuple[str, Interval], ...]

    def measure(self, name: str) -> Interval | None:
        """Return a measure of all coders, or else of the first two, by its name."""
        return dict(self.together).get(name) or (self.pairs[0].measure(name) if self.pairs else None)


@dataclass(frozen=True)
class Disagreement(Shown):
    """One routine on which codes differ, or which one coder saw and another didn't.

    `codes` has each coder's code, "" where there is none. `apart` is the largest distance: grades for a landing, points
    for points, None for techniques and where a code is missing. `stuck` is True where it changes stuck or not.
    """

    routine: str
    meet: str
    round: str
    athlete: str
    clip: str
    rows: tuple[int | None, ...]
    variable: str
    codes: tuple[str, ...]
    apart: float | None
    stuck: bool


@dataclass(frozen=True, eq=False)
class Agreement:
    """What the double-coded routines say about the coders.

    `who` tells one coder who coded twice ("same coder", intra) from two or more ("different coders", inter). `drawn`
    says how the double-coded part was chosen. `methods` is a paragraph for the methods chapter.
    """

    pairing: Pairing = field(repr=False)
    level: float
    seed: int
    drawn: Drawn
    variables: tuple[VariableAgreement, ...]
    disagreements: tuple[Disagreement, ...]
    notes: tuple[str, ...]
    methods: str

    @property
    def coders(self) -> tuple[str, ...]:
        """The coders' names, one per sheet."""
        return self.pairing.coders

    @property
    def who(self) -> Who:
        """Whether one coder coded twice or several did."""
        return self.pairing.who

    @property
    def routines(self) -> int:
        """Routines that at least two sheets have."""
        return len(self.pairing.routines)

    @property
    def weaker(self) -> int:
        """Routines that no label joined."""
        return sum(routine.weaker for routine in self.pairing.routines)

    def variable(self, name: str) -> VariableAgreement | None:
        """Return one variable's agreement, None where fewer than two sheets have it."""
        return next((item for item in self.variables if item.variable == name), None)

    def to_dict(self) -> dict[str, Any]:
        """Return agreement.json as a dictionary (strict JSON; a null estimate comes with a `why`)."""
        pairing = self.pairing
        coders = zip(pairing.coders, pairing.names, pairing.sheets, strict=True)
        return {
            "schema": SCHEMA,
            "who": self.who,
            "coders": [
                {"coder": coder, "sheet": name, "rows": len(sheet.rows), "sha256": sheet.sha256}
                for coder, name, sheet in coders
            ],
            "routines": self.routines,
            "paired_by_label": self.routines - self.weaker,
            "paired_by_who_and_where": self.weaker,
            "level": self.level,
            "seed": self.seed,
            "drawn": self.drawn,
            "variables": [self._variable(item) for item in self.variables],
            "disagreements": [_flat(item) for item in self.disagreements],
            "unpaired": [{**_flat(item), "sheet": pairing.names[item.sheet]} for item in pairing.unpaired],
            "notes": list(self.notes),
            "methods": self.methods,
        }

    def _variable(self, item: VariableAgreement) -> dict[str, Any]:
        return {
            "variable": item.variable,
            "kind": item.kind,
            "coded": dict(zip(self.coders, item.coded, strict=True)),
            "together": {name: found.to_dict() for name, found in item.together},
            "pairs": [
                {
                    "first": self.coders[pair.first],
                    "second": self.coders[pair.second],
                    "n": pair.n,
                    "measures": {name: found.to_dict() for name, found in pair.measures},
                    "limits_of_agreement": None if pair.limits is None else pair.limits.to_dict(),
                    "prevalence": None if pair.prevalence is None else pair.prevalence.to_dict(),
                    "note": pair.note,
                    "categories": list(pair.categories),
                    "table": [list(row) for row in pair.table],
                }
                for pair in item.pairs
            ],
        }

    def to_json(self) -> str:
        """Return agreement.json as text."""
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def __str__(self) -> str:
        return self.methods

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from analysis.comparison.display import agreement_html

        return agreement_html(self)


def _flat(item: Any) -> dict[str, Any]:
    return {name: strict_json(value) for name, value in vars(item).items()}

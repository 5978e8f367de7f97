"""The codebook: which variables are coded, what each category means, and what a landing costs.

Everything that changes with discipline, edition or a coder's habits is data in a TOML file; nothing of it is a
constant in code. The built-in default is documented by its own comments
(`analysis/resources/codebooks/mens-parallel-bars-2025.toml`).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from analysis.shown import Shown, grid, paragraphs
from analysis.study.problem import InputProblem, Problem
from analysis.study.text import Names, suggestion
from analysis.study.toml_file import read_toml

DEFAULT = "mens-parallel-bars-2025"
NOT_SEEN = "not seen"
"""The value of a landing that nobody saw: set aside with its reason, never guessed."""

REQUIRED = ("meet", "athlete", "technique")
NUMERIC = ("deduction", "other faults", "difficulty", "execution")
VARIABLES = (
    "meet",
    "round",
    "athlete",
    "routine",
    "start order",
    "date",
    "apparatus",
    "technique",
    "landing",
    "deduction",
    "other faults",
    "difficulty",
    "execution",
    "coder",
    "clip",
    "note",
)
"""The columns that the reader knows, in the order of a blank sheet."""

_TABLES_WITH_A_SPACE = {"start_order": "start order", "other_faults": "other faults"}


@dataclass(frozen=True)
class Grade(Shown):
    """One landing category. `deductions` are the points (thousandths) that the feet's part may cost."""

    name: str
    definition: str
    stuck: bool
    fall: bool
    deductions: tuple[int, ...]
    aliases: tuple[str, ...] = ()
    example: str = ""
    counter_example: str = ""


@dataclass(frozen=True)
class Technique(Shown):
    """One technique with its definition and its other spellings."""

    name: str
    definition: str
    aliases: tuple[str, ...] = ()
    example: str = ""
    counter_example: str = ""


@dataclass(frozen=True)
class Variable(Shown):
    """The operational definition of one column: what is coded, what is not, and which headers name it."""

    name: str
    definition: str
    excludes: str
    aliases: tuple[str, ...]
    required: bool


@dataclass(frozen=True)
class Rule(Shown):
    """Points (thousandths) that one rule allows. `status` says whether anybody has looked the value up."""

    name: str
    points: tuple[int, ...]
    status: Literal["confirmed", "from memory"]
    source: str = ""


@dataclass(frozen=True)
class PointRules(Shown):
    """What a landing costs under one edition of the rules.

    `stuck_bonus` has no points where there is no bonus; `cap_of_steps` none where steps are limited by
    `cap_without_fall` alone.
    """

    unit: int
    small_step: Rule
    large_step: Rule
    cap_without_fall: Rule
    fall: Rule
    stuck_bonus: Rule
    cap_of_steps: Rule
    other_faults: tuple[Rule, ...]

    @property
    def cap(self) -> int:
        """The most that a landing without a fall can cost, in thousandths."""
        return self.cap_without_fall.points[0]

    @property
    def fall_points(self) -> int:
        """The least that a fall costs, in thousandths."""
        return self.fall.points[0]

    @cached_property
    def step_sums(self) -> frozenset[int]:
        """Every total that steps, hops and jumps can add up to, 0 included."""
        most = min(self.cap, *self.cap_of_steps.points) if self.cap_of_steps.points else self.cap
        return _sums({*self.small_step.points, *self.large_step.points}, most)

    @cached_property
    def other_sums(self) -> frozenset[int]:
        """Every total that other faults can add up to, 0 included."""
        return _sums({points for rule in self.other_faults for points in rule.points}, self.cap)

    @cached_property
    def allowed_sums(self) -> frozenset[int]:
        """Every total deduction that rules can add up to: steps and other faults to the cap, and those with a fall."""
        others = {points for rule in self.other_faults for points in rule.points}
        sums = _sums(others, self.cap, self.step_sums)
        return frozenset(sums | {self.fall_points + total for total in sums})


def _sums(parts: set[int], most: int, start: Iterable[int] = (0,)) -> frozenset[int]:
    """Every sum, to `most`, of a start and of the parts, each as often as one likes."""
    sums = set(start)
    waiting = list(sums)
    while waiting:
        total = waiting.pop()
        for part in parts:
            larger = total + part
            if part > 0 and larger <= most and larger not in sums:
                sums.add(larger)
                waiting.append(larger)
    return frozenset(sums)


@dataclass(frozen=True, eq=False)
class Codebook:
    """A codebook as read. Ranges are (low, high) in thousandths of a point.

    `columns` says which header of the sheet holds a variable, where it isn't named in the usual way; `values` says for
    a variable how the sheet's own entries are read, {canonical: (raw, ...)}. `tables` is the file over its basis.
    """

    name: str
    discipline: str
    edition: str
    note: str
    path: Path | None
    sha256: str
    grades: tuple[Grade, ...]
    not_seen: tuple[str, ...]
    techniques: tuple[Technique, ...]
    other_techniques: bool
    columns: Mapping[str, str]
    values: Mapping[str, Mapping[str, tuple[str, ...]]]
    rounds: tuple[str, ...]
    round_aliases: Mapping[str, tuple[str, ...]]
    routines_per_round: int
    ranges: Mapping[str, tuple[int, int]]
    points: PointRules
    variables: tuple[Variable, ...]
    tables: Mapping[str, Any] = field(repr=False)

    @cached_property
    def rank(self) -> dict[str, int]:
        """Place of each landing category, 0 for the best."""
        return {grade.name: place for place, grade in enumerate(self.grades)}

    @cached_property
    def landing_names(self) -> Names:
        """Landing categories and "not seen", by all their spellings."""
        known = [(grade.name, grade.aliases) for grade in self.grades]
        return Names([*known, (NOT_SEEN, self.not_seen)])

    @cached_property
    def technique_names(self) -> Names:
        """Techniques of the list, by all their spellings."""
        return Names((technique.name, technique.aliases) for technique in self.techniques)

    @cached_property
    def round_names(self) -> Names:
        """Rounds of the list, by all their spellings."""
        return Names((name, self.round_aliases.get(name, ())) for name in self.rounds)

    @cached_property
    def header_names(self) -> Names:
        """Variables by name and alias. One that `columns` maps answers to its mapped header alone."""
        return Names((item.name, item.aliases) for item in self.variables if item.name not in self.columns)

    def grade(self, name: str) -> Grade:
        """Return the landing category of that exact name; KeyError where there is none."""
        return self.grades[self.rank[name]]

    def __str__(self) -> str:
        return f"{self.name}, {self.edition} ({self.discipline}). {self.note}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """What a coder needs: the landings with their points, and the techniques."""
        grades = [
            (item.name, item.definition, "yes" if item.stuck else "no", _points_words(item.deductions))
            for item in self.grades
        ]
        techniques = [(item.name, item.definition, ", ".join(item.aliases)) for item in self.techniques]
        return (
            paragraphs(str(self))
            + grid(("landing, best first", "definition", "stuck", "points"), grades, most=None)
            + grid(("technique", "definition", "also written"), techniques, most=None)
        )


def _points_words(points: tuple[int, ...]) -> str:
    """Thousandths as points, smallest first."""
    return ", ".join(f"{value / 1000:g}" for value in sorted(points))


def built_in_codebooks() -> tuple[str, ...]:
    """Names of the codebooks that come with the package."""
    folder = resources.files("analysis.resources").joinpath("codebooks")
    return tuple(sorted(item.name[:-5] for item in folder.iterdir() if item.name.endswith(".toml")))


def read_codebook(path: str | Path | None = None) -> Codebook:
    """Read a codebook; without a path, the built-in one for men's parallel bars, current edition.

    What a codebook leaves out is taken from its `basis`, a built-in codebook. Every problem is told at once.

    Parameters
    ----------
    path : path or None
        A TOML file, or the name of a built-in codebook such as "womens-bars-beam-2025".

    Returns
    -------
    Codebook

    Raises
    ------
    InputProblem
        When the file can't be read, holds an unknown key or a value of the wrong kind.

    Examples
    --------
    >>> codebook = read_codebook()
    >>> codebook.edition, codebook.grades[0].name, codebook.points.fall_points
    ('2025-2028', 'stuck', 1000)
    """
    if path is None:
        return _default()
    if str(path) in built_in_codebooks() and not Path(path).exists():
        tables = _built_in(str(path))
        return _build(None, f"built-in codebook {path}", tables, _hash(tables))
    found = read_toml(Path(path), "codebook")
    return _build(Path(path), str(path), found.tables, found.sha256)


@lru_cache(maxsize=1)
def _default() -> Codebook:
    tables = _built_in(DEFAULT)
    return _build(None, f"built-in codebook {DEFAULT}", tables, _hash(tables))


@lru_cache(maxsize=8)
def _built_in(name: str) -> dict[str, Any]:
    import tomllib

    file = resources.files("analysis.resources").joinpath("codebooks").joinpath(f"{name}.toml")
    return tomllib.loads(file.read_text(encoding="utf-8"))


def _hash(tables: Mapping[str, Any]) -> str:
    """The hash of a built-in codebook: of what it says, so that line ends of an installation don't matter."""
    return hashlib.sha256(json.dumps(tables, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def _build(path: Path | None, file: str, tables: dict[str, Any], sha256: str) -> Codebook:
    from analysis.study.codebook_file import codebook_parts

    tables = {_TABLES_WITH_A_SPACE.get(name, name): table for name, table in tables.items()}
    parts, problems = codebook_parts(file, _with_basis(file, tables), tables)
    if problems:
        raise InputProblem(problems)
    return Codebook(path=path, sha256=sha256, **parts)


def _with_basis(file: str, tables: dict[str, Any]) -> dict[str, Any]:
    """Return the tables laid over those of their basis (and of its basis)."""
    top = tables.get("codebook", {})
    named = top.get("basis") if isinstance(top, dict) else None
    basis = named
    if basis is None:
        basis = "none" if tables == _built_in(DEFAULT) else DEFAULT
    if basis == "none":
        return tables
    if basis not in built_in_codebooks():
        names = (*built_in_codebooks(), "none")
        remedy = suggestion(str(basis), names, f"known: {', '.join(names)}")
        raise InputProblem(
            Problem(file, None, "codebook.basis", str(basis), "there is no such built-in codebook", remedy)
        )
    return _laid_over(_with_basis(file, _built_in(str(basis))), tables)


def _laid_over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(below)
    for name, value in above.items():
        under = merged.get(name)
        both = isinstance(value, dict) and isinstance(under, dict)
        merged[name] = _laid_over(under, value) if both and isinstance(under, dict) else value
    return merged

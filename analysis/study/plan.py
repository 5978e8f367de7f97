"""The analysis plan: one question, written down before the analysis, with every key checked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from analysis.shown import Shown
from analysis.study.codebook import built_in_codebooks
from analysis.study.problem import InputProblem, Problem
from analysis.study.text import key, suggestion
from analysis.study.toml_file import read_toml, table, unknown_keys

DEFAULT_SEED = 20260401
"""The seed of a plan that names none; it is printed with every result that used it."""

_KEYS = {
    "study": ("title", "sheet", "codebook", "worksheet", "language"),
    "question": ("group", "compare", "outcome", "sides", "matters", "difficulty_gain"),
    "design": ("athlete", "repeats", "strata", "adjust", "prior", "level", "seed"),
}
OUTCOMES = ("stuck", "deduction", "landing grade")
SIDES = ("two", "more", "fewer")
REPEATS = ("first", "cluster", "all")


@dataclass(frozen=True)
class Plan(Shown):
    """A plan as read. `sheet` and `codebook` are resolved from the plan's folder (a built-in
    codebook keeps its bare name); names are as the plan wrote them.

    `athlete` lists the columns that together tell one athlete from another: more than one where codes start again
    at every meet. `difficulty_gain` is the first technique's difficulty value less the second's, in points. `prior`
    is (stuck, not stuck): routines that a reader's earlier belief counts for under each technique. `language` is whose
    words the report uses: a shipped language, or the resolved path of a file of words.
    """

    title: str
    sheet: Path
    codebook: Path | None
    worksheet: str | None
    group: str
    compare: tuple[str, ...]
    outcome: Literal["stuck", "deduction", "landing grade"]
    sides: Literal["two", "more", "fewer"]
    matters: float | None
    difficulty_gain: float | None
    athlete: tuple[str, ...]
    repeats: Literal["first", "cluster", "all"]
    strata: tuple[str, ...]
    adjust: tuple[str, ...]
    prior: tuple[float, float] | None
    level: float
    seed: int
    path: Path
    sha256: str
    text: str = field(repr=False)
    language: str = "en"


def read_plan(path: str | Path) -> Plan:
    """Read a plan file and check every key; all problems are told at once.

    Parameters
    ----------
    path : path
        A TOML file with the tables [study], [question] and [design]. Needed: `study.sheet`, `question.compare`.

    Returns
    -------
    Plan

    Raises
    ------
    InputProblem
        When the file can't be read, holds an unknown key or a value out of range, or names a sheet or codebook that
        isn't there.
    """
    path = Path(path)
    found = read_toml(path, "plan")
    read = _Reader(str(path), path.parent)
    read.problems += unknown_keys(str(path), "", found.tables, _KEYS)
    study, question, design = (table(str(path), "", found.tables, name, read.problems) for name in _KEYS)
    for name, part in (("study", study), ("question", question), ("design", design)):
        read.problems += _strangers(str(path), name, part)
    group = read.text(question, "question.group", "technique")
    plan = Plan(
        title=read.text(study, "study.title", path.stem),
        sheet=read.sheet(study),
        codebook=read.codebook(study),
        worksheet=read.text(study, "study.worksheet", None),
        group=group,
        compare=read.compare(question),
        outcome=read.choice(question, "question.outcome", OUTCOMES, "stuck"),
        sides=read.choice(question, "question.sides", SIDES, "two"),
        matters=read.number(
            question, "question.matters", None, lambda x: x > 0, "a number above 0, such as 0.10"
        ),
        difficulty_gain=read.number(
            question,
            "question.difficulty_gain",
            None,
            lambda x: -10 <= x <= 10,
            "points, such as 0.2 or -0.1",
        ),
        athlete=read.athlete(design),
        repeats=read.choice(design, "design.repeats", REPEATS, "cluster"),
        strata=read.names(design, "design.strata"),
        adjust=read.names(design, "design.adjust"),
        prior=read.prior(design),
        level=read.level(design),
        seed=read.seed(design),
        path=path,
        sha256=found.sha256,
        text=found.text,
        language=read.language(study),
    )
    read.coherent(plan)
    if read.problems:
        raise InputProblem(read.problems)
    return plan


def _strangers(file: str, name: str, part: dict[str, Any]) -> list[Problem]:
    """Unknown keys of one table; a key that belongs to another table is sent there."""
    problems = []
    for problem in unknown_keys(file, name, part, _KEYS[name]):
        stray = str(problem.column).removeprefix(f"{name}.")
        home = next((other for other, keys in _KEYS.items() if stray in keys), None)
        remedy = problem.remedy if home is None else f"{stray!r} belongs under [{home}]"
        problems.append(Problem(file, None, problem.column, None, problem.problem, remedy))
    return problems


class _Reader:
    """Takes checked values out of the plan's tables and notes what is wrong with the others."""

    def __init__(self, file: str, folder: Path) -> None:
        self.file = file
        self.folder = folder
        self.problems: list[Problem] = []

    def fault(self, where: str, value: Any, problem: str, remedy: str) -> None:
        shown = None if value is None else str(value)
        self.problems.append(Problem(self.file, None, where, shown, problem, remedy))

    def text(self, part: dict[str, Any], where: str, otherwise: Any) -> Any:
        value = part.get(where.split(".")[1], otherwise)
        if value is not otherwise and (not isinstance(value, str) or not value.strip()):
            self.fault(
                where, value, "this should be a text", 'write it in "quotation marks", or leave the key out'
            )
            return otherwise
        return value.strip() if isinstance(value, str) else value

    def choice(self, part: dict[str, Any], where: str, allowed: tuple[str, ...], otherwise: str) -> Any:
        value = self.text(part, where, otherwise)
        found = next((name for name in allowed if key(name) == key(value)), None)
        if found is None:
            listed = ", ".join(f'"{name}"' for name in allowed)
            self.fault(
                where,
                value,
                f"this is not one of {listed}",
                suggestion(value, allowed, f"write one of {listed}"),
            )
        return found or otherwise

    def names(self, part: dict[str, Any], where: str) -> tuple[str, ...]:
        value = part.get(where.split(".")[1], [])
        if not isinstance(value, list) or any(
            not isinstance(item, str) or not item.strip() for item in value
        ):
            shown = value if isinstance(value, str) else "meet"
            self.fault(where, value, "this should be a list of column names", f'write ["{shown}"]')
            return ()
        names = tuple(item.strip() for item in value)
        for place, name in enumerate(names):
            if key(name) in [key(earlier) for earlier in names[:place]]:
                self.fault(where, name, "this name stands twice", "list each name once")
        return names

    def athlete(self, design: dict[str, Any]) -> tuple[str, ...]:
        """One column, or several where only together they tell athletes apart."""
        if isinstance(design.get("athlete"), list):
            return self.names(design, "design.athlete") or ("athlete",)
        return (self.text(design, "design.athlete", "athlete"),)

    def prior(self, design: dict[str, Any]) -> tuple[float, float] | None:
        value = design.get("prior")
        if value is None:
            return None
        remedy = "write prior = [stuck, not stuck], such as [1, 1]; each from 0.1 to 1000"
        listed = value if isinstance(value, list) else []
        numbers = [item for item in listed if isinstance(item, (int, float)) and not isinstance(item, bool)]
        if len(listed) != 2 or len(numbers) != 2 or not all(0.1 <= item <= 1000 for item in numbers):
            self.fault(
                "design.prior", value, "this should be two numbers: routines stuck and not stuck", remedy
            )
            return None
        return float(numbers[0]), float(numbers[1])

    def number(
        self,
        part: dict[str, Any],
        where: str,
        otherwise: float | None,
        allowed: Callable[[float], bool],
        range_: str,
    ) -> float | None:
        value = part.get(where.split(".")[1], otherwise)
        if value is otherwise:
            return otherwise
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not allowed(value):
            self.fault(where, value, f"this should be {range_}", f"write {range_}")
            return otherwise
        return float(value)

    def level(self, design: dict[str, Any]) -> float:
        value = design.get("level")
        if isinstance(value, (int, float)) and not isinstance(value, bool) and 1 <= value < 100:
            self.fault("design.level", value, "a level lies between 0 and 1", f"write {value / 100:g}")
            return 0.95
        found = self.number(
            design, "design.level", 0.95, lambda x: 0 < x < 1, "a level between 0 and 1, such as 0.95"
        )
        return 0.95 if found is None else found

    def seed(self, design: dict[str, Any]) -> int:
        value = design.get("seed", DEFAULT_SEED)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**63:
            self.fault(
                "design.seed", value, "this should be a whole number from 0", f"write such as {DEFAULT_SEED}"
            )
            return DEFAULT_SEED
        return value

    def compare(self, question: dict[str, Any]) -> tuple[str, ...]:
        where = "question.compare"
        if "compare" not in question:
            remedy = 'write compare = ["piked double back", "tucked double back"]: first minus second'
            self.fault(where, None, "the plan doesn't say which techniques to compare", remedy)
            return ()
        names = self.names(question, where)
        if isinstance(question["compare"], list) and len({key(name) for name in names}) < 2 and names:
            self.fault(
                where, ", ".join(names), "a comparison needs two different techniques", "name at least two"
            )
        elif question["compare"] == []:
            self.fault(where, None, "a comparison needs two different techniques", "name at least two")
        return names

    def sheet(self, study: dict[str, Any]) -> Path:
        named = self.text(study, "study.sheet", None)
        if named is None:
            if "sheet" not in study:
                self.fault(
                    "study.sheet", None, "the plan names no event sheet", 'write sheet = "event_sheet.csv"'
                )
            return self.folder
        return self.file_named("study.sheet", named, "event sheet")

    def language(self, study: dict[str, Any]) -> str:
        """A shipped language's name as it is, or the path of a file of words, taken from the plan's folder."""
        named = self.text(study, "study.language", "en")
        if not named.endswith(".toml"):
            return named
        return str(self.file_named("study.language", named, "file of words"))

    def codebook(self, study: dict[str, Any]) -> Path | None:
        named = self.text(study, "study.codebook", None)
        if named is None:
            return None
        if named in built_in_codebooks() and not (self.folder / named).exists():
            return Path(named)
        return self.file_named("study.codebook", named, "codebook")

    def file_named(self, where: str, named: str, kind: str) -> Path:
        path = self.folder / named
        try:
            there, folder = path.exists(), path.is_dir()
        except (OSError, ValueError):
            there, folder = False, False
        if folder:
            self.fault(where, named, f"this is a folder, not a {kind}", f"name the {kind} file inside it")
        elif not there:
            self.fault(where, named, f"the {kind} was not found at {path}", self._nearby(path))
        return path

    def _nearby(self, path: Path) -> str:
        try:
            names = sorted(item.name for item in path.parent.iterdir())[:2000]
        except (OSError, ValueError):
            return f"there is no folder {path.parent}; the path is taken from the plan's folder"
        return suggestion(path.name, names, "the path is taken from the plan's folder; check the name")

    def coherent(self, plan: Plan) -> None:
        """What no single key can show: the same column in two parts."""
        for where, names in (("design.strata", plan.strata), ("design.adjust", plan.adjust)):
            for name in names:
                if key(name) == key(plan.group):
                    self.fault(where, name, "this is the column that is compared", "leave it out here")
                if where == "design.strata" and [key(column) for column in plan.athlete] == [key(name)]:
                    self.fault(
                        where, name, "athletes are clusters, not strata", 'choose with repeats = "cluster"'
                    )
        if key(plan.group) in [key(name) for name in plan.athlete]:
            self.fault(
                "design.athlete",
                ", ".join(plan.athlete),
                "this is the column that is compared",
                "name the athlete's column",
            )
        if plan.matters is not None and plan.outcome != "deduction" and plan.matters >= 1:
            self.fault(
                "question.matters",
                plan.matters,
                "a difference of proportions lies below 1",
                "write such as 0.10",
            )

"""From the tables of a codebook file to the parts of a `Codebook`, with every fault told at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from typing import Any

from analysis.study.codebook import (
    NOT_SEEN,
    NUMERIC,
    REQUIRED,
    VARIABLES,
    Grade,
    PointRules,
    Rule,
    Technique,
    Variable,
)
from analysis.study.problem import Problem
from analysis.study.text import key, suggestion
from analysis.study.toml_file import table, unknown_keys

_TOP = ("codebook", "columns", "points", *VARIABLES)
_ABOUT = ("name", "discipline", "edition", "note", "basis")
_OF_ALL = ("definition", "excludes", "aliases", "values")
_OF_ONE = {
    "landing": ("not_seen", "grades"),
    "technique": ("others", "list"),
    "round": ("routines", "list"),
    **dict.fromkeys(NUMERIC, ("low", "high")),
}
_SHOWN = ("example", "counter_example")
_STEPS = ("small_step", "large_step", "cap_without_fall", "fall", "stuck_bonus", "cap_of_steps")


class _Reader:
    """Takes values of the right kind out of tables and notes what is wrong with the others."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def fault(self, where: str, value: Any, problem: str, remedy: str) -> None:
        shown = None if value is None else str(value)
        self.problems.append(Problem(self.file, None, where, shown, problem, remedy))

    def text(self, parent: Mapping[str, Any], name: str, where: str, needed: bool = False) -> str:
        value = parent.get(name, "")
        if not isinstance(value, str) or (needed and not value.strip()):
            self.fault(f"{where}.{name}", value, "this should be a text", 'write it in "quotation marks"')
            return ""
        return value

    def flag(self, parent: Mapping[str, Any], name: str, where: str, otherwise: bool) -> bool:
        value = parent.get(name, otherwise)
        if not isinstance(value, bool):
            self.fault(f"{where}.{name}", value, "this should be true or false", "write true or false")
            return otherwise
        return value

    def texts(self, parent: Mapping[str, Any], name: str, where: str) -> tuple[str, ...]:
        value = parent.get(name, [])
        if isinstance(value, (str, int, float)) and not isinstance(value, bool):
            value = [value]
        kinds = (str, int, float)
        if not isinstance(value, list) or any(not isinstance(x, kinds) or isinstance(x, bool) for x in value):
            self.fault(f"{where}.{name}", value, "this should be a list of texts", 'write ["one", "two"]')
            return ()
        return tuple(str(item) for item in value)

    def tables(self, parent: Mapping[str, Any], name: str, where: str) -> list[dict[str, Any]]:
        value = parent.get(name, [])
        if not isinstance(value, list) or any(not isinstance(item, dict) for item in value):
            self.fault(
                f"{where}.{name}", value, "this should be a list of tables", f"write [[{where}.{name}]]"
            )
            return []
        return value

    def thousandths(self, value: Any, where: str) -> int:
        try:
            exact = Decimal(str(value)) * 1000
        except InvalidOperation:
            exact = Decimal("NaN")
        if (
            isinstance(value, (bool, str))
            or exact.is_nan()
            or exact != exact.to_integral_value()
            or exact < 0
        ):
            self.fault(where, value, "this should be points, to a thousandth", "write a number such as 0.3")
            return 0
        return int(exact)

    def points(self, parent: Mapping[str, Any], name: str, where: str) -> tuple[int, ...]:
        value = parent.get(name, [])
        many = value if isinstance(value, list) else [value]
        return tuple(self.thousandths(item, f"{where}.{name}") for item in many)

    def known(self, parent: Mapping[str, Any], where: str, names: tuple[str, ...]) -> None:
        self.problems += unknown_keys(self.file, where, parent, names)


def codebook_parts(
    file: str, tables: dict[str, Any], own: Mapping[str, Any]
) -> tuple[dict[str, Any], list[Problem]]:
    """Return the fields of `Codebook` and everything wrong. `own` are the tables before the basis was laid under."""
    read = _Reader(file)
    read.known(own, "", _TOP)
    found = {name: table(file, "", tables, name, read.problems) for name in _TOP}
    for name in VARIABLES:
        read.known(found[name], name, _OF_ALL + _OF_ONE.get(name, ()))
    about = found["codebook"]
    read.known(about, "codebook", _ABOUT)
    grades = _grades(read, found["landing"])
    points = _point_rules(read, found["points"])
    techniques = tuple(
        Technique(
            read.text(item, "name", "technique.list", True),
            read.text(item, "definition", "technique.list"),
            read.texts(item, "aliases", "technique.list"),
            read.text(item, "example", "technique.list"),
            read.text(item, "counter_example", "technique.list"),
        )
        for item in read.tables(found["technique"], "list", "technique")
    )
    for item in read.tables(found["technique"], "list", "technique"):
        read.known(item, "technique.list", ("name", "definition", "aliases", *_SHOWN))
    rounds = [
        (read.text(item, "name", "round.list", True), read.texts(item, "aliases", "round.list"))
        for item in read.tables(found["round"], "list", "round")
    ]
    _twice(read, "technique.list", [item.name for item in techniques])
    _twice(read, "round.list", [name for name, _ in rounds])
    if points is not None:
        grades = tuple(_capped(grade, points.cap) for grade in grades)
    parts = {
        **{name: read.text(about, name, "codebook") for name in ("name", "discipline", "edition", "note")},
        "grades": grades,
        "not_seen": read.texts(found["landing"], "not_seen", "landing"),
        "techniques": techniques,
        "other_techniques": read.flag(found["technique"], "others", "technique", True),
        "columns": _columns(read, found["columns"]),
        "values": {
            name: _values(read, name, found[name], grades) for name in VARIABLES if found[name].get("values")
        },
        "rounds": tuple(name for name, _ in rounds),
        "round_aliases": dict(rounds),
        "routines_per_round": _whole(read, found["round"], "routines", "round"),
        "ranges": {name: _range(read, name, found[name]) for name in NUMERIC},
        "points": points,
        "variables": tuple(
            Variable(
                name,
                read.text(found[name], "definition", name),
                read.text(found[name], "excludes", name),
                read.texts(found[name], "aliases", name),
                name in REQUIRED,
            )
            for name in VARIABLES
        ),
        "tables": tables,
    }
    return parts, read.problems


def _grades(read: _Reader, landing: Mapping[str, Any]) -> tuple[Grade, ...]:
    where = "landing.grades"
    grades = []
    for item in read.tables(landing, "grades", "landing"):
        read.known(item, where, ("name", "definition", "stuck", "fall", "deductions", "aliases", *_SHOWN))
        grades.append(
            Grade(
                name=read.text(item, "name", where, True),
                definition=read.text(item, "definition", where),
                stuck=read.flag(item, "stuck", where, False),
                fall=read.flag(item, "fall", where, False),
                deductions=read.points(item, "deductions", where),
                aliases=read.texts(item, "aliases", where),
                example=read.text(item, "example", where),
                counter_example=read.text(item, "counter_example", where),
            )
        )
    if not any(grade.stuck for grade in grades):
        read.fault(where, None, "no landing category counts as stuck", "mark one with stuck = true")
    _twice(read, where, [*(grade.name for grade in grades), NOT_SEEN])
    return tuple(grades)


def _capped(grade: Grade, cap: int) -> Grade:
    if grade.fall:
        return grade
    return replace(grade, deductions=tuple(points for points in grade.deductions if points <= cap))


def _twice(read: _Reader, where: str, names: list[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name and key(name) in seen:
            read.fault(where, name, "this name stands twice", "give each category a name of its own")
        seen.add(key(name))


def _rule(read: _Reader, name: str, item: Any, where: str) -> Rule:
    if not isinstance(item, dict):
        read.fault(where, item, "this should be a table", '{ points = [0.1], status = "from memory" }')
        return Rule(name, (), "from memory")
    read.known(item, where, ("name", "points", "status", "source"))
    status = read.text(item, "status", where) or "from memory"
    if status not in ("confirmed", "from memory"):
        read.fault(f"{where}.status", status, "this is no status", 'write "confirmed" or "from memory"')
    return Rule(
        name,
        read.points(item, "points", where),
        "confirmed" if status == "confirmed" else "from memory",
        read.text(item, "source", where),
    )


def _point_rules(read: _Reader, points: Mapping[str, Any]) -> PointRules | None:
    read.known(points, "points", ("unit", "other_faults", *_STEPS))
    rules = {
        name: _rule(read, name.replace("_", " "), points.get(name, {}), f"points.{name}") for name in _STEPS
    }
    for name in ("small_step", "large_step", "cap_without_fall", "fall"):
        if not rules[name].points:
            read.fault(f"points.{name}", None, "this rule has no points", "write points = [...]")
    others = tuple(
        _rule(read, read.text(item, "name", "points.other_faults", True), item, "points.other_faults")
        for item in read.tables(points, "other_faults", "points")
    )
    unit = read.thousandths(points.get("unit", 0.1), "points.unit")
    if not rules["cap_without_fall"].points or not rules["fall"].points:
        return None
    return PointRules(unit=unit, other_faults=others, **rules)


def _columns(read: _Reader, columns: Mapping[str, Any]) -> dict[str, str]:
    found = {}
    for name, header in columns.items():
        variable = variable_named(name)
        if variable is None:
            remedy = suggestion(name, VARIABLES, f"known: {', '.join(VARIABLES)}")
            read.fault(f"columns.{name}", header, f"unknown variable {name!r}", remedy)
        elif not isinstance(header, str) or not header.strip():
            read.fault(f"columns.{name}", header, "this should be a header of the sheet", 'write it in "..."')
        else:
            found[variable] = header
    return found


def variable_named(name: str) -> str | None:
    """Return the variable of that name (case, spaces and underscores don't matter), or None."""
    return next((variable for variable in VARIABLES if key(variable) == key(name)), None)


def _values(
    read: _Reader, name: str, part: Mapping[str, Any], grades: tuple[Grade, ...]
) -> dict[str, tuple[str, ...]]:
    where = f"{name}.values"
    given = table(read.file, name, part, "values", read.problems)
    found: dict[str, tuple[str, ...]] = {}
    owner: dict[str, str] = {}
    names = [*(grade.name for grade in grades), NOT_SEEN]
    for canonical in given:
        target: str | None = canonical
        if name == "landing":
            target = next((known for known in names if key(known) == key(canonical)), None)
            if target is None:
                remedy = suggestion(canonical, names, f"known: {', '.join(names)}")
                read.fault(where, canonical, "this is not a landing category", remedy)
                continue
        elif name in NUMERIC and not _is_number(canonical):
            read.fault(where, canonical, "this is not a number of points", 'write such as "0.3"')
            continue
        raw = read.texts(given, canonical, where)
        for item in raw:
            if owner.setdefault(item.strip(), canonical) != canonical:
                read.fault(where, item, "this entry is given two meanings", "list it once")
        found[str(target)] = raw
    return found


def _is_number(text: str) -> bool:
    try:
        return Decimal(text).is_finite()
    except InvalidOperation:
        return False


def _whole(read: _Reader, part: Mapping[str, Any], name: str, where: str) -> int:
    value = part.get(name, 1)
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        read.fault(f"{where}.{name}", value, "this should be a whole number from 1", "write such as 1")
        return 1
    return value


def _range(read: _Reader, name: str, part: Mapping[str, Any]) -> tuple[int, int]:
    low = read.thousandths(part.get("low", 0.0), f"{name}.low")
    high = read.thousandths(part.get("high", 10.0), f"{name}.high")
    if low >= high:
        read.fault(f"{name}.low", part.get("low"), "low is not below high", "swap or correct them")
    return low, high

"""From the texts of one column to values that mean something, each change and each fault named by row."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from analysis.study.codebook import NOT_SEEN, Codebook
from analysis.study.number_text import exact, read_thousandths
from analysis.study.problem import Problem, Repair
from analysis.study.text import Names, key, misspelt, tidy


@dataclass(frozen=True)
class Cell:
    """What one text means: a value (None: not known), why it was changed, or what is wrong and what to do."""

    value: str | int | None
    changed: str = ""
    problem: str = ""
    remedy: str = ""
    mapped: bool = False


@dataclass
class Log:
    """Repairs and problems of one sheet as they are found."""

    file: str
    repairs: list[Repair] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_column(
    log: Log,
    header: str,
    rows: Sequence[int],
    texts: Sequence[str],
    meaning: Callable[[str], Cell],
    faults: dict[int, tuple[str, str]],
) -> list[str | int | None]:
    """Read one column. `faults` are rows whose cell can't be read whatever it shows: {row: (problem, remedy)}."""
    known: dict[str, Cell] = {}
    mapped: Counter[tuple[str, str]] = Counter()
    values: list[str | int | None] = []
    for row, text in zip(rows, texts, strict=True):
        if row in faults:
            problem, remedy = faults[row]
            log.problems.append(Problem(log.file, row, header, text, problem, remedy))
            values.append(None)
            continue
        cell = known.get(text)
        if cell is None:
            cell = known[text] = meaning(text)
        if cell.problem:
            log.problems.append(Problem(log.file, row, header, text, cell.problem, cell.remedy))
        elif cell.mapped:
            mapped[text, str(cell.value)] += 1
        elif cell.changed:
            after = points_text(cell.value) if isinstance(cell.value, int) else str(cell.value)
            log.repairs.append(Repair(log.file, row, header, text, after, cell.changed))
        values.append(cell.value)
    for (text, value), times in mapped.items():
        why = f"as the codebook says, in {times:,} rows" if times > 1 else "as the codebook says, in 1 row"
        log.repairs.append(Repair(log.file, None, header, text, value, why))
    return values


def points_text(thousandths: int) -> str:
    """Show thousandths of a point as points, exactly.

    >>> points_text(300), points_text(1000), points_text(-50)
    ('0.3', '1.0', '-0.05')
    """
    sign, size = ("-", -thousandths) if thousandths < 0 else ("", thousandths)
    decimals = f"{size % 1000:03d}".rstrip("0") or "0"
    return f"{sign}{size // 1000}.{decimals}"


def mapping(codebook: Codebook, variable: str) -> Callable[[str], str | None]:
    """Return what the codebook's [variable.values] makes of a text: the canonical value, or None where not listed.

    Numbers are compared as numbers ("0" is "0.0"), other texts by their key, a blank only with a blank.
    """
    numbers: dict[Decimal, str] = {}
    texts: dict[str, str] = {}
    for canonical, raw in codebook.values.get(variable, {}).items():
        for item in raw:
            number = exact(item)
            if number is not None:
                numbers[number] = canonical
            else:
                texts[key(item) or tidy(item)] = canonical

    def find(text: str) -> str | None:
        if not texts and not numbers:
            return None
        number = exact(text)
        return texts.get(key(text) or tidy(text)) if number is None else numbers.get(number)

    return find


def landing(codebook: Codebook) -> Callable[[str], Cell]:
    """Return the reader of landing cells: a category, "not seen", or a problem. Nothing is guessed."""
    names, mapped = codebook.landing_names, mapping(codebook, "landing")

    def meaning(text: str) -> Cell:
        found = mapped(text)
        if found is not None:
            return Cell(found, mapped=True)
        plain = tidy(text)
        if not plain:
            return Cell(NOT_SEEN)
        found = names.find(plain)
        if found is not None:
            return Cell(found, _spelling(text, found))
        if exact(plain) is not None:
            remedy = "points go in the deduction column; or list the value in the codebook's [landing.values]"
            return Cell(None, "", "this is a number, not a landing", remedy)
        return Cell(None, "", "this is not a landing category of the codebook", _advice(plain, names))

    return meaning


def technique(codebook: Codebook, texts: Sequence[str]) -> Callable[[str], Cell]:
    """Return the reader of technique cells: a name of the codebook or, where it allows others, the sheet's own name.

    A text that is one slip away from a known name ("tuked double back") is not read. Only where the sheet uses that
    spelling more than once and the known name never, it is taken for the coder's own name.
    """
    names, mapped = codebook.technique_names, mapping(codebook, "technique")
    free = free_text(codebook, "technique", texts, key)
    counts = Counter(key(text) for text in texts)
    shown = {names.find(spelling) for spelling in counts}
    unknown = "this is not a technique of the codebook"

    def meaning(text: str) -> Cell:
        found = mapped(text)
        if found is not None:
            return Cell(found, mapped=True)
        plain = tidy(text)
        if not plain:
            remedy = "write the technique, or delete the line if it is no routine"
            return Cell(None, "", "the technique is blank", remedy)
        found = names.find(plain)
        if found is not None:
            return Cell(found, _spelling(text, found))
        if "?" in plain:
            remedy = "look again and write the technique, or leave it blank"
            return Cell(None, "", "the technique is marked as doubtful", remedy)
        meant = {names.find(spelling) for spelling in names.spellings if misspelt(plain, spelling)}
        if meant and (meant & shown or counts[key(plain)] < 2):
            return Cell(None, "", unknown, _did_you_mean(sorted(str(name) for name in meant)))
        if not codebook.other_techniques:
            return Cell(None, "", unknown, _advice(plain, names))
        return free(text)

    return meaning


def free_text(
    codebook: Codebook,
    variable: str,
    texts: Iterable[str],
    same: Callable[[str], str],
    names: Names | None = None,
    needed: bool = False,
) -> Callable[[str], Cell]:
    """Return the reader of a column of codes: spellings that `same` takes for one are written as the commonest of them.

    `names` are known names that come first; `needed` makes a blank a problem.
    """
    mapped = mapping(codebook, variable)
    counts = Counter(tidy(text) for text in texts)
    commonest: dict[str, str] = {}
    for spelling, _ in counts.most_common():
        commonest.setdefault(same(spelling), spelling)

    def meaning(text: str) -> Cell:
        found = mapped(text)
        if found is not None:
            return Cell(found, mapped=True)
        plain = tidy(text)
        if not plain:
            problem = f"the {variable} is blank" if needed else ""
            return Cell(None, "", problem, f"write the {variable}, or delete the line if it is no routine")
        found = names.find(plain) if names is not None else None
        if found is None:
            found = commonest.get(same(plain), plain)
        return Cell(found, _spelling(text, found))

    return meaning


def person(text: str) -> str:
    """Return what is compared of an athlete's code: case, spaces and kinds of dash don't matter, all else does."""
    return re.sub("[‐‑‒–—−]", "-", tidy(text)).casefold()


def points(codebook: Codebook, variable: str) -> Callable[[str], Cell]:
    """Return the reader of points and scores, in whole thousandths. Points lost lie in the codebook's range."""
    mapped = mapping(codebook, variable)
    unseen = {key(name) for name in (NOT_SEEN, *codebook.not_seen)}
    low, high = codebook.ranges[variable]
    lost = variable in ("deduction", "other faults")

    def meaning(text: str) -> Cell:
        found = mapped(text)
        if found is not None:
            return Cell(read_thousandths(found).thousandths, mapped=True)
        if not tidy(text) or key(text) in unseen:
            return Cell(None)
        number = read_thousandths(text)
        value = number.thousandths
        if value is None:
            return Cell(None, "", number.problem, number.remedy)
        changed = [number.changed] if number.changed else []
        if lost and value < 0:
            value = -value
            changed.append("points lost written as a negative number")
        if lost and not low <= value <= high:
            tenth = (
                f"did you mean {points_text(value // 10)}?"
                if value % 1000 == 0 and value // 10 <= high
                else ""
            )
            problem = f"a landing can't cost so much (the codebook allows up to {points_text(high)})"
            return Cell(None, "", problem, tenth or "write points such as 0.3")
        return Cell(value, ", ".join(changed))

    return meaning


def _spelling(text: str, found: str) -> str:
    if text == found:
        return ""
    if tidy(text) == found:
        return "spaces"
    if tidy(text).casefold() == found.casefold():
        return "capital letters"
    return "spelling" if key(text) == key(found) else "another name for it"


def _advice(plain: str, names: Names) -> str:
    """Suggest the name whose spelling is near, else the names that hold one of its words, else list all."""
    near = names.nearest(plain)
    if near is not None:
        return _did_you_mean([near])
    words = {word for word in key(plain).split() if len(word) > 2}
    sharing = [name for name in names.names if words & set(key(name).split())]
    return _did_you_mean(sharing) if sharing else f"the codebook has: {', '.join(names.names)}"


def _did_you_mean(names: Sequence[str]) -> str:
    quoted = [f'"{name}"' for name in names]
    return f"did you mean {' or '.join(quoted)}?"

"""The coders' agreement for a reader: lines for the terminal, and a folder with a page, tables, lists and pictures."""

from __future__ import annotations

import math
import os
import textwrap
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from analysis.comparison.agreement import Agreement, Disagreement, PairAgreement, VariableAgreement
from analysis.comparison.agreement_words import NAMES, capital, coefficient, in_a_row
from analysis.publish import numbers
from analysis.publish.agreed import decisions_workbook
from analysis.publish.confusion import confusion_figures
from analysis.publish.layout import paint
from analysis.publish.sizes import THESIS
from analysis.publish.spreadsheet import csv_table, csv_text, guarded
from analysis.publish.tables import Table, table_of
from analysis.stats.result import Interval
from analysis.study.problem import InputProblem, Problem

WIDTH = 96
MOST_LISTED = 30
DECISIONS = "decisions.xlsx"
MEASURES = {
    "agreement": "equal codes",
    "positive agreement": "agreement on stuck",
    "negative agreement": "agreement on not stuck",
    "kappa": "Cohen’s kappa",
    "weighted kappa": "Cohen’s kappa, linear weights",
    "AC": "Gwet’s AC",
    "alpha": "Krippendorff’s alpha",
    "ICC": "intraclass correlation, absolute agreement, one coder",
}


def agreement_text(agreement: Agreement) -> str:
    """Return the agreement for a terminal: what was paired, every measure with its limits, where coders differ."""
    lines = [*_wrapped(_opening(agreement)), ""]
    lines += [line for text in _pairing_lines(agreement) for line in _wrapped(text)]
    table = agreement_table(agreement)
    # The method stands in the page of the folder; here it would take the room of the numbers.
    lines += ["", *in_columns([table.header[:-1], *(row[:-1] for row in table.rows)], table.numeric)]
    if agreement.notes:
        lines += ["", "Notes"]
        for note in agreement.notes:
            lines += _wrapped(note, "- ")
    lines += ["", *_wrapped(_difference_words(agreement))]
    for item in agreement.disagreements[:MOST_LISTED]:
        lines += _wrapped(_disagreement_words(agreement, item), "- ")
    if len(agreement.disagreements) > MOST_LISTED:
        lines.append(f"  and {len(agreement.disagreements) - MOST_LISTED} more")
    return "\n".join([*lines, "", "For the methods chapter", *_wrapped(agreement.methods)])


def agreement_table(agreement: Agreement) -> Table:
    """Return every measure as one table."""
    several = len(agreement.coders) > 2
    level = numbers.level(agreement.level)
    lines = []
    for item in agreement.variables:
        for pair in item.pairs:
            who = [f"{agreement.coders[pair.first]}, {agreement.coders[pair.second]}"] if several else []
            lines += [
                [NAMES[item.variable], MEASURES[name], *who, *_cells(found)] for name, found in pair.measures
            ]
            lines += [[NAMES[item.variable], words, *who, *cells] for words, cells in _limits(pair)]
        who = ["all"] if several else []
        lines += [
            [NAMES[item.variable], _together_words(item, name), *who, *_cells(found)]
            for name, found in item.together
        ]
    header = [
        "Variable",
        "Measure",
        *(["Coders"] if several else []),
        "Estimate",
        f"{level} limits",
        "Routines",
        "Method",
    ]
    text = (0, 1, *([2] if several else []), len(header) - 1)
    whys = dict.fromkeys(_whys(agreement.variables))
    return table_of("agreement", "Agreement of the coders", header, lines, text, tuple(whys))


def _cells(found: Interval) -> list[str]:
    share = bool(found.counts)
    show = (lambda value: numbers.percent(value, found.n)) if share else coefficient
    if math.isnan(found.estimate):
        return [numbers.NOT_ESTIMATED, "–", numbers.whole(found.n), found.method]
    return [
        show(found.estimate),
        f"{show(found.low)} to {show(found.high)}",
        numbers.of(*found.counts[0]) if found.quantity == "agreement" else numbers.whole(found.n),
        found.method,
    ]


def _limits(pair: PairAgreement) -> list[tuple[str, list[str]]]:
    if pair.limits is None:
        return []
    parts = (
        ("mean difference, points", pair.limits.mean),
        ("lower limit of agreement, points", pair.limits.lower),
        ("upper limit of agreement, points", pair.limits.upper),
    )
    return [
        (
            words,
            [
                numbers.points(found.estimate),
                "–"
                if math.isnan(found.low)
                else f"{numbers.points(found.low)} to {numbers.points(found.high)}",
                numbers.whole(found.n),
                found.method,
            ],
        )
        for words, found in parts
    ]


def _together_words(item: VariableAgreement, name: str) -> str:
    kinds = {"named": "nominal", "yes or no": "nominal", "graded": "ordinal", "points": "interval"}
    if name == "alpha":
        return f"{MEASURES[name]}, {kinds[item.kind]}"
    return (
        f"{MEASURES[name]}{'2, linear weights' if item.kind == 'graded' else '1'}"
        if name == "AC"
        else MEASURES[name]
    )


def _whys(variables: Sequence[VariableAgreement]) -> list[str]:
    found = [
        (item, interval)
        for item in variables
        for interval in (
            *(i for pair in item.pairs for _, i in pair.measures),
            *(i for _, i in item.together),
        )
        if interval.why
    ]
    return [
        f"{capital(NAMES[item.variable])}, {interval.quantity}: {interval.why}." for item, interval in found
    ]


def disagreements_table(agreement: Agreement) -> Table:
    """Return the list of disagreements, each with where to look."""
    lines = [
        [
            item.routine,
            item.meet,
            item.round,
            item.athlete,
            item.clip,
            item.variable,
            *item.codes,
            "" if item.apart is None else _apart(item.variable, item.apart),
            "stuck or not" if item.stuck else "",
        ]
        for item in agreement.disagreements
    ]
    header = [
        "Routine",
        "Meet",
        "Round",
        "Athlete",
        "Clip",
        "Variable",
        *agreement.coders,
        "Apart",
        "Changes",
    ]
    return table_of("disagreements", "Where the coders differ", header, lines, range(len(header)))


def _disagreement_words(agreement: Agreement, item: Disagreement) -> str:
    codes = [
        f"{coder} {code or 'no code'}"
        for coder, code, row in zip(agreement.coders, item.codes, item.rows, strict=True)
        if row is not None
    ]
    clip = f" ({item.clip})" if item.clip else ""
    said = [f"{item.routine}{clip}, {item.variable}: {', '.join(codes)}"]
    if item.apart is not None:
        said.append(f"{_apart(item.variable, item.apart)} apart")
    return "; ".join([*said, "changes stuck or not"] if item.stuck else said)


def _apart(variable: str, apart: float) -> str:
    if variable == "landing":
        return "1 grade" if apart == 1 else f"{numbers.whole(int(apart))} grades"
    return f"{numbers.deduction(apart)} points"


def write_agreement(agreement: Agreement, folder: str | Path) -> tuple[Path, ...]:
    """Write the agreement into a folder, and with two sheets the list of disagreements to be decided.

    agreement.md, agreement.json, agreement.csv, disagreements.csv, unpaired.csv and the pictures are written anew each
    time; decisions.xlsx is written once and never replaced, because people fill it in.

    Parameters
    ----------
    agreement : Agreement
    folder : path
        Made if it isn't there.

    Returns
    -------
    tuple of Path
        The files that were written.

    Raises
    ------
    InputProblem
        When the folder can't be written.
    """
    target = Path(folder)
    figures = confusion_figures(agreement)
    files: dict[str, bytes] = {}
    for sketch in figures:
        canvas = paint(sketch.plan, THESIS, sketch.title)
        for form, content in canvas.save(sketch.name, sketch.title, sketch.alt, ("svg", "png")).items():
            files[f"{sketch.name}.{form}"] = content
    files["agreement.md"] = _page(agreement, [(s.name, s.title, s.alt, s.caption) for s in figures]).encode()
    files["agreement.json"] = agreement.to_json().encode()
    files["agreement.csv"] = csv_table(agreement_table(agreement))
    files["disagreements.csv"] = csv_table(disagreements_table(agreement))
    files["unpaired.csv"] = _unpaired_csv(agreement)
    if len(agreement.coders) == 2 and not (target / DECISIONS).exists():
        files[DECISIONS] = decisions_workbook(agreement.pairing)
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            beside = target / f".{name}.new"
            beside.write_bytes(content)
            os.replace(beside, target / name)
    except OSError as error:
        reason = error.strerror or str(error)
        problem = f"the agreement can't be written: {reason}"
        remedy = "close files of it that are open elsewhere, or name another folder"
        raise InputProblem(Problem(str(target), None, None, None, problem, remedy)) from None
    return tuple(target / name for name in files)


def _unpaired_csv(agreement: Agreement) -> bytes:
    pairing = agreement.pairing
    lines = [["sheet", "row", "routine", "kind", "why"]]
    lines += [
        [pairing.names[item.sheet], str(item.row), item.label, item.kind, item.why]
        for item in pairing.unpaired
    ]
    return csv_text([[guarded(cell) for cell in line] for line in lines])


def _page(agreement: Agreement, figures: Sequence[tuple[str, str, str, str]]) -> str:
    table, listed = agreement_table(agreement), disagreements_table(agreement)
    parts = [
        "# Agreement of the coders",
        _safe(_opening(agreement)),
        "\n".join(_items(_pairing_lines(agreement))),
    ]
    parts += ["## Measures", _grid(table), "\n".join(_items(table.notes))]
    if agreement.notes:
        parts += ["## Notes", "\n".join(_items(agreement.notes))]
    for name, title, alt, caption in figures:
        parts += [f"## {_safe(title)}", f"![{_safe(alt)}]({name}.svg)", _safe(caption)]
    parts += ["## Where the coders differ", _safe(_difference_words(agreement))]
    if listed.rows:
        parts.append(_grid(listed))
    parts += ["## For the methods chapter", _safe(agreement.methods)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _opening(agreement: Agreement) -> str:
    names = in_a_row(agreement.coders)
    who = {
        "same coder": f"{names}: one coder, so this is agreement within a coder.",
        "different coders": f"{names}: different coders, so this is agreement between coders.",
        "mixed": f"{names}: coded partly by one person and partly by several.",
        "not known": f"{names}: the sheets don’t say whether one or several people coded.",
    }[agreement.who]
    n = agreement.routines
    twice = "twice" if len(agreement.coders) == 2 else "in two sheets or more"
    return f"{numbers.whole(n)} {'routine' if n == 1 else 'routines'} coded {twice}. {who}"


def _pairing_lines(agreement: Agreement) -> list[str]:
    """How many rows were paired, and why others were not; each row that is in doubt is named."""
    pairing = agreement.pairing
    lines = []
    for place, (name, sheet) in enumerate(zip(pairing.names, pairing.sheets, strict=True)):
        paired = sum(routine.rows[place] is not None for routine in pairing.routines)
        own = [item for item in pairing.unpaired if item.sheet == place]
        said = [f"{numbers.whole(paired)} of {numbers.whole(len(sheet.rows))} rows paired"]
        kinds = Counter(item.why for item in own if item.kind != "doubt")
        said += [f"{numbers.whole(rows)}: {why}" for why, rows in kinds.items()]
        lines.append(f"{name}: {'; '.join(said)}")
        doubts = [item for item in own if item.kind == "doubt"]
        lines += [
            f"{name}, row {item.row} ({item.label}) not paired: {item.why}" for item in doubts[:MOST_LISTED]
        ]
        if len(doubts) > MOST_LISTED:
            lines.append(f"{name}: {len(doubts) - MOST_LISTED} more rows not paired")
    return lines


def _difference_words(agreement: Agreement) -> str:
    if not agreement.disagreements:
        return "The coders’ codes are equal throughout."
    counts = Counter(item.variable for item in agreement.disagreements)
    listed = in_a_row([f"{name} {numbers.whole(rows)}" for name, rows in counts.items()])
    routines = len({item.rows for item in agreement.disagreements})
    return f"The coders differ on {numbers.whole(routines)} routines ({listed}):"


def _grid(table: Table) -> str:
    marks = ["---:" if numeric else "---" for numeric in table.numeric]
    lines = [table.header, marks, *table.rows]
    return "\n".join(f"| {' | '.join(_safe(cell) for cell in line)} |" for line in lines)


def _items(texts: Sequence[str]) -> list[str]:
    return [f"- {_safe(text)}" for text in texts]


def _safe(text: str) -> str:
    """Text that a markdown reader shows as it is: a code may hold a bar, a bracket or a tag."""
    for mark in "\\`*_[]<>|#":
        text = text.replace(mark, f"&#{ord(mark)};" if mark in "<>|" else f"\\{mark}")
    return " ".join(text.split(" ")).replace("\n", " ").replace("\r", " ")


def in_columns(lines: Sequence[Sequence[str]], numeric: Sequence[bool]) -> list[str]:
    """Lines in columns as wide as their longest cell; a variable's name stands in its first line only."""
    wide = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
    shown = []
    for place, line in enumerate(lines):
        same = place > 1 and line[0] == lines[place - 1][0]
        cells = ["" if same else line[0], *line[1:]]
        shown.append(
            "  ".join(
                cell.rjust(width) if right else cell.ljust(width)
                for cell, width, right in zip(cells, wide, numeric, strict=False)
            ).rstrip()
        )
    return shown


def _wrapped(text: str, bullet: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False
    ) or [""]

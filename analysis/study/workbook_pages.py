"""The pages beside the routines: what each code means, how many there are, the start list, the lists themselves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from openpyxl.formatting.rule import CellIsRule, FormulaRule
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet.worksheet import Worksheet

from analysis.study.cells import points_text
from analysis.study.codebook import NOT_SEEN, Codebook, Rule
from analysis.study.grid import column_letter
from analysis.study.workbook_cells import (
    CODED,
    MISFIT,
    OTHER,
    TO_DO,
    WHO_HEAD,
    fill,
    fit_height,
    guard,
    paper,
    put_formula,
    put_known,
    put_number,
    put_text,
    unlocked,
    widths,
)
from analysis.study.workbook_columns import WHO, Reach

_HOW = (
    "One row per routine. Meet, round, start order and athlete first: type them, or take them from the start list.",
    "Watch the landing once at full speed, then slowly. Pick technique and landing from the lists.",
    "Deduction: all points lost on the landing. Other faults: the part of them that is not steps.",
    "What nobody saw is 'not seen' (landing) or blank (technique, points), never a guess.",
    "Don't look at scores while you code: they tell what others saw.",
    "Athletes are often minors: use codes, not names, and keep the list of who is who elsewhere.",
)


@dataclass(frozen=True)
class Choice:
    """One list of the page Lists: its head, its entries (numbers in thousandths), and the name that rules call it by.

    Rules use the name, since some programs take no cell of another page in them.
    """

    head: str
    entries: tuple[str | int, ...]
    name: str


def lists(codebook: Codebook) -> dict[str, Choice]:
    """Return what may be chosen, by variable; `least` and `most` belong to the landings and are points of the feet."""
    rules = codebook.points
    grades = codebook.grades
    largest = max(rules.allowed_sums)
    found: dict[str, tuple[str | int, ...]] = {
        "technique": tuple(item.name for item in codebook.techniques),
        "landing": (*(grade.name for grade in grades), NOT_SEEN),
        "least": (*(min(grade.deductions, default=0) for grade in grades), 0),
        "most": (
            *(largest if grade.fall or not grade.deductions else max(grade.deductions) for grade in grades),
            largest,
        ),
        "round": codebook.rounds,
    }
    for name, sums in (("deduction", rules.allowed_sums), ("other faults", rules.other_sums)):
        low, high = codebook.ranges[name]
        found[name] = tuple(points for points in sorted(sums) if low <= points <= high)
    heads = {"least": "feet, least", "most": "feet, most"}
    return {
        name: Choice(heads.get(name, name), entries, f"list_{name.replace(' ', '_')}")
        for name, entries in found.items()
        if entries
    }


def lists_page(page: Worksheet, choices: Mapping[str, Choice]) -> None:
    """Write the lists that the drop-downs show; guarded, since a changed entry would change what may be typed."""
    for place, choice in enumerate(choices.values(), 1):
        number = isinstance(choice.entries[0], int)
        put_text(page.cell(1, place), choice.head, bold=True, colour=OTHER, ruled=True, centre=number)
        for row, entry in enumerate(choice.entries, 2):
            if isinstance(entry, int):
                put_number(page.cell(row, place), entry / 1000, "0.0##", centre=True)
            else:
                put_text(page.cell(row, place), entry)
        letter = column_letter(place - 1)
        cells = f"Lists!${letter}$2:${letter}${1 + len(choice.entries)}"
        page.parent.defined_names[choice.name] = DefinedName(choice.name, attr_text=cells)
        longest = max(len(str(entry)) for entry in (choice.head, *choice.entries))
        page.column_dimensions[letter].width = min(max(12, longest + 3), 60)
    page.freeze_panes = "A2"
    paper(page)
    guard(page)


_DEFINED = (26.0, 52.0, 40.0, 44.0, 44.0)


def definitions_page(page: Worksheet, codebook: Codebook) -> None:
    """Write how to code, then each landing, technique and column with examples, then the points of the edition."""
    widths(page, _DEFINED)
    lines = _Lines(page)
    lines.title(codebook.name or "Codebook")
    lines.text(f"{codebook.discipline}, rules of {codebook.edition}. {codebook.note}".strip())
    lines.gap()
    lines.heads("How to code", "", "", "", "")
    for number, text in enumerate(_HOW, 1):
        lines.text(f"{number}. {text}")
    lines.gap()
    lines.heads("Landing, best first", "What it is", "Points for the feet", "An example", "Not this")
    for grade in codebook.grades:
        lines.row(grade.name, grade.definition, _span(grade.deductions), grade.example, grade.counter_example)
    lines.row(NOT_SEEN, "Nobody could see the landing: out of the picture, covered, cut.", "", "", "")
    lines.gap()
    lines.heads("Technique", "What it is", "Other names", "An example", "Not this")
    for item in codebook.techniques:
        lines.row(item.name, item.definition, ", ".join(item.aliases[:4]), item.example, item.counter_example)
    if codebook.other_techniques:
        lines.row("any other", "Typed by hand, in the same words each time.", "", "", "")
    lines.gap()
    lines.heads("Column", "What is coded", "What is not", "Header in this workbook", "")
    for variable in codebook.variables:
        header = codebook.columns.get(variable.name, variable.name)
        needed = "needed" if variable.required else ""
        lines.row(variable.name, variable.definition, variable.excludes, header, needed)
    lines.gap()
    lines.heads("Rule", "Points", "Where the value stands", "Where it was read", "")
    rules = codebook.points
    for rule in (rules.small_step, rules.large_step, rules.cap_of_steps, rules.cap_without_fall, rules.fall):
        _rule(lines, rule)
    _rule(lines, rules.stuck_bonus, "none in this edition")
    for rule in rules.other_faults:
        _rule(lines, rule)
    paper(page)


def _rule(lines: _Lines, rule: Rule, without: str = "") -> None:
    points = ", ".join(points_text(item) for item in rule.points) or without
    if points:
        stands = rule.status if rule.status == "confirmed" else "from memory: check your rule book"
        lines.row(rule.name, points, stands, rule.source, "", marked=rule.status != "confirmed")


def _span(points: Sequence[int]) -> str:
    if not points:
        return "any"
    low, high = points_text(min(points)), points_text(max(points))
    return low if low == high else f"{low} to {high}"


class _Lines:
    """Writes a page of text from the top."""

    def __init__(self, page: Worksheet) -> None:
        self.page, self.at = page, 1

    def title(self, text: str) -> None:
        put_text(self.page.cell(self.at, 1), text, bold=True, size=14)
        self.page.row_dimensions[self.at].height = 22
        self.at += 1

    def text(self, text: str) -> None:
        put_text(self.page.cell(self.at, 1), text)
        self.at += 1

    def gap(self) -> None:
        self.at += 1

    def heads(self, *texts: str) -> None:
        for place, text in enumerate(texts, 1):
            put_text(self.page.cell(self.at, place), text, bold=True, colour=CODED, ruled=True)
        self.at += 1

    def row(self, *texts: str, marked: bool = False) -> None:
        for place, text in enumerate(texts, 1):
            cell = self.page.cell(self.at, place)
            put_text(cell, text, bold=place == 1, wrap=True, ruled=True, colour=TO_DO if marked else "")
        fit_height(self.page, self.at, texts, _DEFINED)
        self.at += 1


def counts_page(page: Worksheet, codebook: Codebook, reach: Reach) -> None:
    """Write how many routines are coded, by technique and landing.

    The formulas multiply comparisons: a counting function with criteria takes a name such as "<3" or "a*" for a rule.
    """
    technique, landing = reach.cells("technique"), reach.cells("landing")
    lines = _Lines(page)
    lines.title("What is coded so far")
    athlete = f'({reach.cells("athlete")}<>"")'
    seen = f'*({landing}<>"{NOT_SEEN}")'  # what nobody saw has no points to wait for
    for label, formula in (
        ("routines with an athlete", f"SUMPRODUCT(1*{athlete})"),
        ("technique still to code", f'SUMPRODUCT({athlete}*({technique}=""))'),
        ("landing still to code", f'SUMPRODUCT({athlete}*({landing}=""))'),
        ("points still to code", f'SUMPRODUCT({athlete}*({reach.cells("deduction")}=""){seen})'),
    ):
        put_text(page.cell(lines.at, 1), label, ruled=True)
        put_formula(page.cell(lines.at, 2), f"={formula}", '0;-0;"–"', bold=True, ruled=True, centre=True)
        lines.at += 1
    lines.gap()
    landings = (
        [*(grade.name for grade in codebook.grades), NOT_SEEN]
        if reach.distinct("landing", "deduction")
        else []
    )
    top = lines.at
    heads = ["technique", *landings, *(["no landing yet"] if landings else []), "all"]
    for place, head in enumerate(heads, 1):
        cell = page.cell(top, place)
        put_text(cell, head, bold=True, wrap=True, colour=CODED, ruled=True, centre=place > 1)
        page.column_dimensions[column_letter(place - 1)].width = 30 if place == 1 else 14
    page.row_dimensions[top].height = 48
    first, last = top + 1, top + len(codebook.techniques)
    names = [item.name for item in codebook.techniques]
    for row, name in enumerate([*names, "other names", "all"], first):
        put_text(page.cell(row, 1), name, bold=row == last + 2, ruled=True)
        for place, head in enumerate(heads[1:], 2):
            letter = column_letter(place - 1)
            of_landing = ""
            if head != "all":
                wanted = '""' if head == "no landing yet" else f"{letter}${top}"
                of_landing = f"*({landing}={wanted})"
            if row <= last:
                formula = f"SUMPRODUCT(({technique}=$A{row}){of_landing}*1)"
            elif row == last + 1:
                listed = f"-SUM({letter}{first}:{letter}{last})" if names else ""
                formula = f'SUMPRODUCT(({technique}<>""){of_landing}*1){listed}'
            else:
                formula = f"SUM({letter}{first}:{letter}{last + 1})"
            bold = row == last + 2 or head == "all"
            put_formula(page.cell(row, place), f"={formula}", '0;-0;"–"', bold=bold, ruled=True, centre=True)
    total = column_letter(len(heads) - 1)
    if names:
        few = CellIsRule(operator="lessThan", formula=["3"], fill=fill(TO_DO))
        page.conditional_formatting.add(f"{total}{first}:{total}{last}", few)
    if landings:
        open_ = column_letter(len(heads) - 2)
        page.conditional_formatting.add(
            f"{open_}{first}:{open_}{last + 2}",
            CellIsRule(operator="greaterThan", formula=["0"], fill=fill(MISFIT)),
        )
    lines.at = last + 4
    lines.text(
        "A shaded total: fewer than three routines, too few for a test. A red cell: a technique without a landing."
    )
    page.freeze_panes = f"B{first}"
    paper(page)
    guard(page)


def start_list_page(page: Worksheet, routines: Sequence[Mapping[str, str]], reach: Reach) -> None:
    """Write the page that a start list is pasted into; it counts what is coded of it."""
    heads = [*WHO, "coded"]
    widths(page, (20, 18, 12, 14, 9, 3, 70))
    for place, head in enumerate(heads, 1):
        put_text(
            page.cell(1, place),
            head,
            bold=True,
            colour=OTHER if head == "coded" else WHO_HEAD,
            ruled=True,
            centre=head in ("start order", "coded"),
        )
    rows = range(2, reach.prepared + 1)
    alike = "*".join(
        f'({reach.cells(name)}&""={column_letter(place)}{{row}}&"")'
        for place, name in enumerate(WHO)
        if name != "start order"
    )
    for row in rows:
        known = routines[row - 2] if row - 2 < len(routines) else {}
        for place, name in enumerate(WHO, 1):
            cell = page.cell(row, place)
            put_known(cell, name, known.get(name, ""), centre=name == "start order")
            cell.number_format = "General" if name == "start order" else "@"
            cell.protection = unlocked()
        formula = f'=IF(D{row}="","",SUMPRODUCT({alike.format(row=row)}*({reach.cells("technique")}<>"")))'
        put_formula(page.cell(row, 5), formula, ruled=True, centre=True)
    page.conditional_formatting.add(
        f"E2:E{reach.prepared}", FormulaRule(['AND($D2<>"",$E2=0)'], fill=fill(TO_DO))
    )
    for row, text in enumerate(
        (
            "1. Paste the start list here, as values: meet, round, start order, athlete (codes, not names).",
            "2. Copy the four columns and paste them, again as values, into the first four of Routines.",
            "3. Code there. The column 'coded' counts what is done; a shaded 0 is a routine still to code.",
            "The routines hold no link to this page: sorting the list can't move a code to another athlete.",
        ),
        1,
    ):
        put_text(page.cell(row, 7), text)
    page.freeze_panes = "A2"
    paper(page, "1:1")
    guard(page)

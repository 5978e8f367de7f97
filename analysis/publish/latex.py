r"""Tables as LaTeX, for \input into a thesis; every text is escaped, whatever a technique is called.

Two variants hold the same cells: plain columns, and columns of type S that siunitx aligns at the decimal mark.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from analysis.publish.numbers import machine
from analysis.publish.tables import Table

_MARKS = {
    "\\": r"\textbackslash{}",
    "{": r"\{",
    "}": r"\}",
    "$": r"\$",
    "&": r"\&",
    "#": r"\#",
    "_": r"\_",
    "%": r"\%",
    "^": r"\textasciicircum{}",
    "~": r"\textasciitilde{}",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "|": r"\textbar{}",
    '"': r"\char34{}",
    "`": r"\textasciigrave{}",
    "\N{MINUS SIGN}": r"\ensuremath{-}",
    "\N{MULTIPLICATION SIGN}": r"\ensuremath{\times}",
    "\N{EN DASH}": "--",
    "\N{NO-BREAK SPACE}": "~",
    "\N{NARROW NO-BREAK SPACE}": r"\,",
    "\N{LESS-THAN OR EQUAL TO}": r"\ensuremath{\leq}",
    "\N{GREATER-THAN OR EQUAL TO}": r"\ensuremath{\geq}",
}
LINE = 96
"""Letters of small type that a line of 16 cm holds, on the careful side; widths are shares of the line."""
GAP = 2.5
"""Room between two columns, in letters."""
MOST_LINES = 50
"""A table with more lines of print than this, notes included, is set to break over pages."""
HEADS = (13, 9, 1)
"""A header of numbers is broken into lines of so many letters, fewer on a short line; one of texts, of twice that."""
LEAST_TEXT = 20
"""Letters that a wrapped text should have on a line before headers are broken further."""


def latex(text: str) -> str:
    """Text that LaTeX prints as it stands."""
    one_line = " ".join("".join(c if c.isprintable() or c in _MARKS else " " for c in text).split(" "))
    return "".join(_MARKS.get(character, character) for character in one_line)


@dataclass(frozen=True)
class _Column:
    """How one column is set: its type in the preamble, the side its header keeps to, letters on a line."""

    kind: str
    side: str
    room: int


def latex_table(table: Table, siunitx: bool = False) -> str:
    """One table with rules above, under the header and below; its notes follow as paragraphs.

    It floats, unless it is so long that it has to break over pages. `siunitx` asks for columns of type S.
    """
    columns = _columns(table, siunitx)
    long = _printed_lines(table, columns) > MOST_LINES
    head = " & ".join(_head(name, column) for name, column in zip(table.header, columns, strict=True))
    body = "\n".join(f"    {_line(table, row, columns)} \\\\" for row in table.rows)
    parts = {
        "needs": ", ".join(
            ["array", "booktabs", *(["longtable"] if long else []), *(["siunitx"] if siunitx else [])]
        ),
        "caption": f"\\caption{{{latex(table.title)}}}",
        "label": f"\\label{{{label(table)}}}",
        "columns": "".join(column.kind for column in columns),
        "head": f"    {head} \\\\",
        "body": body,
        "notes": "".join(
            f"\n  {{\\footnotesize\\raggedright\\noindent {latex(note)}\\par}}" for note in table.notes
        ),
        "setup": _marks(table) if siunitx else "",
        "size": _size(columns),
    }
    return (_LONG if long else _FLOATING).format_map(parts)


_FLOATING = r"""% Needs the packages {needs}; made from the report's own cells.
\begin{{table}}[htbp]
  \centering{size}{setup}
  {caption}
  {label}\par\smallskip
  \begin{{tabular}}{{{columns}}}
    \toprule
{head}
    \midrule
{body}
    \bottomrule
  \end{{tabular}}\par\smallskip{notes}
\end{{table}}
"""

_LONG = r"""% Needs the packages {needs}; made from the report's own cells.
\begingroup
  {size}{setup}\setlength{{\LTcapwidth}}{{\linewidth}}
  \begin{{longtable}}{{{columns}}}
    {caption}{label}\\[3pt]
    \toprule
{head}
    \midrule
    \endfirsthead
    \toprule
{head}
    \midrule
    \endhead
{body}
    \bottomrule
  \end{{longtable}}{notes}
\endgroup
"""


def label(table: Table) -> str:
    r"""The name by which \ref finds the table."""
    return f"tab:{re.sub('[^a-z]', '-', table.key)}"


def _size(columns: list[_Column]) -> str:
    """Small type; smaller, and closer columns, where the line is too short for that. Rows that wrap stand apart."""
    needed = (sum(column.room for column in columns) + GAP * len(columns)) / LINE
    if needed <= 1.02:
        wraps = any("raggedright" in column.kind for column in columns)
        return "\\small" + ("\\setlength{\\extrarowheight}{2pt}" if wraps else "")
    size = "footnotesize" if needed <= 1.2 else "scriptsize" if needed <= 1.4 else "tiny"
    return f"\\{size}\\setlength{{\\tabcolsep}}{{3pt}}"


def _marks(table: Table) -> str:
    """The marks of the table's number style, as options of siunitx."""
    marks = table.style.marks
    return (
        f"\\sisetup{{output-decimal-marker={{{marks.decimal}}},group-separator={{{latex(marks.group)}}},"
        f"group-digits=integer,group-minimum-digits={marks.group_from},"
        "table-text-alignment=right,table-number-alignment=right}"
    )


def _columns(table: Table, siunitx: bool) -> list[_Column]:
    """Numbers get the room that they need; texts that don't fit beside them share what is left and wrap."""
    places = range(len(table.header))
    texts = [place for place in places if not table.numeric[place]]
    line = LINE - GAP * len(places)
    for room in HEADS:
        widths = [_width(table, place, room) for place in places]
        if (
            sum(width if table.numeric[i] else min(width, LEAST_TEXT) for i, width in enumerate(widths))
            <= line
        ):
            break
    wrapped = [place for place in texts if widths[place] > LEAST_TEXT] if sum(widths) > line else []
    left = line - sum(width for place, width in enumerate(widths) if place not in wrapped)
    wishes = {place: min(widths[place], 60) for place in wrapped}
    columns = []
    for place in places:
        if place in wrapped:
            share = max(left * wishes[place] / sum(wishes.values()), _widest_word(table, place))
            kind = f">{{\\raggedright\\arraybackslash}}p{{{share / LINE:.3f}\\linewidth}}"
            columns.append(_Column(kind, "l", int(share)))
        else:
            kind = (_s_column(table, place) if siunitx else "r") if table.numeric[place] else "l"
            columns.append(_Column(kind, "r" if table.numeric[place] else "l", widths[place]))
    return columns


def _width(table: Table, place: int, room: int) -> int:
    """Letters of a column whose header is broken into lines of `room` letters, or of its widest cell."""
    longest = max((len(row[place]) for row in table.rows), default=0)
    lines = _broken(table.header[place], max(longest, room if table.numeric[place] else 2 * room))
    return max(1, longest, *map(len, lines))


def _broken(text: str, room: int) -> list[str]:
    """A text in lines of `room` letters, or of its widest word; a percent sign keeps to the word before it."""
    words = text.split(" ")
    if len(words) > 1 and words[-1] == "%":
        words[-2:] = [" ".join(words[-2:])]
    lines = [""]
    for word in words:
        if lines[-1] and len(lines[-1]) + 1 + len(word) > room:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def _widest_word(table: Table, place: int) -> int:
    texts = (table.header[place], *(row[place] for row in table.rows))
    return max(len(word) for text in texts for word in text.split(" "))


def _s_column(table: Table, place: int) -> str:
    """The type of a column of numbers; "r" where no cell is one plain number."""
    cells = [(row[place], machine(row[place], table.style)) for row in table.rows]
    plain = [number for _, number in cells if number is not None]
    if not plain:
        return "r"
    sign = "-" if any(number.startswith("-") for number in plain) else ""
    whole = max(len(number.lstrip("-").partition(".")[0]) for number in plain)
    decimals = max(len(number.partition(".")[2]) for number in plain)
    bare = (
        ",print-zero-integer=false" if any(cell.startswith(table.style.decimal) for cell, _ in cells) else ""
    )
    return f"S[table-format={sign}{max(whole, 1)}.{decimals}{bare}]"


def _head(name: str, column: _Column) -> str:
    """A header in as many lines as it needs, standing on the rule."""
    lines = _broken(name, column.room)
    text = r" \\ ".join(_guard(latex(line)) for line in lines)
    if len(lines) > 1:
        text = f"\\begin{{tabular}}[b]{{@{{}}{column.side}@{{}}}}{text}\\end{{tabular}}"
    return f"{{{text}}}"


def _line(table: Table, row: tuple[str, ...], columns: list[_Column]) -> str:
    cells = []
    for cell, column in zip(row, columns, strict=True):
        if not column.kind.startswith("S"):
            cells.append(_guard(latex(cell)))
        else:
            number = machine(cell, table.style)
            cells.append((f"{{{latex(cell)}}}" if cell else "") if number is None else number)
    return " & ".join(cells)


def _guard(cell: str) -> str:
    """An opening bracket after a line's end would be read as its optional argument."""
    return "{}" + cell if cell.startswith(("[", "*")) else cell


def _printed_lines(table: Table, columns: list[_Column]) -> int:
    """About how many lines the table takes in print."""
    rows = sum(
        max(-(-len(cell) // max(column.room, 1)) for cell, column in zip(row, columns, strict=True))
        for row in table.rows
    )
    return rows + 4 + sum(-(-len(note) // int(1.2 * LINE)) for note in table.notes)

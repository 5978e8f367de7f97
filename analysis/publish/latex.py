r"""Tables as LaTeX, for \input into a thesis; every text is escaped, whatever a technique is called."""

from __future__ import annotations

import re

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
}
LONG = 26
"""A text column with a longer cell is set as a paragraph column, so that it wraps."""


def latex(text: str) -> str:
    """Text that LaTeX prints as it stands."""
    one_line = " ".join(
        "".join(c if c.isprintable() or c == "\N{NO-BREAK SPACE}" else " " for c in text).split(" ")
    )
    return "".join(_MARKS.get(character, character) for character in one_line)


def latex_table(table: Table) -> str:
    """One floating table with rules above, under the header and below."""
    columns = "".join(_column(table, i) for i in range(len(table.header)))
    # An opening bracket after \\ would be read as its optional argument.
    body = "\n".join("    " + " & ".join(_guard(latex(cell)) for cell in row) + r" \\" for row in table.rows)
    head = " & ".join(latex(name) for name in table.header)
    notes = "".join(f"\n  \\par\\smallskip{{\\footnotesize {latex(note)}\\par}}" for note in table.notes)
    return (
        "% Needs \\usepackage{booktabs} and \\usepackage{textcomp}; made from the report's own cells.\n"
        "\\begin{table}[htbp]\n"
        "  \\centering\\small\n"
        f"  \\caption{{{latex(table.title)}}}\n"
        f"  \\label{{tab:{re.sub('[^a-z-]', '-', table.key)}}}\n"
        f"  \\begin{{tabular}}{{{columns}}}\n"
        "    \\toprule\n"
        f"    {head} \\\\\n"
        "    \\midrule\n"
        f"{body}\n"
        "    \\bottomrule\n"
        f"  \\end{{tabular}}{notes}\n"
        "\\end{table}\n"
    )


def _guard(cell: str) -> str:
    return "{}" + cell if cell.startswith(("[", "*")) else cell


def _column(table: Table, place: int) -> str:
    if table.numeric[place]:
        return "r"
    longest = max((len(row[place]) for row in table.rows), default=0)
    return r"p{0.3\linewidth}" if longest > LONG else "l"

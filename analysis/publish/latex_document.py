r"""The LaTeX files of a report: every table in two variants, one file that takes them all in, and a document."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.publish.latex import label, latex, latex_table
from analysis.publish.tables import Table

ALL = "all_tables.tex"
DOCUMENT = "tables_document.tex"
SIUNITX = "siunitx/"


def latex_files(tables: Sequence[Table], title: str = "Tables") -> dict[str, bytes]:
    r"""Return every LaTeX file by its name below the folder of the tables.

    `KEY.tex` is the plain variant of a table and `siunitx/KEY.tex` the one with columns of type S; `all_tables.tex`
    takes in whichever lies in `\tablefolder`, and `tables_document.tex` is a document that does so.
    """
    files = {f"{table.key}.tex": latex_table(table) for table in tables}
    files |= {f"{SIUNITX}{table.key}.tex": latex_table(table, siunitx=True) for table in tables}
    files[ALL] = _all(tables)
    files[DOCUMENT] = _document(tables, title)
    return {name: text.encode() for name, text in files.items()}


def _all(tables: Sequence[Table]) -> str:
    lines = "\n".join(
        f"\\input{{\\tablefolder {table.key}.tex}}% \\ref{{{label(table)}}}" for table in tables
    )
    return (
        "% Takes in every table of the report. Say before it where the tables lie, from your main file:\n"
        "%   \\newcommand{\\tablefolder}{tables/}          plain columns\n"
        "%   \\newcommand{\\tablefolder}{tables/siunitx/}  numbers aligned at the decimal mark by siunitx\n"
        "\\providecommand{\\tablefolder}{}\n"
        f"{lines}\n"
    )


def _document(tables: Sequence[Table], title: str) -> str:
    named = ", ".join(f"\\ref{{{label(table)}}}" for table in tables)
    return f"""% A document with every table of the report: see how they look, and copy the preamble into a thesis.
% pdflatex, lualatex and xelatex all set it, the first only names in Latin letters. Run it twice for the references.
\\documentclass[a4paper,11pt]{{article}}
\\usepackage{{iftex}}
\\iftutex
  \\usepackage{{fontspec}}
\\else
  \\usepackage[T1]{{fontenc}}
  \\usepackage{{textcomp}}
  \\IfFileExists{{lmodern.sty}}{{\\usepackage{{lmodern}}}}{{}}
\\fi
\\usepackage[margin=2.5cm]{{geometry}}
\\usepackage{{array,booktabs,longtable,siunitx}}
% Empty for plain columns.
\\newcommand{{\\tablefolder}}{{{SIUNITX}}}
\\title{{{latex(title)}}}
\\author{{}}
\\date{{}}
\\begin{{document}}
\\maketitle
\\noindent Tables {named}.
\\input{{{ALL}}}
\\end{{document}}
"""

"""The command: it parses, calls, prints and shows progress. No statistics here.

Everything heavy is imported inside the commands, so that `landings --help` is instant. The commands around coding are
in `cli_coding`.
"""

from __future__ import annotations

import sys

import click

import analysis
from analysis.cli_coding import agree, coders, codes, recode, start
from analysis.console import EXIT_PROBLEM, Bar, give, json_option, names_problems, say


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(analysis.__version__, prog_name="landings")
def main() -> None:
    """Compare dismount techniques by how they land: which is stuck more often, and how sure can we be."""


@main.command()
@click.argument("sheet", type=click.Path())
@click.option("--codebook", type=click.Path(), help="Codebook (TOML); the built-in one otherwise.")
@click.option("--worksheet", help="Worksheet of a workbook; otherwise the first with the required headers.")
@json_option
@names_problems
def check(sheet: str, codebook: str | None, worksheet: str | None, as_json: bool) -> None:
    """Read an event SHEET and list repairs and problems by row, column, value and remedy.

    The exit code is 0 when a comparison could run on the sheet.
    """
    from analysis.study.checks import check as cross_check
    from analysis.study.checks import nothing_to_compare, usable_rows
    from analysis.study.problem import InputProblem
    from analysis.study.sheet import read_sheet

    try:
        found = read_sheet(sheet, codebook=codebook, worksheet=worksheet)
    except InputProblem as unreadable:
        if as_json:
            listed = [problem.to_dict() for problem in unreadable.problems]
            give({"rows": 0, "usable": 0, "repairs": [], "problems": listed})
        for problem in unreadable.problems:
            say(str(problem))
        sys.exit(EXIT_PROBLEM)
    crossed = cross_check(found)
    stopped = nothing_to_compare(found, crossed)
    problems = [*found.problems, *crossed, *stopped]
    usable = usable_rows(found, crossed)
    if as_json:
        give(
            {
                "rows": len(found.rows),
                "usable": int(usable),
                "repairs": [repair.to_dict() for repair in found.repairs],
                "problems": [problem.to_dict() for problem in problems],
            }
        )
    else:
        from analysis.publish.terminal import check_text

        click.echo(check_text(found, problems, usable))
    if stopped:
        for problem in stopped:
            say(str(problem))
        sys.exit(EXIT_PROBLEM)


@main.command()
@click.argument("plan", type=click.Path())
@json_option
@names_problems
def compare(plan: str, as_json: bool) -> None:
    """Run the comparison that PLAN asks for and print what can be said."""
    found = analysis.compare(plan, progress=Bar())
    if as_json:
        click.echo(found.to_json(), nl=False)
        return
    from analysis.publish.terminal import comparison_text

    click.echo(comparison_text(found))


@main.command()
@click.argument("plan", type=click.Path())
@click.option(
    "--out", required=True, type=click.Path(), help="Folder to write; an older report there is replaced."
)
@click.option(
    "--numbers",
    type=click.Choice(["en", "de", "fr", "es"]),
    default="en",
    show_default=True,
    help="Whose decimal and thousands marks the tables and figures have.",
)
@click.option(
    "--percent-decimals", type=click.IntRange(0, 4), help="Decimals of percentages; by sample size otherwise."
)
@click.option(
    "--points-decimals", type=click.IntRange(0, 4), default=2, show_default=True, help="Decimals of points."
)
@click.option(
    "--p-decimals", type=click.IntRange(2, 3), default=3, show_default=True, help="Decimals of p-values."
)
@click.option(
    "--p-zero/--no-p-zero", default=None, help="Write 0.034 or .034; as the language does otherwise."
)
@click.option(
    "--size",
    "sizes",
    multiple=True,
    type=click.Choice(["single", "double", "poster"]),
    help="A further size of the figures; may be given several times.",
)
@json_option
@names_problems
def report(
    plan: str,
    out: str,
    numbers: str,
    percent_decimals: int | None,
    points_decimals: int,
    p_decimals: int,
    p_zero: bool | None,
    sizes: tuple[str, ...],
    as_json: bool,
) -> None:
    """Run the comparison of PLAN and write the report folder.

    The folder holds the page, the document, tables, figures, the clinic kit, the rows, methods and checklist.
    """
    from analysis.publish.folder import ReportFolderProblem
    from analysis.publish.style import NumberStyle

    style = NumberStyle(
        language=numbers,
        percent_decimals=percent_decimals,
        points_decimals=points_decimals,
        p_decimals=p_decimals,
        p_leading_zero=p_zero,
    )
    bar = Bar()
    found = analysis.compare(plan, progress=bar)
    try:
        folder = analysis.write_report(found, out, progress=bar, style=style, sizes=sizes)
    except ReportFolderProblem as refused:
        if as_json:
            give(
                {
                    "problems": [
                        {"row": None, "column": "--out", "value": out, "problem": str(refused), "remedy": ""}
                    ]
                }
            )
        say(str(refused))
        sys.exit(EXIT_PROBLEM)
    if as_json:
        click.echo(found.to_json(), nl=False)
    else:
        click.echo(found.reading.headline)
    say(f"The report is in {folder}; open {folder / 'report.html'}")


def _fraction(text: str) -> tuple[int, int]:
    """Read "9/9" as (9, 9), or explain what a fraction looks like."""
    parts = text.replace(" ", "").split("/")
    if len(parts) != 2 or not all(part.isascii() and part.isdigit() for part in parts):
        raise click.BadParameter(f'"{text}" is not stuck/total in whole numbers, such as 14/22')
    return int(parts[0]), int(parts[1])


@main.command()
@click.argument("first")
@click.argument("second")
@click.option("--level", type=float, default=0.95, show_default=True, help="Confidence level.")
@json_option
@names_problems
def counts(first: str, second: str, level: float, as_json: bool) -> None:
    """Compare two counts, stuck/total: landings counts 9/9 14/22.

    Each routine is taken as another athlete's.
    """
    from analysis.study.problem import InputProblem, Problem

    (x1, n1), (x2, n2) = _fraction(first), _fraction(second)
    if not 0 < level < 1:
        raise click.BadParameter(f"--level {level:g} does not lie between 0 and 1; 0.95 is usual")
    wrong = [
        Problem(
            "command line", None, name, f"{x}/{n}", f"{x} stuck landings in {n} routines can't be", remedy
        )
        for name, x, n in (("first", x1, n1), ("second", x2, n2))
        for remedy in ["give stuck/total with a total of at least 1 and not fewer than the stuck ones"]
        if n == 0 or x > n
    ]
    if wrong:
        raise InputProblem(wrong)
    from analysis.comparison.counts import compare_counts

    found = compare_counts(x1, n1, x2, n2, level)
    if as_json:
        give(found.to_dict())
        return
    from analysis.publish.terminal import counts_text

    click.echo(counts_text(found))


for command in (start, recode, agree, coders, codes):
    main.add_command(command)


if __name__ == "__main__":
    main()

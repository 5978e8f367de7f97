"""The command: it parses, calls, prints and shows progress. No statistics here.

Everything heavy is imported inside the commands, so that `landings --help` is instant.
"""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable
from typing import Any

import click

import analysis

EXIT_PROBLEM = 1


def _say(text: str) -> None:
    """Print a message for a person, on stderr."""
    click.echo(text, err=True)


def _give(value: Any) -> None:
    """Print machine-readable output on stdout."""
    click.echo(json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False))


def _names_problems(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn a problem of the input into its message and exit code 1; with --json also into JSON."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> Any:
        from analysis.study.problem import InputProblem

        try:
            return command(*args, **kwargs)
        except InputProblem as found:
            if kwargs.get("as_json"):
                _give({"problems": [problem.to_dict() for problem in found.problems]})
            for problem in found.problems:
                _say(str(problem))
            sys.exit(EXIT_PROBLEM)

    return run


class _Bar:
    """A progress bar on stderr; silent where stderr is not a terminal."""

    def __init__(self) -> None:
        self.bar: Any = None

    def __call__(self, task: str, done: int, total: int) -> None:
        if not sys.stderr.isatty():
            return
        if self.bar is None:
            from tqdm import tqdm

            # A run that is over within a second shows no bar at all.
            self.bar = tqdm(
                total=total, file=sys.stderr, leave=False, delay=1.0, bar_format="{desc} {bar:30}"
            )
        self.bar.total = total
        self.bar.set_description_str(task)
        self.bar.n = done
        self.bar.refresh()
        if done >= total:
            self.bar.close()
            self.bar = None


_json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON on stdout.")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(analysis.__version__, prog_name="landings")
def main() -> None:
    """Compare dismount techniques by how they land: which is stuck more often, and how sure can we be."""


@main.command()
@click.argument("sheet", type=click.Path())
@click.option("--codebook", type=click.Path(), help="Codebook (TOML); the built-in one otherwise.")
@click.option("--worksheet", help="Worksheet of a workbook; otherwise the first with the required headers.")
@_json_option
@_names_problems
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
            _give({"rows": 0, "usable": 0, "repairs": [], "problems": listed})
        for problem in unreadable.problems:
            _say(str(problem))
        sys.exit(EXIT_PROBLEM)
    crossed = cross_check(found)
    stopped = nothing_to_compare(found, crossed)
    problems = [*found.problems, *crossed, *stopped]
    usable = usable_rows(found, crossed)
    if as_json:
        _give(
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
            _say(str(problem))
        sys.exit(EXIT_PROBLEM)


@main.command()
@click.argument("plan", type=click.Path())
@_json_option
@_names_problems
def compare(plan: str, as_json: bool) -> None:
    """Run the comparison that PLAN asks for and print what can be said."""
    found = analysis.compare(plan, progress=_Bar())
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
@_json_option
@_names_problems
def report(plan: str, out: str, as_json: bool) -> None:
    """Run the comparison of PLAN and write the report folder: page, document, tables, figures, rows and methods."""
    from analysis.publish.folder import ReportFolderProblem

    bar = _Bar()
    found = analysis.compare(plan, progress=bar)
    try:
        folder = analysis.write_report(found, out, progress=bar)
    except ReportFolderProblem as refused:
        if as_json:
            _give(
                {
                    "problems": [
                        {"row": None, "column": "--out", "value": out, "problem": str(refused), "remedy": ""}
                    ]
                }
            )
        _say(str(refused))
        sys.exit(EXIT_PROBLEM)
    if as_json:
        click.echo(found.to_json(), nl=False)
    else:
        click.echo(found.reading.headline)
    _say(f"The report is in {folder}; open {folder / 'report.html'}")


def _fraction(text: str) -> tuple[int, int]:
    """Read "9/9" as (9, 9), or explain what a fraction looks like."""
    parts = text.replace(" ", "").split("/")
    if len(parts) != 2 or not all(part.isascii() and part.isdigit() for part in parts):
        raise click.BadParameter(f'"{text}" is not stuck/total in whole numbers, such as 14/22')
    return int(parts[0]), int(parts[1])


@main.command()
@click.argument("folder", type=click.Path())
@click.option(
    "--codebook",
    help="Name of a built-in codebook, or a codebook file to copy; the built-in default otherwise.",
)
@click.option(
    "--start-list", type=click.Path(), help="Table of meet, round, start order, athlete for the first rows."
)
@_json_option
@_names_problems
def start(folder: str, codebook: str | None, start_list: str | None, as_json: bool) -> None:
    """Make a study FOLDER: first steps, plan, codebook, coding workbook and notebooks. Nothing is overwritten."""
    from analysis.study.starting import start_study

    files = start_study(folder, codebook=codebook, start_list=start_list)
    if as_json:
        _give({"files": [file.name for file in files]})
        return
    for file in files:
        click.echo(str(file))
    _say(f"Open {files[0]} first: it says what to do next.")


@main.command()
@click.argument("sheet", type=click.Path())
@click.option(
    "--out",
    required=True,
    type=click.Path(),
    help="The second coder's workbook (.xlsx); the key goes beside it.",
)
@click.option(
    "--routines", type=click.IntRange(min=1), help="How many to code twice; otherwise from --precision."
)
@click.option(
    "--precision", type=float, default=0.15, show_default=True, help="Wanted half width of kappa's interval."
)
@click.option(
    "--seed", type=int, default=20260401, show_default=True, help="The same seed gives the same draw."
)
@click.option("--codebook", type=click.Path(), help="Codebook (TOML); the built-in one otherwise.")
@_json_option
@_names_problems
def recode(
    sheet: str,
    out: str,
    routines: int | None,
    precision: float,
    seed: int,
    codebook: str | None,
    as_json: bool,
) -> None:
    """Draw the routines of SHEET to be coded twice, and write the second coder's workbook without the first codes."""
    from analysis.comparison.recoding import routines_to_recode
    from analysis.study.recoding import recode as draw
    from analysis.study.sheet import read_sheet

    if not 0 < precision < 1:
        raise click.BadParameter(f"--precision {precision:g} does not lie between 0 and 1; 0.15 is usual")
    found = read_sheet(sheet, codebook=codebook)
    size = None
    if routines is None:
        size = routines_to_recode(found, precision, seed)
        routines = size.routines
    recoding = draw(found, out, routines, seed)
    if as_json:
        _give({**recoding.to_dict(), "size": None if size is None else size.to_dict()})
        return
    if size is not None:
        from analysis.publish.terminal import recode_size_text

        click.echo(recode_size_text(size))
    click.echo(str(recoding))


@main.command()
@click.argument("sheets", nargs=-1, required=True, type=click.Path())
@click.option("--codebook", type=click.Path(), help="Codebook (TOML); the built-in one otherwise.")
@click.option("--level", type=float, default=0.95, show_default=True, help="Confidence level.")
@click.option("--out", type=click.Path(), help="Folder for tables, disagreements to decide, and pictures.")
@click.option("--decisions", type=click.Path(), help="decisions.xlsx of that folder, filled in (two sheets).")
@click.option("--agreed", type=click.Path(), help="Write the agreed sheet (csv) of two coders here.")
@_json_option
@_names_problems
def agree(
    sheets: tuple[str, ...],
    codebook: str | None,
    level: float,
    out: str | None,
    decisions: str | None,
    agreed: str | None,
    as_json: bool,
) -> None:
    """Compare what two or more coders wrote down for the same routines: SHEET_A SHEET_B [SHEET_C ...]."""
    from analysis.comparison.coders import compare_coders
    from analysis.publish.agreed import write_agreed
    from analysis.publish.agreement import agreement_text, write_agreement
    from analysis.study.reconcile import reconcile
    from analysis.study.sheet import read_sheet

    if len(sheets) < 2:
        raise click.UsageError("two sheets are needed, one per coder")
    if agreed is not None and len(sheets) > 2:
        raise click.UsageError("--agreed brings two sheets together, and more were given")
    if decisions is not None and agreed is None:
        raise click.UsageError("--decisions goes with --agreed, the sheet to write")
    if not 0 < level < 1:
        raise click.BadParameter(f"--level {level:g} does not lie between 0 and 1; 0.95 is usual")
    read = [read_sheet(sheet, codebook=codebook) for sheet in sheets]
    found = compare_coders(*read, level=level)
    if as_json:
        _give(found.to_dict())
    else:
        click.echo(agreement_text(found))
    if out is not None:
        write_agreement(found, out)
        _say(f"Tables, disagreements and pictures are in {out}")
    if agreed is not None:
        made = reconcile(read[0], read[1], decisions)
        write_agreed(made, agreed)
        _say(
            f"The agreed sheet is {agreed}; {len(made.open)} of {len(made.decisions)} disagreements are open"
        )


@main.command()
@click.argument("plan", type=click.Path())
@click.argument("sheet", type=click.Path())
@click.option("--decisions", type=click.Path(), help="The list of disagreements, filled in.")
@_json_option
@_names_problems
def coders(plan: str, sheet: str, decisions: str | None, as_json: bool) -> None:
    """Run the headline of PLAN under its own coder, under the coder of SHEET, and under the agreed codes."""
    from analysis.comparison.under_coders import compare_under_coders
    from analysis.publish.under_coders import under_coders_text

    found = compare_under_coders(plan, sheet, decisions, progress=_Bar())
    if as_json:
        _give(found.to_dict())
    else:
        click.echo(under_coders_text(found))


@main.command()
@click.argument("sheet", type=click.Path())
@click.option("--out", required=True, type=click.Path(), help="The copy with codes (.xlsx).")
@click.option(
    "--key", required=True, type=click.Path(), help="Key file, kept apart; made where there is none yet."
)
@click.option("--codebook", type=click.Path(), help="Codebook (TOML); the built-in one otherwise.")
@_json_option
@_names_problems
def codes(sheet: str, out: str, key: str, codebook: str | None, as_json: bool) -> None:
    """Copy SHEET with a code for each athlete's name; the same key gives the same codes at the next meet."""
    from analysis.study.pseudonyms import pseudonymise
    from analysis.study.sheet import read_sheet

    made = pseudonymise(read_sheet(sheet, codebook=codebook), out, key)
    if as_json:
        _give(made.to_dict())
    else:
        click.echo(str(made))


@main.command()
@click.argument("first")
@click.argument("second")
@click.option("--level", type=float, default=0.95, show_default=True, help="Confidence level.")
@_json_option
@_names_problems
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
        _give(found.to_dict())
        return
    from analysis.publish.terminal import counts_text

    click.echo(counts_text(found))


if __name__ == "__main__":
    main()

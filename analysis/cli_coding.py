"""The commands around coding: start a study, code twice, agree, compare coders, take names out."""

from __future__ import annotations

import click

from analysis.console import Bar, give, json_option, names_problems, say


@click.command()
@click.argument("folder", type=click.Path())
@click.option(
    "--codebook",
    help="Name of a built-in codebook, or a codebook file to copy; the built-in default otherwise.",
)
@click.option(
    "--start-list", type=click.Path(), help="Table of meet, round, start order, athlete for the first rows."
)
@json_option
@names_problems
def start(folder: str, codebook: str | None, start_list: str | None, as_json: bool) -> None:
    """Make a study FOLDER: first steps, plan, codebook, coding workbook and notebooks. Nothing is overwritten."""
    from analysis.study.starting import start_study

    files = start_study(folder, codebook=codebook, start_list=start_list)
    if as_json:
        give({"files": [file.name for file in files]})
        return
    for file in files:
        click.echo(str(file))
    say(f"Open {files[0]} first: it says what to do next.")


@click.command()
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
@json_option
@names_problems
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
        give({**recoding.to_dict(), "size": None if size is None else size.to_dict()})
        return
    if size is not None:
        from analysis.publish.terminal import recode_size_text

        click.echo(recode_size_text(size))
    click.echo(str(recoding))


@click.command()
@click.argument("sheets", nargs=-1, required=True, type=click.Path())
@click.option("--codebook", type=click.Path(), help="Codebook (TOML); the built-in one otherwise.")
@click.option("--level", type=float, default=0.95, show_default=True, help="Confidence level.")
@click.option("--out", type=click.Path(), help="Folder for tables, disagreements to decide, and pictures.")
@click.option("--decisions", type=click.Path(), help="decisions.xlsx of that folder, filled in (two sheets).")
@click.option("--agreed", type=click.Path(), help="Write the agreed sheet (csv) of two coders here.")
@json_option
@names_problems
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
        give(found.to_dict())
    else:
        click.echo(agreement_text(found))
    if out is not None:
        write_agreement(found, out)
        say(f"Tables, disagreements and pictures are in {out}")
    if agreed is not None:
        made = reconcile(read[0], read[1], decisions)
        write_agreed(made, agreed)
        say(f"The agreed sheet is {agreed}; {len(made.open)} of {len(made.decisions)} disagreements are open")


@click.command()
@click.argument("plan", type=click.Path())
@click.argument("sheet", type=click.Path())
@click.option("--decisions", type=click.Path(), help="The list of disagreements, filled in.")
@json_option
@names_problems
def coders(plan: str, sheet: str, decisions: str | None, as_json: bool) -> None:
    """Run the headline of PLAN under its own coder, under the coder of SHEET, and under the agreed codes."""
    from analysis.comparison.under_coders import compare_under_coders
    from analysis.publish.under_coders import under_coders_text

    found = compare_under_coders(plan, sheet, decisions, progress=Bar())
    if as_json:
        give(found.to_dict())
    else:
        click.echo(under_coders_text(found))


@click.command()
@click.argument("sheet", type=click.Path())
@click.option("--out", required=True, type=click.Path(), help="The copy with codes (.xlsx).")
@click.option(
    "--key", required=True, type=click.Path(), help="Key file, kept apart; made where there is none yet."
)
@click.option("--codebook", type=click.Path(), help="Codebook (TOML); the built-in one otherwise.")
@json_option
@names_problems
def codes(sheet: str, out: str, key: str, codebook: str | None, as_json: bool) -> None:
    """Copy SHEET with a code for each athlete's name; the same key gives the same codes at the next meet."""
    from analysis.study.pseudonyms import pseudonymise
    from analysis.study.sheet import read_sheet

    made = pseudonymise(read_sheet(sheet, codebook=codebook), out, key)
    if as_json:
        give(made.to_dict())
    else:
        click.echo(str(made))

"""Write a comparison as one report folder, all of it or nothing."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from analysis import __version__
from analysis.comparison.result import Comparison
from analysis.publish.checklist import checklist_text
from analysis.publish.detail_tables import make_tables
from analysis.publish.figures import make_figures
from analysis.publish.html import report_html
from analysis.publish.latex_document import latex_files
from analysis.publish.methods import methods_text
from analysis.publish.replace import Busy, Replacement
from analysis.publish.rows import rows_csv
from analysis.publish.sizes import sizes_named
from analysis.publish.slides import clinic_files
from analysis.publish.spreadsheet import csv_table, workbook
from analysis.publish.style import ENGLISH, NumberStyle, using
from analysis.publish.word import report_docx
from analysis.stats.budget import Progress, no_progress

MANIFEST = "manifest.json"
MADE_BY = "landing-outcomes"
SIZES = ("thesis", "slide")
DOCUMENTS = ("jinja2", "python-docx", "python-pptx", "openpyxl")
LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib", *DOCUMENTS)


class ReportFolderProblem(Exception):  # noqa: N818 - it is told to a person
    """The report can't be written to the folder that was named; the message says why and what to do."""


def write_report(
    comparison: Comparison,
    folder: str | Path,
    progress: Progress = no_progress,
    style: NumberStyle = ENGLISH,
    sizes: Iterable[str] = SIZES,
) -> Path:
    """Write every file of a report into `folder`, replacing an earlier report as a whole.

    At each moment the folder is either the old report or the new one, complete; a run that dies leaves the old one.
    Files of your own in the folder are carried over, and so is a file of the old report that was changed by hand,
    as "NAME (kept)". The same comparison gives the same bytes, but for the time in manifest.json.

    Parameters
    ----------
    comparison : Comparison
        What `analysis.compare` returned.
    folder : path
        Made if it isn't there. It must be empty or hold an earlier report.
    progress : callable
        Called as progress(task, done, total).
    style : NumberStyle
        How numbers look in tables and figures; results.json and the sentences are the same in every style.
    sizes : names of sizes
        Figures are always made for a thesis page and a slide; further sizes are "single", "double" and "poster".

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ReportFolderProblem
        When the folder holds something else, can't be written, or is being written by another run.
    ValueError
        For a size that there isn't; the message lists those that there are.
    """
    wanted = tuple(dict.fromkeys((*SIZES, *sizes)))
    sizes_named(wanted)
    target = Path(os.path.realpath(folder))
    replacement = Replacement(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with replacement.open() as new:
            _refuse_foreign(target)
            write_files(comparison, new, progress, style, wanted)
            _carry_over(target, new)
            replacement.commit()
    except Busy as busy:
        raise ReportFolderProblem(
            f"{target}: another run is writing this folder; wait for it to end"
        ) from busy
    except OSError as problem:
        where = problem.filename or target
        raise ReportFolderProblem(
            f"{target}: the report could not be written ({problem.strerror}: {where}); what was there is unchanged. "
            "Close files of it that are open elsewhere, see whether the disk is full, or name another folder"
        ) from problem
    return target


def write_files(
    comparison: Comparison,
    new: Path,
    progress: Progress = no_progress,
    style: NumberStyle = ENGLISH,
    sizes: Iterable[str] = SIZES,
) -> None:
    """Write the report's files into an empty folder, the manifest last."""
    # Sentences are English and keep English marks: only what is made here takes the style.
    with using(style):
        tables = make_tables(comparison)
        figures = make_figures(comparison, progress, sizes)
    files: dict[str, bytes] = {}
    for figure in figures:
        for place, content in figure.files.items():
            size, form = place.split(".")
            if size != "phone":
                files[f"figures/{figure.name}{'' if size == 'thesis' else '-' + size}.{form}"] = content
    for table in tables:
        files[f"tables/{table.key}.csv"] = csv_table(table)
    for name, content in latex_files(tables, comparison.question.title).items():
        files[f"tables/{name}"] = content
    progress("pages", 0, 4)
    files["tables/tables.xlsx"] = workbook(tables)
    files["report.html"] = report_html(comparison, tables, figures).encode()
    progress("pages", 1, 4)
    files["report.docx"] = report_docx(comparison, tables, figures)
    progress("pages", 2, 4)
    files |= clinic_files(comparison)
    progress("pages", 3, 4)
    files["results.json"] = comparison.to_json().encode()
    files["rows_used.csv"] = rows_csv(comparison, used=True)
    files["rows_set_aside.csv"] = rows_csv(comparison, used=False)
    files["methods.md"] = methods_text(comparison).encode()
    files["checklist.md"] = checklist_text(comparison).encode()
    files[MANIFEST] = _manifest(comparison, files)
    for name, content in files.items():
        _write(new / name, content)
    progress("pages", 4, 4)


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with open(path, "xb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())


def _manifest(comparison: Comparison, files: dict[str, bytes]) -> bytes:
    source = comparison.source
    body = {
        "made_by": MADE_BY,
        "version": __version__,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "sheet": {"file": source.sheet, "sha256": source.sheet_sha256},
        "plan": {"file": source.plan, "sha256": source.plan_sha256},
        "codebook": {"file": source.codebook, "sha256": source.codebook_sha256},
        "seed": comparison.question.seed,
        "versions": {
            "python": platform.python_version(),
            **{name: metadata.version(name) for name in LIBRARIES},
        },
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())},
    }
    return (json.dumps(body, indent=1, ensure_ascii=False) + "\n").encode()


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """Return the manifest of a report of ours, None where there is none."""
    try:
        body = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return body if isinstance(body, dict) and body.get("made_by") == MADE_BY else None


def _refuse_foreign(target: Path) -> None:
    if not target.exists():
        return
    if not target.is_dir():
        raise ReportFolderProblem(f"{target} is a file; name a folder for the report")
    if any(target.iterdir()) and read_manifest(target) is None:
        raise ReportFolderProblem(
            f"{target} holds files and isn't a report of this program (it has no {MANIFEST} of ours); "
            "nothing was written. Name a new or an empty folder"
        )


def _carry_over(target: Path, new: Path) -> None:
    """Copy what isn't ours, or was changed by hand since we wrote it, from the old report into the new one."""
    manifest = read_manifest(target) if target.exists() else None
    if manifest is None:
        return
    known: dict[str, str] = manifest.get("files", {})
    for path in _files(target):
        name = path.relative_to(target).as_posix()
        if name == MANIFEST or known.get(name) == hashlib.sha256(path.read_bytes()).hexdigest():
            continue
        kept = new / name
        count = 1
        while kept.exists():
            again = "kept" if count == 1 else f"kept {count}"
            kept = new / Path(name).with_name(f"{path.stem} ({again}){path.suffix}")
            count += 1
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, kept, follow_symlinks=False)


def _files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.rglob("*")):
        if path.is_symlink() or path.is_file():
            yield path

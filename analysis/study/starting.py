"""Start a study: one folder with plan, codebook, coding workbook and notebooks, ready to use."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from string import Template

from analysis.study.cells import points_text
from analysis.study.codebook import (
    DEFAULT,
    Codebook,
    Grade,
    Rule,
    Technique,
    read_codebook,
)
from analysis.study.problem import InputProblem, Problem
from analysis.study.start_list import read_start_list
from analysis.study.toml_file import LARGEST, read_bytes


def start_study(
    folder: str | Path, codebook: str | Path | None = None, start_list: str | Path | None = None
) -> list[Path]:
    """Make a study folder: first steps, plan, codebook, coding workbook and notebooks. Nothing is overwritten.

    Parameters
    ----------
    folder : path
        It is made where it isn't there; other files in it stay as they are.
    codebook : path, str or None
        A built-in codebook by name, or a codebook file, which is copied; None for the built-in default.
    start_list : path or None
        A table of meet, round, start order and athlete that fills the first rows of the workbook.

    Returns
    -------
    list of Path
        The files written, the one to open first at the head.

    Raises
    ------
    InputProblem
        When one of the files is already there (each is named), or codebook or start list can't be read.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     files = start_study(Path(place) / "autumn", "womens-bars-beam-2025")
    >>> [file.name for file in files][:4]
    ['first_steps.txt', 'codebook.toml', 'workbook.xlsx', 'plan.toml']
    """
    from analysis.study.workbook import coding_workbook

    folder = Path(folder)
    book = read_codebook(codebook)
    routines = read_start_list(start_list, book) if start_list is not None else ()
    notebooks = _notebooks()
    listed = "".join(f"  {name:<16}\n" for name in ("notebooks/",) if notebooks)
    files = {
        "first_steps.txt": _template("first_steps.txt").substitute(notebooks=listed).encode(),
        "codebook.toml": _codebook_text(book, codebook),
        "workbook.xlsx": coding_workbook(book, routines),
        "plan.toml": _plan_text(book).encode(),
        **{f"notebooks/{name}": data for name, data in notebooks.items()},
    }
    return write_new(folder, files)


def write_new(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files that aren't there yet, all or none; each one that is there already is named.

    Raises
    ------
    InputProblem
        When one of the files exists or the folder can't be written.
    """
    paths = [folder / name for name in files]
    there = [path for path in paths if path.exists() or path.is_symlink()]
    if folder.exists() and not folder.is_dir():
        raise InputProblem(
            Problem(str(folder), None, None, None, "this is a file, not a folder", "name another")
        )
    if there:
        remedy = "name another folder, or move the file away; nothing was written"
        raise InputProblem(
            Problem(str(path), None, None, None, "this file is already there", remedy) for path in there
        )
    written: list[Path] = []
    try:
        for path, data in zip(paths, files.values(), strict=True):
            path.parent.mkdir(parents=True, exist_ok=True)
            # "x": a file that came into being meanwhile isn't overwritten either.
            with path.open("xb") as file:
                written.append(path)
                file.write(data)
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise InputProblem(
            Problem(str(folder), None, None, None, f"the folder can't be written: {reason}", "name another")
        ) from None
    return paths


def _template(name: str) -> Template:
    return Template(_resource("start", name).decode().replace("\r\n", "\n"))


def _resource(*parts: str) -> bytes:
    file = resources.files("analysis.resources")
    for part in parts:
        file = file.joinpath(part)
    return file.read_bytes()


def _notebooks() -> dict[str, bytes]:
    """The notebooks that come with the package."""
    shelf = resources.files("analysis.resources").joinpath("notebooks")
    if not shelf.is_dir():
        return {}
    found = sorted(
        (item for item in shelf.iterdir() if item.name.endswith(".ipynb")), key=lambda item: item.name
    )
    return {item.name: item.read_bytes() for item in found}


def _plan_text(book: Codebook) -> str:
    names = [item.name for item in book.techniques[:2]]
    names += ["first technique", "second technique"][len(names) :]
    return _template("plan.toml").substitute(compare=", ".join(_text(name) for name in names))


def _codebook_text(book: Codebook, named: str | Path | None) -> bytes:
    """A codebook file as it is; a built-in codebook written out, with everything that a coder needs."""
    if book.path is not None:
        return read_bytes(book.path, "codebook", LARGEST)
    rules = book.points
    kept = (rules.small_step, rules.large_step, rules.cap_without_fall, rules.fall, rules.stuck_bonus)
    own_cap = (rules.cap_of_steps,) if rules.cap_of_steps.points else ()
    text = _template("codebook.toml").substitute(
        name=_text(book.name),
        discipline=_text(book.discipline),
        edition=_text(book.edition),
        note=_text(book.note),
        basis=DEFAULT if named is None else str(named),
        others="true" if book.other_techniques else "false",
        techniques="\n".join(_technique(item) for item in book.techniques),
        grades="\n".join(_grade(item) for item in book.grades),
        rules="\n".join(_rule(item) for item in (*kept, *own_cap)),
        faults="\n".join(_fault(item) for item in rules.other_faults),
    )
    return text.encode()


def _text(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _texts(texts: tuple[str, ...]) -> str:
    return f"[{', '.join(_text(item) for item in texts)}]"


def _points(points: tuple[int, ...]) -> str:
    return f"[{', '.join(points_text(item) for item in points)}]"


def _shown(item: Grade | Technique) -> list[str]:
    return [
        f"definition = {_text(item.definition)}",
        f"example = {_text(item.example)}",
        f"counter_example = {_text(item.counter_example)}",
        f"aliases = {_texts(item.aliases)}",
        "",
    ]


def _technique(item: Technique) -> str:
    return "\n".join(["[[technique.list]]", f"name = {_text(item.name)}", *_shown(item)])


def _grade(item: Grade) -> str:
    said = [
        f"{name} = {'true' if value else 'false'}"
        for name, value in (("stuck", item.stuck), ("fall", item.fall))
    ]
    points = f"deductions = {_points(item.deductions)}"
    return "\n".join(["[[landing.grades]]", f"name = {_text(item.name)}", *said, points, *_shown(item)])


def _rule(rule: Rule) -> str:
    values = f"points = {_points(rule.points)}, status = {_text(rule.status)}, source = {_text(rule.source)}"
    return f"{rule.name.replace(' ', '_'):<16} = {{ {values} }}"


def _fault(rule: Rule) -> str:
    return "\n".join(
        [
            "[[points.other_faults]]",
            f"name = {_text(rule.name)}",
            f"points = {_points(rule.points)}",
            f"status = {_text(rule.status)}",
            *([f"source = {_text(rule.source)}"] if rule.source else []),
            "",
        ]
    )

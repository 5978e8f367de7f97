"""The folder: complete, the same bytes each time, and never half."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.comparison.result import Comparison
from analysis.publish import folder as folder_module
from analysis.publish import replace as replace_module
from analysis.publish.folder import MANIFEST, ReportFolderProblem, read_manifest, write_report
from analysis.publish.replace import Replacement
from analysis.publish.style import NumberStyle


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def hidden(parent: Path) -> list[str]:
    return [path.name for path in parent.iterdir() if path.name.startswith(".")]


def test_every_promised_file_is_there_and_in_the_manifest(report: Path) -> None:
    files = contents(report)
    manifest = json.loads(files[MANIFEST])
    promised = [
        "report.html",
        "report.docx",
        "results.json",
        "rows_used.csv",
        "rows_set_aside.csv",
        "methods.md",
        "checklist.md",
        "clinic/clinic.md",
        "clinic/clinic.png",
        "clinic/clinic.pptx",
        "tables/tables.xlsx",
        "tables/tables_document.tex",
        "tables/siunitx/contrast.tex",
    ]
    assert set(promised) <= set(files)
    assert manifest["files"] == {
        name: hashlib.sha256(content).hexdigest()
        for name, content in sorted(files.items())
        if name != MANIFEST
    }
    assert manifest["seed"] == 20260401
    assert set(manifest) >= {"sheet", "plan", "codebook", "versions", "time"}


def test_a_second_run_differs_in_the_manifest_only(report: Path, comparison: Comparison) -> None:
    before = contents(report)
    steps: list[tuple[str, int, int]] = []
    assert write_report(comparison, str(report), progress=lambda *step: steps.append(step)) == report
    after = contents(report)
    assert set(before) == set(after)
    assert [name for name in before if before[name] != after[name] and name != MANIFEST] == []
    first, second = (json.loads(files[MANIFEST]) for files in (before, after))
    assert {key for key in first if first[key] != second[key]} <= {"time"}
    assert {task for task, _, _ in steps} == {"figures", "pages"}
    assert hidden(report.parent) == []


def test_every_row_stands_in_exactly_one_file(report: Path, comparison: Comparison) -> None:
    found: dict[str, list[dict[str, str]]] = {}
    for name in ("rows_used", "rows_set_aside"):
        text = (report / f"{name}.csv").read_bytes().decode("utf-8-sig")
        found[name] = list(csv.DictReader(io.StringIO(text)))
    numbers = [int(row["row"]) for rows in found.values() for row in rows]
    assert sorted(numbers) == list(comparison.table.index)
    assert all(row["reason"] for row in found["rows_set_aside"])
    assert not any(row["reason"] for row in found["rows_used"])
    used = {int(row["row"]): row for row in found["rows_used"]}
    for number, row in used.items():
        assert row["Dismount"] == comparison.original.loc[number, "Dismount"]
        assert row["landing as read"] == comparison.table.loc[number, "landing"]


def test_the_page_opens_with_the_answer(report: Path, comparison: Comparison) -> None:
    text = report.joinpath("report.html").read_text(encoding="utf-8")
    header = text[text.index("<header>") : text.index("</header>")]
    assert header.index("</h1>") < header.index(comparison.reading.headline)
    order = ["question", "rows", "routines", "rates", "difference", "points", "limits", "cautions", "details"]
    places = [text.index(f'<section id="{name}">') for name in order]
    assert places == sorted(places)
    for caution in comparison.reading.cautions:
        assert caution in text
        assert caution in report.joinpath("methods.md").read_text(encoding="utf-8")
    assert len(text.encode()) < 3_000_000


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write two small files instead of a whole report."""

    def small(comparison: object, new: Path, *_: object) -> None:
        files = {"report.html": str(comparison).encode()}
        sums = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
        files[MANIFEST] = json.dumps({"made_by": "landing-outcomes", "files": sums}).encode()
        for name, content in files.items():
            new.joinpath(name).write_bytes(content)

    monkeypatch.setattr(folder_module, "write_files", small)


@pytest.mark.usefixtures("quick")
def test_a_run_that_fails_leaves_the_old_report_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "autumn"
    write_report("old", target)  # type: ignore[arg-type]
    before = contents(target)

    def full(comparison: object, new: Path, *_: object) -> None:
        new.joinpath("report.html").write_bytes(b"half")
        raise OSError(errno.ENOSPC, "No space left on device", "report.html")

    monkeypatch.setattr(folder_module, "write_files", full)
    with pytest.raises(ReportFolderProblem, match=r"No space left on device.*unchanged"):
        write_report("new", target)  # type: ignore[arg-type]
    assert contents(target) == before
    assert hidden(tmp_path) == []


def test_a_run_that_is_killed_leaves_the_old_report_whole(tmp_path: Path) -> None:
    target = tmp_path / "autumn"
    target.mkdir()
    target.joinpath("report.html").write_text("old")
    program = (
        "import os, pathlib\n"
        "from analysis.publish.replace import Replacement\n"
        f"with Replacement(pathlib.Path({str(target)!r})).open() as new:\n"
        "    new.joinpath('report.html').write_text('half')\n"
        "    os._exit(9)\n"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 9
    assert contents(target) == {"report.html": b"old"}
    with Replacement(target).open() as new:  # the next run clears up and goes on
        assert list(new.iterdir()) == []
        new.joinpath("report.html").write_text("new")
        Replacement(target).commit()
    assert contents(target) == {"report.html": b"new"}
    assert hidden(tmp_path) == []


@pytest.mark.usefixtures("quick")
def test_without_an_exchange_two_renames_do_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replace_module, "exchange", lambda one, other: False)
    target = tmp_path / "autumn"
    for words in ("old", "new"):
        write_report(words, target)  # type: ignore[arg-type]
        assert contents(target)["report.html"] == words.encode()
        assert hidden(tmp_path) == []


@pytest.mark.usefixtures("quick")
def test_a_death_between_the_renames_is_repaired_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replace_module, "exchange", lambda one, other: False)
    target = tmp_path / "autumn"
    write_report("old", target)  # type: ignore[arg-type]
    place = Replacement(target)
    place.side.mkdir()
    place.new.mkdir()
    place.new.joinpath("report.html").write_text("finished")
    place.journal.write_text("old steps aside, new takes its name\n")
    os.rename(target, place.old)  # and here the run dies
    place.repair()
    assert contents(target) == {"report.html": b"finished"}
    assert sorted(path.name for path in place.side.iterdir()) == []


@pytest.mark.usefixtures("quick")
def test_a_second_rename_that_fails_puts_the_old_report_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replace_module, "exchange", lambda one, other: False)
    target = tmp_path / "autumn"
    write_report("old", target)  # type: ignore[arg-type]
    rename = os.rename

    def stubborn(one: Path, other: Path) -> None:
        if Path(one).name == "new":
            raise PermissionError(errno.EACCES, "a file is open elsewhere", str(one))
        rename(one, other)

    monkeypatch.setattr(os, "rename", stubborn)
    with pytest.raises(ReportFolderProblem, match="open elsewhere"):
        write_report("new", target)  # type: ignore[arg-type]
    assert contents(target)["report.html"] == b"old"
    assert hidden(tmp_path) == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="exchange is a Linux call")
def test_exchange_swaps_two_folders(tmp_path: Path) -> None:
    for name in ("a", "b"):
        tmp_path.joinpath(name).mkdir()
        tmp_path.joinpath(name, "who").write_text(name)
    if not replace_module.exchange(tmp_path / "a", tmp_path / "b"):
        pytest.skip("this file system has no exchange")
    assert (tmp_path / "a" / "who").read_text() == "b"
    with pytest.raises(OSError, match="No such file"):
        replace_module.exchange(tmp_path / "a", tmp_path / "nowhere")


@pytest.mark.usefixtures("quick")
def test_another_run_at_the_same_time_is_refused(tmp_path: Path) -> None:
    target = tmp_path / "autumn"
    with Replacement(target).open(), pytest.raises(ReportFolderProblem, match="another run"):
        write_report("new", target)  # type: ignore[arg-type]
    write_report("new", target)  # type: ignore[arg-type]
    assert hidden(tmp_path) == []


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("stranger", ["thesis.docx", MANIFEST])
def test_a_folder_that_is_not_a_report_is_refused(tmp_path: Path, stranger: str) -> None:
    target = tmp_path / "thesis"
    target.mkdir()
    target.joinpath(stranger).write_text('{"made_by": "someone else"}')
    with pytest.raises(ReportFolderProblem, match="isn't a report"):
        write_report("new", target)  # type: ignore[arg-type]
    assert list(contents(target)) == [stranger]
    assert hidden(tmp_path) == []


@pytest.mark.usefixtures("quick")
def test_a_file_or_a_missing_right_is_told_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tmp_path.joinpath("autumn").write_text("a file")
    with pytest.raises(ReportFolderProblem, match="is a file"):
        write_report("new", tmp_path / "autumn")  # type: ignore[arg-type]
    with pytest.raises(ReportFolderProblem, match="could not be written"):
        write_report("new", tmp_path / "autumn" / "below")  # type: ignore[arg-type]


@pytest.mark.usefixtures("quick")
def test_an_empty_folder_and_a_link_to_one_are_written(tmp_path: Path) -> None:
    tmp_path.joinpath("real").mkdir()
    tmp_path.joinpath("link").symlink_to("real")
    write_report("new", tmp_path / "link")  # type: ignore[arg-type]
    assert tmp_path.joinpath("link").is_symlink()
    assert contents(tmp_path / "real")["report.html"] == b"new"


@pytest.mark.usefixtures("quick")
def test_own_and_edited_files_are_carried_over(tmp_path: Path) -> None:
    target = tmp_path / "autumn"
    write_report("first", target)  # type: ignore[arg-type]
    target.joinpath("notes").mkdir()
    target.joinpath("notes", "mine.txt").write_text("mine")
    target.joinpath("report.html").write_text("edited by hand")
    write_report("second", target)  # type: ignore[arg-type]
    target.joinpath("report.html").write_text("edited again")
    write_report("third", target)  # type: ignore[arg-type]
    found = contents(target)
    assert found["notes/mine.txt"] == b"mine"
    assert found["report.html"] == b"third"
    assert found["report (kept).html"] == b"edited by hand"
    assert found["report (kept 2).html"] == b"edited again"


def test_a_manifest_of_another_shape_is_none_of_ours(tmp_path: Path) -> None:
    for text in ("", "[]", "not json", '{"made_by": 1}'):
        tmp_path.joinpath(MANIFEST).write_text(text)
        assert read_manifest(tmp_path) is None


def test_a_style_and_further_sizes_are_written_and_sentences_stay_as_they_are(
    comparison: Comparison, report: Path, tmp_path: Path
) -> None:
    german = write_report(comparison, tmp_path / "german", style=NumberStyle("de"), sizes=["single"])
    assert (german / "results.json").read_bytes() == (report / "results.json").read_bytes()
    assert (german / "methods.md").read_bytes() == (report / "methods.md").read_bytes()
    assert (german / "figures" / "rates-single.pdf").exists()
    assert (german / "figures" / "rates-slide.png").exists()
    line = (german / "tables" / "contrast.csv").read_text(encoding="utf-8-sig").splitlines()[0]
    assert ";" in line


def test_a_size_that_does_not_exist_is_refused_before_anything_is_written(
    comparison: Comparison, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match="single"):
        write_report(comparison, tmp_path / "new", sizes=["wall"])
    assert not (tmp_path / "new").exists()

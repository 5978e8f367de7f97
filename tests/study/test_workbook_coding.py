"""The coding workbook: what may be typed, what is counted, and that a spreadsheet program keeps all of it."""

import io
import shutil
import subprocess
import zipfile

import pytest
from openpyxl import load_workbook
from openpyxl.formula.translate import Translator
from python_calamine import CalamineWorkbook

from analysis.study.checks import check, usable_rows
from analysis.study.codebook import NOT_SEEN, built_in_codebooks, read_codebook
from analysis.study.sheet import read_sheet
from analysis.study.workbook import PREPARED, coding_workbook
from analysis.study.workbook_columns import columns_of

OFFICE = shutil.which("soffice")
needs_office = pytest.mark.skipif(OFFICE is None, reason="soffice is not installed")
PIKED, TUCKED = "piked double back", "tucked double back"
CODES = [
    (PIKED, "stuck", 0, None),
    (TUCKED, "small step or hop", 0.1, None),
    (TUCKED, "fall", 1.3, 0.3),
    (PIKED, "stuck", 0.3, 0.3),
    (PIKED, "several steps", 0.4, 0),
    (TUCKED, "large step or jump", 0.4, 0.1),
    ("double front half out", "stuck", 0, None),
    ("a dismount of our own", "hand touch", 0.3, 0.3),
    (PIKED, "stuck", 0.1, 0.1),
    (TUCKED, NOT_SEEN, None, None),
    (TUCKED, None, None, None),
]


def opened(data):
    return load_workbook(io.BytesIO(data))


def start_list(count):
    return [
        {"meet": "Kelvenau Open", "round": "final", "start order": str(i), "athlete": f"A{i:02d}"}
        for i in range(1, count + 1)
    ]


@pytest.fixture(scope="module")
def blank():
    return coding_workbook(read_codebook())


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """Thirteen routines of a start list, eleven of them coded as a person would type them."""
    path = tmp_path_factory.mktemp("filled") / "workbook.xlsx"
    book = opened(coding_workbook(read_codebook(), start_list(13)))
    for row, codes in enumerate(CODES, 2):
        for place, value in enumerate(codes, 5):
            book["Routines"].cell(row, place).value = value
    book.save(path)
    return path


def rule_of(page, letter):
    return next(
        rule for rule in page.data_validations.dataValidation if str(rule.sqref).startswith(f"{letter}2:")
    )


def entries(book, name):
    page, cells = book.defined_names[name].attr_text.split("!")
    return [row[0].value for row in book[page][cells.replace("$", "")]]


def test_lists_and_limits_are_those_of_the_codebook(blank):
    codebook, book = read_codebook(), opened(blank)
    page = book["Routines"]
    found = {column.header: column.letter for column in columns_of(codebook)}
    assert [page[f"{letter}1"].value for letter in found.values()] == list(found)
    technique, landing, points, round_ = (
        rule_of(page, found[name]) for name in ("technique", "landing", "deduction", "round")
    )
    assert entries(book, technique.formula1) == codebook.technique_names.names
    assert technique.errorStyle == "warning"  # the codebook accepts techniques of the sheet's own
    assert entries(book, landing.formula1) == [*(grade.name for grade in codebook.grades), NOT_SEEN]
    assert landing.errorStyle == "stop"
    allowed = entries(book, points.formula1)
    assert {round(1000 * value) for value in allowed} == codebook.points.allowed_sums
    assert (min(allowed), max(allowed), points.errorStyle) == (0, 2, "stop")
    assert entries(book, round_.formula1) == list(codebook.rounds)
    assert rule_of(page, found["execution"]).formula2 == "10.0"
    assert all(
        len(rule.error or "") < 256 and len(rule.errorTitle or "") < 33
        for rule in page.data_validations.dataValidation
    )


def test_points_stop_at_what_another_edition_allows(codebook_of):
    lines = '[codebook]\nbasis = "us-womens-bars-levels-9-10-2013"\n[technique]\nothers = false\n'
    book = opened(coding_workbook(read_codebook(codebook_of(lines))))
    points = entries(book, rule_of(book["Routines"], "G").formula1)
    assert max(points) == 1.5
    assert rule_of(book["Routines"], "E").errorStyle == "stop"


def test_the_header_stays_and_rows_are_ready(blank):
    page = opened(blank)["Routines"]
    assert page.freeze_panes == "E2"
    assert page.print_title_rows == "$1:$1"
    assert page.max_row == 1 + PREPARED
    assert page["D9"].number_format == "@"  # 007 and 3-1 stay as typed
    assert "Points lost before the landing" in page["G1"].comment.text
    assert all(cell.value is None for row in page.iter_rows(min_row=2) for cell in row)


def test_definitions_show_examples_and_counter_examples_and_where_points_stand(blank):
    page = opened(blank)["Definitions"]
    lines = {}
    for row in page.iter_rows(values_only=True):
        lines.setdefault(row[0], row)  # "hand touch" is a landing first and a rule of points further down
    for item in (*read_codebook().grades, *read_codebook().techniques):
        assert lines[item.name][1] == item.definition
        assert lines[item.name][3:5] == (item.example, item.counter_example)
    assert lines["cap without fall"][1:3] == ("1.0", "from memory: check your rule book")
    assert (lines["fall"][2], lines["several steps"][2]) == ("1.0", "0.2 to 1.0")


@pytest.mark.parametrize("name", [None, *built_in_codebooks()])
def test_the_same_codebook_gives_the_same_bytes_without_a_clock(name):
    data = coding_workbook(read_codebook(name))
    assert data == coding_workbook(read_codebook(name))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert {item.date_time for item in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_texts_that_could_be_formulas_stay_texts(codebook_of):
    names = ["=1+1", "+A1", "-2", "@SUM(A1)", "<3", "a*b?", "x" * 300]
    blocks = "".join(f'[[technique.list]]\nname = "{name}"\ndefinition = "=HYPERLINK(1)"\n' for name in names)
    codebook = read_codebook(codebook_of(f'[columns]\nathlete = "=who"\n[technique]\n{blocks}'))
    listed = [{"meet": "=cmd()", "athlete": "+A1", "round": "-", "start order": "@1"}]
    book = opened(coding_workbook(codebook, listed))
    for page in book:
        for row in page.iter_rows():
            for cell in row:
                if isinstance(cell.value, str) and cell.data_type == "f":
                    assert page.title in ("Counts", "Start list"), (page.title, cell.coordinate)
                if isinstance(cell.value, str) and cell.value[:1] in "=+-@" and cell.data_type != "f":
                    assert cell.quotePrefix
    assert [book["Lists"].cell(row, 1).value for row in range(2, 9)] == names
    assert book["Routines"]["A2"].value == "=cmd()"
    assert book["Routines"]["D1"].value == "=who"


def test_a_codebook_with_headers_of_its_own_is_read_back(codebook_of, tmp_path):
    text = (
        '[columns]\ntechnique = "vault"\nlanding = "penalty"\ndeduction = "penalty"\n'
        '[landing.values]\nstuck = ["0"]\n'
    )
    codebook = read_codebook(codebook_of(text))
    book = opened(coding_workbook(codebook))
    page = book["Routines"]
    headers = [cell.value for cell in page[1]]
    assert headers[4:6] == ["vault", "penalty"]
    assert "deduction" not in headers
    assert 0.3 in entries(book, rule_of(page, "F").formula1)
    for place, value in ((1, "M1"), (4, "A1"), (5, "vault one"), (6, 0)):
        page.cell(2, place).value = value
    book.save(tmp_path / "own.xlsx")
    sheet = read_sheet(tmp_path / "own.xlsx", codebook)
    assert (sheet.rows.at[2, "landing"], sheet.rows.at[2, "deduction"]) == ("stuck", 0)


def test_filled_rows_are_read_without_a_repair(filled):
    sheet = read_sheet(filled)
    assert (sheet.worksheet, len(sheet.rows), sheet.repairs) == ("Routines", 13, ())
    assert [problem.row for problem in sheet.problems] == [13, 14]  # technique still blank
    assert check(sheet) == ()
    assert usable_rows(sheet) == 9
    assert list(sheet.rows["deduction"])[:3] == [0, 100, 1300]


def converted(path, kind, folder):
    """The file as the spreadsheet program writes it, in a folder of its own."""
    folder = folder / kind
    profile = f"-env:UserInstallation=file://{folder}/profile"
    done = subprocess.run(
        [OFFICE, profile, "--headless", "--convert-to", kind, "--outdir", str(folder), str(path)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    out = folder / f"{path.stem}.{kind}"
    assert out.exists(), done.stderr
    return out


@needs_office
@pytest.mark.parametrize("kind", ["xlsx", "ods", "csv"])
def test_a_spreadsheet_program_keeps_the_routines(filled, tmp_path, kind):
    mine, theirs = read_sheet(filled), read_sheet(converted(filled, kind, tmp_path))
    assert theirs.rows.equals(mine.rows)
    assert check(theirs) == ()
    if kind == "xlsx":
        # (The place of the frozen header is dropped without a screen, in every file.)
        page = load_workbook(theirs.path)["Routines"]
        kinds = sorted(rule.type for rule in page.data_validations.dataValidation if rule.type)
        assert kinds == ["decimal", "decimal", "list", "list", "list", "list", "list", "whole"]


@needs_office
def test_counts_are_those_of_the_sheet(filled, tmp_path):
    book = CalamineWorkbook.from_path(str(converted(filled, "ods", tmp_path)))
    lines = book.get_sheet_by_name("Counts").to_python()
    told = {line[0]: line for line in lines}
    assert told["routines with an athlete"][1] == 13
    assert [told[f"{what} still to code"][1] for what in ("technique", "landing", "points")] == [2, 3, 3]
    heads = told["technique"]
    counted = {
        (name, head): told[name][place]
        for name in (PIKED, TUCKED, "tucked double front", "other names", "all")
        for place, head in enumerate(heads)
        if head
    }
    assert counted[PIKED, "stuck"] == 3
    assert counted[TUCKED, "stuck"] == 0
    assert (counted[TUCKED, NOT_SEEN], counted[TUCKED, "no landing yet"]) == (1, 1)
    assert counted["other names", "hand touch"] == counted["other names", "all"] == 1
    assert counted["tucked double front", "all"] == 0
    assert counted["all", "all"] == sum(1 for codes in CODES if codes[0])
    listed = book.get_sheet_by_name("Start list").to_python()
    assert [line[4] for line in listed[1:14]] == [1] * 11 + [0, 0]


@needs_office
def test_a_red_cell_is_what_the_check_names(tmp_path):
    """The condition that colours points against landing agrees with the cross-check, row by row."""
    codebook = read_codebook()
    cases = [
        (grade.name, points, other)
        for grade in codebook.grades
        for points in (0, 0.1, 0.3, 0.5, 1, 1.3)
        for other in (None, 0, 0.3)
        if points >= (other or 0)
    ]
    book = opened(coding_workbook(codebook, start_list(len(cases))))
    page = book["Routines"]
    (condition,) = (
        rule.formula[0]
        for where in page.conditional_formatting
        for rule in where.rules
        if "MATCH" in rule.formula[0]
    )
    for row, (landing, points, other) in enumerate(cases, 2):
        for place, value in enumerate((PIKED, landing, points, other), 5):
            page.cell(row, place).value = value
        page.cell(row, 20).value = Translator(f"={condition}", "T2").translate_formula(f"T{row}")
    page["T1"] = "red"
    book.save(tmp_path / "red.xlsx")
    sheet = read_sheet(converted(tmp_path / "red.xlsx", "ods", tmp_path))
    named = {problem.row for problem in check(sheet) if problem.row and "not a sum" not in problem.problem}
    red = {int(row) for row in sheet.rows.index[sheet.original["red"] == "1"]}
    assert red == named
    assert len(cases) > len(red) > 40

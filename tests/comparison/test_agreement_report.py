"""The agreement of coders as it is reported: which routines, which measures, what is said, what is written."""

import csv
import json
import math

import openpyxl
import pytest
from studies import PIKED, TUCKED

from analysis.comparison.agreement_words import coefficient
from analysis.comparison.coders import compare_coders
from analysis.comparison.under_coders import AGREED, ALL, BOTH, compare_under_coders
from analysis.publish.agreed import write_agreed, write_decisions
from analysis.publish.agreement import agreement_table, agreement_text, write_agreement
from analysis.publish.confusion import confusion_figures
from analysis.publish.layout import paint
from analysis.publish.sizes import PHONE, SLIDE
from analysis.publish.under_coders import under_coders_text
from analysis.study.problem import InputProblem
from analysis.study.reconcile import reconcile
from analysis.study.sheet import read_sheet

HEADER = ("routine", "meet", "round", "athlete", "technique", "landing", "deduction", "coder", "clip")
STUCK, SMALL, LARGE, FALL = "stuck", "small step or hop", "large step or jump", "fall"
COSTS = {STUCK: "0", SMALL: "0.1", LARGE: "0.3", FALL: "1.0", "not seen": ""}
FIRST = [STUCK] * 9 + [SMALL] * 8 + [LARGE] * 3 + [FALL] * 2
SECOND = [STUCK] * 8 + [SMALL] * 2 + [STUCK] + [SMALL] * 5 + [LARGE] * 3 + ["not seen"] + [FALL] * 2
"""22 routines; the two differ on routine 9 (stuck, small step), 11 (small step, stuck) and 17 (small, large step), and
the second coder didn't see routine 20. That leaves 18 of 21 equal landings, and 19 of 21 for stuck or not."""


def write_sheet(path, landings, coder, more=(), techniques=None, start=1):
    rows = [
        (
            f"R{i}",
            "Lindenau",
            "final",
            f"A{i}",
            technique,
            landing,
            COSTS.get(landing, ""),
            coder,
            f"c{i}.mp4",
        )
        for i, (landing, technique) in enumerate(
            zip(
                landings, techniques or ([PIKED] * 9 + [TUCKED] * len(landings))[: len(landings)], strict=True
            ),
            start,
        )
    ]
    with open(path, "w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows([HEADER, *rows, *more])
    return path


def two_sheets(folder, first=FIRST, second=SECOND, coders=("Mara", "Jo")):
    return tuple(
        read_sheet(write_sheet(folder / f"{name}.csv", landings, coder))
        for name, landings, coder in zip(("first", "second"), (first, second), coders, strict=True)
    )


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return compare_coders(*two_sheets(tmp_path_factory.mktemp("agree")))


def equal(found, variable):
    share = found.variable(variable).measure("agreement")
    return share.counts[0]


def test_each_variable_counts_the_routines_that_both_could_code(found):
    assert [item.variable for item in found.variables] == ["technique", "stuck", "landing", "deduction"]
    assert equal(found, "technique") == (22, 22)
    assert equal(found, "stuck") == (19, 21)
    assert equal(found, "landing") == (18, 21)
    assert equal(found, "deduction") == (18, 21)
    assert found.variable("landing").coded == (22, 21)


def test_the_measures_of_each_kind_of_variable_are_there_with_their_limits(found):
    wanted = {
        "technique": ("kappa", "AC", "alpha"),
        "stuck": ("positive agreement", "negative agreement", "kappa", "AC", "alpha"),
        "landing": ("kappa", "weighted kappa", "AC", "alpha"),
        "deduction": ("ICC", "alpha"),
    }
    for variable, names in wanted.items():
        for name in names:
            measure = found.variable(variable).measure(name)
            assert measure.low <= measure.estimate <= measure.high
            assert measure.low < measure.high
    assert found.variable("landing").measure("AC").quantity == "AC2"
    limits = found.variable("deduction").pairs[0].limits
    # First minus second: -0.1 (routine 9), 0.1 (11) and -0.2 (17); the other 18 are equal.
    assert limits.mean.estimate == pytest.approx(-0.2 / 21)


def test_kappa_of_stuck_or_not_by_hand(found):
    # 8 both stuck, 1 and 1 of one alone, 11 neither: observed 19/21, by chance (9*9 + 12*12)/21^2.
    observed, chance = 19 / 21, (9 * 9 + 12 * 12) / 21**2
    assert found.variable("stuck").measure("kappa").estimate == pytest.approx(
        (observed - chance) / (1 - chance)
    )
    assert found.variable("stuck").measure("positive agreement").estimate == pytest.approx(16 / 18)
    assert found.variable("stuck").measure("negative agreement").estimate == pytest.approx(22 / 24)
    assert found.variable("stuck").pairs[0].table == ((8, 1, 0), (1, 11, 1), (0, 0, 0))


def test_the_confusion_table_holds_every_routine_of_both_unseen_ones_too(found):
    pair = found.variable("landing").pairs[0]
    assert pair.categories == (STUCK, SMALL, LARGE, FALL, "not seen")
    assert sum(map(sum, pair.table)) == 22
    assert pair.table[1] == (1, 6, 1, 0, 0)
    assert pair.table[2] == (0, 0, 2, 0, 1)


def test_the_list_of_disagreements_names_routine_clip_codes_and_distance(found):
    landings = [item for item in found.disagreements if item.variable == "landing"]
    assert [(d.routine, d.clip, d.codes, d.apart, d.stuck) for d in landings] == [
        ("R9", "c9.mp4", (STUCK, SMALL), 1, True),
        ("R11", "c11.mp4", (SMALL, STUCK), 1, True),
        ("R17", "c17.mp4", (SMALL, LARGE), 1, False),
        ("R20", "c20.mp4", (LARGE, "not seen"), None, False),
    ]
    points = [(d.routine, d.codes, d.apart) for d in found.disagreements if d.variable == "deduction"]
    assert points[2:] == [("R17", ("0.1", "0.3"), 0.2), ("R20", ("0.3", ""), None)]


@pytest.mark.parametrize(
    ("cells", "kappa", "ac1", "noted"),
    [((40, 9, 6, 45), 0.70, 0.70, False), ((80, 10, 5, 5), 0.32, 0.81, True)],
)
def test_feinstein_cicchetti_1990_kappa_misleads_where_nearly_all_are_stuck(
    tmp_path, cells, kappa, ac1, noted
):
    # Journal of Clinical Epidemiology 43:543: equal agreement of .85; the numbers are recomputed, their print is from
    # memory.
    both, first, second, neither = cells
    one = [STUCK] * (both + first) + [SMALL] * (second + neither)
    two = [STUCK] * both + [SMALL] * first + [STUCK] * second + [SMALL] * neither
    found = compare_coders(*two_sheets(tmp_path, one, two))
    stuck = found.variable("stuck")
    assert stuck.measure("agreement").estimate == pytest.approx(0.85)
    assert stuck.measure("kappa").estimate == pytest.approx(kappa, abs=0.005)
    assert stuck.measure("AC").estimate == pytest.approx(ac1, abs=0.005)
    assert any(note.startswith("Stuck or not: kappa misleads") for note in found.notes) == noted


def test_one_coder_twice_is_told_from_two_coders(found, tmp_path):
    assert found.who == "different coders"
    assert "both Mara and Jo: agreement between coders" in found.methods
    again = compare_coders(*two_sheets(tmp_path, FIRST[:6], SECOND[:6], ("Mara", "Mara")))
    assert again.who == "same coder"
    assert "twice by the same coder" in again.methods
    assert "one coder, so this is agreement" in agreement_text(again)


def test_all_stuck_by_both_has_no_kappa_and_says_why(tmp_path):
    found = compare_coders(*two_sheets(tmp_path, [STUCK] * 9, [STUCK] * 9))
    kappa = found.variable("stuck").measure("kappa")
    assert math.isnan(kappa.estimate)
    assert any("Kappa can't be computed".casefold() in note.casefold() for note in found.notes)
    text = agreement_text(found)
    assert "not estimated" in text
    assert "nan" not in text.casefold()
    assert json.loads(found.to_json())["variables"][1]["pairs"][0]["measures"]["kappa"]["estimate"] is None


def test_three_coders_some_of_whom_lack_routines_and_columns(tmp_path):
    first, second = two_sheets(tmp_path, FIRST[:12], SECOND[:12])
    bare = tmp_path / "third.csv"
    rows = [
        (f"R{i}", "Lindenau", f"A{i}", PIKED if i < 10 else TUCKED, FIRST[i - 1], "Kim")
        for i in (3, 9, 11, 12)
    ]
    with open(bare, "w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows([("routine", "meet", "athlete", "technique", "landing", "coder"), *rows])
    found = compare_coders(first, second, read_sheet(bare))
    landing = found.variable("landing")
    assert [(pair.first, pair.second, pair.n) for pair in landing.pairs] == [(0, 1, 12), (0, 2, 4), (1, 2, 4)]
    assert landing.coded == (12, 12, 4)
    assert len(found.variable("deduction").pairs) == 1
    nine = next(item for item in found.disagreements if item.routine == "R9" and item.variable == "landing")
    assert nine.codes == (STUCK, SMALL, STUCK)
    assert "two coders’ codes were equal in" in found.methods
    assert "Mara, Kim" in agreement_text(found)
    assert [s.name for s in confusion_figures(found)][-1] == "confusion-landing-2-3"


def test_sheets_without_a_common_routine_are_refused_with_the_reasons(tmp_path):
    first = read_sheet(write_sheet(tmp_path / "a.csv", FIRST[:3], "Mara", techniques=[PIKED] * 3))
    rows = [("R2", "Lindenau", "final", "A9", PIKED, STUCK, "0", "Jo", "")]
    second = read_sheet(write_sheet(tmp_path / "b.csv", [], "Jo", more=rows, techniques=[]))
    with pytest.raises(InputProblem) as refused:
        compare_coders(first, second)
    said = [str(problem) for problem in refused.value.problems]
    assert "no routine stands in two of the sheets" in said[0]
    assert 'athlete is "A2" there and "A9" here' in said[1]


def test_a_column_in_which_one_coder_coded_nothing_is_answered(tmp_path):
    first = read_sheet(write_sheet(tmp_path / "a.csv", FIRST[:9], "Mara"))
    second = read_sheet(write_sheet(tmp_path / "b.csv", ["not seen"] * 9, "Jo"))
    found = compare_coders(first, second)
    assert found.variable("stuck").pairs[0].n == 0
    assert "No routine has a code for stuck or not from both." in found.methods
    json.loads(found.to_json())
    agreement_text(found)


def test_a_coefficient_never_rounds_to_perfect():
    assert coefficient(0.9996) == "0.9996"
    assert coefficient(1.0) == "1.00"
    assert coefficient(0.0) == "0.00"
    assert coefficient(math.nan) == "not estimated"


def test_json_is_strict_and_says_where_everything_came_from(found):
    body = json.loads(found.to_json())
    assert body["schema"] == "landing-outcomes/agreement/1"
    assert [item["coder"] for item in body["coders"]] == ["Mara", "Jo"]
    assert body["paired_by_label"] == body["routines"] == 22
    assert "NaN" not in found.to_json()


def test_the_folder_is_complete_and_keeps_decisions_that_people_made(found, tmp_path):
    out = tmp_path / "agreement"
    written = {path.name for path in write_agreement(found, out)}
    assert written >= {"agreement.md", "agreement.json", "agreement.csv", "disagreements.csv", "unpaired.csv"}
    assert written >= {"decisions.xlsx", "confusion-landing.svg", "confusion-landing.png"}
    page = (out / "agreement.md").read_text(encoding="utf-8")
    assert "confusion-landing.svg" in page
    assert "| R9 | Lindenau | final | A9 | c9.mp4 | landing | stuck | small step or hop | 1 grade |" in page
    svg = (out / "confusion-landing.svg").read_text(encoding="utf-8")
    assert "<desc" in svg
    assert "Mara: stuck; Jo: stuck: 8." in svg
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    (out / "decisions.xlsx").write_bytes(b"filled in")
    assert "decisions.xlsx" not in {path.name for path in write_agreement(found, out)}
    assert (out / "decisions.xlsx").read_bytes() == b"filled in"
    assert all((out / name).read_bytes() == body for name, body in before.items() if name != "decisions.xlsx")


def test_a_folder_that_cannot_be_written_is_an_input_problem(found, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(InputProblem, match="can't be written"):
        write_agreement(found, tmp_path / "taken")


def test_decisions_made_in_the_workbook_give_the_agreed_sheet(found, tmp_path):
    write_agreement(found, tmp_path)
    book = openpyxl.load_workbook(tmp_path / "decisions.xlsx")
    page = book["Decisions"]
    heads = [str(cell.value).partition(" (")[0] for cell in page[1]]
    assert page.cell(1, heads.index("first code") + 1).value == "first code (Mara)"
    lists = {str(rule.sqref): rule.formula1 for rule in page.data_validations.dataValidation}
    assert any("$A$2" in formula for formula in lists.values())
    for row in range(2, page.max_row + 1):
        code = page.cell(row, heads.index("second code") + 1).value
        page.cell(row, heads.index("agreed") + 1).value = code or "not seen"
        page.cell(row, heads.index("decided by") + 1).value = "Mara and Jo"
    book.save(tmp_path / "decisions.xlsx")
    first, second = found.pairing.sheets
    made = reconcile(first, second, tmp_path / "decisions.xlsx")
    assert made.open == ()
    assert {item.takes for item in made.decisions} == {"second"}
    path = write_agreed(made, tmp_path / "agreed.csv")
    again = read_sheet(path)
    assert list(again.rows["landing"]) == list(made.sheet.rows["landing"])
    assert again.rows["landing"].tolist()[8:11] == [SMALL, SMALL, STUCK]
    with pytest.raises(InputProblem, match="such a file already"):
        write_agreed(made, path)
    write_decisions(made, tmp_path / "record.xlsx")
    record = openpyxl.load_workbook(tmp_path / "record.xlsx")["Decisions"]
    assert record.cell(2, heads.index("decided by") + 1).value == "Mara and Jo"


def test_hostile_codes_neither_run_nor_break_the_page(tmp_path):
    first, second = two_sheets(tmp_path, FIRST[:3], [SMALL, STUCK, STUCK], ("=cmd()", "<b>Jo|</b>"))
    found = compare_coders(first, second)
    write_agreement(found, tmp_path / "out")
    page = (tmp_path / "out" / "agreement.md").read_text(encoding="utf-8")
    assert "<b>" not in page
    line = next(line for line in page.splitlines() if line.startswith("| R1 "))
    assert line.count("|") == 11
    listed = (tmp_path / "out" / "disagreements.csv").read_text(encoding="utf-8-sig")
    assert "'=cmd()" in listed
    workbook = openpyxl.load_workbook(tmp_path / "out" / "decisions.xlsx")
    assert all(cell.data_type != "f" for row in workbook["Decisions"] for cell in row)


def test_the_picture_fits_a_phone_and_a_slide(found):
    for sketch in confusion_figures(found):
        for size in (PHONE, SLIDE):
            canvas = paint(sketch.plan, size, sketch.title)
            assert canvas.save(sketch.name, sketch.title, sketch.alt, ("svg",))["svg"].startswith(b"<svg")


def test_every_measure_is_in_the_table_once(found):
    table = agreement_table(found)
    rows = [row[:2] for row in table.rows]
    assert (
        len(rows)
        == len(set(rows))
        == sum(
            len(item.together) + sum(len(pair.measures) + (3 if pair.limits else 0) for pair in item.pairs)
            for item in found.variables
        )
    )


# ------------------------------------------------------------------------- the comparison under each coder's codes


@pytest.fixture
def planned(tmp_path):
    def make(outcome="stuck", repeats="first", first=FIRST, second=SECOND):
        two_sheets(tmp_path, first, second)
        (tmp_path / "plan.toml").write_text(
            '[study]\nsheet = "first.csv"\n'
            f'[question]\ncompare = ["{PIKED}", "{TUCKED}"]\noutcome = "{outcome}"\n[design]\nrepeats = "{repeats}"\n'
        )
        return tmp_path / "plan.toml", tmp_path / "second.csv"

    return make


def groups(run):
    return [(group.x, group.n) for group in run.groups]


def test_the_headline_is_run_under_each_coder_and_the_agreed_codes(planned):
    under = compare_under_coders(*planned())
    assert groups(under.run("Mara", BOTH)) == [(9, 9), (0, 13)]
    assert groups(under.run("Jo", BOTH)) == [(8, 9), (1, 12)]
    # Routine 9 of the first technique, 11, 17 and 20 of the second are open.
    assert groups(under.run(AGREED, BOTH)) == [(8, 8), (0, 10)]
    assert groups(under.run("Mara", ALL)) == [(9, 9), (0, 13)]
    assert under.run("Mara", BOTH).headline.claim == "first higher"
    assert any("the claim is the same" in note for note in under.notes)
    assert any("8 disagreements are open" in note for note in under.notes)


def test_miscoding_is_carried_through_against_the_second_coder_while_landings_are_open(planned):
    under = compare_under_coders(*planned())
    assert under.reference == "Jo"
    assert under.table == ((8, 1), (1, 11))
    assert under.miscoding.low < under.miscoding.estimate
    clustered = compare_under_coders(*planned(repeats="cluster"))
    # Limits of the headline are stretched by sensitivity + specificity - 1 and covered.
    scale = 8 / 9 + 11 / 12 - 1
    assert clustered.miscoding.low <= clustered.run("Mara", ALL).headline.interval.low / scale
    body = json.loads(under.to_json())
    assert body["runs"][1]["groups"][1] == {**body["runs"][1]["groups"][1], "x": 1, "n": 12}
    assert "miscoding carried through (right: Jo)" in under_coders_text(under)


def test_decided_landings_become_the_reference(planned, tmp_path):
    plan, second = planned()
    made = reconcile(read_sheet(tmp_path / "first.csv"), read_sheet(second))
    write_decisions(made, tmp_path / "decisions.xlsx")
    book = openpyxl.load_workbook(tmp_path / "decisions.xlsx")
    page = book["Decisions"]
    heads = [str(cell.value).partition(" (")[0] for cell in page[1]]
    for row in range(2, page.max_row + 1):
        if page.cell(row, heads.index("variable") + 1).value == "landing":
            page.cell(row, heads.index("agreed") + 1).value = page.cell(
                row, heads.index("first code") + 1
            ).value
    book.save(tmp_path / "decisions.xlsx")
    under = compare_under_coders(plan, second, tmp_path / "decisions.xlsx")
    assert under.reference == AGREED
    assert under.table == ((9, 0), (0, 13))
    assert groups(under.run(AGREED, BOTH)) == [(9, 9), (0, 13)]


def test_a_technique_that_one_coder_never_saw_is_said_not_raised(planned, tmp_path):
    plan, second = planned()
    write_sheet(second, SECOND, "Jo", techniques=[PIKED] * 22)
    under = compare_under_coders(plan, second)
    run = under.run("Jo", BOTH)
    assert run.headline is None
    assert TUCKED in run.why
    assert "not estimated" in under_coders_text(under)


def test_points_are_run_under_each_coder_without_miscoding(planned):
    under = compare_under_coders(*planned(outcome="deduction"))
    assert under.miscoding is None
    assert 'not for "deduction"' in under.miscoding_why
    assert under.run("Jo", BOTH).headline.unit == "points"

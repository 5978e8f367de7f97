"""Rows of two or more coders' sheets: paired where one row alone fits, else listed with a reason."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from two_coders import LABELLED, PIKED, TUCKED, UNLABELLED, first_sheet, second_sheet

from analysis.study.coders import pair
from analysis.study.problem import InputProblem
from analysis.study.reconcile import reconcile


def whys(found):
    return [(item.sheet, item.label, item.why) for item in found.unpaired if item.kind == "doubt"]


def labels(found):
    return [(routine.label, routine.rows) for routine in found.routines]


def test_rows_are_paired_by_their_label_whatever_their_order_and_spelling(sheet_of):
    found = pair(first_sheet(sheet_of), second_sheet(sheet_of))
    assert labels(found) == [("R2", (3, 4)), ("R3", (4, 3)), ("R4", (5, 2))]
    assert {routine.by for routine in found.routines} == {("routine",)}
    assert not any(routine.weaker for routine in found.routines)
    assert [routine.clip for routine in found.routines] == ["c2.mp4", "c3.mp4", "c4.mp4"]
    assert [(u.sheet, u.row, u.kind) for u in found.unpaired] == [
        (0, 2, "absent"),
        (0, 6, "absent"),
        (1, 5, "absent"),
    ]


def test_the_coder_column_tells_one_coder_from_two(sheet_of):
    first = first_sheet(sheet_of)
    two = pair(first, second_sheet(sheet_of))
    assert (two.who, two.coders) == ("different coders", ("Mara", "Jo"))
    one = pair(first, second_sheet(sheet_of, "mara"))
    assert (one.who, one.coders) == ("same coder", ("Mara", "mara"))
    again = pair(first, second_sheet(sheet_of, "Mara"))
    assert (again.who, again.coders) == ("same coder", ("Mara, coding 1", "Mara, coding 2"))
    unnamed = pair(first, second_sheet(sheet_of, ""))
    assert (unnamed.who, unnamed.coders) == ("not known", ("Mara", "second.csv"))


def test_a_label_whose_athlete_differs_is_no_pair_and_both_rows_say_why(sheet_of):
    rows = [
        ("R2", "Lindenau", "A7", PIKED, "stuck", "0", "Jo", ""),
        ("R1", "Lindenau", "A1", PIKED, "fall", "", "Jo", ""),
    ]
    found = pair(first_sheet(sheet_of), sheet_of(rows, LABELLED, name="second.csv"))
    why = 'row 3 of first.csv and row 2 of second.csv have the same label, but athlete is "A2" there and "A7" here'
    assert whys(found) == [(0, "R2", why), (1, "R2", why)]
    assert labels(found) == [("R1", (2, 3))]


def test_a_label_that_stands_twice_in_one_sheet_is_not_guessed(sheet_of):
    header = ["routine", "meet", "athlete", "technique", "landing", "start order"]
    first = sheet_of([("R1", "Lindenau", "A1", PIKED, "stuck", "")], header, name="first.csv")
    rows = [("R1", "Lindenau", "A1", PIKED, "fall", "4"), ("R1", "Lindenau", "A1", PIKED, "stuck", "5")]
    found = pair(first, sheet_of(rows, header, name="second.csv"))
    assert found.routines == ()
    # The second sheet contradicts itself, so neither of its rows can be trusted.
    assert [label for _, label, _ in whys(found)] == ["R1", "R1"]
    assert all("the same routine twice" in why for _, _, why in whys(found))


def test_labels_that_each_athlete_has_are_told_apart_by_meet_and_athlete(sheet_of):
    header = ["routine", "meet", "athlete", "technique", "landing"]
    first = [(str(i), "Lindenau", f"A{a}", PIKED, "stuck") for a in (1, 2, 3) for i in (1, 2)]
    second = [("2", "Lindenau", "A3", PIKED, "fall"), ("1", "Lindenau", "A1", PIKED, "fall")]
    found = pair(sheet_of(first, header, name="first.csv"), sheet_of(second, header, name="second.csv"))
    assert [routine.rows for routine in found.routines] == [(2, 3), (7, 2)]
    assert found.routines[0].by == ("routine", "meet", "athlete")
    assert whys(found) == []


def test_labels_of_each_coders_own_are_ignored_and_that_is_said(sheet_of):
    header = ["routine", "meet", "round", "athlete", "technique", "landing"]
    first = sheet_of([("M1", "Lindenau", "final", "A1", PIKED, "stuck")], header, name="first.csv")
    second = sheet_of([("J1", "Lindenau", "final", "A1", PIKED, "fall")], header, name="second.csv")
    found = pair(first, second)
    assert [(r.rows, r.weaker, r.by) for r in found.routines] == [
        ((2, 2), True, ("meet", "round", "athlete"))
    ]
    assert "No routine label of second.csv stands in another sheet" in found.notes[0]


def test_without_labels_rows_are_paired_by_who_showed_them_where_and_when(sheet_of):
    first = [
        ("Lindenau", "qualification", "A1", PIKED, "stuck"),
        ("Lindenau", "final", "A1", PIKED, "fall"),
        ("Lindenau", "final", "A2", PIKED, "stuck"),
    ]
    second = [("Lindenau", "finals", "A1", PIKED, "stuck"), ("Ostheim", "final", "A2", PIKED, "stuck")]
    found = pair(sheet_of(first, UNLABELLED, name="a.csv"), sheet_of(second, UNLABELLED, name="b.csv"))
    assert [(r.rows, r.weaker, r.label) for r in found.routines] == [((3, 2), True, "A1, Lindenau, final")]
    assert whys(found) == []


def test_a_round_that_one_sheet_does_not_name_is_not_guessed(sheet_of):
    first = [("Lindenau", "qualification", "A1", PIKED, "stuck"), ("Lindenau", "final", "A2", PIKED, "fall")]
    bare = ["meet", "athlete", "technique", "landing"]
    second = sheet_of([("Lindenau", "A1", PIKED, "stuck")], bare, name="b.csv")
    found = pair(sheet_of(first, UNLABELLED, name="a.csv"), second)
    assert found.routines == ()
    why = "row 2 of a.csv and row 2 of b.csv may be one routine, but only one of them names the round"
    assert whys(found) == [(0, "A1, Lindenau, qualification", why), (1, "A1, Lindenau", why)]
    # Where the sheet holds one round throughout there is nothing to confuse.
    finals = [("Lindenau", "final", "A1", PIKED, "stuck"), ("Lindenau", "final", "A2", PIKED, "fall")]
    assert [r.rows for r in pair(sheet_of(finals, UNLABELLED, name="a.csv"), second).routines] == [(2, 2)]


def test_start_order_tells_two_routines_of_one_round_apart_and_elimination_does_not(sheet_of):
    header = [*UNLABELLED, "start order"]
    first = [
        ("Lindenau", "final", "A1", PIKED, "stuck", "3"),
        ("Lindenau", "final", "A1", TUCKED, "fall", "4"),
    ]
    a = sheet_of(first, header, name="a.csv")
    both = [
        ("Lindenau", "final", "A1", TUCKED, "fall", "4"),
        ("Lindenau", "final", "A1", PIKED, "stuck", "3"),
    ]
    assert [r.rows for r in pair(a, sheet_of(both, header, name="b.csv")).routines] == [(2, 3), (3, 2)]
    one_blank = [
        ("Lindenau", "final", "A1", PIKED, "stuck", "3"),
        ("Lindenau", "final", "A1", TUCKED, "fall", ""),
    ]
    found = pair(a, sheet_of(one_blank, header, name="b.csv"))
    assert [r.rows for r in found.routines] == [(2, 2)]
    assert [(sheet, label) for sheet, label, _ in whys(found)] == [
        (0, "A1, Lindenau, final"),
        (1, "A1, Lindenau, final"),
    ]
    assert "more than one pair is possible" in whys(found)[1][2]


def test_another_start_order_of_the_same_routine_is_a_doubt(sheet_of):
    header = [*UNLABELLED, "start order"]
    a = sheet_of([("Lindenau", "final", "A1", PIKED, "stuck", "3")], header, name="a.csv")
    b = sheet_of([("Lindenau", "final", "A1", PIKED, "stuck", "8")], header, name="b.csv")
    found = pair(a, b)
    assert found.routines == ()
    assert 'start order is "3" there and "8" here' in whys(found)[0][2]


def test_three_sheets_may_each_lack_some_routines(sheet_of):
    third = [
        ("R9", "Lindenau", "A9", PIKED, "fall", "1", "Kim", ""),
        ("R5", "Lindenau", "A5", TUCKED, "stuck", "", "Kim", ""),
    ]
    found = pair(first_sheet(sheet_of), second_sheet(sheet_of), sheet_of(third, LABELLED, name="third.csv"))
    rows = dict(labels(found))
    assert rows["R9"] == (None, 5, 2)
    assert rows["R5"] == (6, None, 3)
    assert rows["R3"] == (4, 3, None)
    assert found.who == "different coders"
    assert found.codes("landing")[2] == [None, None, None, "stuck", "fall"]


def test_a_technique_in_two_spellings_is_one_code(sheet_of):
    header = ["routine", "meet", "athlete", "technique", "landing"]
    a = sheet_of([("1", "Lindenau", "A1", "Side Salto", "stuck")], header, name="a.csv")
    b = sheet_of([("1", "Lindenau", "A1", "side salto", "stuck")], header, name="b.csv")
    assert pair(a, b).codes("technique") == (["Side Salto"], ["Side Salto"])
    assert reconcile(a, b).decisions == ()


def test_rows_that_wait_for_their_coder_are_no_disagreements(sheet_of):
    rows = [
        ("R1", "Lindenau", "A1", "", "", "", "", ""),
        ("R2", "Lindenau", "A2", PIKED, "fall", "1.0", "Jo", ""),
        ("R8", "Lindenau", "A8", "", "", "", "", ""),
    ]
    first, second = first_sheet(sheet_of), sheet_of(rows, LABELLED, name="second.csv")
    found = pair(first, second)
    assert labels(found) == [("R2", (3, 3))]
    kinds = {(item.sheet, item.label): item.kind for item in found.unpaired}
    assert kinds[1, "R1"] == "coded elsewhere"
    assert kinds[0, "R1"] == "absent"
    assert kinds[1, "R8"] == "not coded"
    assert list(reconcile(first, second).sheet.rows["routine"]) == ["R1", "R2", "R3", "R4", "R5"]
    # The other way round, the second coder's codes fill the first one's blank row.
    turned = reconcile(second, first).sheet.rows
    assert list(turned["routine"]) == ["R2", "R8", "R1", "R3", "R4", "R5"]


def test_sheets_with_other_landing_categories_are_refused(sheet_of, codebook_of):
    grades = '[[landing.grades]]\nname = "stuck"\ndefinition = ""\nstuck = true\nfall = false\ndeductions = [0.0]\n'
    book = codebook_of(
        '[codebook]\nname = "Two"\n' + grades + grades.replace("stuck", "moved", 1).replace("true", "false")
    )
    rows = [("Lindenau", "A1", PIKED, "stuck", "0")]
    with pytest.raises(InputProblem, match="other landing categories"):
        pair(sheet_of(rows, name="a.csv"), sheet_of(rows, codebook=book, name="b.csv"))


def test_one_sheet_alone_is_refused(sheet_of):
    with pytest.raises(ValueError, match="two sheets"):
        pair(first_sheet(sheet_of))


codes = st.sampled_from(["", "1", "2"])
row_of_a_small_meet = st.tuples(
    codes,
    st.sampled_from(["M", "N"]),
    codes,
    st.sampled_from(["A", "B"]),
    st.sampled_from(["stuck", "fall"]),
    codes,
)


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(row_of_a_small_meet, max_size=5), min_size=2, max_size=3))
def test_every_row_is_paired_once_or_listed_once_and_no_pair_contradicts_itself(sheet_of, tables):
    header = ["routine", "meet", "round", "athlete", "landing", "start order", "technique"]
    sheets = [
        sheet_of([(*row, PIKED) for row in table], header, name=f"s{place}.csv")
        for place, table in enumerate(tables)
    ]
    found = pair(*sheets)
    seen = [(place, row) for r in found.routines for place, row in enumerate(r.rows) if row is not None]
    seen += [(item.sheet, item.row) for item in found.unpaired]
    assert sorted(seen) == sorted((place, row) for place, s in enumerate(sheets) for row in s.rows.index)
    for routine in found.routines:
        both = [sheets[place].rows.loc[row] for place, row in enumerate(routine.rows) if row is not None]
        for name in ("meet", "round", "athlete", "start order"):
            assert len({line[name] for line in both if line[name] is not None}) <= 1

"""Two coders' small sheets of the same meet: alike, different, not seen, and one routine that only one has."""

LABELLED = ["routine", "meet", "athlete", "technique", "landing", "deduction", "coder", "clip"]
UNLABELLED = ["meet", "round", "athlete", "technique", "landing"]
PIKED, TUCKED = "piked double back", "tucked double back"


def first_sheet(sheet_of):
    rows = [
        ("R1", "Lindenau", "A1", PIKED, "stuck", "0", "Mara", "c1.mp4"),
        ("R2", "Lindenau", "A2", PIKED, "stuck", "0.1", "Mara", "c2.mp4"),
        ("R3", "Lindenau", "A3", TUCKED, "small step or hop", "0.1", "Mara", "c3.mp4"),
        ("R4", "Lindenau", "A4", TUCKED, "not seen", "", "Mara", ""),
        ("R5", "Lindenau", "A5", TUCKED, "stuck", "0", "Mara", "c5.mp4"),
    ]
    return sheet_of(rows, LABELLED, name="first.csv")


def second_sheet(sheet_of, coder="Jo"):
    rows = [
        ("R4", "Lindenau", "A4", TUCKED, "stuck", "0", coder, "c4.mp4"),
        ("R3", "Lindenau", "a3", TUCKED, "large step or jump", "0.3", coder, ""),
        ("r2", "lindenau", "A2", PIKED, "stuck", "0.1", coder, ""),
        ("R9", "Lindenau", "A9", PIKED, "fall", "1.0", coder, ""),
    ]
    return sheet_of(rows, LABELLED, name="second.csv")

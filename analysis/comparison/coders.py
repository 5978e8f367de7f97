"""From two or more coders' sheets to their agreement, variable by variable, and the list of where they differ."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import combinations
from typing import Any

from analysis.comparison.agreement import (
    Agreement,
    Disagreement,
    Drawn,
    Kind,
    PairAgreement,
    VariableAgreement,
)
from analysis.comparison.agreement_words import NAMES, capital, methods_paragraph, notes, prevalence_note
from analysis.stats.agreement import (
    cohen_kappa,
    gwet_ac,
    intraclass,
    krippendorff_alpha,
    limits_of_agreement,
    negative_agreement,
    percent_agreement,
    positive_agreement,
    prevalence_effect,
)
from analysis.stats.result import Interval, check_choice, check_level
from analysis.study.codebook import NOT_SEEN, Codebook
from analysis.study.coders import Pairing, Routine, pair
from analysis.study.decisions import code_text
from analysis.study.plan import DEFAULT_SEED
from analysis.study.problem import InputProblem, Problem
from analysis.study.sheet import Sheet
from analysis.study.text import key
from analysis.study.values import cell_text

STUCK, NOT_STUCK = "stuck", "not stuck"
KINDS: dict[str, Kind] = {
    "technique": "named",
    "stuck": "yes or no",
    "landing": "graded",
    "deduction": "points",
    "other faults": "points",
}
_MOST_NAMED = 20

Codes = list[Any]


def compare_coders(
    sheet_a: Sheet,
    sheet_b: Sheet,
    *more: Sheet,
    level: float = 0.95,
    seed: int = DEFAULT_SEED,
    drawn: Drawn = "at random",
) -> Agreement:
    """Compare what two or more coders wrote down for the same routines, or one coder twice.

    Assumes that the double-coded routines are a random part of all (or drawn by first code, if `drawn` says so), that
    the coders worked independently, and that routines are independent of each other.

    Parameters
    ----------
    sheet_a, sheet_b, *more : Sheet
        Read with one codebook, the first coder's first.
    level : float
        Confidence level of every interval.
    seed : int
        Of the draws behind the intervals.
    drawn : {"at random", "by first code"}
        How the part to be coded twice was chosen.

    Returns
    -------
    Agreement

    Raises
    ------
    InputProblem
        When no routine stands in two sheets, or the sheets were read with different codebooks.
    """
    check_level(level)
    check_choice("drawn", drawn, ("at random", "by first code"))
    pairing = pair(sheet_a, sheet_b, *more)
    if not pairing.routines:
        raise InputProblem(_nothing_paired(pairing))
    variables = tuple(_variable(pairing, name, level, seed) for name in _present(pairing))
    return Agreement(
        pairing=pairing,
        level=level,
        seed=seed,
        drawn=drawn,
        variables=variables,
        disagreements=_disagreements(pairing),
        notes=notes(pairing, variables, drawn),
        methods=methods_paragraph(pairing, variables, level),
    )


def _nothing_paired(pairing: Pairing) -> list[Problem]:
    remedy = "give both sheets the same routine labels, or meet, round and athlete in the same spelling"
    files = " and ".join(pairing.names)
    problems = [Problem(files, None, None, None, "no routine stands in two of the sheets", remedy)]
    doubtful = [item for item in pairing.unpaired if item.kind == "doubt"]
    problems += [
        Problem(str(pairing.sheets[item.sheet].path), item.row, "routine", item.label, item.why, remedy)
        for item in doubtful[:_MOST_NAMED]
    ]
    return problems


def _present(pairing: Pairing) -> list[str]:
    """Return the variables that at least two sheets have."""
    sheets = pairing.sheets
    return [name for name in KINDS if sum(_column(name) in sheet.rows for sheet in sheets) > 1]


def _column(variable: str) -> str:
    return "landing" if variable == "stuck" else variable


def codes_of(pairing: Pairing, variable: str) -> tuple[Codes, ...]:
    """Return each coder's codes for a variable as the statistics take them: None where there is none."""
    book = pairing.sheets[0].codebook
    found = pairing.codes(_column(variable))
    if KINDS[variable] == "points":
        return tuple([None if code is None else int(code) / 1000 for code in codes] for codes in found)
    if variable == "technique":
        return found
    seen = tuple([None if code == NOT_SEEN else code for code in codes] for codes in found)
    if variable == "landing":
        return seen
    stuck = {grade.name: STUCK if grade.stuck else NOT_STUCK for grade in book.grades}
    return tuple([None if code is None else stuck[str(code)] for code in codes] for codes in seen)


def _order(book: Codebook, variable: str, codes: Sequence[Codes]) -> list[Any]:
    """Return the categories of a variable in the codebook's order, also those that nobody used."""
    if variable == "stuck":
        return [STUCK, NOT_STUCK]
    if variable == "landing":
        return [grade.name for grade in book.grades]
    seen = {code: None for one in codes for code in one if code is not None}
    listed = {key(name) for name in book.technique_names.names}
    used = {key(code): code for code in seen}
    known = [used.get(key(name), name) for name in book.technique_names.names]
    return [*known, *(code for code in seen if key(code) not in listed)]


def _variable(pairing: Pairing, name: str, level: float, seed: int) -> VariableAgreement:
    kind, book = KINDS[name], pairing.sheets[0].codebook
    codes = codes_of(pairing, name)
    order = [] if kind == "points" else _order(book, name, codes)
    coders = [place for place, sheet in enumerate(pairing.sheets) if _column(name) in sheet.rows]
    return VariableAgreement(
        variable=name,
        kind=kind,
        coded=tuple(sum(code is not None for code in one) for one in codes),
        pairs=tuple(
            _pair(pairing, name, codes, order, i, j, level, seed) for i, j in combinations(coders, 2)
        ),
        together=_together(kind, [codes[place] for place in coders], order, level, seed),
    )


def _together(
    kind: Kind, codes: Sequence[Codes], order: list[Any], level: float, seed: int
) -> tuple[tuple[str, Interval], ...]:
    """Return the measures that take all coders at once."""
    first, second, *rest = codes
    if kind == "points":
        alpha = krippendorff_alpha(first, second, *rest, metric="interval", level=level, seed=seed)
        rows = [list(row) for row in zip(*codes, strict=True)]
        return ("ICC", intraclass(rows, level=level, seed=seed)), ("alpha", alpha)
    graded = kind == "graded" and len(order) > 2
    metric = "ordinal" if graded else "nominal"
    # With one category in the codebook there is nothing to order, and the codes that occur are taken.
    known = order if len(order) > 1 else None
    return (
        ("AC", gwet_ac(first, second, "linear" if graded else None, level, known, rest)),
        (
            "alpha",
            krippendorff_alpha(first, second, *rest, metric=metric, level=level, seed=seed, order=known),  # type: ignore[arg-type]
        ),
    )


def _pair(
    pairing: Pairing,
    name: str,
    codes: Sequence[Codes],
    order: list[Any],
    i: int,
    j: int,
    level: float,
    seed: int,
) -> PairAgreement:
    a, b = codes[i], codes[j]
    kind, known = KINDS[name], order if len(order) > 1 else None
    agreement = percent_agreement(a, b, level)
    measures = [("agreement", agreement)]
    limits = effect = None
    if kind == "points":
        limits = limits_of_agreement(a, b, level)
    else:
        if kind == "yes or no":
            measures.append(("positive agreement", positive_agreement(a, b, STUCK, level)))
            measures.append(("negative agreement", negative_agreement(a, b, STUCK, level)))
        measures.append(("kappa", cohen_kappa(a, b, None, level, known, seed)))
        if kind == "graded" and len(order) > 2:
            measures.append(("weighted kappa", cohen_kappa(a, b, "linear", level, known, seed)))
        effect = prevalence_effect(a, b)
    categories, table = _table(pairing, name, order, codes, i, j)
    return PairAgreement(
        first=i,
        second=j,
        n=agreement.n,
        measures=tuple(measures),
        limits=limits,
        prevalence=effect,
        note="" if effect is None else _about(pairing, name, i, j, prevalence_note(effect, agreement)),
        categories=categories,
        table=table,
    )


def _about(pairing: Pairing, name: str, i: int, j: int, note: str) -> str:
    if not note:
        return ""
    who = f", {pairing.coders[i]} and {pairing.coders[j]}" if len(pairing.coders) > 2 else ""
    return f"{capital(NAMES[name])}{who}: {note[0].lower()}{note[1:]}"


def _table(
    pairing: Pairing, name: str, order: list[Any], codes: Sequence[Codes], i: int, j: int
) -> tuple[tuple[str, ...], tuple[tuple[int, ...], ...]]:
    """Count the routines of both sheets by the two codes; a code that one coder lacks is "not seen"."""
    in_both = [
        place
        for place, routine in enumerate(pairing.routines)
        if routine.rows[i] is not None and routine.rows[j] is not None
    ]
    pairs = Counter((_shown(codes[i][place]), _shown(codes[j][place])) for place in in_both)
    pairs.pop((NOT_SEEN, NOT_SEEN), None)
    used = {code for two in pairs for code in two}
    if KINDS[name] == "points":
        values = {code for one in (codes[i], codes[j]) for code in one if code is not None}
        listed = [_shown(value) for value in sorted(values)]
    else:
        listed = [str(code) for code in order]
    categories = tuple(code for code in dict.fromkeys([*listed, NOT_SEEN]) if code in used)
    return categories, tuple(tuple(pairs[one, two] for two in categories) for one in categories)


def _shown(code: Any) -> str:
    if code is None:
        return NOT_SEEN
    return code if isinstance(code, str) else code_text(round(1000 * code))


def _disagreements(pairing: Pairing) -> tuple[Disagreement, ...]:
    """List every code on which coders differ, or which only some of those who have the routine could give."""
    columns = {name: codes_of(pairing, name) for name in _present(pairing)}
    rank = pairing.sheets[0].codebook.rank
    found = []
    for place, routine in enumerate(pairing.routines):
        for name, codes in columns.items():
            if name == "stuck":
                continue
            # A coder who doesn't have the routine, or whose sheet lacks the column, can't differ.
            own = [
                one[place]
                for coder, one in enumerate(codes)
                if routine.rows[coder] is not None and name in pairing.sheets[coder].rows
            ]
            known = [code for code in own if code is not None]
            if len(set(known)) < 2 and (not known or len(known) == len(own)):
                continue
            stuck = {one[place] for one in columns["stuck"]} - {None} if name == "landing" else set()
            places = (
                known if KINDS[name] == "points" else [rank[c] for c in known] if name == "landing" else []
            )
            shown = [
                "" if routine.rows[coder] is None else _given(pairing, routine, coder, name, one[place])
                for coder, one in enumerate(codes)
            ]
            found.append(
                Disagreement(
                    routine=routine.label,
                    **{column: _who(pairing, routine, column) for column in ("meet", "round", "athlete")},
                    clip=routine.clip,
                    rows=routine.rows,
                    variable=name,
                    codes=tuple(shown),
                    apart=round(max(places) - min(places), 3) if len(set(places)) > 1 else None,
                    stuck=len(stuck) > 1,
                )
            )
    return tuple(found)


def _given(pairing: Pairing, routine: Routine, coder: int, name: str, code: Any) -> str:
    """Return a code as text; what could not be read as the coder wrote it."""
    if code is not None:
        return _shown(code)
    sheet, row = pairing.sheets[coder], routine.rows[coder]
    text = str(sheet.original.at[row, sheet.headers[name]]).strip() if name in sheet.headers else ""
    return text or ("" if KINDS[name] == "points" or name == "technique" else NOT_SEEN)


def _who(pairing: Pairing, routine: Routine, column: str) -> str:
    texts = (
        cell_text(sheet, row, column)
        for sheet, row in zip(pairing.sheets, routine.rows, strict=True)
        if row is not None
    )
    return next((text for text in texts if text), "")

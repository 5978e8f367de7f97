"""One setting for how numbers look: every table obeys it, and every number can be read back."""

from __future__ import annotations

import csv
import io
import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from publish_comparisons import build

from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.detail_tables import make_tables
from analysis.publish.spreadsheet import csv_table, workbook
from analysis.publish.style import ENGLISH, LANGUAGES, NumberStyle, current, using
from analysis.publish.tables import Table, table_of
from analysis.reading.sentences import points_sentence

NARROW = "\N{NARROW NO-BREAK SPACE}"
HARD = "\N{NO-BREAK SPACE}"
SIXTY_FOUR = f"64{HARD}%"
styles = st.builds(
    NumberStyle,
    language=st.sampled_from(sorted(LANGUAGES)),
    percent_decimals=st.one_of(st.none(), st.integers(0, 4)),
    points_decimals=st.integers(0, 4),
    p_decimals=st.sampled_from([2, 3]),
    p_leading_zero=st.sampled_from([None, True, False]),
)


# Decimal mark, thousands mark and from where thousands are marked: Unicode CLDR 45 (2024), main/*.xml, symbols and
# minimumGroupingDigits. English is ours: from 10,000 on. The minus sign U+2212 is ours in every language.
@pytest.mark.parametrize(
    ("language", "shown"),
    [
        ("en", ("−0.36", SIXTY_FOUR, "1234", "12,345", ".034", "0.88 to 1.76")),
        ("de", ("−0,36", SIXTY_FOUR, "1.234", "12.345", "0,034", "0,88 to 1,76")),
        ("fr", ("−0,36", SIXTY_FOUR, f"1{NARROW}234", f"12{NARROW}345", "0,034", "0,88 to 1,76")),
        ("es", ("−0,36", SIXTY_FOUR, "1234", "12.345", "0,034", "0,88 to 1,76")),
    ],
)
def test_cldr_marks_of_each_language(language: str, shown: tuple[str, ...]) -> None:
    with using(NumberStyle(language)):
        assert (
            numbers.points(-0.364),
            numbers.percent(14 / 22, 22),
            numbers.whole(1234),
            numbers.whole(12345),
            numbers.p_value(0.0339),
            numbers.limits(0.8831, 1.7622, "ratio", 31),
        ) == shown


def test_the_default_is_english_and_as_before() -> None:
    assert NumberStyle() == ENGLISH == current()
    cells = (
        numbers.percent(0.6364, 22),
        numbers.percent(0.6364, 220),
        numbers.points(-0.0041),
        numbers.deduction(0.3),
        numbers.ratio(23.42),
        numbers.p_words(0.0339),
        numbers.p_value(0.00004),
        numbers.level(0.98333),
        numbers.tick(0.25),
        numbers.decimal(21.34, 1),
    )
    assert cells == (
        f"64{HARD}%", f"63.6{HARD}%", "−0.004", "0.3", "23.4", "p = .034", "< .001", f"98.33{HARD}%", "0.25", "21.3"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("p", "two", "three"),
    [
        (0.2871, ".29", ".287"),
        (0.0339, ".03", ".034"),
        (0.0041, ".004", ".004"),  # below .01 two decimals would say nothing
        (0.0451, ".045", ".045"),  # on which side of .05 must be visible
        (0.0496, ".0496", ".0496"),
        (0.0504, ".0504", ".0504"),
        (0.0547, ".055", ".055"),
        (0.00099, "< .001", "< .001"),
        (0.9951, "> .99", ".995"),
        (0.99951, "> .99", "> .999"),
        (1.0, "1", "1"),
        (math.nan, "not estimated", "not estimated"),
    ],
)
def test_p_values_in_two_and_three_decimals(p: float, two: str, three: str) -> None:
    with using(NumberStyle(p_decimals=2)):
        assert numbers.p_value(p) == two
    assert numbers.p_value(p) == three
    with using(NumberStyle(p_leading_zero=True)):
        assert numbers.p_value(p) == re.sub(r"(^|\s)\.", r"\g<1>0.", three)


def test_decimals_and_the_space_before_the_percent_sign() -> None:
    with using(NumberStyle(percent_decimals=1, points_decimals=3, percent_space=False)):
        assert numbers.percent(14 / 22, 22) == "63.6%"
        assert numbers.amount(14 / 22, "percent", 22) == "63.6"
        assert numbers.amount(0.364, "percentage points", 31) == "36.4"
        assert numbers.points(-0.1249) == "−0.125"
        assert numbers.plain(2.305) == "2.31"  # a log odds ratio isn't points
        assert numbers.level(0.95) == "95%"
    with using(NumberStyle(percent_decimals=0, points_decimals=0)):
        assert numbers.percent(0.9996, 6000) == f"99.96{HARD}%"  # still never a rounded 100 %
        assert numbers.points(0.31) == "0.3"  # still never a rounded 0


@settings(deadline=None, max_examples=200)
@given(styles, st.integers(-9_999_999, 9_999_999), st.integers(0, 3))
def test_what_a_style_wrote_is_read_back(style: NumberStyle, value: int, digits: int) -> None:
    with using(style):
        assert numbers.plain_number(numbers.whole(value).replace("-", numbers.MINUS)) == (value, 0)
        assert numbers.plain_number(numbers.decimal(value / 10**digits, digits)) == (
            value / 10**digits,
            digits,
        )
        for text in ("9 of 9", "0.1 to 0.2", "0,1 to 0,2", "infinity", "", "<", "1e5", "1 2"):
            assert numbers.plain_number(text) is None


@settings(deadline=None, max_examples=200)
@given(styles, st.floats(0.001, 0.999))
def test_a_p_value_of_any_style_is_read_back(style: NumberStyle, p: float) -> None:
    with using(style):
        shown = numbers.p_value(p)
        if shown.startswith(">"):
            return
        value, digits = numbers.plain_number(shown)
        assert abs(value - p) <= 0.5 * 10**-digits + 1e-12
        assert (value < 0.05) == (p < 0.05) or (value == 0.05 and digits == 4)
        assert shown.startswith("0") == style.leading_zero


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"language": "xx"}, "'xx' is not one of en, de, fr, es"),
        ({"points_decimals": 9}, "points_decimals is 9; it is a whole number from 0 to 4"),
        ({"percent_decimals": -1}, "percent_decimals is -1"),
        ({"p_decimals": 1}, "a whole number from 2 to 3"),
        ({"p_decimals": True}, "p_decimals is True"),
        ({"points_decimals": None}, "points_decimals is None"),
        ({"p_leading_zero": "no"}, "p_leading_zero is 'no'; it is true or false"),
    ],
)
def test_a_style_that_there_isnt_is_refused(wrong: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        NumberStyle(**wrong)


def test_the_style_ends_with_its_block_also_after_a_mistake() -> None:
    with using(NumberStyle("de")):
        with pytest.raises(RuntimeError), using(NumberStyle("fr")):
            raise RuntimeError
        assert current().language == "de"
    assert current() is ENGLISH


@pytest.fixture(scope="module")
def three() -> Comparison:
    return build()


@pytest.mark.parametrize("language", sorted(set(LANGUAGES) - {"en"}))
def test_every_table_obeys_and_differs_in_nothing_else(three: Comparison, language: str) -> None:
    plain = make_tables(three)
    with using(NumberStyle(language, p_leading_zero=False)):
        styled = make_tables(three)
    for one, other in zip(plain, styled, strict=True):
        for row, again in zip(one.rows, other.rows, strict=True):
            for cell, same, numeric in zip(row, again, one.numeric, strict=True):
                number = numeric or numbers.plain_number(cell) is not None
                assert (same.replace(",", ".") if number else same) == cell
        assert [name.replace(",", ".") for name in other.header] == [
            name.replace(",", ".") for name in one.header
        ]
        cells = [
            cell for row in other.rows for cell, numeric in zip(row, other.numeric, strict=True) if numeric
        ]
        assert not any(re.search(r"\d\.\d", cell) for cell in cells)
        assert other.style.language == language


def test_sentences_stay_english() -> None:
    plain = points_sentence("piked", "tucked", -0.12, -0.26, -0.01, 0.95, "with falls")
    with using(NumberStyle("fr", points_decimals=4)):
        assert points_sentence("piked", "tucked", -0.12, -0.26, -0.01, 0.95, "with falls") == plain


def small(style: NumberStyle) -> Table:
    with using(style):
        rows = [
            (
                "=mean",
                numbers.points(-0.125),
                numbers.limits(-0.26, 0.01, "points", 31),
                numbers.p_value(0.0339),
            ),
            ("n", numbers.whole(12345), "9 of 9", numbers.p_value(0.00002)),
        ]
        return table_of("small", "Small", ("Name", "Estimate", "Limits", "p"), rows)


def test_csv_has_points_and_commas_unless_the_language_has_decimal_commas() -> None:
    def lines(style: NumberStyle, separator: str) -> list[list[str]]:
        return list(
            csv.reader(io.StringIO(csv_table(small(style)).decode("utf-8-sig")), delimiter=separator)
        )[1:]

    assert lines(ENGLISH, ",") == [
        ["'=mean", "-0.13", "−0.26 to 0.01", ".034"],
        ["n", "12345", "9 of 9", "< .001"],
    ]
    assert lines(NumberStyle("de"), ";") == [
        ["'=mean", "-0,13", "−0,26 to 0,01", "0,034"],
        ["n", "12345", "9 of 9", "< 0,001"],
    ]
    assert lines(NumberStyle("fr", plain_csv=True), ",")[0][1] == "-0.13"


@pytest.mark.parametrize("language", sorted(LANGUAGES))
def test_a_workbook_holds_numbers_in_every_language(language: str) -> None:
    sheet = load_workbook(io.BytesIO(workbook([small(NumberStyle(language))]))).active
    found = [(cell.value, cell.number_format) for cell in (sheet["B4"], sheet["D4"], sheet["B5"])]
    p_format = ".000" if language == "en" else "0.000"
    assert found == [(-0.13, "0.00"), (0.034, p_format), (12345, "#,##0")]
    assert sheet["C4"].data_type == sheet["A4"].data_type == "s"

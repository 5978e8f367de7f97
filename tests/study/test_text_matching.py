"""Matching of words and numbers: the same thing in other clothes is the same, a near thing is not."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.study.codebook import built_in_codebooks, read_codebook
from analysis.study.number_text import read_thousandths
from analysis.study.text import Names, key, misspelt, nearest, tidy


@pytest.mark.parametrize(
    "spelled",
    [
        "piked double back",
        "Piked Double Back",
        "  piked   double back ",
        "piked\u00a0double\u2003back",
        "piked\u2011double\u2013back",
        "\u200fpiked double back\u200e",
        "piked_double_back",
        "“piked double back”.",
        "pïked döuble back",
        "p\u0131ked double back",  # a dotless i from a Turkish keyboard
        "ｐｉｋｅｄ double back",  # full-width letters
        "piked\ndouble back",
    ],
)
def test_one_word_in_other_clothes_has_one_key(spelled):
    assert key(spelled) == "piked double back"


def test_word_order_digits_and_fractions_are_kept_apart():
    assert key("half in full out") != key("full in half out")
    assert key("1½ twist") == key("1 1/2 twist") != key("11/2 twist")
    assert key("VT1") != key("VT2")


def test_a_spelling_of_two_names_belongs_to_neither():
    names = Names([("large step", ["step"]), ("small step", ["step"])])
    assert names.find("step") is None
    assert names.find("SMALL  step") == "small step"


def test_missing_spaces_are_forgiven_in_letters_only():
    names = Names([("double back", []), ("1 1/2 twist", [])])
    assert names.find("Doubleback") == "double back"
    assert names.find("11/2 twist") is None


@pytest.mark.parametrize(
    ("one", "other", "slip"),
    [
        ("tucked double bak", "tucked double back", True),
        ("tuked duble back", "tucked double back", True),
        (
            "tucked doubleback.",
            "tucked double back",
            False,
        ),  # the same key but for a space: found, not a slip
        ("piked double back", "tucked double back", False),
        ("double front half in", "double front half out", False),
        ("VT1", "VT2", False),
        ("double back 1/1", "double back 2/1", False),
    ],
)
def test_a_slip_of_the_keys_is_told_from_another_thing(one, other, slip):
    assert misspelt(one, other) is slip


def test_no_two_spellings_of_a_shipped_codebook_are_a_slip_apart_across_techniques():
    for name in built_in_codebooks():
        names = read_codebook(name).technique_names
        for one in names.spellings:
            for other in names.spellings:
                if names.find(one) != names.find(other):
                    assert not misspelt(one, other), (one, other)


def test_suggestions_name_the_nearest_or_nothing():
    assert nearest("athelete", ["athlete", "apparatus", "meet"]) == "athlete"
    assert nearest("zzz", ["athlete", "apparatus"]) is None


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=40))
def test_key_and_tidy_are_settled_after_one_pass(text):
    assert tidy(tidy(text)) == tidy(text)
    assert key(key(text)) == key(text)
    assert key(tidy(text)) == key(text)


@pytest.mark.parametrize(
    ("text", "thousandths"),
    [
        ("0.3", 300),
        ("0,3", 300),
        (".3", 300),
        (",3", 300),
        ("0.30", 300),
        ("1", 1000),
        (" 0.3 ", 300),
        ("0.3 pts", 300),
        ("0,3p.", 300),
        ("−0.3", -300),
        ("- 0.3", -300),
        ("'0.3", 300),
        ("-0.0", 0),
        ("٠٫٣", 300),  # Arabic digits
        ("０．３", 300),  # full-width digits
        ("8.933", 8933),
        ("8.933000000000002", 8933),
        ("3e-1", 300),
    ],
)
def test_numbers_as_people_type_them(text, thousandths):
    assert read_thousandths(text).thousandths == thousandths


@pytest.mark.parametrize(
    "text",
    ["03.Jan", "3-Jan", "Jan-03", "2026-01-03", "03.01.2026", "0.1-0.3", "0.1/0.3",
     "0.1+0.1", "0.1 or 0.3", "~0.3", "<0.3",
     "O.3", "0.l", "0..3", "0,,3", "1.000,5", "30%", "#REF!", "0.3?", "(0.3)", "stuck", "none", "-", "--0.3", "0.3-",
     "1 000",
     "inf", "nan", "1e999", "0x1", "½"],
)  # fmt: skip
def test_what_is_not_plainly_one_number_is_not_read(text):
    number = read_thousandths(text)
    assert number.thousandths is None
    assert number.problem
    assert number.remedy


def test_rounding_to_a_thousandth_is_told_and_dust_is_not():
    assert read_thousandths("8.66667").changed == "rounded to a thousandth"
    assert read_thousandths("0.30000000000000004").changed == ""


@settings(deadline=None, max_examples=200)
@given(st.integers(min_value=-99_999, max_value=99_999), st.sampled_from(".,"))
def test_every_number_of_thousandths_comes_back(thousandths, mark):
    sign, size = ("-", -thousandths) if thousandths < 0 else ("", thousandths)
    assert read_thousandths(f"{sign}{size // 1000}{mark}{size % 1000:03d}").thousandths == thousandths

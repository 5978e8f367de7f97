"""The plan: defaults, every key's type and range, and suggestions for what is misspelt."""

from pathlib import Path

import pytest

from analysis.study.plan import DEFAULT_SEED, read_plan
from analysis.study.problem import InputProblem

COMPARE = 'compare = ["piked double back", "tucked double back"]'


@pytest.fixture
def plan_of(tmp_path):
    """Write a plan beside an event sheet and a codebook, and read it."""
    (tmp_path / "event_sheet.csv").write_text("meet,athlete,technique,landing\n")
    (tmp_path / "codebook.toml").write_text("")

    def make(text):
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return read_plan(path)

    return make


def minimal(study="", question="", design=""):
    return f'[study]\nsheet = "event_sheet.csv"\n{study}\n[question]\n{COMPARE}\n{question}\n[design]\n{design}\n'


def problems_of(make, text):
    with pytest.raises(InputProblem) as caught:
        make(text)
    return {problem.column: problem for problem in caught.value.problems}


def test_a_minimal_plan_gets_the_documented_defaults(plan_of, tmp_path):
    plan = plan_of(f'[study]\nsheet = "event_sheet.csv"\n[question]\n{COMPARE}\n')
    assert plan.sheet == tmp_path / "event_sheet.csv"
    assert (plan.title, plan.group, plan.outcome, plan.sides) == ("plan", "technique", "stuck", "two")
    assert (plan.athlete, plan.repeats, plan.strata, plan.adjust) == (("athlete",), "cluster", (), ())
    assert (plan.level, plan.seed, plan.matters) == (0.95, DEFAULT_SEED, None)
    assert (plan.codebook, plan.worksheet) == (None, None)
    assert plan.compare == ("piked double back", "tucked double back")
    assert len(plan.sha256) == 64
    assert COMPARE in plan.text


def test_the_plan_of_the_design_page_reads(plan_of, tmp_path):
    plan = plan_of(
        minimal(
            'title = "Autumn series"\ncodebook = "codebook.toml"\nworksheet = "Routines"',
            'group = "technique"\noutcome = "landing grade"\nsides = "fewer"\nmatters = 0.10',
            'athlete = "athlete"\nrepeats = "first"\nstrata = ["meet"]\nadjust = ["difficulty", "round"]\n'
            "level = 0.90\nseed = 7",
        )
    )
    assert plan.codebook == tmp_path / "codebook.toml"
    assert (plan.outcome, plan.sides, plan.matters) == ("landing grade", "fewer", 0.10)
    assert (plan.repeats, plan.strata, plan.adjust) == ("first", ("meet",), ("difficulty", "round"))
    assert (plan.level, plan.seed, plan.worksheet) == (0.90, 7, "Routines")


def test_a_shipped_codebook_goes_by_its_name(plan_of):
    assert plan_of(minimal('codebook = "womens-bars-beam-2025"')).codebook == Path("womens-bars-beam-2025")


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (minimal(study="title = 3"), "study.title"),
        (minimal(study='worksheet = ""'), "study.worksheet"),
        (minimal(study='codebook = "codebok.toml"'), "study.codebook"),
        (minimal(study="codebook = 1"), "study.codebook"),
        (minimal(question='outcome = "stick"'), "question.outcome"),
        (minimal(question="outcome = 1"), "question.outcome"),
        (minimal(question='sides = "both"'), "question.sides"),
        (minimal(question="matters = 0"), "question.matters"),
        (minimal(question="matters = 1.5"), "question.matters"),
        (minimal(question="matters = true"), "question.matters"),
        (minimal(question='matters = "0.1"'), "question.matters"),
        (minimal(question="matters = nan"), "question.matters"),
        (minimal(question="group = []"), "question.group"),
        (minimal(design='repeats = "clusters"'), "design.repeats"),
        (minimal(design="athlete = 3"), "design.athlete"),
        (minimal(design='athlete = "technique"'), "design.athlete"),
        (minimal(design='strata = "meet"'), "design.strata"),
        (minimal(design="strata = [1]"), "design.strata"),
        (minimal(design='strata = ["meet", "Meet"]'), "design.strata"),
        (minimal(design='strata = ["technique"]'), "design.strata"),
        (minimal(design='strata = ["athlete"]'), "design.strata"),
        (minimal(design='adjust = ["technique"]'), "design.adjust"),
        (minimal(design="level = 95"), "design.level"),
        (minimal(design="level = 1.0"), "design.level"),
        (minimal(design="level = 0"), "design.level"),
        (minimal(design="level = false"), "design.level"),
        (minimal(design="level = nan"), "design.level"),
        (minimal(design='level = "0.95"'), "design.level"),
        (minimal(design="seed = -1"), "design.seed"),
        (minimal(design="seed = 1.5"), "design.seed"),
        (minimal(design="seed = true"), "design.seed"),
        ('[study]\nsheet = "event_sheet.csv"\n[question]\ncompare = ["a"]', "question.compare"),
        ('[study]\nsheet = "event_sheet.csv"\n[question]\ncompare = ["a", "A "]', "question.compare"),
        ('[study]\nsheet = "event_sheet.csv"\n[question]\ncompare = []', "question.compare"),
        ('[study]\nsheet = "event_sheet.csv"\n[question]\ncompare = "a"', "question.compare"),
        ('[study]\nsheet = "event_sheet.csv"\n[question]', "question.compare"),
        (f"[study]\n[question]\n{COMPARE}", "study.sheet"),
        (f'[study]\nsheet = "event_shet.csv"\n[question]\n{COMPARE}', "study.sheet"),
        (f'[study]\nsheet = "."\n[question]\n{COMPARE}', "study.sheet"),
        (f'[study]\nsheet = "a\\u0000b"\n[question]\n{COMPARE}', "study.sheet"),
        (f"study = 3\n[question]\n{COMPARE}", "study"),
    ],
)
def test_each_key_is_checked_and_named(plan_of, text, where):
    found = problems_of(plan_of, text)
    assert where in found
    assert all(problem.remedy and problem.file.endswith("plan.toml") for problem in found.values())


def test_unknown_keys_are_sent_to_the_nearest_known_one_or_to_their_table(plan_of):
    found = problems_of(
        plan_of, minimal(question='outcom = "stuck"\nseed = 3', design="levle = 0.9") + "[desing]\n"
    )
    assert 'did you mean "outcome"?' in found["question.outcom"].remedy
    assert "[design]" in found["question.seed"].remedy
    assert 'did you mean "level"?' in found["design.levle"].remedy
    assert 'did you mean "design"?' in found["desing"].remedy


def test_a_missing_sheet_is_told_with_a_name_that_is_there(plan_of):
    found = problems_of(plan_of, f'[study]\nsheet = "event_shet.csv"\n[question]\n{COMPARE}')
    assert "event_sheet.csv" in found["study.sheet"].remedy


def test_all_that_is_wrong_is_told_at_once(plan_of):
    found = problems_of(
        plan_of, minimal(study="title = 1", question='sides = "x"', design="level = 2\nseed = -1")
    )
    assert set(found) == {"study.title", "question.sides", "design.level", "design.seed"}


@pytest.mark.parametrize(
    "data", [b"", b"[study", b"\xff\xfe\x00", b"sheet = C:\\meets", b"[study]\nsheet='a'\nsheet='b'"]
)
def test_a_file_that_is_no_plan_is_an_input_problem(tmp_path, data):
    path = tmp_path / "plan.toml"
    path.write_bytes(data)
    with pytest.raises(InputProblem):
        read_plan(path)


def test_missing_plan_and_folder_are_input_problems(tmp_path):
    for path in (tmp_path / "plan.toml", tmp_path, str(tmp_path / "a" / "b.toml")):
        with pytest.raises(InputProblem):
            read_plan(path)


def test_further_keys_of_a_plan_read(plan_of):
    plan = plan_of(
        minimal(
            question="difficulty_gain = -0.1",
            design='athlete = ["meet", "bib"]\nprior = [8, 2.5]',
        )
    )
    assert plan.difficulty_gain == -0.1
    assert plan.athlete == ("meet", "bib")
    assert plan.prior == (8.0, 2.5)


@pytest.mark.parametrize("value", ["[1]", "[1, 2, 3]", "[0, 1]", '["a", 1]', "1", "[true, 1]", "[1, 1e9]"])
def test_a_prior_that_makes_no_sense_is_refused(plan_of, value):
    with pytest.raises(InputProblem) as told:
        plan_of(minimal(design=f"prior = {value}"))
    assert [problem.column for problem in told.value.problems] == ["design.prior"]

"""The codebook: what ships, what a partial one inherits, and what is refused."""

import pytest

from analysis.study.codebook import VARIABLES, built_in_codebooks, read_codebook
from analysis.study.problem import InputProblem


def problems_of(path):
    with pytest.raises(InputProblem) as caught:
        read_codebook(path)
    return caught.value.problems


def test_the_default_is_mens_parallel_bars_of_the_current_edition():
    book = read_codebook()
    assert (book.discipline, book.edition) == ("men's artistic gymnastics", "2025-2028")
    assert [grade.name for grade in book.grades] == [
        "stuck",
        "small step or hop",
        "large step or jump",
        "several steps",
        "hand touch",
        "hand support",
        "hand support or fall",
        "fall",
    ]
    assert [grade.name for grade in book.grades if grade.fall] == [
        "hand support",
        "hand support or fall",
        "fall",
    ]
    assert [grade.name for grade in book.grades if grade.stuck] == ["stuck"]
    assert "rule book" in book.note
    assert book.path is None


def test_every_shipped_codebook_reads_and_says_where_its_values_stand():
    for name in built_in_codebooks():
        book = read_codebook(name)
        rules = book.points
        named = (rules.small_step, rules.large_step, rules.cap_without_fall, rules.fall, rules.stuck_bonus)
        assert all(rule.status in ("confirmed", "from memory") for rule in (*named, *rules.other_faults))
        assert all(rule.source for rule in named if rule.status == "confirmed")
        assert rules.small_step.points == (100,)
        assert rules.fall.status == "confirmed"
        assert all(grade.example and grade.counter_example for grade in book.grades)
        assert all(item.example and item.counter_example for item in book.techniques)
        # A touch costs points of its own beside the steps.
        steps = [grade for grade in book.grades if not grade.fall and grade.name != "hand touch"]
        feet = {points for grade in steps for points in grade.deductions}
        assert feet <= rules.step_sums
        assert {points for grade in book.grades if grade.fall for points in grade.deductions} == {
            rules.fall_points
        }
        assert len(book.sha256) == 64
        assert {variable.name for variable in book.variables} == set(VARIABLES)
        assert all(variable.definition for variable in book.variables)


INTERNATIONAL = (
    "mens-parallel-bars-2022",
    "mens-parallel-bars-2025",
    "womens-bars-beam-2022",
    "womens-bars-beam-2025",
)
NATIONAL = "us-womens-bars-levels-9-10-2013"


def test_two_editions_for_men_and_women_and_one_national_programme_ship():
    assert set(built_in_codebooks()) == {*INTERNATIONAL, NATIONAL}
    for name in INTERNATIONAL:
        rules = read_codebook(name).points
        assert (rules.large_step.points, rules.fall_points) == ((300,), 1000)
    assert {(read_codebook(name).discipline, read_codebook(name).edition) for name in INTERNATIONAL} == {
        (f"{who}'s artistic gymnastics", edition)
        for who in ("men", "women")
        for edition in ("2022-2024", "2025-2028")
    }


def test_a_national_programme_has_its_own_fall_and_a_cap_of_steps_alone():
    book = read_codebook(NATIONAL)
    rules = book.points
    assert (rules.fall_points, rules.cap_of_steps.points) == (500, (400,))
    assert rules.cap_of_steps.status == rules.fall.status == "confirmed"
    assert rules.large_step.status == rules.cap_without_fall.status == "from memory"
    assert rules.step_sums == {0, 100, 200, 300, 400}
    # Four steps and a squat of 0.3 pass the cap of steps, since the squat is none.
    assert {700, 500, 1000} <= rules.allowed_sums
    assert max(book.grade("several steps").deductions) == 400
    assert book.techniques == read_codebook("womens-bars-beam-2025").techniques


def test_an_older_edition_inherits_what_it_does_not_state():
    before, now = read_codebook("womens-bars-beam-2022"), read_codebook("womens-bars-beam-2025")
    assert before.grades == now.grades
    assert before.techniques == now.techniques
    assert (before.points.cap, before.points.cap_without_fall.status) == (800, "from memory")
    assert now.points.cap_without_fall.status == "confirmed"


def test_without_a_cap_of_their_own_steps_go_to_the_cap_of_the_landing():
    rules = read_codebook("womens-bars-beam-2025").points
    assert rules.cap_of_steps.points == ()
    assert rules.step_sums == set(range(0, 900, 100))
    assert 400 in rules.other_sums
    assert max(rules.other_sums) <= rules.cap


def test_caps_and_bonus_differ_by_discipline_and_edition():
    men, women = read_codebook("mens-parallel-bars-2025"), read_codebook("womens-bars-beam-2025")
    before = read_codebook("mens-parallel-bars-2022")
    assert (men.points.cap, women.points.cap) == (1000, 800)
    assert (
        men.points.stuck_bonus.points,
        women.points.stuck_bonus.points,
        before.points.stuck_bonus.points,
    ) == (
        (100,),
        (),
        (),
    )
    assert max(women.grade("several steps").deductions) == 800
    assert women.points.cap_without_fall.status == "confirmed"
    assert men.points.cap_without_fall.status == "from memory"
    assert "stretched double back" in women.technique_names.names


def test_allowed_sums_stop_at_the_cap_and_go_on_after_a_fall():
    sums = read_codebook("womens-bars-beam-2025").points.allowed_sums
    assert {0, 100, 400, 800, 1000, 1300, 1800} <= sums
    assert not {900, 50, 1900} & sums


def test_a_touch_a_support_and_a_fall_stay_three_things():
    names = read_codebook().landing_names
    assert names.find("Touch") == "hand touch"
    assert names.find("hand  supported") == "hand support"
    assert names.find("FELL") == "fall"
    assert names.find("Hand support / fall") == "hand support or fall"
    assert names.find("hand") is None
    assert names.find("step") is None


def test_a_codebook_of_one_mapping_inherits_the_rest(codebook_of):
    book = read_codebook(
        codebook_of('[columns]\nlanding = "penalty"\n[landing.values]\nstuck = ["", "0", "-0.0"]\n')
    )
    assert book.columns == {"landing": "penalty"}
    assert book.values["landing"] == {"stuck": ("", "0", "-0.0")}
    assert book.grades == read_codebook().grades
    assert book.edition == "2025-2028"


def test_a_list_replaces_a_list_and_a_key_a_key(codebook_of):
    book = read_codebook(
        codebook_of(
            '[codebook]\nedition = "school rules"\n[technique]\nothers = false\n'
            '[[technique.list]]\nname = "flyaway"\n[points]\n'
            'cap_without_fall = { points = 0.5, status = "from memory" }\n'
        )
    )
    assert book.technique_names.names == ["flyaway"]
    assert book.other_techniques is False
    assert book.points.cap == 500
    assert book.points.fall_points == 1000
    assert max(book.grade("several steps").deductions) == 500


def test_underscores_name_variables_with_a_space(codebook_of):
    book = read_codebook(codebook_of('[columns]\nstart_order = "no."\n[other_faults]\nhigh = 1.5\n'))
    assert book.columns == {"start order": "no."}
    assert book.ranges["other faults"] == (0, 1500)


def test_unknown_keys_are_refused_with_the_nearest_known_one(codebook_of):
    found = problems_of(
        codebook_of(
            '[landng]\nx = 1\n[landing]\nnotseen = ["x"]\n[columns]\nlanding_ = "a"\ntecnique = "b"\n'
        )
    )
    said = {problem.column: problem.remedy for problem in found}
    assert 'did you mean "landing"?' in said["landng"]
    assert 'did you mean "not_seen"?' in said["landing.notseen"]
    assert 'did you mean "technique"?' in said["columns.tecnique"]


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ('[landing.values]\nstock = ["0"]', "landing.values"),
        ('[landing.values]\nstuck = ["0"]\nfall = ["0"]', "landing.values"),
        ('[deduction.values]\nlots = ["x"]', "deduction.values"),
        ("[deduction]\nhigh = 0.0", "deduction.low"),
        ('[points]\nfall = { points = "one", status = "from memory" }', "points.fall.points"),
        ('[points]\nfall = { points = [1.0], status = "certain" }', "points.fall.status"),
        ("[points]\nfall = 1.0", "points.fall"),
        ("[round]\nroutines = 0", "round.routines"),
        ('[technique]\nothers = "yes"', "technique.others"),
        ('[[landing.grades]]\nname = "good"', "landing.grades"),
        ('[[technique.list]]\nname = "a"\n[[technique.list]]\nname = "A"', "technique.list"),
        ('[codebook]\nbasis = "mens-paralel-bars-2025"', "codebook.basis"),
        ("columns = 3", "columns"),
        ("[codebook]\nname = 3", "codebook.name"),
    ],
)
def test_values_of_the_wrong_kind_are_named_with_their_key(codebook_of, text, where):
    found = problems_of(codebook_of(text))
    assert where in [problem.column for problem in found]
    assert all(problem.remedy for problem in found)


def test_all_that_is_wrong_is_told_at_once(codebook_of):
    assert len(problems_of(codebook_of("[round]\nroutines = 0\n[technique]\nothers = 3\n[x]\n"))) == 3


@pytest.mark.parametrize(
    "data", [b"", b"   \n", b"[landing", b"\xff\x00\xfe", b"\x89PNG\r\n", b"a = 1\na = 2", b"x = [" * 5000]
)
def test_a_file_that_is_no_codebook_is_an_input_problem(tmp_path, data):
    path = tmp_path / "codebook.toml"
    path.write_bytes(data)
    assert problems_of(path)


def test_missing_file_folder_and_marks_of_editors(tmp_path):
    assert "was not found" in problems_of(tmp_path / "none.toml")[0].problem
    assert "folder" in problems_of(tmp_path)[0].problem
    for encoding in ("utf-8-sig", "utf-16"):
        path = tmp_path / f"{encoding}.toml"
        path.write_bytes('[codebook]\r\nname = "Übung"\r\n'.encode(encoding))
        assert read_codebook(path).name == "Übung"

"""The main run on published vault results of 2022 and 2023 (UCSAS gymnastics data challenge, athletes as codes).

The file is never copied into the project; where it is absent these tests are skipped by name.
"""

import csv
import json
import shutil
from collections import Counter
from decimal import Decimal
from pathlib import Path

import jsonschema
import pytest

import analysis
from analysis.comparison.result import Comparison, results_schema

HERE = Path(__file__).parent
SHEET = HERE.parents[2] / "shared" / "real" / "vault_landings.csv"

pytestmark = pytest.mark.skipif(
    not SHEET.exists(), reason="the published vault results are not on this machine"
)


def raw_rows() -> list[dict[str, str]]:
    with open(SHEET, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def without_doubles(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    """The file holds some vaults twice, alike to the last cell: the second one is set aside."""
    return [
        dict(zip(rows[0], cells, strict=True)) for cells in dict.fromkeys(tuple(row.values()) for row in rows)
    ]


@pytest.fixture(scope="module")
def corridor(tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    folder = tmp_path_factory.mktemp("corridor")
    for name in ("plan_corridor.toml", "corridor_codebook.toml"):
        shutil.copy(HERE / name, folder)
    shutil.copy(SHEET, folder)
    return analysis.compare(folder / "plan_corridor.toml")


def test_every_row_is_used_or_set_aside_with_its_reason(corridor: Comparison) -> None:
    raw = raw_rows()
    assert corridor.rows.read == len(raw) == 5954
    assert corridor.rows.used + corridor.rows.set_aside == 5954
    aside = corridor.table[corridor.table["status"] == "set aside"]
    assert (aside["reason"] != "").all()


def test_the_counts_are_those_of_the_file(corridor: Comparison) -> None:
    """Counted again from the raw file, without the reader."""
    inside, total = Counter(), Counter()
    for row in without_doubles(raw_rows()):
        value = row["penalty"]
        if row["vault"] in ("VT1", "VT2") and (
            value == "" or Decimal(value) in (0, Decimal("0.1"), Decimal("0.3"))
        ):
            total[row["vault"]] += 1
            inside[row["vault"]] += value == "" or Decimal(value) == 0
    assert [(g.name, g.x, g.n) for g in corridor.groups] == [
        (name, inside[name], total[name]) for name in ("VT1", "VT2")
    ]


def test_athletes_are_the_units_and_meets_the_strata(corridor: Comparison) -> None:
    head = corridor.headline
    assert head.interval is not None
    assert head.test is not None
    assert corridor.repeats.returning > 500
    assert corridor.repeats.both > 100
    assert head.interval.low < head.interval.estimate < head.interval.high
    assert head.interval.high - head.interval.low < 0.2
    assert 0 < head.test.p_value <= 1
    assert corridor.strata is not None
    assert len(corridor.strata.tables) > 20
    assert corridor.strata.standardised is not None


def test_like_is_compared_with_like_and_every_model_stands_beside(corridor: Comparison) -> None:
    adjusted = corridor.adjusted
    assert adjusted is not None
    assert adjusted.chosen == "standardised"
    assert adjusted.reason
    found = {model.key: model for model in adjusted.models}
    for key in (
        "plain",
        "standardised",
        "penalised",
        "maximum_likelihood",
        "random_intercept",
        "gee",
        "within",
    ):
        low, high = found[key].low, found[key].high
        assert low is not None
        assert high is not None
        assert low < high
    # No clustered answer may be surer than the plain logistic one, which takes 4,600 routines as independent.
    widths = {key: found[key].high / found[key].low for key in ("penalised", "gee", "random_intercept")}
    assert widths["penalised"] < min(widths["gee"], widths["random_intercept"])
    assert corridor.selection is not None
    assert corridor.selection.balance is not None


def test_the_answer_is_strict_json_of_the_published_schema(corridor: Comparison) -> None:
    found = json.loads(corridor.to_json(), parse_constant=lambda name: pytest.fail(name))
    jsonschema.validate(found, results_schema())


def test_the_report_of_the_whole_file_is_written(corridor: Comparison, tmp_path: Path) -> None:
    folder = analysis.write_report(corridor, tmp_path / "report")
    page = folder / "report.html"
    assert page.stat().st_size < 6_000_000
    rows = 0
    for name in ("rows_used.csv", "rows_set_aside.csv"):
        with open(folder / name, newline="", encoding="utf-8-sig") as file:
            rows += len(list(csv.DictReader(file)))
    assert rows == 5954


def test_execution_deductions_of_first_vaults(tmp_path: Path) -> None:
    """Execution-linked deductions: 10 minus the execution score, on thirds of a tenth and many of them tied."""
    raw = [row for row in raw_rows() if row["vault"] == "VT1"]
    with open(tmp_path / "execution.csv", "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow([*raw[0], "lost in execution"])
        writer.writerows([*row.values(), 10 - Decimal(row["execution"])] for row in raw)
    for name in ("plan_execution.toml", "execution_codebook.toml"):
        shutil.copy(HERE / name, tmp_path)
    found = analysis.compare(tmp_path / "plan_execution.toml")
    assert found.rows.read == len(raw)
    means = {}
    for section in ("men", "women"):
        lost = [10 - Decimal(row["execution"]) for row in without_doubles(raw) if row["section"] == section]
        means[section] = float(sum(lost) / len(lost))
    interval = found.headline.interval
    assert interval is not None
    assert interval.estimate == pytest.approx(means["men"] - means["women"])
    assert interval.low < interval.estimate < interval.high
    assert found.headline.test is not None

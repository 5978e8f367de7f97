"""results.json keeps to the schema that the package ships."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from publish_comparisons import build

from analysis.comparison.result import SCHEMA, Comparison, results_schema


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = results_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def faults(validator: jsonschema.Draft202012Validator, body: dict[str, Any]) -> list[str]:
    """Where a body breaks the schema, in one short line each."""
    return [
        f"{deepest.json_path}: {deepest.message[:120]}"
        for error in validator.iter_errors(body)
        for deepest in [jsonschema.exceptions.best_match([error])]
    ]


def test_the_report_keeps_to_it(report: Path, validator: jsonschema.Draft202012Validator) -> None:
    assert faults(validator, json.loads(report.joinpath("results.json").read_text(encoding="utf-8"))) == []


def test_every_kind_of_comparison_keeps_to_it(
    variants: dict[str, Comparison], validator: jsonschema.Draft202012Validator
) -> None:
    for comparison in [*variants.values(), build(full=False)]:
        assert faults(validator, comparison.to_dict()) == []


def test_the_schema_carries_the_version() -> None:
    assert results_schema()["properties"]["schema"]["const"] == SCHEMA


def broken(body: dict[str, Any], *path: Any, value: Any = None, drop: bool = False) -> dict[str, Any]:
    body = copy.deepcopy(body)
    here: Any = body
    for key in path[:-1]:
        here = here[key]
    if drop:
        del here[path[-1]]
    else:
        here[path[-1]] = value
    return body


def test_what_breaks_the_promise_is_refused(
    comparison: Comparison, validator: jsonschema.Draft202012Validator
) -> None:
    body = comparison.to_dict()
    wrong = [
        broken(body, "headline", "claim", value="significant"),
        broken(body, "rows", "used", drop=True),
        broken(body, "groups", 0, "x", value=-1),
        broken(body, "headline", "p_value", value=1.2),
        broken(body, "headline", "p_value", value=None),
        broken(
            body, "headline", "difference", value={"estimate": None, "low": None, "high": None, "level": 0.95}
        ),
        broken(body, "question", "techniques", value=["one"]),
        broken(body, "source", "plan_sha256", value="abc"),
        broken(body, "surprise", value=1),
        broken(body, "schema", value="another/1"),
    ]
    assert [validator.is_valid(one) for one in wrong] == [False] * len(wrong)

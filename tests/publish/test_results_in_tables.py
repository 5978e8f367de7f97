"""Every number of every table is the rounded number of results.json; only who did what is counted from the rows."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import pytest

import analysis
from analysis.comparison.result import Comparison
from analysis.publish import numbers
from analysis.publish.detail_tables import make_tables
from analysis.publish.style import ENGLISH, NumberStyle, using
from analysis.publish.tables import Table

MISSING = ("not estimated", "–", "")
WORDS = {"infinity": "infinity", "-infinity": "minus infinity"}
ONE_SIDED = ("infinity", "minus infinity")
"""What a table prints where results.json has null, because a one-sided interval has no limit there."""


class Reader:
    """Reads a table line by line against results.json, and keeps which cells were read."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.read: set[tuple[int, int]] = set()
        self._row = -1

    def next(self) -> None:
        self._row += 1

    def cell(self, header: str) -> str:
        place = self.table.header.index(header)
        self.read.add((self._row, place))
        return self.table.rows[self._row][place]

    def is_number(self, header: str, value: Any, scale: float = 1) -> None:
        self._rounds(self.cell(header), value, scale)

    def are_limits(self, header: str, low: Any, high: Any, scale: float = 1) -> None:
        cell = self.cell(header)
        if " to " not in cell:
            assert cell in MISSING
            assert (low, high) == (None, None)
            return
        for shown, value in zip(cell.split(" to "), (low, high), strict=True):
            if not (value is None and shown in ONE_SIDED):
                self._rounds(shown, value, scale)

    def is_p(self, value: Any, header: str = "p") -> None:
        cell = self.cell(header)
        style = self.table.style
        if cell[:2] == "< ":
            bound, _ = numbers.plain_number(cell[2:], style)
            assert value < bound == 0.001
        elif cell[:2] == "> ":
            bound, _ = numbers.plain_number(cell[2:], style)
            assert bound < value < 1
        else:
            self._rounds(cell, value, 1)

    def is_count(self, header: str, x: int, n: int) -> None:
        shown_x, shown_n = self.cell(header).split(" of ")
        self._rounds(shown_x, x, 1)
        self._rounds(shown_n, n, 1)

    def is_mean_and_sd(self, header: str, mean: Any, sd: Any) -> None:
        shown_mean, _, shown_sd = self.cell(header).partition(" (sd ")
        self._rounds(shown_mean, mean, 1)
        self._rounds(shown_sd.removesuffix(")"), sd, 1)

    def is_interval(self, found: Any, scale: float, limits: str, estimate: str = "") -> None:
        name = estimate or next(name for name in self.table.header if name.startswith("Estimate"))
        found = found or {"estimate": None, "low": None, "high": None}
        self.is_number(name, found.get("estimate"), scale)
        self.are_limits(limits, found.get("low"), found.get("high"), scale)

    def unread(self) -> set[tuple[str, int, int]]:
        style = self.table.style
        return {
            (self.table.key, i, j)
            for i, row in enumerate(self.table.rows)
            for j, cell in enumerate(row)
            if self.table.numeric[j] and any(c.isdigit() for c in cell) and (i, j) not in self.read
            if numbers.machine(cell, style) is not None or " to " in cell or " of " in cell
        }

    def _rounds(self, cell: str, value: Any, scale: float) -> None:
        if value is None or isinstance(value, str):
            assert cell in (MISSING if value is None else (WORDS[value],))
            return
        number, digits = numbers.plain_number(cell, self.table.style)
        assert abs(number - scale * value) <= 0.5 * 10**-digits + 1e-9, (self.table.key, cell, value)


def scale_of(quantity: str, unit: str) -> float:
    if "ratio" in quantity or "probability" in quantity or "chance" in quantity or "superiority" in quantity:
        return 1
    return 100 if unit == "proportion" else 1


def read_tables(tables: Sequence[Table], body: dict[str, Any]) -> Iterator[Reader]:
    """Read every table that results.json is behind."""
    level = tables[0].style.written(numbers.words.level(body["question"]["level"]))
    limits = f"{level} limits"
    unit = body["headline"]["unit"]
    for table in tables:
        reader = Reader(table)
        if table.key in ("who_did_what", "checklist"):  # counted from the rows; words only
            continue
        READERS[table.key](reader, body, limits, unit)
        yield reader


def read_rows(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    rows = body["rows"]
    reasons = [item["rows"] for item in rows["reasons"]]
    for value in (rows["read"], rows["used"], rows["set_aside"], *reasons, rows["repairs"], rows["problems"]):
        reader.next()
        reader.is_number("Number", value)


def read_repeats(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for key in ("athletes", "routines", "returning", "both", "most"):
        reader.next()
        reader.is_number("Number", body["repeats"][key])


def read_landings(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for name in body["question"]["techniques"]:
        reader.next()
        counts = {item["grade"]: item["routines"] for item in body["grades"] if item["technique"] == name}
        for grade, count in counts.items():
            reader.is_number(grade, count)
        reader.is_number("All", sum(counts.values()))


def read_rates(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for group in body["groups"]:
        reader.next()
        reader.is_count(reader.table.header[1], group["x"], group["n"])
        reader.is_number("Rate, %", group["x"] / group["n"] if group["n"] else None, 100)
        if group["n"]:
            reader.are_limits(f"{limits}, %", group["low"], group["high"], 100)
        reader.is_number("Athletes", group["athletes"])
        if "Mean deduction, points" in reader.table.header:
            reader.is_number("Mean deduction, points", group["mean"])
            reader.are_limits(f"{limits}, points", group["mean_low"], group["mean_high"])


def read_contrast(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    head, beside = body["headline"], body["beside"]
    reader.next()
    reader.is_interval(head["difference"], 100 if unit == "proportion" else 1, limits)
    reader.is_p(head["p_value"])
    if (head["test_details"] or {}).get("mid_p") is not None:
        reader.next()
        reader.is_p(head["test_details"]["mid_p"])
    for item in beside["intervals"]:
        reader.next()
        reader.is_interval(item, scale_of(item["quantity"], unit), limits)
    for item in beside["tests"]:
        reader.next()
        reader.is_p(item["p_value"])


def read_deductions(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for contrast in body["deductions"]:
        for group in contrast["groups"]:
            reader.next()
            for header, key in (
                ("n", "n"),
                ("Athletes", "athletes"),
                ("Without deduction", "none"),
                ("Mean", "mean"),
                ("Median", "median"),
                ("Largest", "largest"),
            ):
                reader.is_number(header, group[key])


def read_points_contrast(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for contrast in body["deductions"]:
        effect, clustered = contrast["effect"], contrast["clustered"]
        if effect is None:
            reader.next()
            assert reader.cell("Estimate") == "not estimated"
        if clustered is not None:
            reader.next()
            reader.is_interval(clustered, 1, limits)
            reader.is_p((contrast["clustered_test"] or {}).get("p_value"))
        for found in (effect, contrast["rank"]):
            if found is not None:
                reader.next()
                reader.is_interval(found, 1, limits)
                reader.is_p(found["p_value"])


def read_deduction_values(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    groups = body["deductions"][0]["groups"]
    for value in sorted({value for group in groups for value, _ in group["counts"]}):
        reader.next()
        reader.is_number("Points lost", value)
        counts = [dict(map(tuple, group["counts"])).get(value, 0) for group in groups]
        for group, count in zip(groups, counts, strict=True):
            reader.is_number(group["name"], count)
        reader.is_number("All", sum(counts))


def read_strata(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    first, second = body["headline"]["first"], body["headline"]["second"]
    for one in body["strata"]["tables"]:
        reader.next()
        reader.is_count(first, one["x1"], one["n1"])
        reader.is_count(second, one["x2"], one["n2"])
        both = one["n1"] > 0 and one["n2"] > 0
        gap = one["x1"] / one["n1"] - one["x2"] / one["n2"] if both else None
        reader.is_number("Difference, percentage points", gap, 100)


def read_strata_together(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    strata = body["strata"]
    for key, scale in (("difference", 100), ("odds_ratio", 1), ("standardised", 100)):
        if strata[key] is not None:
            reader.next()
            reader.is_interval(strata[key], scale, limits)
            if key == "odds_ratio":
                reader.is_p(strata[key]["p_value"])
    if strata["homogeneity"] is not None:
        reader.next()
        reader.is_p(strata["homogeneity"]["p_value"])


def read_pairs(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for pair in body["pairs"]["pairs"]:
        reader.next()
        found = pair["difference"]
        reader.is_number("n", found["n"] if found else None)
        limits_header, difference = reader.table.header[3], reader.table.header[2]
        reader.is_interval(found, 100 if unit == "proportion" else 1, limits_header, difference)
        reader.is_p(pair["p_value"])
        reader.is_p(pair["family_p"], "Family-wise p")


def read_adjusted(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for model in body["adjusted"]["models"]:
        reader.next()
        reader.is_interval(model, scale_of(model["quantity"], unit), limits)
        reader.is_p(model["p_value"])
        reader.is_number("n", model["n"])


def _read_fit(reader: Reader, fit: dict[str, Any], limits: str) -> None:
    for place in range(len(fit["names"])):
        reader.next()
        reader.is_number("Log odds ratio", fit["coefficients"][place])
        reader.are_limits(limits, *fit["intervals"][place])
        reader.is_p(fit["p_values"][place])


def read_coefficients(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    _read_fit(reader, body["adjusted"]["fit"], limits)


def read_ordered(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    _read_fit(reader, body["graded"]["fit"], limits)


def read_balance(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    lines = body["selection"]["balance"]["lines"]
    shown = [row[0] for row in reader.table.rows]
    for line in lines:
        name = f"{line['column']}: {line['value']}" if line["value"] else line["column"]
        if not any(text.startswith(numbers.capital(name)) for text in shown):
            continue  # a column with too many values has one line only
        reader.next()
        for place, (x, n) in enumerate(line["counts"] if line["kind"] == "share" else ()):
            reader.is_count(reader.table.header[1 + place], x, n)
        if line["kind"] == "mean":
            for place, key in ((1, "first"), (2, "second")):
                reader.is_mean_and_sd(reader.table.header[place], line[key], line[f"sd_{key}"])
        reader.is_number("Standardised difference", line["difference"])
        reader.is_number("By chance alone", line["by_chance"])


def read_tipping(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for line in body["selection"]["tipping"]:
        reader.next()
        scale = 100 if line["kind"] == "stuck" else 1
        for header, key, possible in (
            (reader.table.header[1], "advantage", "possible"),
            (reader.table.header[2], "advantage_limit", "possible_limit"),
        ):
            if line[key] is not None and not line[possible]:
                assert reader.cell(header) == "none is large enough"
            else:
                reader.is_number(header, line[key], scale)


def read_cuts(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for cut in body["graded"]["cuts"]:
        reader.next()
        reader.is_interval(cut["difference"], 100, limits)


def read_points_parts(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for part in body["points_parts"]:
        if part["parts"] is None:
            continue
        for key, scale in (("how_often", 100), ("how_much", 1), ("whole", 1)):
            reader.next()
            reader.is_interval(part["parts"][key], scale, limits)
        if part["standardised"] is not None:
            reader.next()
            reader.is_interval(part["standardised"], 1, limits)


def read_trade(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for part in body["points_parts"]:
        if part["trade"] is None:
            continue
        for key in ("saved", "net", "break_even"):
            reader.next()
            reader.is_interval(part["trade"][key], 1, limits)
            if key == "net":
                reader.is_number("Confidence that it pays, %", part["trade"]["confidence"], 100)


def read_priors(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    priors = body["priors"]
    for found in [*priors["posteriors"], *([priors["logistic"]] if priors["logistic"] else [])]:
        reader.next()
        credible = limits.replace("limits", "credible limits")
        reader.is_interval(found["difference"], 100, credible, "Difference, percentage points")
        reader.is_number("Chance that the first is higher, %", found["first_higher"], 100)


def read_planning(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    suppositions = body["planning"]["suppositions"]
    for place in range(len(suppositions[0]["steps"])):
        reader.next()
        step = suppositions[0]["steps"][place]
        reader.is_number(reader.table.header[0], step["routines"])
        reader.is_number(reader.table.header[1], step["effective"])
        for i, supposition in enumerate(suppositions):
            step = supposition["steps"][place]
            reader.is_number(reader.table.header[2 + 2 * i], step["half_width"], 100)
            reader.is_number(reader.table.header[3 + 2 * i], step["chance"], 100)


def read_doubt(reader: Reader, body: dict[str, Any], limits: str, unit: str) -> None:
    for item in body["doubt"]["alternatives"]:
        reader.next()
        reader.is_number("n", item["n"])
        reader.is_interval(item, 100 if unit == "proportion" else 1, limits, reader.table.header[2])


READERS = {
    name.removeprefix("read_"): value for name, value in list(globals().items()) if name[:5] == "read_"
}
STYLES = (ENGLISH, NumberStyle("de", percent_decimals=1, points_decimals=3, p_decimals=2), NumberStyle("fr"))


def assert_all_read(comparison: Comparison, style: NumberStyle) -> None:
    body = json.loads(comparison.to_json())
    with using(style):
        tables = make_tables(comparison)
    left = [cell for reader in read_tables(tables, body) for cell in reader.unread()]
    assert left == []


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.language)
@pytest.mark.parametrize(
    "kind", ["five", "deduction", "grade", "one routine each", "six thousand", "nothing used", "twelve"]
)
def test_every_table_number_is_that_of_results_json(
    variants: dict[str, Comparison], kind: str, style: NumberStyle
) -> None:
    assert_all_read(variants[kind], style)


def test_every_table_number_of_the_demo_is_that_of_results_json() -> None:
    assert_all_read(analysis.compare("data_demo/plan.toml"), ENGLISH)

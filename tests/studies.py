"""A study folder made from a few lines, in the scenario of the demo: parallel-bars dismounts in autumn."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

PIKED, TUCKED, LAYOUT = "piked double back", "tucked double back", "double layout"
HEADER = ("meet", "round", "athlete", "technique", "landing", "deduction")


def toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def write_study(
    folder: Path, rows: Sequence[Sequence[Any]], header: Sequence[str] = HEADER, **keys: Any
) -> Path:
    """Write a sheet and a plan; `keys` go to the section of the plan that has them. Return the plan's path."""
    with open(folder / "sheet.csv", "w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([header, *rows])
    sections: dict[str, dict[str, Any]] = {
        "study": {"title": "Autumn series", "sheet": "sheet.csv", "codebook": "codebook.toml"},
        "question": {"group": "technique", "compare": [PIKED, TUCKED], "outcome": "stuck", "sides": "two"},
        "design": {"athlete": "athlete", "repeats": "cluster", "level": 0.95, "seed": 7},
    }
    home = {
        "matters": "question",
        "difficulty_gain": "question",
        "worksheet": "study",
        "strata": "design",
        "adjust": "design",
        "prior": "design",
    }
    for name, value in keys.items():
        section = home.get(name) or next(s for s, body in sections.items() if name in body)
        sections[section][name] = value
    (folder / "codebook.toml").write_text(
        "\n".join(
            [
                "[codebook]",
                'name = "Autumn series"',
                *(f"[[technique.list]]\nname = {toml_value(name)}" for name in (PIKED, TUCKED, LAYOUT)),
            ]
        ),
        encoding="utf-8",
    )
    body = []
    for section, values in sections.items():
        body.append(f"[{section}]")
        body += [f"{name} = {toml_value(value)}" for name, value in values.items()]
    plan = folder / "plan.toml"
    plan.write_text("\n".join(body) + "\n", encoding="utf-8")
    return plan


def routines(
    technique: str, landings: Sequence[str], prefix: str, meet: str = "Lindenau", **more: str
) -> list:
    """One routine per athlete: the landings of `technique`, with the deduction that fits each landing."""
    fits = {
        "stuck": "0",
        "small step or hop": "0.1",
        "large step or jump": "0.3",
        "several steps": "0.6",
        "fall": "1.0",
    }
    return [
        (meet, more.get("round", "final"), f"{prefix}{i}", technique, landing, fits.get(landing, ""))
        for i, landing in enumerate(landings)
    ]

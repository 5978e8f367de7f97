"""Make the demo files: python data_demo/make_demo.py [--out FOLDER]

Writes event_sheet.csv, event_sheet_messy.xlsx and truth.toml. The plans and the codebook are written by hand.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

from mess import write_messy
from series import TRUTH, Routine, draw, expected_rates

SEED = 16
"""The first seed, counted from 1, that meets the conditions of `series.shape_faults`: enough routines of
every technique, every landing category, exactly one technique all stuck in one meet, athletes who show both
double backs. None of them looks at the answer to a plan; a test counts up from 1 again."""

COLUMNS = (
    "routine",
    "meet",
    "date",
    "round",
    "start order",
    "athlete",
    "apparatus",
    "technique",
    "difficulty",
    "execution",
    "landing",
    "deduction",
    "other faults",
    "coder",
    "clip",
    "note",
)


def write_clean(path: Path, routines: list[Routine]) -> None:
    """Write the event sheet without a fault in it: one row per routine."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for item in routines:
            writer.writerow(
                [
                    item.routine,
                    item.meet.name,
                    item.meet.date,
                    item.round,
                    item.start_order,
                    item.athlete,
                    "parallel bars",
                    item.technique,
                    f"{item.difficulty:.1f}",
                    f"{item.execution:.2f}",
                    item.landing,
                    item.deduction,
                    item.other_faults,
                    "C1",
                    f"clip_{item.routine[1:]}.mp4",
                    item.note,
                ]
            )


def write_truth(path: Path) -> None:
    """Write what the series was drawn from, for anyone who wants to see how close an analysis came."""
    lines = [
        "# What the invented series was drawn from (by make_demo.py). No gymnast is behind these numbers.",
        "# All effects are on the logit of sticking the landing.",
        f"seed = {SEED}",
        "# spread of the athletes",
        f"athlete_sd = {TRUTH.athlete_sd}",
        "# better athletes choose the demanding techniques: times demand, per unit of quality",
        f"selection = {TRUTH.selection}",
        "# chance that an athlete chooses afresh instead of showing the usual dismount",
        f"switch = {TRUTH.switch}",
        "# a final against qualification",
        f"final = {TRUTH.final}",
        "",
        "[meets]",
        *(f'"{meet.name}" = {meet.effect}' for meet in TRUTH.meets),
    ]
    rates = expected_rates()
    for technique in TRUTH.techniques:
        own, everyone = rates[technique.name]
        lines += [
            "",
            "[[technique]]",
            f'name = "{technique.name}"',
            f"stick = {technique.stick}  # logit of a stick for an average athlete",
            f"demand = {technique.demand}  # how strongly better athletes prefer it",
            f"stuck_rate_of_those_who_choose_it = {own:.3f}",
            f"stuck_rate_if_everyone_did_it = {everyone:.3f}",
        ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def main() -> None:
    """Write the three files into the folder asked for, or beside this script."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    folder = parser.parse_args().out
    routines = draw(SEED)
    write_clean(folder / "event_sheet.csv", routines)
    write_messy(folder / "event_sheet_messy.xlsx", routines, SEED)
    write_truth(folder / "truth.toml")


if __name__ == "__main__":
    main()

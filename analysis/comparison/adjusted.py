"""The contrast for the same mix of difficulty, round or whatever else the plan names."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.comparison.result import Adjusted, Question
from analysis.comparison.sample import Sample
from analysis.stats.logistic import firth, standardised_difference

FEWEST_ROUTINES = 20
"""Below this many routines nothing is adjusted: each column costs information that such a sample doesn't have."""


def make_adjusted(sample: Sample, question: Question) -> Adjusted | None:
    """Adjust the stuck-rate difference for the plan's columns; None when the plan names none.

    A number column enters as it is, any other as one 0/1 column per value but the commonest. The model is the
    penalised logistic, which stays finite where a group is all stuck.
    """
    if not question.adjust:
        return None
    names = question.adjust
    if question.outcome != "stuck":
        return Adjusted(names, None, None, 0, f'only outcome "stuck" is adjusted, not "{question.outcome}"')
    frame = sample.used()
    frame = frame[frame["arm"].isin([0, 1])]
    frame = frame[frame[list(sample.adjust)].notna().all(axis=1)]
    if len(frame) < FEWEST_ROUTINES:
        return Adjusted(
            names,
            None,
            None,
            len(frame),
            f"{len(frame)} routines have a value in every column to adjust for; fewer than {FEWEST_ROUTINES} is too few",
        )
    first = (frame["arm"] == 0).to_numpy()
    if first.all() or not first.any():
        return Adjusted(
            names, None, None, len(frame), "one technique has no routine with a value in every column"
        )
    columns, labels, trouble = _columns(frame, sample.adjust, first)
    if trouble:
        return Adjusted(names, None, None, len(frame), trouble)
    stuck = frame["stuck"].astype(int).to_numpy()
    design = np.column_stack([first.astype(float), columns])
    fit = firth(stuck, design, level=question.level, names=(question.techniques[0], *labels))
    athletes = frame["athlete"].tolist() if question.repeats == "cluster" else None
    difference = standardised_difference(stuck, first, columns, level=question.level, athlete=athletes)
    if math.isnan(difference.low):
        return Adjusted(names, fit, None, len(frame), difference.why)
    return Adjusted(names, fit, difference, len(frame), "")


def _columns(
    frame: pd.DataFrame, names: tuple[str, ...], first: np.ndarray
) -> tuple[np.ndarray, tuple[str, ...], str]:
    """Return the columns to adjust for, their labels, and why they can't be used ("" when they can)."""
    columns: list[np.ndarray] = []
    labels: list[str] = []
    for name in names:
        values = frame[name]
        if pd.api.types.is_numeric_dtype(values):
            number = values.astype(float).to_numpy() / (
                1000.0 if name in ("difficulty", "execution") else 1.0
            )
            low, high = (
                max(number[first].min(), number[~first].min()),
                min(number[first].max(), number[~first].max()),
            )
            if low > high:
                return (
                    np.empty((0, 0)),
                    (),
                    f"the techniques do not overlap in {name}, so nothing can be compared at the same {name}",
                )
            if number.min() < number.max():
                columns.append(number - number.mean())
                labels.append(name)
            continue
        text = values.astype(str)
        shared = set(text[first]) & set(text[~first])
        if not shared:
            return (
                np.empty((0, 0)),
                (),
                f"the techniques share no value of {name}, so nothing can be compared at the same {name}",
            )
        ordered = text.value_counts().sort_index().sort_values(ascending=False, kind="stable").index
        for value in ordered[1:]:
            columns.append((text == value).to_numpy().astype(float))
            labels.append(f"{name}: {value}")
    if not columns:
        return np.empty((0, 0)), (), "the columns to adjust for hold one value each"
    design = np.column_stack(columns)
    if np.linalg.matrix_rank(np.column_stack([np.ones(len(design)), first, design])) < design.shape[1] + 2:
        return np.empty((0, 0)), (), "the columns to adjust for repeat each other or the technique"
    return design, tuple(labels), ""

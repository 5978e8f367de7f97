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
            f"{len(frame)} routines have a value in every column to adjust for, fewer than {FEWEST_ROUTINES}",
        )
    first = (frame["arm"] == 0).to_numpy()
    if first.all() or not first.any():
        return Adjusted(
            names, None, None, len(frame), "one technique has no routine with a value in every column"
        )
    try:
        columns, labels = _columns(frame, sample.adjust, first)
    except _CannotAdjustError as found:
        return Adjusted(names, None, None, len(frame), str(found))
    stuck = frame["stuck"].astype(int).to_numpy()
    design = np.column_stack([first.astype(float), columns])
    # Only the technique's own interval is profiled: the others are there to be held fixed, not to be read.
    fit = firth(stuck, design, level=question.level, names=(question.techniques[0], *labels), columns=[0])
    athletes = frame["athlete"].tolist() if question.repeats == "cluster" else None
    difference = standardised_difference(stuck, first, columns, level=question.level, athlete=athletes)
    if math.isnan(difference.low):
        return Adjusted(names, fit, None, len(frame), difference.why)
    return Adjusted(names, fit, difference, len(frame), "")


class _CannotAdjustError(Exception):
    """Why the plan's columns can't be adjusted for, in words for the report."""


def _columns(
    frame: pd.DataFrame, names: tuple[str, ...], first: np.ndarray
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return the columns to adjust for and their labels, or raise where the techniques can't be compared at them."""
    columns: list[np.ndarray] = []
    labels: list[str] = []
    for name in names:
        values = frame[name]
        if pd.api.types.is_numeric_dtype(values):
            number = values.astype(float).to_numpy()
            if max(number[first].min(), number[~first].min()) > min(
                number[first].max(), number[~first].max()
            ):
                raise _CannotAdjustError(
                    f"the techniques do not overlap in {name}, so nothing can be compared at the same {name}"
                )
            if number.min() < number.max():
                # In standard deviations: a coefficient in thousandths of a point would be unreadable.
                columns.append((number - number.mean()) / number.std())
                labels.append(f"{name} (per standard deviation)")
            continue
        text = values.astype(str)
        if not set(text[first]) & set(text[~first]):
            raise _CannotAdjustError(
                f"the techniques share no value of {name}, so nothing can be compared at the same {name}"
            )
        counts = text.value_counts().sort_index().sort_values(ascending=False, kind="stable")
        for value in counts.index[1:]:
            columns.append((text == value).to_numpy().astype(float))
            labels.append(f"{name}: {value}")
    if not columns:
        raise _CannotAdjustError("the columns to adjust for hold one value each")
    design = np.column_stack(columns)
    if np.linalg.matrix_rank(np.column_stack([np.ones(len(design)), first, design])) < design.shape[1] + 2:
        raise _CannotAdjustError("the columns to adjust for repeat each other or the technique")
    return design, tuple(labels)

"""Published data sets and small tables for the tests of logistic regression."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

REFERENCE = Path(__file__).parent / "reference" / "logistic"
NINE = [1] * 9 + [1] * 14 + [0] * 8, [1] * 9 + [0] * 22  # 9 of 9 against 14 of 22


def from_cells(*cells):
    """Outcomes and columns from (values, ones, total) per cell."""
    y = [value for _, ones, total in cells for value in [1] * ones + [0] * (total - ones)]
    X = [list(values) for values, _, total in cells for _ in range(total)]
    return y, X


def endometrial():
    table = pd.read_csv(REFERENCE / "endometrial.csv")
    return table["HG"], table[["NV", "PI", "EH"]]


def lizards():
    table = pd.read_csv(REFERENCE / "lizards.csv")
    columns = pd.DataFrame(
        {
            "height": (table["height"] == ">=5ft").astype(int),
            "diameter": (table["diameter"] == ">2in").astype(int),
            "light": (table["light"] == "shady").astype(int),
            "midday": (table["time"] == "midday").astype(int),
            "late": (table["time"] == "late").astype(int),
        }
    )
    repeats = (table["grahami"] + table["opalinus"]).to_numpy()
    y = np.concatenate([[1] * a + [0] * b for a, b in zip(table["grahami"], table["opalinus"], strict=True)])
    return y, columns.loc[np.repeat(columns.index, repeats)]

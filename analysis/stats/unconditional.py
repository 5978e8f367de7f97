"""Exact unconditional inference for two proportions: the public names only.

The tests with their certified p-values are in `unconditional_tests`, the intervals that belong to Barnard's test in
`unconditional_intervals` and, for the odds ratio, in `unconditional_odds`. They stand on `rejection` (which tables are
as extreme), `bernstein` (the certified maximum), `rays` (rates with a given difference or ratio) and the searches from
the outside in, `certified_limits` and `certified_odds`.
"""

from analysis.stats.unconditional_intervals import exact_difference, exact_ratio
from analysis.stats.unconditional_odds import exact_odds_ratio
from analysis.stats.unconditional_tests import barnard, boschloo

__all__ = ["barnard", "boschloo", "exact_difference", "exact_odds_ratio", "exact_ratio"]

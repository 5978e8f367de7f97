"""Time and error of the exact tests on tables and strata beside R and scipy, in one run.

Not part of the normal run. From the project's folder:

    python -m pytest -o addopts="" -o python_files="bench_*.py" -s tests/benchmarks/bench_many_groups.py

A line gives our time, each peer's, the ratio, and by how much each p-value misses ours, relative to it; our own error
is the width of the bracket [attained, bound]. scipy answers r x c tables by Monte Carlo and gives no error with them. R
is stopped after R_SECONDS; it is left out where it isn't installed. No time is asserted.
"""

from __future__ import annotations

import shutil
import subprocess
import time
import tracemalloc

import numpy as np
import pytest
from scipy.stats import fisher_exact

from analysis.stats.many_groups import all_pairs, freeman_halton
from analysis.stats.strata import common_odds_ratio, zelen

R_SECONDS = 120
MEHTA_PATEL = [
    [1, 2, 2, 1, 1, 0, 1],
    [2, 0, 0, 2, 3, 0, 0],
    [0, 1, 1, 1, 2, 7, 3],
    [1, 1, 2, 0, 0, 0, 1],
    [0, 1, 1, 1, 1, 0, 0],
]
SHAPES = [
    (5, 2, 180),
    (8, 2, 180),
    (8, 2, 500),
    (3, 3, 1000),
    (4, 4, 150),
    (4, 5, 200),
    (3, 6, 300),
    (5, 5, 100),
]


def random_table(rows: int, columns: int, size: int, seed: int) -> np.ndarray:
    """A table of one rate for all rows; seeds give p-values from common to rare."""
    rng = np.random.default_rng(seed)
    return rng.multinomial(size, np.full(rows * columns, 1 / (rows * columns))).reshape(rows, columns)


def in_r(call: str) -> tuple[float, float] | None:
    """(p, seconds) as R says, or None where it is missing, stopped, or out of workspace."""
    if shutil.which("Rscript") is None:
        return None
    script = f"t <- system.time(p <- {call}$p.value)[[3]]; cat(format(c(p, t), digits = 15))"
    try:
        said = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, timeout=R_SECONDS)
    except subprocess.TimeoutExpired:
        return None
    return (float(said.stdout.split()[0]), float(said.stdout.split()[1])) if said.returncode == 0 else None


def matrix(table: np.ndarray) -> str:
    return f"matrix(c({','.join(map(str, table.ravel()))}), {table.shape[0]}, byrow = TRUE)"


def timed(call):
    start = time.perf_counter()
    found = call()
    return found, time.perf_counter() - start


def beside_r(said: tuple[float, float] | None, p: float, seconds: float) -> str:
    if said is None:
        return f"R not done in {R_SECONDS} s"
    return f"R {said[1]:.3f} s, ratio {seconds / max(said[1], 1e-3):.3f}, error {said[0] / p - 1:+.1e}"


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_time_and_error_of_r_by_c(shape, seed) -> None:
    table = random_table(*shape, seed)
    found, seconds = timed(lambda: freeman_halton(table))
    said = in_r(f"fisher.test({matrix(table)}, workspace = 2e8)")
    peer, peer_seconds = timed(lambda: fisher_exact(table).pvalue)
    how = (
        f"drawn, error {found.error:.1e}"
        if found.draws
        else f"error <= {found.bound / found.attained - 1:.1e}"
    )
    print(
        f"\n{shape[0]} x {shape[1]} of {shape[2]}, p {found.p_value:.6g} ({how}): ours {seconds:.3f} s;",
        f"{beside_r(said, found.p_value, seconds)}; scipy {peer_seconds:.3f} s, error {peer / found.p_value - 1:+.1e}",
    )


def test_time_of_mehta_and_patels_sixth_table() -> None:
    table = np.array(MEHTA_PATEL)
    found, seconds = timed(lambda: freeman_halton(table))
    said = in_r(f"fisher.test({matrix(table)})")
    print(f"\nMehta & Patel's sixth table: ours {seconds:.3f} s; {beside_r(said, found.p_value, seconds)}")


def test_memory_of_the_largest() -> None:
    table = random_table(3, 6, 300, 0)
    tracemalloc.start()
    freeman_halton(table)
    print(f"\n3 x 6 of 300: {tracemalloc.get_traced_memory()[1] / 1e6:.0f} MB at most")
    tracemalloc.stop()


def test_time_of_all_pairs_of_six_techniques() -> None:
    counts = [(9, 9), (14, 22), (20, 31), (33, 50), (12, 28), (21, 40)]
    print(f"\nall pairs of six techniques, 180 routines: {timed(lambda: all_pairs(counts))[1]:.3f} s")


def test_time_of_forty_meets() -> None:
    rng = np.random.default_rng(5)
    first, second = rng.binomial(90, 0.8, 40), rng.binomial(60, 0.75, 40)
    tables = np.stack([np.stack([first, 90 - first], 1), np.stack([second, 60 - second], 1)], 1)
    found, seconds = timed(lambda: common_odds_ratio(tables))
    array = f"aperm(array(c({','.join(map(str, tables.ravel()))}), c(2, 2, 40)), c(2, 1, 3))"
    said = in_r(f"mantelhaen.test({array}, exact = TRUE)")
    print(f"\ncommon odds ratio of 40 meets: ours {seconds:.3f} s; {beside_r(said, found.p_value, seconds)}")
    drawn, seconds = timed(lambda: zelen(tables))
    print(f"homogeneity of 40 meets: {seconds:.3f} s, {drawn.draws} draws, error {drawn.error:.1e}")

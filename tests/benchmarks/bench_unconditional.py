"""Time and error of the exact unconditional tests and intervals beside scipy's tests, in one run.

Not part of the normal run. From the project's folder:

    python -m pytest -o addopts="" -o python_files="bench_*.py" -s tests/benchmarks/bench_unconditional.py

A line gives our time, the peer's, their ratio, and by how much each p-value misses the true supremum, relative to it:
at most `above` for ours, which is proved; the peer's is compared with a value that is certainly attained. No time is
asserted.
"""

from __future__ import annotations

import time
import tracemalloc

import pytest
from scipy.stats import barnard_exact, boschloo_exact

from analysis.stats.unconditional import barnard, boschloo, exact_difference, exact_ratio

TABLES = [(15, 20, 9, 20), (35, 50, 25, 50), (110, 200, 95, 200), (270, 500, 250, 500)]
PEERS = {barnard: barnard_exact, boschloo: boschloo_exact}


def peak_memory(call) -> float:
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("test", [barnard, boschloo])
@pytest.mark.parametrize("side", ["two-sided", "greater"])
def test_time_and_error_beside_scipy(benchmark, test, table, side) -> None:
    x1, n1, x2, n2 = table
    columns = [[x1, x2], [n1 - x1, n2 - x2]]
    found = benchmark.pedantic(test, args=(*table, side), rounds=5, warmup_rounds=1)
    ours = benchmark.stats.stats.min
    times = []
    for _ in range(3):
        start = time.perf_counter()
        peer = PEERS[test](columns, alternative=side).pvalue
        times.append(time.perf_counter() - start)
    # scipy doubles the one-sided p for a two-sided Boschloo: another test, the same when the groups are equal in size.
    print(
        f"\n{test.__name__:9s}{side:10s}{x1}/{n1} v {x2}/{n2}:",
        f"ours {1e3 * ours:.1f} ms, scipy {1e3 * min(times):.1f} ms, ratio {ours / min(times):.3f};",
        f"error ours <= {found.bound / found.attained - 1:.1e} above, scipy {peer / found.attained - 1:+.1e};",
        f"{peak_memory(lambda: test(*table, side)):.1f} MB",
    )


@pytest.mark.parametrize("test", [barnard, boschloo])
def test_time_at_two_thousand_per_group(benchmark, test) -> None:
    table = (1070, 2000, 1000, 2000)
    found = benchmark.pedantic(test, args=table, rounds=2, warmup_rounds=1)
    print(
        f"\n{test.__name__} 1070/2000 v 1000/2000: {1e3 * benchmark.stats.stats.min:.0f} ms, "
        f"error <= {found.bound / found.attained - 1:.1e} above; {peak_memory(lambda: test(*table)):.1f} MB"
    )


@pytest.mark.parametrize("table", [(9, 9, 14, 22), (7, 34, 1, 34), (35, 50, 25, 50), (70, 100, 55, 100)])
@pytest.mark.parametrize("routine", [exact_difference, exact_ratio])
def test_time_of_exact_intervals(benchmark, routine, table) -> None:
    found = benchmark.pedantic(routine, args=table, rounds=2, warmup_rounds=1)
    print(f"\n{1e3 * benchmark.stats.stats.min:.0f} ms, {found} (no peer in Python)")

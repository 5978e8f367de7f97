"""What all tests share: one thread for linear algebra, and a switch for longer property tests."""

import os

import pytest
from hypothesis import settings

# The matrices here are small, and the tests run side by side already.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give every property test PROPERTY_EXAMPLES examples where that is set: the run before a release uses 2000."""
    wanted = os.environ.get("PROPERTY_EXAMPLES")
    if not wanted:
        return
    for item in items:
        test = getattr(item, "obj", None)
        if getattr(test, "is_hypothesis_test", False):
            test._hypothesis_internal_use_settings = settings(
                test._hypothesis_internal_use_settings, max_examples=int(wanted)
            )

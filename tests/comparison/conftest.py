"""The `study` fixture: a sheet and a plan in a folder of its own."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from studies import HEADER, write_study


@pytest.fixture
def study(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes a study and gives the plan's path."""

    def make(rows: Sequence[Sequence[Any]], header: Sequence[str] = HEADER, **keys: Any) -> Path:
        return write_study(tmp_path, rows, header, **keys)

    return make

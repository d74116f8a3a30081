"""Simulated logs with known truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.table import ColumnOrigin, RawFile, Recording, Table

TableMaker = Callable[..., Table]
RecordingMaker = Callable[..., Recording]


@pytest.fixture(scope="session")
def make_table() -> TableMaker:
    def make(columns: Mapping[str, object], path: str = "log.csv") -> Table:
        arrays = {name: np.asarray(values, dtype=np.float64) for name, values in columns.items()}
        count = len(next(iter(arrays.values())))
        origins = {name: ColumnOrigin(f"header of {name}", "", 1.0, "") for name in arrays}
        return Table(RawFile(path, "0" * 64), arrays, np.arange(2, count + 2, dtype=np.int64), origins=origins)

    return make


@pytest.fixture(scope="session")
def make_recording() -> RecordingMaker:
    def make(*tables: Table) -> Recording:
        return Recording("eff-c1", ("efficiency",), tables, Conditions())

    return make

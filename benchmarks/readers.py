"""How long a log of a million rows takes: our strict reader, polars alone, and the csv module by hand.

Run from the root: `.venv/bin/python benchmarks/readers.py [rows]`. All read the same bytes, seven columns of numbers,
from memory; each is run three times and the shortest is shown, with its ratio to polars alone. The outcomes are
compared, so that none can be fast by not doing the work.
"""

from __future__ import annotations

import csv
import io
import re
import sys
import time
from collections.abc import Callable

import numpy as np
import polars as pl

from brickbook.core.shape import Shape, ShapeColumn, ShapeTime
from brickbook.core.table import RawFile
from brickbook.readers import guess_shape, read_table

HEADERS = ("Time (s)", "U (V)", "I (A)", "P (W)", "PF", "f (Hz)", "Vout C1 (V)")
COLUMNS = ("mains_voltage_v", "mains_current_a", "mains_power_w", "mains_pf", "mains_frequency_hz", "port_voltage_v@C1")
UNITS = ("V", "A", "W", "", "Hz", "V")
PREAMBLE = "Meter log\nserial,7\n\n"


def numbers(rows: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    values = rng.normal([0, 230, 0.3, 60, 0.6, 50, 20], [0, 0.5, 0.01, 1, 0.01, 0.01, 0.05], (rows, 7)).round(5)
    values[:, 0] = np.arange(rows) / 10
    return values


def text(values: np.ndarray, delimiter: str = ",", decimal: str = ".") -> bytes:
    frame = pl.DataFrame(values, schema=list(HEADERS), orient="row")
    body = frame.write_csv(include_header=False, separator=";")
    body = body.replace(".", decimal).replace(";", delimiter)
    return (PREAMBLE + delimiter.join(HEADERS) + "\n" + body).encode()


def shape(delimiter: str = ",", decimal: str = ".", time_: ShapeTime | None = None) -> Shape:
    mapped = zip(HEADERS[1:], COLUMNS, UNITS, strict=True)
    return Shape(
        "m1",
        delimiter,  # type: ignore[arg-type]
        HEADERS,
        tuple(ShapeColumn(*parts) for parts in mapped),
        time_ or ShapeTime("elapsed", (HEADERS[0],)),
        decimal=decimal,  # type: ignore[arg-type]
    )


def ours(data: bytes, how: Shape) -> Callable[[], np.ndarray]:
    def run() -> np.ndarray:
        table = read_table(data, name="log.csv", raw=RawFile("log.csv", ""), shape=how)
        return np.column_stack([table.columns["time_s"], *(table.columns[c] for c in COLUMNS)])

    return run


def polars_alone(data: bytes) -> Callable[[], np.ndarray]:
    def run() -> np.ndarray:
        return pl.read_csv(data, skip_lines=3, schema=dict.fromkeys(HEADERS, pl.Float64)).to_numpy()

    return run


def by_hand(data: bytes) -> Callable[[], np.ndarray]:
    def run() -> np.ndarray:
        rows = csv.reader(io.StringIO(data.decode()))
        for row in rows:
            if row == list(HEADERS):
                break
        return np.array([[float(cell) for cell in row] for row in rows])

    return run


def shortest(run: Callable[[], np.ndarray], repeats: int = 3) -> tuple[float, np.ndarray]:
    best, result = float("inf"), np.empty(0)
    for _ in range(repeats):
        begin = time.perf_counter()
        result = run()
        best = min(best, time.perf_counter() - begin)
    return best, result


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    values = numbers(rows)
    plain = text(values)
    comma = text(values, ";", ",")
    gaps = re.sub(rb",50\.01\d*,", b",OL,", plain, count=rows // 1000)
    quoted = plain.replace(b"\n0.1,", b'\n"0.1",', 1)
    print(f"{rows} rows, {len(plain) / 1e6:.0f} MB, seven columns; seconds, and times polars alone")
    bare, expected = shortest(polars_alone(plain))
    print(f"{'polars.read_csv alone':44s} {bare:7.3f}   1.0")
    for name, run, known in (
        ("ours", ours(plain, shape()), True),
        ("ours, semicolons and decimal commas", ours(comma, shape(";", ",")), True),
        ("ours, some readings missing (OL)", ours(gaps, shape()), False),
        ("ours, with a quoted field (csv module inside)", ours(quoted, shape()), True),
        ("csv module by hand", by_hand(plain), True),
    ):
        spent, result = shortest(run)
        if known and not np.array_equal(result, expected):
            raise SystemExit(f"{name}: other numbers than polars")
        print(f"{name:44s} {spent:7.3f} {spent / bare:5.1f}")
    spent, _ = shortest(lambda: np.array([len(guess_shape(plain, "log.csv").columns)]))
    print(f"{'guess_shape':44s} {spent:7.3f} {spent / bare:5.1f}")


if __name__ == "__main__":
    main()

"""Random tables written in random dialects come back exactly, with exact line numbers.

Oracles: Python's `float` (correctly rounded, IEEE 754-2019 5.12.2) and `repr` (shortest text that comes back), its `csv`
writer (RFC 4180 quoting), and pint for units.
"""

from __future__ import annotations

import csv
import io
import math
from fractions import Fraction

import numpy as np
import pint
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from brickbook.core.shape import Shape, ShapeColumn, ShapeTime
from brickbook.core.table import RawFile
from brickbook.readers import guess_shape, matching_shape, read_table

UNITS = {
    "mains_power_w": ["W", "mW", "kW"],
    "mains_voltage_v": ["V", "mV"],
    "port_current_a@C1": ["A", "mA", "µA"],
    "temperature_c@case": ["degC", "°C"],
    "mains_pf": [""],
}
MISSING = ["", "-", "---", "NaN", "OL", "n/a", "9.9E37", "-9.9E37", "9.91E37"]
REGISTRY = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def written(value: float, decimal: str, style: str) -> str:
    text = repr(value) if style == "repr" else f"{value:.4e}" if style == "exponent" else f"{value:.3f}"
    return text.replace(".", decimal)


numbers = st.one_of(
    st.floats(-1e6, 1e6, allow_nan=False).filter(lambda x: x == 0 or abs(x) > 1e-300),
    st.integers(-(10**6), 10**6).map(float),
)


@st.composite
def dialects(draw):
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal = "." if delimiter == "," else draw(st.sampled_from([".", ","]))
    columns = draw(st.lists(st.sampled_from(sorted(UNITS)), min_size=1, max_size=4, unique=True))
    count = draw(st.integers(1, 12))
    cells = {
        name: draw(st.lists(st.one_of(numbers, st.sampled_from(MISSING)), min_size=count, max_size=count))
        for name in columns
    }
    steps = draw(st.lists(st.integers(0, 5000), min_size=count, max_size=count))
    return {
        "delimiter": delimiter,
        "decimal": decimal,
        "columns": columns,
        "cells": cells,
        "times_ms": np.cumsum(steps).tolist(),
        "units": [draw(st.sampled_from(UNITS[name])) for name in columns],
        "unit_row": draw(st.booleans()),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16-le", "utf-16-be"])),
        "mark": draw(st.booleans()),
        "end": draw(st.sampled_from(["\n", "\r\n"])),
        "preamble": draw(
            st.lists(st.sampled_from(["", "Meter 7", "serial;5", "a,b,c", '"quoted"', "größe"]), max_size=9)
        ),
        "trailing": draw(st.booleans()),
        "blanks": draw(st.sets(st.integers(0, 11), max_size=3)),
        "style": draw(st.sampled_from(["repr", "exponent", "fixed"])),
        "time": draw(st.sampled_from(["elapsed", "epoch", "date-time", "clock"])),
    }


def time_cell(kind: str, ms: int, decimal: str) -> str:
    if kind == "elapsed":
        return f"{ms / 1000!r}".replace(".", decimal)
    if kind == "epoch":
        return str(1790000000000 + ms)
    h, rest = divmod(ms, 3_600_000)
    m, rest = divmod(rest, 60_000)
    s, ms = divmod(rest, 1000)
    clock = f"{h:02d}:{m:02d}:{s:02d}.{ms:03d}"
    return clock if kind == "clock" else f"2026-10-03T{clock}Z"


def write(d) -> tuple[bytes, list[int], dict[str, list[str]]]:
    """Bytes, line of each row, and the text of each cell."""
    out = io.StringIO()
    line = 1
    for text in d["preamble"]:
        out.write(text + d["end"])
        line += 1
    writer = csv.writer(out, delimiter=d["delimiter"], quoting=d["quoting"], lineterminator=d["end"])
    tail = [""] if d["trailing"] else []
    headers = [f"head {name.replace('@', ' ')}" for name in d["columns"]]
    if d["unit_row"]:
        writer.writerow(["clock", *headers, *tail])
        writer.writerow(["", *(f"[{unit}]" for unit in d["units"]), *tail])
        line += 2
    else:
        writer.writerow(["clock", *headers, *tail])
        line += 1
    lines, texts = [], {name: [] for name in d["columns"]}
    for k, ms in enumerate(d["times_ms"]):
        if k in d["blanks"]:
            out.write(d["end"])
            line += 1
        row = [time_cell(d["time"], ms, d["decimal"])]
        for name in d["columns"]:
            cell = d["cells"][name][k]
            decimal = d["decimal"]
            text = cell.replace(".", decimal) if isinstance(cell, str) and "E37" in cell else cell
            text = text if isinstance(text, str) else written(text, decimal, d["style"])
            texts[name].append(text)
            row.append(text)
        writer.writerow([*row, *tail])
        lines.append(line)
        line += 1
    text = out.getvalue()
    if d["encoding"].startswith("utf-16") and d["mark"]:
        text = "\ufeff" + text
    return text.encode(d["encoding"], "replace"), lines, texts


def shape_of(d) -> Shape:
    kind = d["time"]
    headers = ["clock", *(f"head {name.replace('@', ' ')}" for name in d["columns"])]
    return Shape(
        id="m1",
        delimiter=d["delimiter"],
        headers=tuple(headers),
        columns=tuple(
            ShapeColumn(header, name, "" if d["unit_row"] else unit)
            for header, name, unit in zip(headers[1:], d["columns"], d["units"], strict=True)
        ),
        time=ShapeTime(kind, ("clock",), unit="ms" if kind == "epoch" else "s"),
        decimal=d["decimal"],
        encoding={"utf-8-sig": "utf-8"}.get(d["encoding"], d["encoding"]),
        unit_row=d["unit_row"],
    )


def expected(text: str, decimal: str, name: str, unit: str) -> float:
    """The reading a cell stands for: exact value times exact factor, rounded once."""
    plain = text.replace(decimal, ".")
    if text in MISSING or "E37" in text:
        return math.nan
    value = float(plain)
    if unit in ("", "W", "V", "A", "degC", "°C"):
        return value
    base = {"mains_power_w": "W", "mains_voltage_v": "V", "port_current_a@C1": "A"}[name]
    factor = Fraction(REGISTRY.Quantity(1.0, unit).to(base).magnitude).limit_denominator(10**7)
    return float(Fraction(value) * factor)


def _encodable(d) -> bool:
    return d["encoding"] != "cp1252" or all(ord(c) < 256 for unit in d["units"] for c in unit)


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(dialects().filter(_encodable))
def test_written_in_any_dialect_it_comes_back_exactly(d):
    data, lines, texts = write(d)
    shape = shape_of(d)
    assert matching_shape(data, [shape]) == shape
    table = read_table(data, name="x", raw=RawFile("x", "0"), shape=shape)
    assert table.lines.tolist() == lines
    left_out = 0
    for name, unit in zip(d["columns"], d["units"], strict=True):
        want = [expected(text, d["decimal"], name, unit) for text in texts[name]]
        np.testing.assert_array_equal(table.columns[name], want, err_msg=f"{name} {unit}")
        left_out += sum(map(math.isnan, want))
    assert sum(drop.count for drop in table.dropped) == left_out
    zero = d["times_ms"][0] if d["time"] in ("epoch", "date-time") else 0
    assert table.columns["time_s"].tolist() == [(ms - zero) / 1000 for ms in d["times_ms"]]


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(dialects().filter(_encodable))
def test_the_guess_sees_the_dialect(d):
    """Delimiter, encoding, header line, unit row and, where a cell shows it, the decimal mark."""
    d = {**d, "cells": {n: [c if isinstance(c, float) else 1.5 for c in cells] for n, cells in d["cells"].items()}}
    d = {**d, "preamble": [p for p in d["preamble"] if p != "a,b,c"], "style": "fixed"}
    data, lines, _ = write(d)
    guess = guess_shape(data, "x")
    shape = shape_of(d)
    assert guess.shape.delimiter == shape.delimiter
    assert guess.shape.headers == shape.headers
    assert guess.shape.decimal == shape.decimal
    assert guess.header_line == len(d["preamble"]) + 1
    assert guess.shape.fingerprint == shape.fingerprint
    assert guess.first_line == lines[0]
    assert guess.shape.encoding == shape.encoding or data.isascii()


@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e37, max_value=1e37), min_size=1, max_size=50)
)
def test_the_shortest_text_of_a_float_comes_back(values):
    """IEEE 754-2019 5.12.2: text of enough digits and back is the identity; Python's repr writes enough."""
    data = "t,P_in (W)\n" + "".join(f"{k},{value!r}\n" for k, value in enumerate(values))
    shape = Shape(
        "m1", ",", ("t", "P_in (W)"), (ShapeColumn("P_in (W)", "mains_power_w", "W"),), ShapeTime("elapsed", ("t",))
    )
    table = read_table(data.encode(), name="x", raw=RawFile("x", "0"), shape=shape)
    assert table.columns["mains_power_w"].tobytes() == np.array(values).tobytes()

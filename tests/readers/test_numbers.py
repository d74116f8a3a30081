"""Cells to numbers, and fields out of lines."""

from __future__ import annotations

import math
import re

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.readers.layout import split_line
from brickbook.readers.numbers import MISSING, OVERLOAD, CellFault, Marks, numbers_of, one_number


def column(*cells: str, marks: Marks | None = None):
    return numbers_of(pl.Series(cells), np.arange(1, len(cells) + 1), "P", marks or Marks(), "m1")


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        # SCPI-1999 volume 1: 9.9E37 is infinity, -9.9E37 negative infinity, 9.91E37 not a number. The forms with more
        # digits are how instruments print them (common practice, no source).
        ("9.9E37", "P: overload, sent as 9.9E37"),
        ("-9.9E37", "P: overload, sent as 9.9E37"),
        ("+9.90000000E+37", "P: overload, sent as 9.9E37"),
        ("9.91E37", "P: not a number, sent as 9.91E37"),
        ("-9.91E37", "P: not a number, sent as 9.91E37"),
        ("9.910000E+37", "P: not a number, sent as 9.91E37"),
    ],
)
def test_scpi_overflow_is_no_reading(sent, reason):
    found = column("1.5", sent, "2.5", sent)
    assert not isinstance(found, CellFault)
    np.testing.assert_array_equal(found.values, [1.5, math.nan, 2.5, math.nan])
    assert [(d.count, d.reason, d.first_line) for d in found.dropped] == [(2, reason, 2)]


def test_below_the_overflow_a_number_is_a_number():
    found = column("9.88E37", "-9.88E37")
    assert not isinstance(found, CellFault)
    assert found.values.tolist() == [9.88e37, -9.88e37]
    assert found.dropped == ()


@pytest.mark.parametrize("word", sorted(MISSING | OVERLOAD))
def test_every_known_word_is_a_missing_reading(word):
    for cell in (word, word.upper(), f" {word} "):
        found = column("1", cell)
        assert not isinstance(found, CellFault)
        assert math.isnan(found.values[1])
        assert sum(d.count for d in found.dropped) == 1


@pytest.mark.parametrize("cell", ["1.", ".5", "+1", "-1e3", "1E-12", "007", "1e+05", "123456789.123456789"])
def test_forms_of_a_number(cell):
    found = column(cell)
    assert not isinstance(found, CellFault)
    assert found.values[0] == float(cell)
    assert one_number(cell, Marks()) == float(cell)


@pytest.mark.parametrize(
    "cell", [".", "+", "1 2", "1-2", "1e", "e5", "0x10", "1_0", "1,5", "١", "1e5.0", "--5", "1e1000"]
)
def test_what_is_no_number_is_refused(cell):
    assert isinstance(column("1", cell), CellFault)


@pytest.mark.parametrize(
    ("cell", "decimal", "thousands", "value"),
    [
        ("1,234.5", ".", ",", 1234.5),
        ("1.234,5", ",", ".", 1234.5),
        ("1 234 567,5", ",", " ", 1234567.5),
        ("-1'234", ".", "'", -1234.0),
        ("999.5", ".", ",", 999.5),
    ],
)
def test_thousands(cell, decimal, thousands, value):
    marks = Marks(decimal, thousands)
    found = column(cell, marks=marks)
    assert not isinstance(found, CellFault)
    assert found.values[0] == value
    assert one_number(cell, marks) == value


@pytest.mark.parametrize("cell", ["12,34.5", "1,2345", "1234,567.0", ",123", "1,234,56"])
def test_thousands_in_wrong_places(cell):
    assert isinstance(column("1,234.5", cell, marks=Marks(".", ",")), CellFault)


@given(st.text(alphabet="0123456789+-.,eE x", max_size=12))
def test_no_text_becomes_a_number_that_python_does_not_see(text):
    found = column(text)
    plain = text.strip()
    if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", plain) and math.isfinite(float(plain)):
        assert not isinstance(found, CellFault)
        if abs(float(plain)) < 9e37:
            assert found.values[0] == float(plain)
    elif not isinstance(found, CellFault):
        assert math.isnan(found.values[0])
        assert plain.casefold() in MISSING | OVERLOAD


@pytest.mark.parametrize(
    ("line", "fields"),
    [
        # RFC 4180 section 2: rules 4 to 7 and their examples
        ("aaa,bbb,ccc", ["aaa", "bbb", "ccc"]),
        ('"aaa","bbb","ccc"', ["aaa", "bbb", "ccc"]),
        ('"aaa","b""bb","ccc"', ["aaa", 'b"bb', "ccc"]),
        ('"aaa","b,bb","ccc"', ["aaa", "b,bb", "ccc"]),
        ("zzz,yyy,xxx", ["zzz", "yyy", "xxx"]),
    ],
)
def test_quoting_of_rfc_4180(line, fields):
    assert split_line(line, ",") == fields

"""Readers by name, and the package's doors."""

from __future__ import annotations

import pytest

import brickbook.readers as room
from brickbook.core.errors import ReadError
from brickbook.core.shape import Shape, ShapeColumn, ShapeTime
from brickbook.core.table import RawFile
from brickbook.readers import READERS, read_file

SHAPE = Shape("m1", ",", ("t", "P"), (ShapeColumn("P", "mains_power_w", "W"),), ShapeTime("elapsed", ("t",)))
RAW = RawFile("x.csv", "0")


def test_each_reader_by_its_name():
    (log,) = read_file(
        "meter-log", b"t,P\n0,5\n", name="x.csv", raw=RAW, shape=SHAPE, instruments={"mains_power_w": "w"}
    )
    assert log.columns["mains_power_w"].tolist() == [5]
    assert log.origins["mains_power_w"].instrument == "w"
    (sheet,) = read_file("hand-sheet", b"quantity,value,unit\nmass_g,5,g\n", name="x.csv", raw=RAW)
    assert sheet.columns["mass_g"].tolist() == [5]
    assert list(READERS) == sorted(READERS)


@pytest.mark.parametrize(
    ("reader", "instruments", "message"),
    [
        (
            "scope",
            {},
            "x.csv: reader: there is no reader 'scope'. Use one of hand-sheet, message-log, meter-log, observations, port-events.",
        ),
        ("meter-log", {}, "x.csv: shape: a meter log needs a shape, and the index names none. Import the file anew."),
    ],
)
def test_refused(reader, instruments, message):
    with pytest.raises(ReadError) as caught:
        read_file(reader, b"t,P\n0,5\n", name="x.csv", raw=RAW, instruments=instruments)
    assert str(caught.value) == message


def test_an_instrument_for_no_quantity_is_refused():
    with pytest.raises(ReadError) as caught:
        read_file("meter-log", b"t,P\n0,5\n", name="x.csv", raw=RAW, shape=SHAPE, instruments={"mains_pwr_w": "w"})
    assert (
        str(caught.value) == "x.csv: instruments: 'mains_pwr_w' is not a quantity. Correct the key in raw/index.toml."
    )


def test_all_is_sorted_and_true():
    capitals = [n for n in room.__all__ if n.isupper()]
    classes = [n for n in room.__all__ if n[0].isupper() and not n.isupper()]
    functions = [n for n in room.__all__ if n.islower()]
    assert room.__all__ == [*sorted(capitals), *sorted(classes), *sorted(functions)]
    assert all(hasattr(room, name) for name in room.__all__)

"""Hand sheets: what a person wrote, row by row."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.conditions import Conditions
from brickbook.core.errors import ReadError
from brickbook.core.table import RawFile
from brickbook.readers import HAND_SHEET_HEADER, read_hand_sheet

HEAD = ",".join(HAND_SHEET_HEADER) + "\n"
NAN = float("nan")


def sheet(text, *, encoding="utf-8", conditions=None, instruments=None):
    return read_hand_sheet(
        text.encode(encoding),
        name="sheet.csv",
        raw=RawFile("sheet.csv", "0"),
        conditions=Conditions.of(conditions or {}),
        instruments=instruments,
    )


def test_a_sheet_by_two_instruments():
    scale, calliper = sheet(
        HEAD
        + "mass_g,charger,0.1125,kg,scale,,first\n"
        + "length_mm,body length,65.1,mm,calliper,,\n"
        + "# turned over\n"
        + "mass_g,charger,112.6,g,scale,,\n"
        + "length_mm,body width,3.2,cm,calliper,,\n"
        + "\n"
        + "length_mm,body length,65.2,mm,calliper,,\n"
    )
    assert list(scale.columns) == ["mass_g@charger"]
    assert scale.columns["mass_g@charger"].tolist() == [112.5, 112.6]
    assert scale.lines.tolist() == [2, 5]
    assert scale.origins["mass_g@charger"].instrument == "scale"
    assert scale.origins["mass_g@charger"].unit == "kg"
    assert scale.origins["mass_g@charger"].factor == 1000
    assert scale.start == ""
    np.testing.assert_array_equal(calliper.columns["length_mm@body length"], [65.1, NAN, 65.2])
    np.testing.assert_array_equal(calliper.columns["length_mm@body width"], [NAN, 32.0, NAN])
    assert calliper.lines.tolist() == [3, 6, 8]
    assert calliper.origins["length_mm@body width"].instrument == "calliper"


def test_semicolons_and_decimal_commas():
    (table,) = sheet(
        "quantity;channel;value;unit\nmass_g;charger;112,5;g\nmains_power_w;;0,032;W\n", encoding="utf-8-sig"
    )
    np.testing.assert_array_equal(table.columns["mass_g@charger"], [112.5, NAN])
    np.testing.assert_array_equal(table.columns["mains_power_w"], [NAN, 0.032])


def test_columns_in_another_order_with_quotes():
    (table,) = sheet('value,quantity,note,unit\n"45.5",temperature_c,"hot, with a smell",°C\n113,temperature_c,,degF\n')
    assert table.columns["temperature_c"].tolist() == [45.5, 45.0]


def test_the_index_names_the_instrument_where_the_row_does_not():
    own, plain, exact = sheet(
        "quantity,channel,value,unit,instrument\nmass_g,charger,1,g,mine\nmains_power_w,,2,W,\nlength_mm,x,3,mm,\n",
        instruments={"mass_g": "scale", "mains_power_w": "wall-meter", "length_mm@x": "calliper", "length_mm": "ruler"},
    )
    assert own.origins["mass_g@charger"].instrument == "mine"
    assert plain.origins["mains_power_w"].instrument == "wall-meter"
    assert exact.origins["length_mm@x"].instrument == "calliper"


def test_readings_of_one_time_share_a_row():
    (table,) = sheet(
        "quantity,channel,value,unit,time\n"
        "port_voltage_v,,20.1,V,2026-10-03T10:22:00\n"
        "port_current_a,,3,A,2026-10-03T10:22:00\n"
        "port_voltage_v,,20,V,2026-10-03T10:23:00\n",
        conditions={"port": "C1"},
    )
    assert table.columns["time_s"].tolist() == [0, 60]
    assert table.columns["port_voltage_v@C1"].tolist() == [20.1, 20.0]
    np.testing.assert_array_equal(table.columns["port_current_a@C1"], [3, NAN])
    assert table.lines.tolist() == [2, 4]
    assert table.start == "2026-10-03T10:22:00"


def test_times_in_seconds_may_come_in_any_order():
    (table,) = sheet("quantity,value,unit,time\nmains_power_w,2,W,10\nmains_power_w,1,W,0\n")
    assert table.columns["time_s"].tolist() == [0, 10]
    assert table.columns["mains_power_w"].tolist() == [1, 2]
    assert table.lines.tolist() == [3, 2]


def test_dates_in_any_order_and_zone_count_from_the_earliest():
    (table,) = sheet(
        "quantity,value,unit,time\n"
        "mains_power_w,2,W,2026-10-03T10:22:00+02:00\n"
        "mains_power_w,1,W,2026-10-03T08:21:00.5Z\n"
    )
    assert table.columns["time_s"].tolist() == [0, 59.5]
    assert table.columns["mains_power_w"].tolist() == [1, 2]
    assert table.lines.tolist() == [3, 2]
    assert table.start == "2026-10-03T10:21:00.500000+02:00"


@given(st.lists(st.tuples(st.sampled_from(["charger", "cable"]), st.floats(-1e9, 1e9)), min_size=1, max_size=30))
def test_every_row_is_one_reading_on_its_line(rows):
    (table,) = sheet("quantity,channel,value,unit\n" + "".join(f"mass_g,{c},{v!r},g\n" for c, v in rows))
    assert table.lines.tolist() == list(range(2, 2 + len(rows)))
    for k, (channel, value) in enumerate(rows):
        for name, column in table.columns.items():
            np.testing.assert_equal(column[k], value if name == f"mass_g@{channel}" else NAN)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "sheet.csv: the file is empty. Check that the instrument finished writing it, and copy it again."),
        (
            "mass_g,charger,1,g\n",
            (
                "sheet.csv: line 1: there is no column 'quantity'. The first row is "
                "quantity,channel,value,unit,instrument,time,note."
            ),
        ),
        (
            "quantity,value,weight\n",
            (
                "sheet.csv: line 1: 'weight' is no column of a hand sheet. The first row is "
                "quantity,channel,value,unit,instrument,time,note."
            ),
        ),
        (
            "quantity,value,value\n",
            "sheet.csv: line 1: a column stands twice. The first row is quantity,channel,value,unit,instrument,time,note.",
        ),
        ("quantity,value,unit\n", "sheet.csv: line 1: there is no reading below the header. Write one to a row."),
        (
            "quantity,value,unit\nmass_g,heavy,g\n\nmass_g,5,V\nmains_power_w,5,\n",
            (
                "sheet.csv: line 2: value 'heavy' is not a number. Leave the row out if nothing was read.\n"
                "sheet.csv: line 4: unit of mass_g: 'V' is a unit of something else; expected g, or a multiple of it. "
                "Write g, for example.\n"
                "sheet.csv: line 5: unit of mains_power_w: there is no unit; expected W, or a multiple of it. Write W, for "
                "example."
            ),
        ),
        (
            "quantity,value,unit\nmass_g,112,5,g\n",
            (
                "sheet.csv: line 2: 4 fields, but the header has 3. Take out the surplus. A decimal comma, or a note with a "
                "comma, needs quotes around it."
            ),
        ),
        (
            "quantity;value;unit\nmass_g;1;g;more\n",
            "sheet.csv: line 2: 4 fields, but the header has 3. Take out the surplus.",
        ),
        (
            "quantity,channel,value,unit\nmains_power_w,C1,5,W\n",
            "sheet.csv: line 2: mains_power_w has no channel, found 'C1'. Leave the channel empty.",
        ),
        (
            "quantity,channel,value,unit\nport_voltage_v,,5,V\n",
            "sheet.csv: line 2: port_voltage_v needs a port. Write its id as the channel.",
        ),
        (
            "quantity,channel,value,unit\nmains_harmonic_a,third,5,mA\n",
            "sheet.csv: line 2: mains_harmonic_a needs an order, found 'third'. Write it as the channel: 3, 5, 7 ...",
        ),
        (
            "quantity,value,unit,time\nmass_g,1,g,5\nmass_g,1,g,\n",
            (
                "sheet.csv: line 3: this reading has no time, others of the same instrument have one. Give all of them a time, "
                "or none."
            ),
        ),
        (
            "quantity,value,unit,time\nmass_g,1,g,noon\n",
            (
                "sheet.csv: line 2: cell 'noon' is not a date and time like '2026-10-03 10:22:00'. Write seconds, or dates as "
                "2026-10-03T10:22:00."
            ),
        ),
    ],
)
def test_refused(text, message):
    with pytest.raises(ReadError) as caught:
        sheet(text)
    assert str(caught.value) == message


def test_an_unknown_quantity_lists_the_known_ones():
    with pytest.raises(ReadError) as caught:
        sheet("quantity,value,unit\nweight,1,g\n")
    assert str(caught.value).startswith("sheet.csv: line 2: 'weight' is not a quantity. Use one of mains_voltage_v, ")
    assert "time_s" not in str(caught.value)

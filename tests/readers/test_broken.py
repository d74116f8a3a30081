"""Files that must be refused, each with the exact words a user will see."""

from __future__ import annotations

from dataclasses import replace

import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.errors import ReadError
from brickbook.core.shape import Shape, ShapeColumn, ShapeTime
from brickbook.core.table import RawFile
from brickbook.readers import guess_shape, read_table

WIDE = Shape(
    id="m1",
    delimiter=",",
    headers=("Time (s)", "U (V)", "I (mA)"),
    columns=(ShapeColumn("U (V)", "port_voltage_v", "V"), ShapeColumn("I (mA)", "port_current_a", "mA")),
    time=ShapeTime("elapsed", ("Time (s)",)),
)
SEMICOLON = replace(WIDE, delimiter=";", decimal=",")
DATED = replace(WIDE, headers=("Time", "U (V)", "I (mA)"), time=ShapeTime("date-time", ("Time",)))
CLOCKED = replace(DATED, time=ShapeTime("clock", ("Time",)))
ROW_UNITS = replace(
    WIDE,
    headers=("Time", "U", "I"),
    columns=(ShapeColumn("U", "port_voltage_v"), ShapeColumn("I", "port_current_a")),
    time=ShapeTime("elapsed", ("Time",)),
    unit_row=True,
)
LONG = Shape(
    id="m2",
    delimiter=",",
    headers=("t", "what", "ch", "value", "unit"),
    columns=(
        ShapeColumn("Voltage", "port_voltage_v@C1", channel="1"),
        ShapeColumn("Current", "port_current_a@C1", channel="1"),
    ),
    time=ShapeTime("elapsed", ("t",)),
    layout="long",
    quantity_header="what",
    channel_header="ch",
    value_header="value",
    unit_header="unit",
)
HEAD = b"Time (s),U (V),I (mA)\n"
SEMI = b"Time (s);U (V);I (mA)\n"
DATE = b"Time,U (V),I (mA)\n"
LONG_HEAD = b"t,what,ch,value,unit\n"

BROKEN = []  # name, shape, data, message


def broken(name, shape, data, message):
    BROKEN.append(pytest.param(shape, data, message, id=name))


broken(
    "empty",
    WIDE,
    b"",
    "x.csv: the file is empty. Check that the instrument finished writing it, and copy it again.",
)
broken(
    "only blanks",
    WIDE,
    b"\xef\xbb\xbf\r\n  \r\n",
    "x.csv: the file is empty. Check that the instrument finished writing it, and copy it again.",
)
broken(
    "workbook",
    WIDE,
    b"PK\x03\x04" + bytes(40),
    "x.csv: this is a ZIP archive or a spreadsheet workbook, not a log in text form. Export the "
    "sheet as CSV and import that.",
)
broken(
    "office document",
    None,
    b"\xd0\xcf\x11\xe0" + bytes(40),
    "x.csv: this is an office document of the old binary kind, not a log in text form. Export the "
    "sheet as CSV and import that.",
)
broken(
    "document",
    None,
    b"%PDF-1.7\n1 0 obj",
    "x.csv: this is a PDF document, not a log in text form. Export the readings as CSV and import that.",
)
broken(
    "gzip",
    None,
    b"\x1f\x8b\x08" + b"x" * 30,
    "x.csv: this is a gzip archive, not a log in text form. Unpack it and import what is inside.",
)
broken(
    "picture",
    None,
    b"\x89PNG\r\n\x1a\n",
    "x.csv: this is a picture, not a log in text form. Import the log itself, not a picture of it.",
)
broken(
    "NUL bytes",
    WIDE,
    HEAD + b"0,20,1\n1,2\x00\x00\x00",
    "x.csv: line 3: there is a NUL byte: this is not text, or text in another encoding. Check the "
    "encoding (UTF-16 has a zero in every second byte), or copy the file again: a log cut off by a "
    "power failure often ends in zeros.",
)
broken(
    "control characters",
    WIDE,
    HEAD + b"0,20,\x07\n",
    "x.csv: line 2: there is a control character (07): this is not a log in text form. Export the "
    "readings as CSV and import that.",
)
broken(
    "binary junk",
    None,
    bytes(range(1, 256)),
    "x.csv: line 2: bytes 81 82 are not cp1252 text. Check that this is a log in text form.",
)
broken(
    "giant line",
    WIDE,
    HEAD + b"0,20,1\n" + b"9" * 1_000_001 + b"\n",
    "x.csv: line 3: the line is 1000001 bytes long; a log's line has at most 1000000. Check that "
    "this is a log in text form with a line for each row.",
)
broken(
    "not UTF-8",
    WIDE,
    HEAD + b"0,20,1\n1,20,\xb5\n",
    'x.csv: line 3: bytes B5 0A are not utf-8 text. Set encoding = "cp1252" in the shape if the '
    "meter writes Latin-1, or import it with a new guess.",
)
broken(
    "not Latin-1",
    replace(WIDE, encoding="cp1252"),
    HEAD + b"0,\x81,1\n",
    "x.csv: line 2: bytes 81 2C are not cp1252 text. Check that this is a log in text form.",
)
broken(
    "odd length of UTF-16",
    replace(WIDE, encoding="utf-16-le"),
    (HEAD + b"0,20,1").decode().encode("utf-16-le") + b"1",
    "x.csv: line 2: bytes 31 are not utf-16-le text. The file may have been cut short: copy it again.",
)
broken(
    "another mark",
    WIDE,
    HEAD.decode().encode("utf-16"),
    "x.csv: line 1: the byte-order mark says utf-16-le, the shape says utf-8. Set encoding = "
    '"utf-16-le" in the shape, or import the file with a new guess.',
)
broken(
    "only a preamble, guessed",
    None,
    b"Meter log\nserial,5\nnote,nothing followed\n",
    "x.csv: no rows of numbers are to be seen in 3 lines: a preamble without readings, or no log at "
    "all. Check that the log was stopped and saved before it was copied.",
)
broken(
    "only a preamble",
    WIDE,
    b"Meter log\nserial,5\n",
    "x.csv: the header of shape m1 ('Time (s)', 'U (V)', 'I (mA)') is nowhere in the file. Import the file with a new "
    "guess if the meter writes another form now.",
)
broken(
    "headers renamed",
    WIDE,
    b"Time (s),V (V),I (mA)\n0,20,1\n",
    "x.csv: the header of shape m1 ('Time (s)', 'U (V)', 'I (mA)') is nowhere in the file. Import the file with a new "
    "guess if the meter writes another form now.",
)
broken(
    "nothing below the header",
    WIDE,
    b"Meter\n" + HEAD + b"\n,,\n",
    "x.csv: line 2: there is no row of readings below the header. Check that the log was stopped and"
    " saved before it was copied.",
)
broken(
    "header stands twice",
    replace(WIDE, headers=("Time (s)", "U (V)", "U (V)", "I (mA)")),
    b"Time (s),U (V),U (V),I (mA)\n0,20,20,1\n",
    "x.csv: line 1: header 'U (V)' stands 2 times, columns 2, 3. Give the channels of the meter "
    "names of their own, or leave this header unused in the shape.",
)
broken(
    "log started anew",
    WIDE,
    HEAD + b"0,20,1\n1,20,1\n" + HEAD + b"0,20,1\n",
    "x.csv: line 4: the header stands here again: the log was started anew. Log each run to its own file.",
)
broken(
    "row too short",
    WIDE,
    HEAD + b"0,20,1\n1,20\n2,20,1\n",
    "x.csv: line 3: 2 fields, but the header has 3. Raw files are never edited: export the log "
    "again, or set footer in shape m1 to what the line begins with, so that lines from there on are "
    "left out.",
)
broken(
    "row too long",
    WIDE,
    HEAD + b"0,20,1\n1,20,1,5\n",
    "x.csv: line 3: 4 fields, but the header has 3. Raw files are never edited: export the log "
    "again, or set footer in shape m1 to what the line begins with, so that lines from there on are "
    "left out. A decimal comma in a file parted by commas looks like this.",
)
broken(
    "one field",
    SEMICOLON,
    SEMI + b"0;20;1\n1\n",
    "x.csv: line 3: 1 field, but the header has 3. Raw files are never edited: export the log again,"
    " or set footer in shape m1 to what the line begins with, so that lines from there on are left "
    "out. The last line is often cut short when logging stops.",
)
broken(
    "decimal comma between commas",
    WIDE,
    HEAD + b"0,20,5,1,5\n",
    "x.csv: line 2: 5 fields, but the header has 3. Raw files are never edited: export the log "
    "again, or set footer in shape m1 to what the line begins with, so that lines from there on are "
    "left out. A decimal comma in a file parted by commas looks like this.",
)
broken(
    "ragged among blanks",
    replace(
        WIDE,
        delimiter=" ",
        headers=("t", "U", "I"),
        columns=(ShapeColumn("U", "port_voltage_v", "V"),),
        time=ShapeTime("elapsed", ("t",)),
    ),
    b"t  U  I\n0  20  1\n1  20\n",
    "x.csv: line 3: 2 fields, but the header has 3. Raw files are never edited: export the log "
    "again, or set footer in shape m1 to what the line begins with, so that lines from there on are "
    "left out. The last line is often cut short when logging stops.",
)
broken(
    "word in a cell",
    WIDE,
    HEAD + b"0,20,1\n1,abc,1\n2,abc,x\n",
    "x.csv: line 3, column 'U (V)': cell 'abc' is neither a number nor a known word for a missing "
    "reading. If the meter means a missing reading by it, add it to `missing` of shape m1. (1 more "
    "like it in this column.)\nx.csv: line 4, column 'I (mA)': cell 'x' is neither a number nor a "
    "known word for a missing reading. If the meter means a missing reading by it, add it to "
    "`missing` of shape m1.",
)
broken(
    "wrong decimal mark",
    SEMICOLON,
    SEMI + b"0;20,5;1\n1;20.5;1\n",
    "x.csv: line 3, column 'U (V)': cell '20.5' has the decimal mark '.', the shape says ','. Import"
    ' the file with a new guess, or set decimal = "." in shape m1.',
)
broken(
    "comma for a point",
    replace(WIDE, delimiter=";"),
    SEMI + b"0;20,5;1\n",
    "x.csv: line 2, column 'U (V)': cell '20,5' has the decimal mark ',', the shape says '.'. Import"
    ' the file with a new guess, or set decimal = "," in shape m1.',
)
broken(
    "thousands and decimals",
    SEMICOLON,
    SEMI + b"0;20,5;1.234,5\n",
    "x.csv: line 2, column 'I (mA)': cell '1.234,5' has a mark between thousands as well as a "
    "decimal mark. If that is how the meter writes, set decimal and thousands in shape m1.",
)
broken(
    "thousands unstated",
    replace(WIDE, delimiter=";"),
    SEMI + b"0;20.5;1,234.5\n",
    "x.csv: line 2, column 'I (mA)': cell '1,234.5' has a mark between thousands as well as a "
    "decimal mark. If that is how the meter writes, set decimal and thousands in shape m1.",
)
broken(
    "thousands not throughout",
    replace(SEMICOLON, thousands="."),
    SEMI + b"0;20,5;1.234,5\n1;20,5;1234,5\n",
    "x.csv: line 3, column 'I (mA)': cell '1234,5' has no mark between thousands, others of this "
    "column have it: they cannot be told apart from decimals. Check the column; if no mark is meant,"
    ' set thousands = "" in shape m1.',
)
broken(
    "unit in the cell",
    WIDE,
    HEAD + b"0,20.1 V,1\n",
    "x.csv: line 2, column 'U (V)': cell '20.1 V' is a number with something behind it; a unit "
    "belongs in the header or a unit row. Have the meter log plain numbers.",
)
broken(
    "hexadecimal",
    WIDE,
    HEAD + b"0,0x14,1\n",
    "x.csv: line 2, column 'U (V)': cell '0x14' is a number with something behind it; a unit belongs"
    " in the header or a unit row. Have the meter log plain numbers.",
)
broken(
    "underscore",
    WIDE,
    HEAD + b"0,1_000,1\n",
    "x.csv: line 2, column 'U (V)': cell '1_000' is a number with something behind it; a unit "
    "belongs in the header or a unit row. Have the meter log plain numbers.",
)
broken(
    "too large",
    WIDE,
    HEAD + b"0,1e400,1\n",
    "x.csv: line 2, column 'U (V)': cell '1e400' is too large for a number. Check the line.",
)
broken(
    "very long cell",
    WIDE,
    HEAD + b"0," + b"x" * 100 + b",1\n",
    "x.csv: line 2, column 'U (V)': cell 'xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...' is neither a "
    "number nor a known word for a missing reading. If the meter means a missing reading by it, add "
    "it to `missing` of shape m1.",
)
broken(
    "quote never closed",
    WIDE,
    HEAD + b'0,"20,1\n1,20,1\n',
    "x.csv: line 2: the quotes do not fit: unexpected end of data. A quoted field ends with a quote "
    "before the next delimiter, and a quote inside it is doubled.",
)
broken(
    "text behind a quote",
    WIDE,
    HEAD + b'0,20,1\n1,"20"5,1\n',
    "x.csv: line 3: the quotes do not fit: ',' expected after '\"'. A quoted field ends with a quote "
    "before the next delimiter, and a quote inside it is doubled.",
)
broken(
    "no time in a row",
    WIDE,
    HEAD + b"0,20,1\n,20,1\n",
    "x.csv: line 3, column 'Time (s)': there is no time in this row, so its readings belong nowhere. Check the line.",
)
broken(
    "time overflows",
    WIDE,
    HEAD + b"0,20,1\n9.91E37,20,1\n",
    "x.csv: line 3, column 'Time (s)': there is no time in this row, so its readings belong nowhere. Check the line.",
)
broken(
    "time goes back",
    WIDE,
    HEAD + b"0,20,1\n2,20,1\n1.5,20,1\n3,20,1\n0,20,1\n",
    "x.csv: line 4: time goes back by 0.5 s against the reading before, the first of 2 places. Its "
    "clock was set, passed midnight or the log was started anew: log each run to its own file.",
)
broken(
    "no date",
    DATED,
    DATE + b"2026-10-03 10:22:00,20,1\n2026-13-03 10:22:00,20,1\n",
    "x.csv: line 3, column 'Time': cell '2026-13-03 10:22:00' is not a date and time like "
    "'2026-10-03 10:22:00'. If day, month and year come in another order, set time.order in shape "
    "m1.",
)
broken(
    "29 February of a common year",
    DATED,
    DATE + b"2026-02-29 10:22:00,20,1\n",
    "x.csv: line 2, column 'Time': cell '2026-02-29 10:22:00' is not a date and time like "
    "'2026-10-03 10:22:00'. If day, month and year come in another order, set time.order in shape "
    "m1.",
)
broken(
    "day first in year first",
    DATED,
    DATE + b"03.10.2026 10:22:00,20,1\n",
    "x.csv: line 2, column 'Time': cell '03.10.2026 10:22:00' is not a date and time like "
    "'2026-10-03 10:22:00'. If day, month and year come in another order, set time.order in shape "
    "m1.",
)
broken(
    "zone on some rows",
    DATED,
    DATE + b"2026-10-03T10:22:00+02:00,20,1\n2026-10-03T10:22:01,20,1\n",
    "x.csv: line 3, column 'Time': cell '2026-10-03T10:22:01' states no zone, other rows do. State "
    'it as time.utc_offset = "+02:00" in shape m1.',
)
broken(
    "clocks go back",
    DATED,
    DATE + b"2026-10-25 02:59:59,20,1\n2026-10-25 02:00:00,20,1\n",
    "x.csv: line 3: time goes back by 3599 s against the reading before. Its clock was set, passed "
    "midnight or the log was started anew: log each run to its own file.",
)
broken(
    "no clock",
    CLOCKED,
    DATE + b"00:00:01,20,1\n00:61:00,20,1\n",
    "x.csv: line 3, column 'Time': cell '00:61:00' is not a time like '00:12:30.5' (hours, minutes, "
    "seconds). If the column holds something else, correct time.kind in shape m1.",
)
broken(
    "unit row of another dimension",
    ROW_UNITS,
    b"Time,U,I\ns,W,mA\n0,20,1\n",
    "x.csv: line 2, column 'U': unit of port_voltage_v: 'W' is a unit of something else; expected V,"
    " or a multiple of it. Set the unit of the column in shape m1.",
)
broken(
    "unit row without unit",
    ROW_UNITS,
    b"Time,U,I\ns,,foo\n0,20,1\n",
    "x.csv: line 2, column 'U': unit of port_voltage_v: there is no unit; expected V, or a multiple "
    "of it. Set the unit of the column in shape m1.\nx.csv: line 2, column 'I': unit of "
    "port_current_a: 'foo' is not a unit. Set the unit of the column in shape m1.",
)
broken(
    "unit of the shape unknown",
    replace(WIDE, columns=(ShapeColumn("U (V)", "port_voltage_v", "volz"),)),
    HEAD + b"0,20,1\n",
    "x.csv: line 1, column 'U (V)': unit of port_voltage_v: 'volz' is not a unit. Set the unit of "
    "the column in shape m1.",
)
broken(
    "unit of the time",
    replace(WIDE, time=ShapeTime("elapsed", ("Time (s)",), unit="V")),
    HEAD + b"0,20,1\n",
    "x.csv: line 2, column 'Time (s)': unit of the time: 'V' is a unit of something else; expected "
    "s, or a multiple of it. Set time.unit in the shape.",
)
broken(
    "no column in use",
    replace(WIDE, columns=()),
    HEAD + b"0,20,1\n",
    "x.csv: shape m1 uses no column. Name at least one in shapes.toml.",
)
broken(
    "unknown quantity in a long file",
    LONG,
    LONG_HEAD + b"0,Voltage,1,20,V\n0,Voltage,2,9,V\n1,Voltage,2,9,V\n",
    "x.csv: line 3: shape m2 does not know the quantity 'Voltage', channel '2' (2 rows). Add it to "
    'the shape, with column = "" if it is not to be used.',
)
broken(
    "unknown unit in a long file",
    LONG,
    LONG_HEAD + b"0,Voltage,1,20,V\n0,Current,1,2,W\n",
    "x.csv: line 3, column 'unit': unit of port_current_a@C1: 'W' is a unit of something else; "
    "expected A, or a multiple of it. Set the unit of 'Current' in shape m2.",
)
broken(
    "time goes back in one series",
    LONG,
    LONG_HEAD + b"1,Voltage,1,20,V\n0,Current,1,2,A\n0,Voltage,1,20,V\n",
    "x.csv: line 4: time goes back by 1 s against the reading before. Its clock was set, passed "
    "midnight or the log was started anew: log each run to its own file.",
)
broken(
    "word in a long file",
    LONG,
    LONG_HEAD + b"1,Voltage,1,twenty,V\n",
    "x.csv: line 2, column 'value': cell 'twenty' is neither a number nor a known word for a missing"
    " reading. If the meter means a missing reading by it, add it to `missing` of shape m2.",
)

broken(
    "two columns for one port",
    replace(WIDE, columns=(*WIDE.columns, ShapeColumn("Time (s)", "port_voltage_v@C1", "V"))),
    HEAD + b"0,20,1\n",
    "x.csv: line 1: two columns would be port_voltage_v@C1. Name the port of each in shape m1 (port_voltage_v@C1).",
)
broken(
    "two series for one port",
    replace(LONG, columns=(*LONG.columns, ShapeColumn("Voltage", "port_voltage_v", channel="2"))),
    LONG_HEAD + b"0,Voltage,1,20,V\n0,Voltage,2,9,V\n",
    "x.csv: line 1: two columns would be port_voltage_v@C1. Name the port of each in shape m2 (port_voltage_v@C1).",
)
broken(
    "a long file of unused quantities",
    replace(LONG, columns=(*LONG.columns, ShapeColumn("Temp", "", channel=""))),
    LONG_HEAD + b"0,Temp,,20,C\n",
    "x.csv: line 2: none of the quantities shape m2 uses is in the file. Import the file with a new guess.",
)


@pytest.mark.parametrize(("shape", "data", "message"), BROKEN)
def test_refused_in_these_words(shape, data, message):
    def run():
        if shape is None:
            guess_shape(data, "x.csv")
        else:
            conditions = Conditions.of(port="C1")
            read_table(data, name="x.csv", raw=RawFile("x.csv", "0"), shape=shape, conditions=conditions)

    with pytest.raises(ReadError) as caught:
        run()
    assert str(caught.value) == message


def test_enough_broken_files():
    assert len(BROKEN) >= 25


def test_a_port_that_nobody_named():
    with pytest.raises(ReadError) as caught:
        read_table(HEAD + b"0,20,1\n", name="x.csv", raw=RawFile("x.csv", "0"), shape=WIDE)
    assert str(caught.value) == (
        "x.csv: line 1: column 'U (V)' is a port's, but neither the shape nor the conditions say which port. Add port = "
        '"C1" to the conditions of the file.'
    )

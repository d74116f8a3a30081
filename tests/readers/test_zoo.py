"""A zoo of ugly logs: each is guessed, confirmed where a guess cannot know, read, and must give the known readings."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.shape import Shape, ShapeTime
from brickbook.core.table import RawFile
from brickbook.readers import guess_shape, matching_shape, read_table

NAN = float("nan")


@dataclass
class Animal:
    id: str
    data: bytes
    columns: dict[str, list[float]]
    lines: list[int]
    start: str = ""
    dropped: list[tuple[int, str, int]] = field(default_factory=list)
    confirm: list[tuple[str, ...]] = field(default_factory=list)  # header, column[, unit[, channel]]
    change: dict[str, object] = field(default_factory=dict)


ZOO = [
    Animal(
        "plain comma",
        b"Time (s),Voltage C1 (V),Current C1 (A)\n0,20.01,3\n1,20.02,3.01\n",
        {"time_s": [0, 1], "port_voltage_v@C1": [20.01, 20.02], "port_current_a@C1": [3, 3.01]},
        [2, 3],
    ),
    Animal(
        "no line feed at the end",
        b"Time (s),Voltage C1 (V)\n0,20.01\n1,20.02",
        {"time_s": [0, 1], "port_voltage_v@C1": [20.01, 20.02]},
        [2, 3],
    ),
    Animal(
        "byte-order mark, CR LF, semicolon, decimal comma",
        "\ufeffZeit [s];Spannung C1 [V];Strom C1 [mA]\r\n0,0;20,01;3000\r\n0,5;20,02;3010,5\r\n".encode(),
        {"time_s": [0, 0.5], "port_voltage_v@C1": [20.01, 20.02], "port_current_a@C1": [3, 3.0105]},
        [2, 3],
    ),
    Animal(
        "UTF-16 little-endian with mark, tab",
        "Time\tUSB-C 2 V\n[s]\t[V]\n0\t9.01\n1\t9.02\n".encode("utf-16"),
        {"time_s": [0, 1], "port_voltage_v@C2": [9.01, 9.02]},
        [3, 4],
    ),
    Animal(
        "UTF-16 big-endian without mark",
        "Time (s)\tPort A Voltage (V)\r\n0\t5.01\r\n1\t5.02\r\n".encode("utf-16-be"),
        {"time_s": [0, 1], "port_voltage_v@A": [5.01, 5.02]},
        [2, 3],
    ),
    Animal(
        "Latin-1 with degree sign",
        "Zeit [s];Temp. Gehäuse [°C];Umgebungstemperatur [°C]\n0;45,5;23,1\n10;46,5;23,2\n".encode("cp1252"),
        {"time_s": [0, 10], "temperature_c@gehause": [45.5, 46.5], "ambient_c": [23.1, 23.2]},
        [2, 3],
    ),
    Animal(
        "long preamble with delimiters, numbers and blank lines in it",
        b"Log 7\nserial,12345\nfirmware,1.2\n\n"
        + b"note,a,b,c,d\n" * 55
        + b"\nElapsed [ms],P_in [W],PF\n0,11.5,0.51\n250,11.6,0.52\n",
        {"time_s": [0, 0.25], "mains_power_w": [11.5, 11.6], "mains_pf": [0.51, 0.52]},
        [62, 63],
    ),
    Animal(
        "unit row, header behind a comment mark",
        b"# wall meter\n# t, U_in, I_in, P_in\n# s, V, mA, mW\n0.0, 230.1, 51.2, 6100\n0.1, 230.2, 51.3, 6200\n",
        {
            "time_s": [0, 0.1],
            "mains_voltage_v": [230.1, 230.2],
            "mains_current_a": [0.0512, 0.0513],
            "mains_power_w": [6.1, 6.2],
        },
        [4, 5],
    ),
    Animal(
        "comment lines between the rows",
        b"t [s],P_in [W]\n0,10\n# range changed\n1,11\n# again\n2,12\n",
        {"time_s": [0, 1, 2], "mains_power_w": [10, 11, 12]},
        [2, 4, 6],
        dropped=[(2, "comment line, begins with '#'", 3)],
    ),
    Animal(
        "trailing delimiter in the rows only",
        b"Time (s);Vout C1 (V);Iout C1 (A)\n0;20,5;1;\n1;20,6;2;\n",
        {"time_s": [0, 1], "port_voltage_v@C1": [20.5, 20.6], "port_current_a@C1": [1, 2]},
        [2, 3],
    ),
    Animal(
        "trailing delimiters in header and some rows",
        b"Time (s),Vout C1 (V),Iout C1 (A),\n0,20.5,1,\n1,20.6,2\n2,20.7,3,\n",
        {"time_s": [0, 1, 2], "port_voltage_v@C1": [20.5, 20.6, 20.7], "port_current_a@C1": [1, 2, 3]},
        [2, 3, 4],
    ),
    Animal(
        "all fields quoted",
        b'"Time (s)","Input power, W","Line voltage, V"\n"0","10.5","230"\n"1","10.6","231"\n',
        {"time_s": [0, 1], "mains_power_w": [10.5, 10.6], "mains_voltage_v": [230, 231]},
        [2, 3],
    ),
    Animal(
        "quoted remark running over two lines",
        b'Time (s),P_in (W),Remark\n0,10.5,"first\nsecond, line"\n1,10.6,\n',
        {"time_s": [0, 1], "mains_power_w": [10.5, 10.6]},
        [2, 4],
    ),
    Animal(
        "missing readings of many kinds",
        b"Time (s),P_in (W)\n0,\n1,-\n2,---\n3,NaN\n4,OL\n5,n/a\n6,7.5\n7,-\n",
        {"time_s": [0, 1, 2, 3, 4, 5, 6, 7], "mains_power_w": [NAN, NAN, NAN, NAN, NAN, NAN, 7.5, NAN]},
        [2, 3, 4, 5, 6, 7, 8, 9],
        dropped=[
            (1, "P_in (W): missing, written ''", 2),
            (2, "P_in (W): missing, written '-'", 3),
            (1, "P_in (W): missing, written '---'", 4),
            (1, "P_in (W): missing, written 'NaN'", 5),
            (1, "P_in (W): overload, written 'OL'", 6),
            (1, "P_in (W): missing, written 'n/a'", 7),
        ],
    ),
    Animal(
        "SCPI overflow and not-a-number, both signs",
        b"Time (s),P_in (W)\n0,+9.9E37\n1,-9.9E+37\n2,9.91E37\n3,-9.91E37\n4,+1.05000E+01\n",
        {"time_s": [0, 1, 2, 3, 4], "mains_power_w": [NAN, NAN, NAN, NAN, 10.5]},
        [2, 3, 4, 5, 6],
        dropped=[
            (2, "P_in (W): overload, sent as 9.9E37", 2),
            (2, "P_in (W): not a number, sent as 9.91E37", 4),
        ],
    ),
    Animal(
        "ISO date-time with zone and fraction",
        b"timestamp;P_in [W]\n2026-10-03T10:22:00.250+02:00;10\n2026-10-03T08:22:01Z;11\n",
        {"time_s": [0, 0.75], "mains_power_w": [10, 11]},
        [2, 3],
        start="2026-10-03T10:22:00.25+02:00",
    ),
    Animal(
        "date and time of day in two columns, day first",
        b"Datum;Uhrzeit;Leistung Eingang [W]\n30.09.2026;23:59:59;10\n01.10.2026;00:00:00;11\n",
        {"time_s": [0, 1], "mains_power_w": [10, 11]},
        [2, 3],
        start="2026-09-30T23:59:59",
    ),
    Animal(
        "month first with half days",
        b"Date Time,AC Power (W)\n10/31/2026 11:59:59 PM,10\n11/1/2026 12:00:01 AM,11\n",
        {"time_s": [0, 2], "mains_power_w": [10, 11]},
        [2, 3],
        start="2026-10-31T23:59:59",
    ),
    Animal(
        "epoch in seconds with fraction",
        b"time,P_in (W)\n1790000000.25,10\n1790000001.75,11\n",
        {"time_s": [0, 1.5], "mains_power_w": [10, 11]},
        [2, 3],
        start="2026-09-21T14:13:20.250000+00:00",
    ),
    Animal(
        "epoch in milliseconds",
        b"epoch|P_in (W)\n1790000000250|10\n1790000001751|11\n",
        {"time_s": [0, 1.501], "mains_power_w": [10, 11]},
        [2, 3],
        start="2026-09-21T14:13:20.250000+00:00",
    ),
    Animal(
        "elapsed clock beyond a day, bars",
        b"Elapsed|USB-C 1 Voltage (V)\n23:59:59.5|20\n24:00:00.0|20.1\n",
        {"time_s": [86399.5, 86400], "port_voltage_v@C1": [20, 20.1]},
        [2, 3],
    ),
    Animal(
        "no time, an interval is stated",
        b"P_in [W];V_in [V]\n10,5;230\n11,5;231\n12,5;232\n",
        {"time_s": [0, 0.25, 0.5], "mains_power_w": [10.5, 11.5, 12.5], "mains_voltage_v": [230, 231, 232]},
        [2, 3, 4],
        change={"time": ShapeTime("interval", interval_s=0.25)},
    ),
    Animal(
        "aligned by blanks, unit row",
        b"   Time   Voltage   Current\n    [s]       [V]      [mA]\n    0.0    20.010    3000.0\n   10.0    20.020     500.0\n",
        {"time_s": [0, 10], "port_voltage_v@C1": [20.01, 20.02], "port_current_a@C1": [3, 0.5]},
        [3, 4],
    ),
    Animal(
        "thousands with apostrophe",
        b"Zeit [s];Leistung Netz [mW]\n0;1'234.5\n1;12'234.5\n2;999.5\n",
        {"time_s": [0, 1, 2], "mains_power_w": [1.2345, 12.2345, 0.9995]},
        [2, 3, 4],
    ),
    Animal(
        "thousands with point, decimal comma",
        b"Zeit [s];Leistung Netz [mW]\n0;1.234,5\n1;1.002.234,5\n",
        {"time_s": [0, 1], "mains_power_w": [1.2345, 1002.2345]},
        [2, 3],
    ),
    Animal(
        "long file with units, times shared",
        b"time,quantity,channel,value,unit\n0,Voltage,C1,20,V\n0,Current,C1,2000,mA\n1,Voltage,C1,20.5,V\n1,Current,C1,2.5,A\n",
        {"time_s": [0, 1], "port_voltage_v@C1": [20, 20.5], "port_current_a@C1": [2, 2.5]},
        [2, 4],
    ),
    Animal(
        "long file sorted by quantity, one series unknown",
        b"Zeit [s];Messgr\xf6\xdfe;Wert;Einheit\n0;Wirkleistung Eingang;10,5;W\n2;Wirkleistung Eingang;11,5;W\n1;Blah;3;V\n2;Netzspannung;230;V\n",
        {"time_s": [0, 2], "mains_power_w": [10.5, 11.5], "mains_voltage_v": [NAN, 230]},
        [2, 3],
        dropped=[(1, "Blah: not used by the shape", 4)],
        confirm=[("Blah", "")],
    ),
    Animal(
        "long file, one series twice at one time",
        b"time (s),parameter,value\n0,P_in (W),10\n0,P_in (W),11\n0,V_in (V),230\n",
        {"time_s": [0, 0], "mains_power_w": [10, 11], "mains_voltage_v": [230, NAN]},
        [2, 3],
    ),
    Animal(
        "French",
        "Temps (s);Tension entrée (V);Courant entrée (mA);Puissance entrée (W);Facteur de puissance\n0;230,1;50;5,5;0,48\n1;230;51;5,6;0,49\n".encode(),
        {
            "time_s": [0, 1],
            "mains_voltage_v": [230.1, 230],
            "mains_current_a": [0.05, 0.051],
            "mains_power_w": [5.5, 5.6],
            "mains_pf": [0.48, 0.49],
        },
        [2, 3],
    ),
    Animal(
        "Spanish, salida and puerto",
        "Tiempo (s);Tensión salida puerto C1 (V);Corriente salida puerto C1 (A);Potencia red (W)\n0;5,1;1;6\n1;5,1;1;6\n".encode(
            "cp1252"
        ),
        {"time_s": [0, 1], "port_voltage_v@C1": [5.1, 5.1], "port_current_a@C1": [1, 1], "mains_power_w": [6, 6]},
        [2, 3],
    ),
    Animal(
        "meter's channels, confirmed as ports",
        b"Time (s),CH1 V (V),CH1 I (A),CH2 V (V)\n0,20,1,9\n1,20,1,9\n",
        {"time_s": [0, 1], "port_voltage_v@C1": [20, 20], "port_current_a@C1": [1, 1], "port_voltage_v@C2": [9, 9]},
        [2, 3],
        confirm=[
            ("CH1 V (V)", "port_voltage_v@C1"),
            ("CH1 I (A)", "port_current_a@C1"),
            ("CH2 V (V)", "port_voltage_v@C2"),
        ],
    ),
    Animal(
        "power analyser with harmonics and distortion",
        b"Time (s),U (V),I (mA),P (W),S (VA),f (Hz),THD I (%),CF,H3 (mA),H5 (mA)\n0,230,50,5,11,50,150,4.5,30,20\n1,231,51,5,11,50,150,4.5,30,20\n",
        {
            "time_s": [0, 1],
            "mains_voltage_v": [230, 231],
            "mains_current_a": [0.05, 0.051],
            "mains_power_w": [5, 5],
            "mains_apparent_va": [11, 11],
            "mains_frequency_hz": [50, 50],
            "mains_current_thd_ratio": [1.5, 1.5],
            "mains_current_crest": [4.5, 4.5],
            "mains_harmonic_a@3": [0.03, 0.03],
            "mains_harmonic_a@5": [0.02, 0.02],
        },
        [2, 3],
    ),
    Animal(
        "Fahrenheit and micro signs of both kinds",
        "Time (min);T case (°F);I_in (µA);V_in (μV)\n0;212;5;7\n2;32;6;8\n".encode(),
        {
            "time_s": [0, 120],
            "temperature_c@case": [100, 0],
            "mains_current_a": [5e-6, 6e-6],
            "mains_voltage_v": [7e-6, 8e-6],
        },
        [2, 3],
    ),
    Animal(
        "line ends of CR alone, blank rows of delimiters at the end",
        b"Time (s);P_in (W)\r0;10\r;\r1;11\r;\r;\r",
        {"time_s": [0, 1], "mains_power_w": [10, 11]},
        [2, 4],
    ),
    Animal(
        "typographic minus, energy, footer",
        "Time (s);Energy (kWh);Temp. board (°C)\n0;0.001;−1.5\n1;0.002;−2\nEnd of log;;\nMax;1;2\n".encode(),
        {"time_s": [0, 1], "mains_energy_wh": [1, 2], "temperature_c@board": [-1.5, -2]},
        [2, 3],
        dropped=[(2, "line from the footer 'End of log' on", 4)],
        change={"footer": "End of log"},
    ),
    Animal(
        "a line of dashes below the header",
        b"Time (s)  P_in (W)\n--------  --------\n     0.0      10.5\n     1.0      11.5\n",
        {"time_s": [0, 1], "mains_power_w": [10.5, 11.5]},
        [3, 4],
    ),
    Animal(
        "empty brackets below the header",
        b"t,PF\n,[]\n0,0.5\n1,0.6\n",
        {"time_s": [0, 1], "mains_pf": [0.5, 0.6]},
        [3, 4],
    ),
    Animal(
        "one column, decimal comma, no delimiter",
        b"P_in [W]\n10,5\n11,5\n",
        {"time_s": [0, 2], "mains_power_w": [10.5, 11.5]},
        [2, 3],
        change={"time": ShapeTime("interval", interval_s=2.0)},
    ),
    Animal(
        "no header at all",
        b"0.0\t230.5\t10\n0.5\t230.6\t11\n",
        {"time_s": [0, 0.5], "mains_voltage_v": [230.5, 230.6], "mains_power_w": [10, 11]},
        [1, 2],
        confirm=[("column 2", "mains_voltage_v", "V"), ("column 3", "mains_power_w", "W")],
        change={"time": ShapeTime("elapsed", ("column 1",))},
    ),
    Animal(
        "a meter's own word for nothing, repeated times",
        b"Time (s),P_in (W)\n0,10\n0,sleep\n1,11\n1,SLEEP\n",
        {"time_s": [0, 0, 1, 1], "mains_power_w": [10, NAN, 11, NAN]},
        [2, 3, 4, 5],
        dropped=[(1, "P_in (W): missing, written 'sleep'", 3), (1, "P_in (W): missing, written 'SLEEP'", 5)],
        change={"missing": ("sleep",)},
    ),
]


def confirmed(animal: Animal) -> Shape:
    shape = guess_shape(animal.data, animal.id).shape
    if animal.change:
        shape = replace(shape, **animal.change)
    for header, column, *rest in animal.confirm:
        shape = shape.with_column(header, column, unit=rest[0] if rest else None, channel=rest[1] if rest[1:] else "")
    return shape


def read(animal: Animal, shape: Shape, data: bytes):
    return read_table(
        data, name="log.csv", raw=RawFile("log.csv", "00"), shape=shape, conditions=Conditions.of(port="C1")
    )


@pytest.mark.parametrize("animal", ZOO, ids=lambda a: a.id)
def test_zoo(animal):
    table = read(animal, confirmed(animal), animal.data)
    assert sorted(table.columns) == sorted(animal.columns)
    for name, values in animal.columns.items():
        np.testing.assert_array_equal(table.columns[name], np.array(values, dtype=float), err_msg=name)
        assert name in table.origins
    assert table.lines.tolist() == animal.lines
    assert table.start == animal.start
    assert [(d.count, d.reason, d.first_line) for d in table.dropped] == animal.dropped


@pytest.mark.parametrize("animal", [a for a in ZOO if a.id != "no header at all"], ids=lambda a: a.id)
def test_the_next_file_of_the_shape_is_recognised(animal):
    """Another preamble, the same headers: the same shape; lines move down by what was put before."""
    shape = confirmed(animal)
    others = [
        replace(confirmed(other), id=other.id) for other in ZOO if guess_shape(other.data, "x").shape.id != shape.id
    ]
    encoding = shape.encoding
    more = "written by another firmware\n\nit says: more\n".encode(encoding)
    mark = b""
    for bom in (b"\xef\xbb\xbf", b"\xff\xfe"):
        if animal.data.startswith(bom):
            mark = bom
    data = mark + more + animal.data.removeprefix(mark)
    assert matching_shape(data, [*others, shape]) == shape
    assert guess_shape(data, "x").shape.id == guess_shape(animal.data, "x").shape.id
    if b"\r" not in animal.data:
        assert read(animal, shape, data).lines.tolist() == [line + 3 for line in animal.lines]


def test_the_zoo_is_large_enough():
    assert len(ZOO) >= 25
    assert len({a.id for a in ZOO}) == len(ZOO)

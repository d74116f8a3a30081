"""What the guess says: columns, how sure, why; and that known shapes are found again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from brickbook.core.errors import ReadError
from brickbook.core.shape import Shape, ShapeTime
from brickbook.readers import guess_shape, matching_shape
from brickbook.readers.words import channel_id, meaning_of


def header(text, row="0,1,2,3", delimiter=","):
    """The guess of a table with this header and two like rows."""
    width = text.count(delimiter) + 1
    rows = "\n".join(delimiter.join([str(k), *row.split(",")[1:width]]) for k in range(2))
    return guess_shape(f"{text}\n{rows}\n".encode(), "x.csv")


def told(guess):
    return [(c.header, c.column, c.unit, c.confidence) for c in guess.columns]


def test_a_guess_gives_each_column_with_reason_and_confidence():
    guess = header("Time (s),USB-C 1 Voltage (V),Output current,Remark")
    assert told(guess) == [
        ("Time (s)", "time_s", "s", "sure"),
        ("USB-C 1 Voltage (V)", "port_voltage_v@C1", "V", "sure"),
        ("Output current", "port_current_a", "A", "likely"),
        ("Remark", "", "", "unsure"),
    ]
    assert [c.reason for c in guess.columns] == [
        "header 'Time (s)'",
        "word 'voltage'; port C1",
        "word 'current' + 'output'; port side; the port is the one in the file's conditions; no unit, taken as A",
        "no known word",
    ]
    assert guess.unmapped == ("Remark",)
    assert not guess.sure
    assert guess.header_line == 1
    assert guess.first_line == 2
    assert guess.preamble_lines == 0
    assert guess.notes == (
        "encoding utf-8: plain ASCII",
        "delimiter comma: 2 rows of 4 fields",
        "decimal mark '.': no cell has one",
        "header in line 1",
    )
    assert guess.shape.id == guess.shape.fingerprint


def test_a_guess_may_be_sure():
    assert header("Time (s),P_in (W),V_in (V)").sure


@pytest.mark.parametrize(
    ("word", "column"),
    [
        # English, German, French, Spanish; common practice, no source
        ("Mains voltage (V)", "mains_voltage_v"),
        ("Input Power [W]", "mains_power_w"),
        ("AC Current (A)", "mains_current_a"),
        ("Power Factor", "mains_pf"),
        ("Line Frequency (Hz)", "mains_frequency_hz"),
        ("Apparent Power (VA)", "mains_apparent_va"),
        ("Energy (Wh)", "mains_energy_wh"),
        ("Voltage THD (%)", "mains_voltage_thd_ratio"),
        ("Current THD (%)", "mains_current_thd_ratio"),
        ("Crest Factor", "mains_current_crest"),
        ("Harmonic 3 (mA)", "mains_harmonic_a@3"),
        ("H11 [mA]", "mains_harmonic_a@11"),
        ("Ambient (°C)", "ambient_c"),
        ("Temperature case (°C)", "temperature_c@case"),
        ("Tcase (°C)", "temperature_c@case"),
        ("Vbus C2 (V)", "port_voltage_v@C2"),
        ("USB-A Voltage (V)", "port_voltage_v@A1"),
        ("Port B Power (W)", "port_power_w@B"),
        ("Output Voltage (V)", "port_voltage_v"),
        ("Netzspannung [V]", "mains_voltage_v"),
        ("Eingangsleistung [W]", "mains_power_w"),
        ("Ausgangsstrom [mA]", "port_current_a"),
        ("Spannung C1 [V]", "port_voltage_v@C1"),
        ("Leistungsfaktor", "mains_pf"),
        ("Scheinleistung [VA]", "mains_apparent_va"),
        ("Umgebungstemperatur [°C]", "ambient_c"),
        ("Tension sortie (V)", "port_voltage_v"),
        ("Courant entrée (mA)", "mains_current_a"),
        ("Puissance secteur (W)", "mains_power_w"),
        ("Facteur de puissance", "mains_pf"),
        ("Fréquence (Hz)", "mains_frequency_hz"),
        ("Corriente salida (A)", "port_current_a"),
        ("Potencia entrada (W)", "mains_power_w"),
        ("Voltaje C1 (V)", "port_voltage_v@C1"),
        ("Factor de potencia", "mains_pf"),
        # nothing of ours
        ("Reactive power (var)", ""),
        ("Output voltage max (V)", ""),
        ("Step", ""),
        ("Power (W)", ""),
        ("Input humidity (%)", ""),
    ],
)
def test_header_words(word, column):
    (guess,) = header(f"Time (s);{word}", delimiter=";").columns[1:]
    assert guess.column == column
    assert guess.reason


@pytest.mark.parametrize(
    ("text", "channel", "sure"),
    [
        ("USB-C 2", "C2", True),
        ("usb_c2", "C2", True),
        ("Type C1", "C1", True),
        ("Port A", "A", True),
        ("Port 3", "3", True),
        ("CH1", "CH1", False),
        ("Kanal 2", "CH2", False),
        ("USB-A", "A1", True),
        ("AC voltage", "", False),
        ("Cable", "", False),
    ],
)
def test_ports(text, channel, sure):
    assert channel_id(text) == (channel, sure)


def test_sides_are_told_apart_by_the_voltage():
    """No USB port gives more than 48 V and its tolerance (USB PD 3.2, EPR); no mains is below 85 V or so."""
    mains = header("t (s),U (V),I (A),P (W)", "0,230,0.1,20")
    assert [c.column for c in mains.columns[1:]] == ["mains_voltage_v", "mains_current_a", "mains_power_w"]
    assert mains.columns[3].confidence == "likely"
    assert mains.columns[3].reason == "word 'p'; the voltage is about 230 V, more than a USB port gives"
    port = header("t (s),U (V),I (A),P (W)", "0,20,1,20")
    assert [c.column for c in port.columns[1:]] == ["port_voltage_v", "port_current_a", "port_power_w"]


def test_an_analyser_is_known_by_what_only_the_mains_has():
    guess = header("t (s);U;I (A);PF", "0,20,1,0.5", ";")
    assert [c.column for c in guess.columns[1:]] == ["mains_voltage_v", "mains_current_a", "mains_pf"]
    assert "on the mains side" in guess.columns[1].reason


def test_distortion_without_unit_is_percent_only_when_it_must_be():
    assert header("t (s),THD I", "0,0.9").columns[1].unit == ""
    guess = header("t (s),THD I", "0,90").columns[1]
    assert (guess.unit, guess.confidence) == ("%", "unsure")


def test_one_column_for_one_quantity():
    guess = header("t (s),P_in (W),Input power (W)")
    assert [c.column for c in guess.columns[1:]] == ["mains_power_w", ""]
    assert guess.columns[2].reason == "would be mains_power_w, which 'P_in (W)' is already"
    assert guess.unmapped == ("Input power (W)",)


def test_equal_headers_are_left_out():
    guess = header("t (s),V (V),V (V),P_in (W)")
    assert [c.column for c in guess.columns[1:]] == ["", "", "mains_power_w"]
    assert "header 'V (V)' stands more than once: its columns cannot be told apart and are not used" in guess.notes


def test_a_unit_that_does_not_fit_its_word_is_doubted():
    guess = header("t (s),PF (V)").columns[1]
    assert guess.column == ""
    assert "unit 'V'" in guess.reason


def test_day_or_month_first_is_left_open_where_it_is_open():
    data = b"Date,P_in (W)\n03/10/2026 10:22:00,5\n03/10/2026 10:22:01,5\n"
    guess = guess_shape(data, "x")
    assert guess.columns[0].confidence == "unsure"
    assert guess.columns[0].reason == "date and time, day first; dmy and mdy both fit, make sure; no zone"
    sure = guess_shape(data.replace(b"03/10", b"10/31"), "x")
    assert sure.shape.time == ShapeTime("date-time", ("Date",), order="mdy")
    assert sure.columns[0].confidence == "sure"


def test_without_time_an_interval_is_asked_for():
    guess = guess_shape(b"P_in (W);V_in (V)\n1;2\n3;4\n", "x")
    assert guess.shape.time == ShapeTime("interval", interval_s=1.0)
    assert guess.columns[0].confidence == "unsure"
    assert guess.columns[0].reason == "the file tells no time: rows are taken as 1 s apart; state the true interval"


def test_a_comma_before_three_digits_is_doubted():
    guess = guess_shape(b"t;P_in (W)\n0;1,234\n1;2,345\n", "x")
    assert guess.shape.decimal == ","
    assert any("make sure it is not a mark between thousands" in note for note in guess.notes)


def test_a_preamble_longer_than_the_first_look():
    data = b"# remark\n" * 60_000 + b"t (s),P_in (W)\n0,1\n1,2\n"
    guess = guess_shape(data, "x")
    assert guess.header_line == 60_001
    assert matching_shape(data, [guess.shape]) == guess.shape


def test_a_header_with_more_fields_than_the_rows_is_said():
    guess = guess_shape(b"t,Power, W\n0,1\n1,2\n", "x")
    assert guess.header_line == 0
    assert "line 1 above the rows has 3 fields, they have 2: it is not taken as their header" in guess.notes


def test_series_of_a_long_file():
    data = b"t,item,port,value,unit\n" + b"".join(
        f"{k},{word},{port},{value},{unit}\n".encode()
        for k in range(3)
        for word, port, value, unit in (
            ("Voltage", "USB-C 1", 20, "V"),
            ("Voltage", "USB-C 2", 9, "V"),
            ("Temp", "", 30, "C"),
        )
    )
    guess = guess_shape(data, "x")
    shape = guess.shape
    assert (shape.layout, shape.quantity_header, shape.channel_header) == ("long", "item", "port")
    assert (shape.value_header, shape.unit_header) == ("value", "unit")
    assert [(c.header, c.channel, c.column) for c in shape.columns] == [
        ("Voltage", "USB-C 1", "port_voltage_v@C1"),
        ("Voltage", "USB-C 2", "port_voltage_v@C2"),
        ("Temp", "", "temperature_c"),
    ]


def test_no_shape_matches_another_file():
    guess = header("Time (s),P_in (W)")
    assert matching_shape(b"Time (s),P_out (W)\n0,1\n", [guess.shape]) is None
    assert matching_shape(b"Time (s);P_in (W)\n0;1\n", [guess.shape]) is None
    assert matching_shape("Time (s),P_in (W)\n0,1\n".encode("utf-16"), [guess.shape]) is None
    assert matching_shape(b"Time (s),P_in (W)\n0,1\n", []) is None
    unnamed = guess_shape(b"0,1\n1,2\n", "x").shape
    assert matching_shape(b"0,1\n1,2\n", [unnamed]) is None  # two numbers side by side are no sign


def test_the_first_known_shape_wins():
    first = header("Time (s),P_in (W)").shape
    assert matching_shape(b"x\nTIME (s) , p_in (W)\n0,1\n", [first, replace(first, id="other")]) == first


def test_a_broken_file_is_refused_by_the_match_too():
    with pytest.raises(ReadError, match="the file is empty"):
        matching_shape(b"", [header("Time (s),P_in (W)").shape])


def test_the_shape_of_a_guess_is_valid_whatever_the_headers():
    for text in ("a,a", '"a ""b""",c', "  ,x", "P_in (W),P_in (W)"):
        assert isinstance(header(text).shape, Shape)


def test_meaning_of_an_empty_header():
    assert meaning_of("").kind == ""

"""Observation sheets. Words: USB PD layouts by way of public headers; the decodes are written out by hand."""

from __future__ import annotations

import pytest

from brickbook.core.errors import ReadError
from brickbook.core.table import RawFile
from brickbook.readers.observations import OBSERVATION_HEADER, offers_of_words, read_observations
from brickbook.readers.registry import read_file

RAW = RawFile("seen.csv", "0" * 64)
HEAD = ",".join(OBSERVATION_HEADER)


def read(text, **more):
    (table,) = read_observations(text.encode(), name="seen.csv", raw=RAW, **more)
    return table.observations


def faults(text):
    with pytest.raises(ReadError) as caught:
        read(text)
    return [(f.place, f.problem) for f in caught.value.faults]


def test_the_example_of_the_modules_docstring():
    text = f"""{HEAD}
C1,C1,,0x0801912C 0x0002D12C 0x000640E1,,,,,,,,
# a remark
C1,C1,fixed,,20,,,19.93,2.25,load-bank,,held for a minute
C1+A1,A1,legacy,,5,2.4,BC 1.2 DCP,,,,,
A1+C1,C1,,0x0801912C 0x0002D0DE,,,,,,,yes,
"""
    words, held, legacy, shared = read(text)
    assert [(o.label, o.current_a, o.power_w) for o in words.offers] == [
        ("5 V", 3.0, 15.0),
        ("9 V", 3.0, 27.0),
        ("20 V", 2.25, 45.0),
    ]
    assert (held.draw.contract, held.draw.voltage_v, held.draw.current_a, held.draw.instrument) == (
        "20 V",
        19.93,
        2.25,
        "load-bank",
    )
    assert held.offers == ()
    assert (legacy.occupied, legacy.together, legacy.offers[0].label) == (("A1", "C1"), "A1+C1", "legacy 5 V")
    assert legacy.offers[0].protocol == "BC 1.2 DCP"
    assert legacy.interrupted is None
    assert shared.interrupted is True
    assert shared.offers[1].power_w == pytest.approx(19.98)  # 9 V x 2.22 A
    assert [o.line for o in (words, held, legacy, shared)] == [2, 4, 5, 6]


@pytest.mark.parametrize(
    ("word", "label", "current_a", "power_w"),
    [
        (0xC0DC213C, "PPS 3.3–11 V", 3.0, 33.0),
        (0xD230968C, "EPR AVS 15–28 V", 5.0, 140.0),  # 140 W / 28 V
        (0xE004B000, "SPR AVS 9–15 V", 3.0, 45.0),
        (0x8F0190C8, "variable 5–12 V", 2.0, 24.0),
        (0x4F02D06C, "battery 9–12 V", 2.25, 27.0),
        (0x0008C1F4, "28 V", 5.0, 140.0),
    ],
)
def test_kinds_of_words(word, label, current_a, power_w):
    (offer,) = offers_of_words([word])
    assert (offer.label, offer.current_a, offer.power_w) == (label, pytest.approx(current_a), pytest.approx(power_w))


def test_an_spr_avs_object_with_two_currents_is_two_modes():
    assert [(o.label, o.current_a) for o in offers_of_words([0xE004B0E1])] == [
        ("SPR AVS 9–15 V", 3.0),
        ("SPR AVS 15–20 V", 2.25),
    ]


def test_fillers_of_epr_capabilities_offer_nothing():
    assert [o.label for o in offers_of_words([0x0801912C, 0, 0, 0, 0, 0, 0, 0x0008C1F4])] == ["5 V", "28 V"]


def test_the_index_names_the_meter():
    (row,) = read(f"{HEAD}\nC1,C1,fixed,,5,,,5.02,3,,,\n", instruments={"port_current_a": "load-bank"})
    assert row.draw.instrument == "load-bank"


def test_semicolons_and_fewer_columns():
    (row,) = read("port;occupied;kind;voltage_v;current_a\nC1;C1+C2;pps;3.3-11;3\n")
    assert row.offers[0].label == "PPS 3.3–11 V"


def test_registry_knows_the_reader():
    (table,) = read_file("observations", f"{HEAD}\nC1,C1,fixed,,5,3,,,,,,\n".encode(), name="x", raw=RAW)
    assert len(table) == 1
    assert table.observations[0].offers[0].power_w == 15.0


@pytest.mark.parametrize(
    ("row", "place", "words"),
    [
        ("C1,C2,fixed,,5,3,,,,,,", "line 2, port", "'C2' is not among the occupied"),
        ("C1+C1,C1,fixed,,5,3,,,,,,", "line 2, occupied", "is no list of ports"),
        ("C1,C1,fast,,5,3,,,,,,", "line 2, kind", "'fast' is no kind of mode"),
        ("C1,C1,,,5,3,,,,,,", "line 2, kind", "neither words nor a kind"),
        ("C1,C1,fixed,,5,,,,,,,", "line 2, current_a", "neither an offered nor a drawn"),
        ("C1,C1,fixed,,5-9,3,,,,,,", "line 2, voltage_v", "a fixed mode has one voltage"),
        ("C1,C1,pps,,11,3,,,,,,", "line 2, voltage_v", "a pps mode has a range"),
        ("C1,C1,fixed,,5,three,,,,,,", "line 2, current_a", "'three' is not a number"),
        ("C1,C1,fixed,,5,nan,,,,,,", "line 2, current_a", "'nan' is not a number"),
        ("C1,C1,fixed,,5,,,5.1,,,,", "line 2, drawn_a", "drawn_v and drawn_a go together"),
        ("C1,C1,,0x0801912G,,,,,,,,", "line 2, words", "word 1 is '0x0801912G'"),
        ("C1,C1,fixed,0x0801912C,5,,,,,,,", "line 2, kind", "names no mode of its own"),
        ("C1,C1,fixed,,5,3,,,,,maybe,", "line 2, interrupted", "neither yes nor no"),
        ("C1,C1,fixed,,5,3,,,,,,a,b", "line 2", "13 fields"),
    ],
)
def test_bad_rows_name_line_and_column(row, place, words):
    ((found, problem),) = faults(f"{HEAD}\n{row}\n")
    assert found == place
    assert words in problem


def test_all_faulty_rows_are_told_at_once():
    assert len(faults(f"{HEAD}\nC1,C2,fixed,,5,3,,,,,,\nC1,C1,fast,,5,3,,,,,,\n")) == 2


@pytest.mark.parametrize("text", ["", HEAD, "port,kind\nC1,fixed\n", f"{HEAD},more\n", "occupied,port,port\n"])
def test_sheets_without_rows_or_with_a_wrong_header(text):
    assert faults(text)

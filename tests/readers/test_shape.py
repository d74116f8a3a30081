"""The shape itself: what it refuses, its identity, and its way through TOML and pydantic."""

from __future__ import annotations

import json
from dataclasses import asdict, replace

import pytest
import tomlkit
from pydantic import ConfigDict, TypeAdapter, ValidationError

from brickbook.core.shape import Shape, ShapeColumn, ShapeTime, fingerprint, normalise_header

SHAPE = Shape(
    "m1", ";", ("Zeit [s]", "P [W]"), (ShapeColumn("P [W]", "mains_power_w", "W"),), ShapeTime("elapsed", ("Zeit [s]",))
)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: ShapeColumn("P", "power_w"), "'power_w' is not a quantity a column may hold"),
        (lambda: ShapeColumn("t", "time_s"), "'time_s' is not a quantity a column may hold"),
        (
            lambda: ShapeColumn("P", "mains_power_w@C1"),
            "mains_power_w has no channel, so nothing may follow @ in 'mains_power_w@C1'",
        ),
        (lambda: ShapeTime("interval"), 'interval_s goes with kind = "interval", and "interval" needs it'),
        (
            lambda: ShapeTime("elapsed", ("t",), interval_s=1.0),
            'interval_s goes with kind = "interval", and "interval" needs it',
        ),
        (lambda: ShapeTime("elapsed"), "time of kind 'elapsed' cannot come from 0 headers"),
        (lambda: ShapeTime("clock", ("a", "b")), "time of kind 'clock' cannot come from 2 headers"),
        (lambda: ShapeTime("date-time", ("a",), utc_offset="2"), "utc_offset '2' is not like \"+02:00\""),
        (
            lambda: replace(SHAPE, delimiter=",", decimal=","),
            "',' cannot be the decimal mark and something else as well",
        ),
        (lambda: replace(SHAPE, thousands="."), "'.' cannot be the decimal mark and something else as well"),
        (
            lambda: replace(SHAPE, delimiter=",", thousands=","),
            "',' cannot be the delimiter and stand between thousands as well",
        ),
        (lambda: replace(SHAPE, header_row=False, unit_row=True), "a unit row needs a header row above it"),
        (lambda: replace(SHAPE, columns=SHAPE.columns * 2), "column mains_power_w is named twice"),
        (lambda: replace(SHAPE, headers=("Zeit [s]",)), "header 'P [W]' is not among the headers 'Zeit [s]'"),
        (lambda: replace(SHAPE, layout="long"), 'layout = "long" needs quantity_header and value_header'),
        (lambda: replace(SHAPE, value_header="P [W]"), 'quantity_header and the like go with layout = "long"'),
    ],
)
def test_refused(make, message):
    with pytest.raises(ValueError) as caught:
        make()
    assert str(caught.value) == message


def test_fingerprint_is_of_delimiter_and_headers_alone():
    other = replace(SHAPE, id="x", decimal=",", encoding="cp1252", note="n", columns=())
    assert other.fingerprint == SHAPE.fingerprint == fingerprint(";", ["zeit  [S]", '"P [W]"'])
    assert replace(SHAPE, delimiter="|").fingerprint != SHAPE.fingerprint
    assert fingerprint(";", ["a", "b"]) != fingerprint(";", ["b", "a"])
    assert fingerprint(";", ["a", "b"], header_row=False) == fingerprint(";", ["c", "d"], header_row=False)
    assert len(SHAPE.fingerprint) == 7


def test_headers_are_compared_without_case_blanks_and_signs_of_two_kinds():
    assert normalise_header('  "U  [µV]" ') == normalise_header("u [μv]")


def test_mapping_a_header_anew():
    changed = SHAPE.with_column("p [w]", "mains_apparent_va", unit="VA")
    assert changed.columns == (ShapeColumn("P [W]", "mains_apparent_va", "VA"),)
    assert SHAPE.with_column("P [W]", "").columns == (ShapeColumn("P [W]", "", "W"),)
    with pytest.raises(ValueError, match="header 'Q' is not among the headers"):
        SHAPE.with_column("Q", "mains_pf")


def test_through_toml_and_pydantic_and_back():
    """As the book reads it: TOML to plain data, then pydantic in its strict JSON mode."""
    adapter = TypeAdapter(tuple[Shape], config=ConfigDict(strict=True, extra="forbid", allow_inf_nan=False))
    plain = {k: v for k, v in asdict(SHAPE).items() if v is not None}
    plain["time"] = {k: v for k, v in plain["time"].items() if v is not None}
    read = tomlkit.parse(tomlkit.dumps(plain)).unwrap()

    def back(**changes):
        return adapter.validate_json(json.dumps([read | changes]))[0]

    assert back() == SHAPE
    for changes, words in (
        ({"time": {"kind": "interval", "interval_s": -1.0}}, "greater than 0"),
        ({"skip": 3}, "(?i)unexpected"),
        ({"columns": read["columns"] * 2}, "is named twice"),
        ({"delimiter": "x"}, "Input should be"),
        ({"headers": []}, "at least 1"),
        ({"id": ""}, "at least 1"),
    ):
        with pytest.raises(ValidationError, match=words):
            back(**changes)

"""A bench for isolation tests, and the way from sheets to figures."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings, View
from brickbook.core.table import RawFile, Recording
from brickbook.readers.hand_sheet import read_hand_sheet
from brickbook.rules import judge, load_rules
from brickbook.studies import isolation

RAW = RawFile("sheet.csv", "0" * 64)
SETTINGS = Settings((Mains(115.0, 60.0), Mains(230.0, 50.0)), "EUR", 0.30)

# what the example bench needs beside the wall meter it has
BENCH = """
[instruments.isolation-tester]
role = "other"
description = "isolation tester worked by hand: AC to 600 V limited to 5 mA, insulation resistance at 250 and 500 V DC to 2 GOhm"
serial = "invented-3081"
calibrated = "2026-03-04"
due = "2027-03-04"

[[instruments.isolation-tester.accuracy]]
quantity = "voltage_v"
range_max = 600.0
percent_reading = 1.0
percent_range = 0.1
resolution = 0.1

[[instruments.isolation-tester.accuracy]]
quantity = "current_a"
range_max = 0.001
percent_reading = 1.0
digits = 3
resolution = 1e-7

[[instruments.isolation-tester.accuracy]]
quantity = "resistance_ohm"
range_max = 2.0e9
percent_reading = 5.0
digits = 2
resolution = 1.0e6

[[instruments.isolation-tester.accuracy]]
quantity = "mains_frequency_hz"
percent_reading = 0.1
resolution = 0.01

[instruments.touch-meter]
role = "voltmeter"
description = "true-rms and peak voltmeter, 1 MOhm and 150 pF, on the body network of IEC 60990 figure 4"
serial = "invented-3082"
calibrated = "2026-03-04"
due = "2027-03-04"

[[instruments.touch-meter.accuracy]]
quantity = "voltage_v"
range_max = 1.0
percent_reading = 0.8
percent_range = 0.05
resolution = 1e-5
"""


def instruments_of(text: str) -> dict[str, Instrument]:
    """Instruments of a bench.toml's text."""
    out = {}
    for name, entry in tomllib.loads(text)["instruments"].items():
        lines = tuple(Accuracy(**line) for line in entry.get("accuracy", ()))
        out[name] = Instrument(**{**entry, "accuracy": lines})
    return out


class Isolation:
    """From hand sheets to figures, findings and page."""

    def __init__(self, charger) -> None:
        self.charger = charger
        wall = instruments_of((files("brickbook.demo") / "scenario" / "bench.toml").read_text(encoding="utf-8"))
        self.bench = {**wall, **instruments_of(BENCH)}
        for quantity in ("voltage_v", "current_a", "resistance_ohm", "mains_frequency_hz"):
            line = Accuracy(quantity, percent_reading=1e-6)
            self.bench["exact"] = Instrument("other", (*getattr(self.bench.get("exact"), "accuracy", ()), line))

    def recording(self, rows, name="sheet", **conditions):
        """A sheet of (quantity, channel, value, unit) rows read by the exact instrument, or five with its name."""
        lines = ["quantity,channel,value,unit,instrument"]
        lines += [",".join(map(str, (*row, *(() if len(row) == 5 else ("exact",))))) for row in rows]
        given = Conditions.of(conditions)
        tables = read_hand_sheet("\n".join(lines).encode(), name=f"{name}.csv", raw=RAW, conditions=given)
        return Recording(name, ("isolation",), tables, given)

    def deposit(self, raw):
        """A deposit of the example campaign as a recording."""
        given = Conditions.of(raw.conditions)
        tables = read_hand_sheet(raw.data, name=raw.name, raw=RawFile(raw.name, "0" * 64), conditions=given)
        return Recording(raw.name, raw.studies, tables, given)

    def ask(self, *recordings, bench=None):
        return isolation.STUDY.figures(
            Evidence(self.charger, SETTINGS, self.bench if bench is None else bench, tuple(recordings))
        )

    def judge(self, outcome):
        return judge(outcome.figures, load_rules([isolation.STUDY.package]), self.charger, SETTINGS)

    def page(self, outcome):
        view = View(self.charger, SETTINGS, outcome.figures, self.judge(outcome), outcome.notes)
        return isolation.STUDY.page(view)


@pytest.fixture
def bench(build):
    return Isolation(build.charger(100.0, build.port("C1", (5.0, 3.0), (20.0, 5.0))))

"""A charger, a scope and captures of waveforms whose figures are known."""

import numpy as np
import pytest

from brickbook.core.capture import ArraySamples, Capture, Channel, Setting
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings
from brickbook.core.table import RawFile, Recording
from brickbook.studies.ripple import STUDY

CHARGER = Charger(
    "n", "m", "x", Nameplate(100.0), (Port("C1", "usb-c", (Output("fixed", 5.0, voltage_v=20.0),)),), Sample("bought")
)
SETTINGS = Settings((Mains(230.0, 50.0),))
SCOPE = Instrument("oscilloscope", (Accuracy("port_voltage_v", percent_reading=2.0),))


def record(values, rate_hz, *, name="r", port="C1", setting=None, acquisition="sample", instrument="scope", **given):
    conditions = {"mains_v": 230.0, "mains_hz": 50.0, "port": port, "contract": "20 V", "output_v": 20.0, **given}
    conditions = Conditions.of({k: v for k, v in conditions.items() if v is not None})
    channel = Channel(
        f"port_voltage_v@{port}", ArraySamples(np.asarray(values)), instrument=instrument, setting=setting or Setting()
    )
    capture = Capture(RawFile(f"{name}.npy", "0"), 1 / rate_hz, (channel,), acquisition=acquisition)
    return Recording(name, ("ripple",), (), conditions, captures=(capture,))


def study(*recordings, instruments=None):
    known = {"scope": SCOPE} if instruments is None else instruments
    return STUDY.figures(Evidence(CHARGER, SETTINGS, known, tuple(recordings)))


@pytest.fixture(name="record")
def _record():
    return record


@pytest.fixture
def charger():
    return CHARGER


@pytest.fixture(name="study")
def _study():
    return study


@pytest.fixture
def rng():
    return np.random.default_rng(20261125)

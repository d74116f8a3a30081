"""Captures of load steps built from closed forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from brickbook.core.capture import ArraySamples, Capture, Channel, Setting
from brickbook.core.conditions import Conditions
from brickbook.core.table import RawFile, Recording
from brickbook.studies.loadstep.figures import figures


@dataclass
class Bench:
    """A capture of one port: a course after each step, at a sample rate, with noise of a stated size."""

    build: object
    interval_s: float = 1e-6
    sigma: float = 2e-5
    accuracy: float = 1e-4  # per cent
    setting: Setting = field(default_factory=Setting)
    seed: int = 1

    def capture(self, volts, amps=None, *, acquisition="sample", **conditions):
        channels = [Channel("port_voltage_v@C1", ArraySamples(volts), instrument="bench", setting=self.setting)]
        if amps is not None:
            channels.append(Channel("port_current_a@C1", ArraySamples(amps), instrument="bench"))
        given = Conditions.of(
            {"port": "C1", "contract": "20 V", "output_v": 20.0, "mains_v": 230.0, "measured_at": "receptacle"},
            **conditions,
        )
        return Capture(
            RawFile("step.npz", "0" * 64),
            self.interval_s,
            tuple(channels),
            conditions=given,
            acquisition=acquisition,
        )

    def evidence(self, capture):
        recording = Recording("step", ("loadstep",), (), capture.conditions, captures=(capture,))
        unit = self.build.charger(100.0, self.build.port("C1", (5.0, 3.0), (20.0, 5.0)))
        return self.build.evidence(unit, recording, accuracy=self.accuracy)

    def course(self, course: Callable, *, before=400, count=3000, level=20.0):
        """Time, voltage and current of one step between two samples."""
        rng = np.random.default_rng(self.seed)
        at = (before + 0.5) * self.interval_s
        time = np.arange(before + count) * self.interval_s - at
        wave = np.where(time > 0, course(np.maximum(time, 0.0)), 0.0)
        volts = level + wave + self.sigma * rng.standard_normal(len(time))
        amps = np.where(time > 0, 3.0, 0.3) + 1e-4 * rng.standard_normal(len(time))
        return time, volts, amps

    def outcome(self, volts, amps=None, **conditions):
        return figures(self.evidence(self.capture(volts, amps, **conditions)))


def named(outcome, name, **conditions):
    return next(f for f in outcome.figures if f.name == name and f.conditions.matches(conditions))


@pytest.fixture
def bench(build):
    return Bench(build)


@pytest.fixture
def pick():
    return named

"""Captures of switching built from closed forms."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from brickbook.core.capture import ArraySamples, Capture, Channel, Setting
from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy
from brickbook.core.table import RawFile, Recording
from brickbook.studies.inrush.figures import figures
from brickbook.studies.loadstep.scope import Scope


@dataclass
class Bench:
    """Channels sampled together, with the conditions a tester would write."""

    build: object
    interval_s: float = 2e-5
    accuracy: float = 1e-4  # per cent
    settings: dict = field(default_factory=dict)
    seed: int = 3

    def time(self, span_s):
        return np.arange(round(span_s / self.interval_s)) * self.interval_s

    def mains(self, time, *, on=None, gone=None, phase_deg=0.0, peak=325.0, hz=50.0, holds_s=1e-6, sigma=0.2):
        """Mains voltage from a phase at `on` (or at time 0) to `gone`, after which a capacitor keeps it for a while."""
        begin = 0.0 if on is None else on
        wave = peak * np.sin(2 * np.pi * hz * (time - begin) + np.radians(phase_deg))
        if on is not None:
            wave = np.where(time > on, wave, 0.0)
        if gone is not None:
            left = peak * np.sin(2 * np.pi * hz * (gone - begin) + np.radians(phase_deg))
            wave = np.where(time > gone, left * np.exp(-np.maximum(time - gone, 0.0) / holds_s), wave)
        return wave + sigma * np.random.default_rng(self.seed).standard_normal(len(time))

    def evidence(self, channels, **conditions):
        made = tuple(
            Channel(column, ArraySamples(values), instrument="bench", setting=self.settings.get(column, Setting()))
            for column, values in channels.items()
        )
        given = Conditions.of(
            {"port": "C1", "contract": "5 V", "output_v": 5.0, "mains_v": 230.0, "mains_hz": 50.0, "load_a": 3.0},
            **{"start": "cold", **conditions},
        )
        capture = Capture(RawFile("on.npz", "0" * 64), self.interval_s, made, conditions=given)
        recording = Recording("on", ("inrush",), (), given, captures=(capture,))
        unit = self.build.charger(100.0, self.build.port("C1", (5.0, 3.0)))
        return self.build.evidence(unit, recording, accuracy=self.accuracy)

    def outcome(self, channels, **conditions):
        return figures(self.evidence(channels, **conditions))

    def scope(self, values):
        channel = Channel("mains_current_a", ArraySamples(values), instrument="bench")
        return Scope(channel, Accuracy("mains_current_a", percent_reading=self.accuracy), 0.0)


@pytest.fixture
def bench(build):
    return Bench(build)


@pytest.fixture
def pick():
    return lambda outcome, name: next(f for f in outcome.figures if f.name == name)

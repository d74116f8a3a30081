"""Rules of the studies read from their files, and makers of figures and chargers."""

from __future__ import annotations

from pathlib import Path

import pytest

import brickbook.rules
from brickbook.core.charger import Charger, Mark, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.study import Settings
from brickbook.rules import Subject, parse_rules

STUDIES = ("efficiency", "standby", "regulation", "identity", "value")
FOLDER = Path(brickbook.rules.__file__).parents[1] / "studies"


@pytest.fixture(scope="session")
def rules():
    return tuple(
        rule
        for study in STUDIES
        for rule in parse_rules((FOLDER / study / "rules.toml").read_text(encoding="utf-8"), f"{study}/rules.toml")
    )


@pytest.fixture(scope="session")
def limit_of(rules):
    """The number a rule sets, by rule id, quantity and class: `None` where it sets none."""

    def get(rule_id, quantity, kind, power_w, *, adaptive=False, outputs=1, reading=None):
        subject = Subject(kind, adaptive, power_w, outputs)
        bounds = [
            bound
            for rule in rules
            if rule.id == rule_id
            for limit in rule.limits
            if limit.quantity == quantity and (reading is None or limit.reading == reading)
            if (bound := limit.bound(subject)) is not None
        ]
        assert len(bounds) <= 1, "the table is ambiguous"
        if not bounds:
            return None
        return bounds[0].low if bounds[0].low > float("-inf") else bounds[0].high

    return get


@pytest.fixture(scope="session")
def settings():
    return Settings(mains=())


@pytest.fixture(scope="session")
def figure():
    """A figure; the value is taken as normal with u where no budget is given."""

    def make(name, value, u=0.0, flags=(), budget=(), unit="", **conditions):
        study, name = name.split("/")
        return Figure(
            study=study,
            name=name,
            value=value,
            unit=unit,
            u=u,
            conditions=Conditions.of(conditions),
            method="made for a test",
            sources=(),
            flags=flags,
            budget=budget,
            lower=value - 2 * u,
            upper=value + 2 * u,
        )

    return make


@pytest.fixture(scope="session")
def charger():
    """A charger from lists of (voltage, current) per port; a port name with A is a plain USB-A port."""

    def make(total_w, mark=None, claims=(), **ports):
        made = []
        for name, outputs in ports.items():
            kind = "legacy" if name.startswith("A") else "fixed"
            connector = "usb-a" if name.startswith("A") else "usb-c"
            made.append(Port(name, connector, tuple(Output(kind=kind, voltage_v=v, current_a=a) for v, a in outputs)))
        marks = () if mark is None else (Mark("efficiency-level", mark, seen=True, seen_on="label"),)
        return Charger(
            name="Test",
            maker="Nobody",
            model="T-1",
            nameplate=Nameplate(total_power_w=total_w),
            ports=tuple(made),
            sample=Sample("bought"),
            marks=marks,
            claims=tuple(claims),
        )

    return make


PD65 = ((5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 3.25))
PD100 = ((5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 5.0))


@pytest.fixture(scope="session")
def one_port(charger):
    """One USB PD port, 5 V 3 A to 20 V 3.25 A."""
    return charger(65.0, C1=PD65)


@pytest.fixture(scope="session")
def three_ports(charger):
    """100 W together: C1 to 20 V 5 A, C2 to 20 V 3.25 A, A1 fixed 5 V 2.4 A."""
    return charger(100.0, C1=PD100, C2=PD65, A1=((5.0, 2.4),))

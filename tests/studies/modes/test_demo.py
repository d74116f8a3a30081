"""The example sheets against the claims in each charger.toml."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from brickbook.core.charger import Output, Port
from brickbook.core.conditions import Conditions
from brickbook.core.table import RawFile, Recording
from brickbook.demo import CHARGERS
from brickbook.demo.observations import observations
from brickbook.readers import read_observations
from brickbook.studies.modes.offered import compare, port_states


def ports(slug):
    text = (files("brickbook.demo") / "scenario" / slug / "charger.toml").read_text(encoding="utf-8")
    return [Port(**{**p, "outputs": tuple(Output(**o) for o in p["outputs"])}) for p in tomllib.loads(text)["ports"]]


def states(slug):
    (raw,) = observations(CHARGERS[slug])
    tables = read_observations(raw.data, name=raw.name, raw=RawFile(raw.name, "0" * 64))
    return port_states([Recording("offers", ("modes",), tables, Conditions())])


@pytest.mark.parametrize("slug", list(CHARGERS))
def test_every_port_alone_offers_what_charger_toml_states(slug):
    alone = {s.port: s for s in states(slug) if not s.shared}
    for port in ports(slug):
        assert [v.what for v in compare(port, alone[port.id])] == ["as claimed"] * len(port.outputs)


def test_the_slip_of_heron_120():
    """9 V 2.22 A at C2 with all ports in use, where its power (33 W) has room for the 3 A stated."""
    (state,) = [s for s in states("heron-120") if s.port == "C2" and len(s.occupied) == 3]
    offered = {m.offer.label: m.offer.current_a for m in state.modes}
    assert offered["9 V"] == 2.22
    assert offered["20 V"] * 20 / 9 > 3.0
    (pair,) = [s for s in states("heron-120") if s.port == "C2" and s.together == "C1+C2"]
    assert {m.offer.label: m.offer.current_a for m in pair.modes}["9 V"] == 3.0


def test_equal_runs_give_equal_bytes():
    first, again = (next(observations(CHARGERS["albatross-200"])).data for _ in range(2))
    assert first == again

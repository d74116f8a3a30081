"""Budgets and offers: rules that hold for any charger, and the words as USB PD decodes them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.charger import Budget, Output, SharedOutput
from brickbook.simbench import SimCharger, SimPort, load_sim_charger
from brickbook.simbench.offers import allotments, legacy_modes, port_offers
from brickbook.usbpd import check_source_capabilities, decode_source_pdo


def charger_of(powers, budget_w, sharing=()):
    ports = tuple(
        SimPort(f"C{k}", "usb-c", (Output("fixed", 3.0, 5.0), Output("fixed", watts / 20.0, 20.0)), power_w=watts)
        for k, watts in enumerate(powers, 1)
    )
    return SimCharger("x", ports, budgets=(Budget(tuple(p.id for p in ports), budget_w),), sharing=sharing)


@given(
    st.lists(st.floats(20.0, 100.0), min_size=1, max_size=5),
    st.floats(20.0, 200.0),
    st.sets(st.integers(1, 5), max_size=5),
)
def test_ports_in_use_never_share_more_than_the_budget_nor_more_than_their_own(powers, budget_w, used):
    charger = charger_of(powers, budget_w)
    in_use = {f"C{k}" for k in used if k <= len(powers)}
    shares = allotments(charger, in_use)
    assert sum(shares[p] for p in in_use) <= budget_w * (1 + 1e-9)
    for port, watts in shares.items():
        assert 0.0 < watts <= charger.port(port).nameplate_w * (1 + 1e-9)


def test_the_makers_table_goes_before_the_rule_and_heat_takes_its_part():
    charger = charger_of([65.0, 45.0], 65.0, (SharedOutput(("C1", "C2"), (45.0, 20.0)),))
    assert allotments(charger, {"C1", "C2"}) == {"C1": 45.0, "C2": 20.0}
    assert allotments(charger, {"C1"})["C1"] == 65.0
    # C2 is not in use: what it would have if it joined
    assert allotments(charger, {"C1"}, {"C1": 0.5}) == {"C1": 32.5, "C2": 20.0}


@pytest.mark.parametrize("limit_w", [15.0, 30.0, 65.0, 100.0])
def test_offers_stay_within_their_power_and_decode_to_what_they_say(limit_w):
    """Words decoded by the PDO layouts of USB Power Delivery; the list checked against its rules for a source."""
    port = load_sim_charger("osprey-100").port("C1")
    offers = port_offers(port, limit_w)
    assert len(offers) <= 7
    for offer in offers:
        pdo = decode_source_pdo(offer.word)
        assert pdo.max_voltage_v == offer.max_v
        assert offer.max_v * offer.current_a <= limit_w + 1e-9 or offer.max_v == 5.0
    assert check_source_capabilities([offer.word for offer in offers]).violations == ()


def test_extended_range_begins_at_the_eighth_place():
    """USB PD R3.1: EPR capabilities have seven places for SPR, empty ones as zero words."""
    port = load_sim_charger("osprey-100").port("C1")
    offers = port_offers(port, 100.0, epr=True)
    assert [offer.position for offer in offers] == list(range(1, len(offers) + 1))
    assert [offer.word for offer in offers[5:7]] == [0, 0]
    assert offers[7].max_v == 28.0
    assert [o.kind for o in port_offers(port, 100.0, revision=2)] == ["fixed"] * 4


def test_older_modes():
    port = load_sim_charger("osprey-100").port("A1")
    assert list(legacy_modes(port, 15.0)) == [(5.0, 3.0), (9.0, pytest.approx(15.0 / 9.0))]

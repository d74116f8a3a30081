"""Assignments against trying every one, and what each answer rests on."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from brickbook.commands.choose import choose
from brickbook.core.charger import Budget, SharedOutput
from brickbook.core.errors import BookError
from brickbook.library.assigning import assign_by_budgets, assign_to_powers
from brickbook.library.choosing import best_use, yearly_energy_kwh
from brickbook.library.devices import Device, DeviceCable, read_devices
from brickbook.library.offers import offer_of, serve

PHONE = Device("phone", 20.0, most_voltage_v=9.0)
LAPTOP = Device("laptop", 45.0, least_voltage_v=15.0, priority=3.0, hours_per_day=4.0)


def _check():
    spec = importlib.util.spec_from_file_location(
        "choosing_check", Path(__file__).parents[2] / "checks" / "choosing.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_against_every_assignment():
    """`checks/choosing.py` does many more."""
    assert _check().compare(150, 1)[0] == 0


def test_to_powers():
    """By hand: 3 + 1 beats 2 + 1; a pair that does not fit is never made."""
    value = np.array([[2.0, 3.0], [1.0, -np.inf]])
    found = assign_to_powers(value, np.ones((2, 2)))
    assert (found.port, found.value) == ((1, 0), 4.0)
    assert assign_to_powers(np.array([[1.0, -np.inf], [2.0, -np.inf]]), np.ones((2, 2))) is None
    assert assign_to_powers(np.ones((1, 2)), np.ones((1, 2))) is None


def test_by_budgets():
    """By hand: 30 W for two devices of 20 W; the one worth more per watt has all it wants, the other what is left,
    unless that is too little for it to work."""
    worth, most = np.array([[1.0, 1.0], [2.0, 2.0]]), np.full((2, 2), 20.0)
    found = assign_by_budgets(worth, most, np.zeros((2, 2)), [((0, 1), 30.0)])
    assert (found.power_w, found.value) == (pytest.approx((10.0, 20.0)), pytest.approx(50.0))
    stubborn = assign_by_budgets(worth, most, np.array([[15.0, 15.0], [0.0, 0.0]]), [((0, 1), 30.0)])
    assert stubborn.power_w == pytest.approx((15.0, 15.0))
    assert stubborn.value == pytest.approx(45.0)
    alone = assign_by_budgets(worth, most, np.array([[19.0, 19.0], [0.0, 0.0]]), [((0, 1), 25.0)])
    assert alone.port[0] is None
    assert alone.value == pytest.approx(40.0)
    assert assign_by_budgets(worth, np.zeros((2, 2)), np.zeros((2, 2)), []).value == 0.0
    assert assign_by_budgets(worth, np.zeros((2, 2)), np.zeros((2, 2)), [], all_ports=True) is None


def curve(made, port="C1", volts=20.0, drop=0.1, top=3.0):
    return [
        made.figure("regulation", "output_voltage_v", volts - drop * load, 0.005, unit="V", port=port, output_v=volts,
                    contract=f"{volts:g} V", mains_v=230.0, load_a=load, measured_at="receptacle")
        for load in (0.0, top / 2, top)
    ]  # fmt: skip


def test_measured_goes_before_claimed(made):
    offer = offer_of(made.charger("x"), curve(made))
    assert {m.basis for m in offer.modes["C1"] if m.high_v == 20.0} == {"measured"}
    assert {m.basis for m in offer.modes["C2"]} == {"claimed"}
    cable = DeviceCable(resistance_ohm=0.3)
    at_c1 = serve(offer.modes["C1"], Device("d", 60.0, 15.0, 21.0, cable=cable))
    # 20 - 0.1 x 3 - 0.3 x 3 V at 3 A
    assert (at_c1.far_v, at_c1.far_w, at_c1.source_w) == pytest.approx((18.8, 56.4, 59.1))
    assert at_c1.mode.words == "20 V, measured at 3 loads"
    short = offer_of(made.charger("x"), curve(made, top=2.0))
    assert serve(short.modes["C1"], Device("d", 60.0, 15.0)).mode.words == "20 V, measured up to 2 A of 3 A claimed"
    falls = made.figure("regulation", "regulated_current_a", 1.7, 0.01, unit="A", port="C1", output_v=20.0)
    sags = offer_of(made.charger("x"), [*curve(made), falls])
    assert serve(sags.modes["C1"], Device("d", 60.0, 15.0)).source_w == pytest.approx(1.7 * (20 - 0.17))
    offered = made.figure("modes", "offered_current_a", 2.5, 0.0, unit="A", port="C2", output_v=9.0, occupied="C2",
                          output_kind="fixed")  # fmt: skip
    less = offer_of(made.charger("x"), [offered])
    assert serve(less.modes["C2"], Device("d", 60.0, 8.0, 12.0)).source_w == pytest.approx(22.5)


def test_what_does_not_suit():
    from brickbook.library.offers import Mode

    fixed = Mode(9.0, 9.0, 3.0, None, "claimed", "9 V")
    assert serve([fixed], Device("d", 20.0, 12.0, 20.0)) is None
    pps = Mode(3.3, 11.0, 3.0, None, "claimed", "PPS")
    assert serve([pps], Device("d", 20.0, 3.5, 10.0)) is None
    assert serve([pps], Device("d", 20.0, 3.5, 10.0, programmable=True)).far_v == 10.0
    picky = Device("d", 20.0, 3.5, 10.0, minimum_v=8.9, cable=DeviceCable(resistance_ohm=0.3))
    assert serve([fixed], picky) is None
    assert serve([fixed], Device("d", 20.0), cap_w=0.0) is None
    # more than the cable can carry through: it takes what its current limit lets through
    long = Device("d", 45.0, cable=DeviceCable(resistance_ohm=1.5))
    assert serve([fixed], long).far_w == pytest.approx(9.0 * 3 - 1.5 * 9)
    marked = Mode(20.0, 20.0, 5.0, None, "claimed", "20 V")
    assert serve([marked], Device("d", 100.0)).source_w == pytest.approx(60.0)
    assert serve([marked], Device("d", 90.0, cable=DeviceCable(resistance_ohm=0.0, rating_a=5.0))).far_w == 90.0


def test_who_speaks_of_sharing(made):
    devices = (PHONE, LAPTOP)
    nothing = best_use(offer_of(made.charger("x"), ()), devices)
    assert (nothing.sharing, nothing.suffices) == ("total only", False)  # 60 W for 65
    budget = best_use(offer_of(made.charger("x", budgets=(Budget(("C1", "C2"), 50.0),)), ()), devices)
    assert budget.sharing == "claimed budgets"
    assert budget.source_w == pytest.approx(50.0)
    table = made.charger("x", 80.0, sharing=(SharedOutput(("C1", "C2"), (45.0, 20.0)),))
    claimed = best_use(offer_of(table, ()), devices)
    assert (claimed.sharing, claimed.suffices) == ("claimed table", True)
    assert {p.device.name: p.port for p in claimed.placed} == {"phone": "C2", "laptop": "C1"}
    seen = [
        made.figure("modes", "offered_power_w", watts, 0.0, port=port, occupied="C1+C2")
        for port, watts in (("C1", 20.0), ("C2", 45.0))
    ]
    measured = best_use(offer_of(table, seen), devices)
    assert measured.sharing == "measured"
    assert {p.device.name: p.port for p in measured.placed} == {"phone": "C1", "laptop": "C2"}


def offered(made, power_w, currents=()):
    """What was seen on an observation sheet: powers by (occupied, port), currents by (occupied, port, V)."""
    seen = [
        made.figure("modes", "offered_power_w", watts, 0.0, port=port, occupied=occupied)
        for (occupied, port), watts in power_w.items()
    ]
    return seen + [
        made.figure("modes", "offered_current_a", amps, 0.0, unit="A", port=port, occupied=occupied, output_v=volts,
                    output_kind="fixed")
        for (occupied, port, volts), amps in currents
    ]  # fmt: skip


def groups(made, budgets, certainty=0.99):
    found = [made.figure("sharing", "group_budget_w", watts, 0.2, group=group) for group, watts in budgets.items()]
    return [*found, made.figure("sharing", "groups_certainty_ratio", certainty, 0.0, unit="", combinations=3)]


def test_a_neighbour_takes_modes_away(made):
    """Beside C1, C2 offers 9 V at 2.22 A only: 20 W at 9 V is 19.98 W there, and nothing at 20 V."""
    seen = offered(
        made,
        {("C1+C2", "C1"): 40.0, ("C1+C2", "C2"): 20.0, ("C2", "C2"): 60.0},
        (
            (("C1+C2", "C1", 20.0), 2.0),
            (("C1+C2", "C2", 9.0), 2.22),
            (("C2", "C2", 9.0), 3.0),
            (("C2", "C2", 20.0), 3.0),
        ),
    )
    offer = offer_of(made.charger("x"), seen)
    both = offer.shares[frozenset(("C1", "C2"))]
    assert [(m.high_v, m.current_a) for m in both.modes["C2"]] == [(9.0, 2.22)]
    use = best_use(offer, (Device("tablet", 25.0, most_voltage_v=9.0), Device("laptop", 40.0, 15.0)))
    assert use.sharing == "measured"
    assert {p.device.name: (p.port, p.served.source_w) for p in use.placed} == {
        "tablet": ("C2", pytest.approx(9 * 2.22)),
        "laptop": ("C1", pytest.approx(40.0)),
    }


def test_groups_that_were_measured_go_before_the_makers_budgets(made):
    """C1 alone keeps 30 W, C2 and C3 share: each pair was seen only within its group."""
    charger = made.charger("x", 60.0, ports=3, budgets=(Budget(("C1", "C2", "C3"), 60.0),))
    seen = offered(
        made,
        {("C1", "C1"): 30.0, ("C2", "C2"): 45.0, ("C3", "C3"): 45.0, ("C2+C3", "C2"): 25.0, ("C2+C3", "C3"): 20.0},
    )
    found = groups(made, {"C1": 30.0, "C2+C3": 45.0})
    offer = offer_of(charger, [*seen, *found])
    everyone = offer.shares[frozenset(("C1", "C2", "C3"))]
    assert (everyone.power_w, everyone.basis) == ({"C1": 30.0, "C2": 25.0, "C3": 20.0}, "measured groups")
    assert offer.shares[frozenset(("C2", "C3"))].basis == "measured"
    assert offer.budgets_basis == "measured"
    # not certain, or a port without a group: the maker's word again
    for doubtful in (groups(made, {"C1": 30.0, "C2+C3": 45.0}, 0.8), groups(made, {"C2+C3": 45.0})):
        assert offer_of(charger, [*seen, *doubtful]).budgets_basis == "claimed"
    # budgets alone, nothing looked at: divided as is best, and said
    use = best_use(offer_of(charger, found), (PHONE, Device("tablet", 20.0, most_voltage_v=9.0)))
    assert use.sharing == "measured budgets"


def test_one_device_may_be_better_off_alone(made):
    """The maker's table leaves too little for both: the one that matters more is served alone."""
    table = made.charger("x", 60.0, sharing=(SharedOutput(("C1", "C2"), (10.0, 10.0)),))
    found = best_use(offer_of(table, ()), (PHONE, LAPTOP))
    assert [p.port != "" for p in found.placed] == [False, True]
    assert found.sharing == "alone"


def test_interruptions(made):
    table = made.charger("x", 60.0, sharing=(SharedOutput(("C1", "C2"), (45.0, 20.0)),))
    without = made.figure("negotiation", "time_without_power_s", 1.2, 0.01, unit="s", port="C1", neighbour="C2",
                          event="plug", event_s=3.0)  # fmt: skip
    found = best_use(offer_of(table, [without]), (PHONE, LAPTOP)).interruptions
    laptop = next(i for i in found if i.device == "laptop")
    assert (laptop.joined, laptop.before_w, laptop.after_w, laptop.known_by) == ("phone", 60.0, 45.0, "claimed")
    assert laptop.without_power_s == pytest.approx(1.2)
    unplugged = made.figure("negotiation", "time_without_power_s", 9.0, 0.01, unit="s", port="C1", neighbour="C2",
                            event="unplug", event_s=9.0)  # fmt: skip
    again = best_use(offer_of(table, [without, unplugged]), (PHONE, LAPTOP)).interruptions
    assert {i.without_power_s for i in again} == {None, 1.2}
    phone = next(i for i in found if i.device == "phone")
    assert phone.without_power_s is None
    unknown = best_use(offer_of(made.charger("x", 100.0), ()), (PHONE, LAPTOP)).interruptions
    assert {(i.before_w, i.known_by, i.without_power_s) for i in unknown} == {(None, "", None)}


def test_energy_of_a_year(made):
    """4 h a day at 45 W, 20 h at no load: loss by a straight line from 30 mW at none to 60/0.9 - 60 W at 60 W."""
    offer = offer_of(made.charger("x"), made.figures_of(0.030, 0.9))
    use = best_use(offer, (LAPTOP,))
    loss_w = 0.030 + (60 / 0.9 - 60 - 0.030) * 45 / 60
    expected = ((45 + loss_w) * 4 + 0.030 * 20) * 365.25 / 1000
    found = yearly_energy_kwh(offer, use)
    assert float(found.value) == pytest.approx(expected)
    gain, idle = 0.75 * 4 * 0.1, (0.25 * 4 + 20) * 0.002
    assert float(found.u) == pytest.approx(np.hypot(gain, idle) * 0.36525, rel=0.02)
    assert yearly_energy_kwh(offer, use, mains_v=100.0) is None
    assert yearly_energy_kwh(offer_of(made.charger("x"), ()), use) is None


# The verb

FILE = """
[[device]]
name = "laptop"
power_w = 45
least_voltage_v = 15
priority = 3
hours_per_day = 4
cable = { length_m = 1, gauge_awg = 24 }

[[device]]
name = "phone"
power_w = 15
most_voltage_v = 9.0
"""


@pytest.fixture
def devices(tmp_path):
    path = tmp_path / "devices.toml"
    path.write_text(FILE, encoding="utf-8")
    return path


def test_choose(shelf_book, devices, capsys):
    assert choose(devices, json=True, book=shelf_book.root) == 0
    found = json.loads(capsys.readouterr().out)
    assert {c["charger"]: c["suffices"] for c in found["chargers"]} == {"alder": True, "birch": True, "cedar": True}
    assert found["best"] == {
        "smallest": "birch", "cheapest": "alder", "most efficient": "birch", "cheapest with its energy": "birch",
    }  # fmt: skip
    one = found["chargers"][0]
    assert one["price_and_energy"] == pytest.approx(30.0 + 3 * one["cost_per_year"])
    assert found["stale"] == []
    laptop = found["chargers"][0]["devices"][0]
    assert (laptop["device"], laptop["basis"], laptop["enough"]) == ("laptop", "claimed", True)
    assert found["chargers"][0]["cost_per_year"] == pytest.approx(found["chargers"][0]["energy_kwh_per_year"] * 0.25)


def test_choose_for_people(shelf_book, devices, capsys):
    shelf_book.new_charger("dogwood", shelf_book.charger("alder"))
    choose(devices, book=shelf_book.root)
    said = capsys.readouterr().out
    for words in ("The smallest that suffices: Charger birch", "not measured", "claimed", "claims alone: dogwood"):
        assert words in said
    assert "only the nameplate's total is known" in said


def test_nothing_suffices(shelf_book, tmp_path, capsys):
    path = tmp_path / "big.toml"
    path.write_text('[[device]]\nname = "heater"\npower_w = 500\n', encoding="utf-8")
    choose(path, book=shelf_book.root)
    assert "No charger serves all devices well." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no \\[\\[device\\]\\]"),
        ("device = 3", "device"),
        ("[[device", "not valid TOML"),
        ('[[device]]\nname = "a"\npower_w = "x"', r"device\[0\].power_w"),
        ('[[device]]\nname = "a"\npower_w = 5\nprioritty = 2', "Did you mean 'priority'"),
        ('[[device]]\nname = "a"\npower_w = nan', "finite"),
        ('[[device]]\nname = "a"', r"device\[0\].power_w: is missing"),
        ('[[device]]\nname = "a"\npower_w = 5\ncable = { length_m = 1 }', "either resistance_ohm"),
        ('[[device]]\nname = "a"\npower_w = 5\ncable = { length_m = 1, gauge_awg = 99 }', "gauge"),
        ('[[device]]\nname = "a"\npower_w = 5\nleast_voltage_v = 30', "above most_voltage_v"),
        ('[[device]]\nname = "a"\npower_w = 5\nleast_power_w = 6', "above power_w"),
        ('[[device]]\nname = "a"\npower_w = 5\nenough_w = 6', "above power_w"),
        ('[[device]]\nname = "a"\npower_w = 5\n' * 2, "used twice"),
        ('[[device]]\nname = "a"\npower_w = 5\nconnectors = ["usb-x"]', "usb-a"),
    ],
)
def test_wrong_files(text, words):
    with pytest.raises(BookError, match=words) as caught:
        read_devices(text, "devices.toml")
    assert all(fault.file == "devices.toml" for fault in caught.value.faults)


def test_all_faults_at_once():
    text = '[[device]]\nname = "a"\npower_w = -5\nhours_per_day = 30\n'
    with pytest.raises(BookError) as caught:
        read_devices(text, "d.toml")
    assert [fault.place for fault in caught.value.faults] == ["device[0].power_w", "device[0].hours_per_day"]


def test_no_file(shelf_book, tmp_path):
    with pytest.raises(BookError, match="cannot be read"):
        choose(tmp_path / "none.toml", book=shelf_book.root)

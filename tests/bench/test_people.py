"""What people type, and what they are shown."""

import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.bench import RunChoices, event_line, read_journal, run_plan
from brickbook.bench.errors import Trip
from brickbook.bench.hands import Plausible, plausible, typed_value
from brickbook.bench.journal import EVENTS, Event
from brickbook.bench.limits import Limits, contract_voltage_v, reading_trip
from brickbook.bench.offers import typed_offers
from brickbook.bench.screen import screen_for
from brickbook.cli import run
from brickbook.core.plan import Dwell, PortSetting
from brickbook.core.table import RawFile
from brickbook.readers import OBSERVATION_HEADER, read_observations

from .conftest import SLUG, give_plan, log_task

LIMITS = Limits(264.0, 6.0, 150.0, 90.0)


@settings(deadline=None)
@given(st.floats(1e-6, 1e4), st.sampled_from([("A", 1.0), ("mA", 1e-3), ("uA", 1e-6), ("kA", 1e3)]), st.booleans())
def test_a_typed_number_has_its_unit(value, unit, comma):
    text = f"{value!r} {unit[0]}"
    text = text.replace(".", ",") if comma else text
    assert typed_value(text, "port_current_a", "A") == pytest.approx(value * unit[1])


@settings(deadline=None)
@given(st.text(max_size=20))
def test_whatever_is_typed_is_a_number_or_a_word_of_what_is_wrong(text):
    try:
        value = typed_value(text, "mains_power_w", "W")
    except ValueError as error:
        value = str(error)  # any other exception would fail here
    assert isinstance(value, float) or value


def test_what_cannot_be_is_asked_again_and_taken_when_insisted_on():
    can_be = Plausible(0.0, 5.0, "the contract is 5 V")
    with pytest.raises(ValueError, match=r"12 V is not between 0 and 5 V: the contract is 5 V\. Look again"):
        typed_value("12 V", "port_voltage_v", "V", can_be)
    assert typed_value("12 V!", "port_voltage_v", "V", can_be) == 12.0
    with pytest.raises(ValueError, match="unit"):
        typed_value("12 A", "port_voltage_v", "V")


def test_plausible_follows_contract_load_and_supply():
    ports = {"C1": PortSetting("C1", "9 V", 2.0)}
    assert plausible("port_voltage_v", "C1", LIMITS, ports=ports).high == pytest.approx(12.7)
    assert plausible("port_current_a", "C1", LIMITS, ports=ports).high == pytest.approx(2.5)
    assert plausible("mains_voltage_v", "", LIMITS, mains_v=115.0).low == pytest.approx(92.0)
    assert plausible("mass_g", "charger", LIMITS).low == 0.0


@pytest.mark.parametrize(
    ("contract", "volts"),
    [("20 V", 20.0), ("PPS 11 V", 11.0), ("AVS 28 V", 28.0), ("legacy 5 V", 5.0), ("", None), ("5 V held", None)],
)
def test_voltage_of_a_contract(contract, volts):
    assert contract_voltage_v(contract) == volts


@pytest.mark.parametrize(
    ("values", "what"),
    [
        ({"mains_voltage_v": 265.0}, "mains_voltage_v"),
        ({"port_voltage_v@C1": 10.7}, "port_voltage_v@C1"),
        ({"port_voltage_v@C2": 6.3}, "port_voltage_v@C2"),
        ({"port_current_a@C1": 2.4}, "port_current_a@C1"),
        ({"mains_power_w": 151.0}, "mains_power_w"),
        ({"temperature_c@case": 90.5}, "temperature_c@case"),
        ({"ambient_c": 91.0}, "ambient_c"),
        ({"port_voltage_v@C1": 10.6, "port_current_a@C1": 2.2, "mains_power_w": None}, None),
    ],
)  # fmt: skip
def test_each_limit_trips_by_itself(values, what):
    trip = reading_trip(values, LIMITS, [PortSetting("C1", "9 V", 2.0)], dict.fromkeys(values, "it"))
    assert (trip.what if trip else None) == what
    if trip:
        assert isinstance(trip, Trip)
        assert trip.value > trip.limit
        assert trip.instrument == "it"


def test_the_power_of_all_ports_together_is_a_limit():
    settings = [PortSetting(p, "20 V", 5.0) for p in ("C1", "C2")]
    values = {f"port_voltage_v@{p}": 20.0 for p in ("C1", "C2")} | {f"port_current_a@{p}": 4.0 for p in ("C1", "C2")}
    assert reading_trip(values, LIMITS, settings, {}).what == "port_power_w"


def test_typed_offers_are_rows_the_reader_takes():
    rows = typed_offers("5 V 3 A; PPS 3.3 - 11 V 3 A; legacy 9 V 2 A; EPR AVS 15–28 V 5 A") + typed_offers(
        "0x0801912C, 0x0002D12C"
    )
    lines = [
        ",".join({"occupied": "C1", "port": "C1", **row}.get(key, "") for key in OBSERVATION_HEADER) for row in rows
    ]
    data = "\n".join([",".join(OBSERVATION_HEADER), *lines, ""]).encode()
    (table,) = read_observations(data, name="x", raw=RawFile("x", ""))
    kinds = [offer.kind for seen in table.observations for offer in seen.offers]
    assert kinds == ["fixed", "pps", "legacy", "epr-avs", "fixed", "fixed"]
    for wrong in ("", "nine volts", "9 V", "0xZZ"):
        with pytest.raises(ValueError):
            typed_offers(wrong)


@pytest.mark.parametrize("event", EVENTS)
def test_every_event_can_be_shown(event):
    assert isinstance(event_line(Event(0, "", 0.0, event, {})), str)


def test_the_live_picture_shows_a_whole_run(book, sim):
    give_plan(book, log_task(dwell=Dwell(5.0, 5.0)))
    with screen_for(plain=False) as show:
        outcome, _ = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, show=show)
    assert outcome == "done"


def test_another_terminal_looks_and_speaks(book, sim, capsys):
    give_plan(book, log_task(dwell=Dwell(5.0, 5.0)))
    at = ["--book", str(book.root)]
    assert run(["bench", "status", SLUG, *at]) == 1  # no run yet
    runner = threading.Thread(target=run_plan, args=(book, SLUG, RunChoices()), kwargs={"instruments": sim.instruments})
    runner.start()
    folder = book.root / "chargers" / SLUG / "runs"
    while not any(e.event == "asked" for f in folder.glob("*") for e in read_journal(f)):
        threading.Event().wait(0.02)
    assert run(["bench", "tell", SLUG, "answer", *at]) == 1
    assert run(["bench", "status", SLUG, *at]) == 0
    assert "It asks (caution):  Mains voltage kills." in capsys.readouterr().out
    assert run(["bench", "tell", SLUG, "confirm", *at]) == 0
    runner.join(20)
    assert run(["bench", "status", SLUG, "--json", *at]) == 0
    assert '"outcome": "done"' in capsys.readouterr().out
    assert run(["bench", "tell", SLUG, "abort", *at]) == 1

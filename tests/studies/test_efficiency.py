"""Efficiency figures against worked calculations by the texts' own procedures."""

from __future__ import annotations

import math

import pytest

from brickbook.core.charger import Budget
from brickbook.studies.efficiency.figures import figures
from brickbook.studies.efficiency.loading import contract_voltages, low_load_nameplate, nameplate_for, output_at

# A single USB-PD port, 5 V 3 A to 20 V 3.25 A. The readings are invented; loads and formulas are those of 10 CFR 430
# Subpart B Appendix Z section 6 and Regulation (EU) 2025/2052 Annex II and IV; means worked out by hand.
US_20V = {
    "volts": (19.78, 19.84, 19.90, 19.96),
    "amps": (3.25, 2.4375, 1.625, 0.8125),
    "watts": (71.10, 53.20, 35.55, 18.02),
    "eta": (0.904149, 0.909023, 0.909634, 0.899972),
    "mean": 0.905695,
}
US_5V = {
    "volts": (4.95, 4.97, 4.99, 5.01),
    "amps": (2.0, 1.5, 1.0, 0.5),
    "watts": (11.72, 8.78, 5.90, 3.06),
    "eta": (0.844710, 0.849089, 0.845763, 0.818627),
    "mean": 0.839547,
}
EU_20V = {
    "volts": (20.05, 20.06, 20.07, 20.08, 20.09),
    "amps": (3.25, 2.4375, 1.625, 0.8125, 0.325),
    "watts": (71.60, 53.60, 35.80, 18.15, 7.62),
    "eta": (0.895339, 0.901159, 0.903623, 0.895261, 0.855471),
    "mean": 0.898845,
}
EU_5V = {
    "volts": (5.12, 5.11, 5.10, 5.10, 5.10),
    "amps": (2.0, 1.5, 1.0, 0.5, 0.3),
    "watts": (11.70, 8.80, 5.95, 3.12, 1.95),
    "eta": (0.841026, 0.845455, 0.840336, 0.809295, 0.780000),
    "mean": 0.834028,
}
RATIOS = (1.0, 0.75, 0.5, 0.25, 0.1)


def single(build):
    return build.charger(65.0, build.port("C1", (5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 3.25)))


def run(build, unit, case, *, mains, contract, place, **more):
    table = build.staircase(
        {"port_voltage_v@C1": case["volts"], "port_current_a@C1": case["amps"], "mains_power_w": case["watts"]}
    )
    log = build.recording(
        table,
        ["efficiency"],
        mains_v=mains,
        mains_hz=60.0 if mains < 200 else 50.0,
        ports="C1",
        contract=contract,
        measured_at=place,
        **more,
    )
    return figures(build.evidence(unit, log))


def one(outcome, name, procedure=None, **conditions):
    found = [
        f
        for f in outcome.figures
        if f.name == name and f.conditions.matches(conditions) and f.conditions.get("procedure") in (procedure, None)
        if procedure is None or f.conditions.get("procedure") == procedure
    ]
    assert len(found) == 1, [f.key for f in found]
    return found[0]


@pytest.mark.parametrize(
    ("case", "contract", "end", "nameplate"),
    [(US_20V, "20 V", "highest", 65.0), (US_5V, "5 V", "lowest", 10.0)],
    ids=["highest voltage", "lowest voltage, 2 A rule"],
)
def test_us_procedure_at_the_cable_end(build, case, contract, end, nameplate):
    """Appendix Z 6(a)(1): efficiencies at 100, 75, 50, 25 % and their arithmetic mean."""
    outcome = run(build, single(build), case, mains=115.0, contract=contract, place="cable end")
    for ratio, eta in zip(RATIOS, case["eta"], strict=False):
        assert one(outcome, "efficiency_ratio", "us-appendix-z", load_ratio=ratio).value == pytest.approx(eta, abs=1e-6)
    mean = one(outcome, "average_active_efficiency_ratio", "us-appendix-z")
    assert mean.value == pytest.approx(case["mean"], abs=1e-6)
    assert mean.conditions["voltage_end"] == end
    assert mean.conditions["nameplate_w"] == pytest.approx(nameplate)
    assert mean.flags == ()


@pytest.mark.parametrize(("case", "wrong"), [(US_20V, 0.906280), (US_5V, 0.843517)])
def test_the_mean_is_not_the_ratio_of_sums(build, case, wrong):
    """Appendix Z asks for the mean of efficiencies; energy out over energy in is another number."""
    contract = "20 V" if case is US_20V else "5 V"
    outcome = run(build, single(build), case, mains=115.0, contract=contract, place="cable end")
    ratio = sum(v * a for v, a in zip(case["volts"], case["amps"], strict=True)) / sum(case["watts"])
    assert ratio == pytest.approx(wrong, abs=1e-6)
    assert abs(one(outcome, "average_active_efficiency_ratio", "us-appendix-z").value - wrong) > 4e-4


@pytest.mark.parametrize(
    ("case", "contract", "low_nameplate"), [(EU_20V, "20 V", 65.0), (EU_5V, "5 V", 15.0)], ids=["highest", "lowest"]
)
def test_eu_2025_procedure_at_the_receptacle(build, case, contract, low_nameplate):
    """Annex IV 3(a): V I less I^2 x 0.100 Ohm (port above 3 A); 10 % of the nameplate current, also at 5 V."""
    outcome = run(build, single(build), case, mains=230.0, contract=contract, place="receptacle")
    for ratio, eta in zip(RATIOS, case["eta"], strict=True):
        assert one(outcome, "efficiency_ratio", "eu-2025-2052", load_ratio=ratio).value == pytest.approx(eta, abs=1e-6)
    assert one(outcome, "average_active_efficiency_ratio", "eu-2025-2052").value == pytest.approx(
        case["mean"], abs=1e-6
    )
    low = one(outcome, "low_load_efficiency_ratio", "eu-2025-2052")
    assert low.value == pytest.approx(case["eta"][4], abs=1e-6)
    assert low.conditions["nameplate_w"] == pytest.approx(low_nameplate)


def test_a_port_of_up_to_three_amperes_has_the_larger_cable_allowance(build):
    """Annex IV 3(a): 0.130 Ohm up to 3 A. At 3 A that is 1.17 W."""
    unit = build.charger(60.0, build.port("C1", (5.0, 3.0), (20.0, 3.0)))
    case = {"volts": (20.0,) * 4, "amps": (3.0, 2.25, 1.5, 0.75), "watts": (66.0, 50.0, 33.0, 17.0)}
    outcome = run(build, unit, case, mains=230.0, contract="20 V", place="receptacle")
    net = one(outcome, "output_power_w", "eu-2025-2052", load_ratio=1.0)
    assert net.value == pytest.approx(60.0 - 1.17, abs=1e-9)


def test_a_stated_cable_takes_the_receptacle_to_the_cable_end(build):
    """Ohm's law: 0.120 Ohm at 3.25 A takes 1.2675 W, and its uncertainty goes into the figure."""
    outcome = run(
        build,
        single(build),
        EU_20V,
        mains=230.0,
        contract="20 V",
        place="receptacle",
        cable_ohm=0.120,
        u_cable_ohm=0.003,
    )
    power = one(outcome, "output_power_w", "us-appendix-z", load_ratio=1.0)
    assert power.value == pytest.approx(20.05 * 3.25 - 0.120 * 3.25**2, abs=1e-6)
    cable = [c for c in power.budget if "cable" in c.source]
    assert cable[0].u == pytest.approx(0.003 * 3.25**2, rel=1e-6)
    assert power.conditions["measured_at"] == "cable end"


def test_without_a_cable_the_us_figure_says_where_it_was_measured(build):
    outcome = run(build, single(build), EU_20V, mains=230.0, contract="20 V", place="receptacle")
    figure = one(outcome, "average_active_efficiency_ratio", "us-appendix-z")
    assert figure.flags == ("measured at the receptacle; Appendix Z 4(g) asks for the load end of a cable",)
    assert figure.conditions["measured_at"] == "receptacle"


def test_the_fixtures_resistance_is_added_back(build):
    """Four-wire sense point behind R: V at the receptacle is V + I R."""
    plain = run(build, single(build), EU_20V, mains=230.0, contract="20 V", place="receptacle")
    behind = run(build, single(build), EU_20V, mains=230.0, contract="20 V", place="receptacle", fixture_ohm=0.01)
    a = one(plain, "delivered_power_w", load_ratio=1.0).value
    b = one(behind, "delivered_power_w", load_ratio=1.0).value
    assert b - a == pytest.approx(0.01 * 3.25**2, abs=1e-9)


# Three ports, 100 W together: C1 PD 5 V 3 A to 20 V 5 A, C2 PD 5 V 3 A to 20 V 3.25 A, A fixed 5 V 2.4 A. Readings
# invented; D and the loads by Appendix Z 6(b)(1)(iv).
def _derated(ratio):
    return tuple(100.0 / 177.0 * ratio * amps for amps in (5.0, 3.25, 2.4))


MULTI_HIGH = (
    (_derated(1.0), (19.82, 19.86, 5.05), 110.9, 0.895422),
    (_derated(0.75), (19.86, 19.89, 5.06), 83.2, 0.896790),
    (_derated(0.5), (19.90, 19.92, 5.07), 56.0, 0.889871),
    (_derated(0.25), (19.95, 19.96, 5.08), 29.1, 0.858194),
)
MULTI_LOW = (
    ((2.0, 2.0, 2.4), (4.96, 4.97, 4.98), 37.2, 0.855161),
    ((1.5, 1.5, 1.8), (4.98, 4.99, 5.00), 28.0, 0.855536),
    ((1.0, 1.0, 1.2), (5.00, 5.01, 5.02), 19.0, 0.843895),
    ((0.5, 0.5, 0.6), (5.03, 5.03, 5.05), 10.1, 0.798020),
)


def three_ports(build):
    return build.charger(
        100.0,
        build.port("C1", (5.0, 3.0), (20.0, 5.0)),
        build.port("C2", (5.0, 3.0), (20.0, 3.25)),
        build.port("A1", (5.0, 2.4), connector="usb-a", kind="legacy"),
    )


@pytest.mark.parametrize(
    ("rows", "contract", "mean", "nameplate"),
    [
        (MULTI_HIGH, "C1 20 V + C2 20 V + A1 5 V", 0.885069, 100.0),
        (MULTI_LOW, "C1 5 V + C2 5 V + A1 5 V", 0.838153, 32.0),
    ],
    ids=["highest", "lowest"],
)
def test_three_ports_loaded_in_proportion(build, rows, contract, mean, nameplate):
    """Appendix Z 6(b): D = 100/177 at the highest voltages, no derating at the lowest (10 + 10 + 12 W)."""
    columns: dict[str, list[float]] = {"mains_power_w": []}
    for amps, volts, watts, _ in rows:
        for name, a, v in zip(("C1", "C2", "A1"), amps, volts, strict=True):
            columns.setdefault(f"port_current_a@{name}", []).append(a)
            columns.setdefault(f"port_voltage_v@{name}", []).append(v)
        columns["mains_power_w"].append(watts)
    log = build.recording(
        build.staircase(columns),
        ["efficiency"],
        mains_v=115.0,
        mains_hz=60.0,
        ports="C1+C2+A1",
        contract=contract,
        measured_at="cable end",
    )
    outcome = figures(build.evidence(three_ports(build), log))
    for ratio, row in zip(RATIOS, rows, strict=False):
        assert one(outcome, "efficiency_ratio", "us-appendix-z", load_ratio=ratio).value == pytest.approx(
            row[3], abs=1e-6
        )
    average = one(outcome, "average_active_efficiency_ratio", "us-appendix-z")
    assert average.value == pytest.approx(mean, abs=1e-6)
    assert average.conditions["nameplate_w"] == pytest.approx(nameplate, abs=1e-3)
    assert average.flags == ()


def test_derating_factor_and_currents(build):
    """Appendix Z 6(b)(1)(iv): D = P/sum(V I) = 100/177 = 0.564972; rated voltages times the loads give 100 W."""
    volts = {"C1": 20.0, "C2": 20.0, "A1": 5.0}
    high = nameplate_for(three_ports(build), volts, lowest=False)
    assert high.derating == pytest.approx(0.564972, abs=5e-7)
    assert high.at(1.0) == pytest.approx({"C1": 2.82486, "C2": 1.83616, "A1": 1.35593}, abs=5e-6)
    assert sum(volts[p] * a for p, a in high.at(1.0).items()) == pytest.approx(100.0)
    low = nameplate_for(three_ports(build), dict.fromkeys(volts, 5.0), lowest=True)
    assert (low.derating, low.power_w, low.reduced) == (1.0, 32.0, True)
    # EU 2025/2052 Annex II Table 5 footnote 2: the 10 % condition keeps the nameplate current (15 + 15 + 12 W)
    assert low_load_nameplate(three_ports(build), dict.fromkeys(volts, 5.0)).power_w == pytest.approx(42.0)


def test_budget_groups_bind_before_the_whole(build):
    """Ports that share 45 W cannot both be loaded with 45 W: the maker's groups derate first (reading named)."""
    unit = build.charger(
        200.0,
        build.port("C1", (20.0, 5.0)),
        build.port("C2", (20.0, 2.25)),
        build.port("C3", (20.0, 2.25)),
        budgets=[Budget(("C2", "C3"), 45.0)],
    )
    found = nameplate_for(unit, {"C1": 20.0, "C2": 20.0, "C3": 20.0}, lowest=False)
    assert found.current_a == pytest.approx({"C1": 5.0, "C2": 1.125, "C3": 1.125})
    assert found.grouped
    assert found.derating == 1.0


def test_shared_gain_is_not_averaged_away(build):
    """A gain error common to the four input readings shifts the mean by itself: u of the mean is that of one point."""
    table = build.staircase(
        {
            "port_voltage_v@C1": US_20V["volts"],
            "port_current_a@C1": US_20V["amps"],
            "mains_power_w": US_20V["watts"],
        }
    )
    log = build.recording(
        table, ["efficiency"], mains_v=115.0, mains_hz=60.0, ports="C1", contract="20 V", measured_at="cable end"
    )
    outcome = figures(build.evidence(single(build), log, accuracy=0.3))
    mean = one(outcome, "average_active_efficiency_ratio", "us-appendix-z")
    # three independent gains (V, I, P), each 0.3 % rectangular: u/eta = 0.003 sqrt(3)/sqrt(3) (GUM 4.3.7, 5.1.6)
    assert mean.u / mean.value == pytest.approx(0.003, rel=2e-3)
    assert math.isclose(
        mean.u / mean.value,
        one(outcome, "efficiency_ratio", "us-appendix-z", load_ratio=1.0).u / 0.904149,
        rel_tol=5e-3,
    )


def test_a_load_off_target_is_flagged(build):
    case = dict(US_20V, amps=(3.25, 2.4375, 1.625, 0.72))
    outcome = run(build, single(build), case, mains=115.0, contract="20 V", place="cable end")
    flag = "load at 25 % is off target by 2.8 % of full load (±2 % allowed)"
    assert flag in one(outcome, "average_active_efficiency_ratio", "us-appendix-z").flags
    assert one(outcome, "efficiency_ratio", "us-appendix-z", load_ratio=1.0).flags == ()


def test_a_missing_load_leaves_no_average(build):
    case = {k: v[:3] for k, v in US_20V.items() if k != "mean"}
    outcome = run(build, single(build), case, mains=115.0, contract="20 V", place="cable end")
    assert not [f for f in outcome.figures if f.name == "average_active_efficiency_ratio"]
    texts = [n.text for n in outcome.notes]
    assert "log: no steady load near 25 % was found: C1 0.8125 A" in texts
    assert "log: average active efficiency (us-appendix-z) not determined: no steady load at 25 %" in texts


def test_an_unsettled_load_is_flagged_not_hidden(build):
    """Input power that still falls by more than 5 % within the last five minutes."""
    import numpy as np

    table = build.staircase(
        {"port_voltage_v@C1": US_20V["volts"], "port_current_a@C1": US_20V["amps"], "mains_power_w": US_20V["watts"]}
    )
    power = table.columns["mains_power_w"]
    power[:400] *= np.linspace(1.2, 1.0, 400)
    log = build.recording(
        table, ["efficiency"], mains_v=115.0, mains_hz=60.0, ports="C1", contract="20 V", measured_at="cable end"
    )
    outcome = figures(build.evidence(single(build), log))
    flags = one(outcome, "efficiency_ratio", "us-appendix-z", load_ratio=1.0).flags
    assert len(flags) == 1
    assert flags[0].startswith("unsettled at 100 % load:")


def test_loss_model_recovers_its_own_curve(build):
    """Losses made from p0 + a P + b P^2 come back; the best load is sqrt(p0/b) (d(loss/P)/dP = 0)."""
    p0, a, b = 0.40, 0.05, 0.0012
    amps = (1.75, 1.3125, 0.875, 0.4375, 0.175)
    watts = tuple(20 * i + p0 + a * 20 * i + b * (20 * i) ** 2 for i in amps)
    unit = build.charger(35.0, build.port("C1", (5.0, 3.0), (20.0, 1.75)))
    case = {"volts": (20.0,) * 5, "amps": amps, "watts": watts}
    outcome = run(build, unit, case, mains=230.0, contract="20 V", place="receptacle")
    assert one(outcome, "fixed_loss_w").value == pytest.approx(p0, rel=1e-6)
    assert one(outcome, "proportional_loss_ratio").value == pytest.approx(a, rel=1e-6)
    assert one(outcome, "resistive_loss_per_w").value == pytest.approx(b, rel=1e-6)
    assert one(outcome, "peak_efficiency_load_ratio").value == pytest.approx(math.sqrt(p0 / b) / 35.0, rel=1e-6)


def test_power_factor_stage_is_bracketed_by_the_loads(build):
    amps = (5.0, 3.75, 2.5, 1.25, 0.5)
    watts = (110.0, 82.0, 55.0, 28.0, 12.0)
    table = build.staircase(
        {
            "port_voltage_v@C1": (20.0,) * 5,
            "port_current_a@C1": amps,
            "mains_power_w": watts,
            "mains_pf": (0.98, 0.97, 0.95, 0.58, 0.55),
        }
    )
    unit = build.charger(100.0, build.port("C1", (5.0, 3.0), (20.0, 5.0)))
    log = build.recording(table, ["efficiency"], mains_v=230.0, mains_hz=50.0, ports="C1", contract="20 V")
    figure = one(figures(build.evidence(unit, log)), "pfc_threshold_w")
    assert figure.value == pytest.approx((55.0 + 28.0) / 2)
    assert figure.u == pytest.approx((55.0 - 28.0) / 2 / math.sqrt(3))  # anywhere between: rectangular, GUM 4.3.7


def test_power_factor_from_volt_amperes_when_none_is_logged(build):
    """PF = P/(U I)."""
    table = build.staircase(
        {
            "port_voltage_v@C1": US_20V["volts"],
            "port_current_a@C1": US_20V["amps"],
            "mains_power_w": US_20V["watts"],
            "mains_voltage_v": (115.0,) * 4,
            "mains_current_a": (1.0, 0.8, 0.6, 0.3),
        }
    )
    log = build.recording(table, ["efficiency"], mains_v=115.0, mains_hz=60.0, ports="C1", contract="20 V")
    outcome = figures(build.evidence(single(build), log))
    assert one(outcome, "power_factor_ratio", load_ratio=1.0).value == pytest.approx(71.10 / 115.0, rel=1e-6)


def test_supply_and_room_outside_the_procedure_are_told(build):
    table = build.staircase(
        {
            "port_voltage_v@C1": US_20V["volts"],
            "port_current_a@C1": US_20V["amps"],
            "mains_power_w": US_20V["watts"],
            "mains_voltage_v": (117.0,) * 4,
        }
    )
    log = build.recording(
        table, ["efficiency"], mains_v=115.0, mains_hz=60.0, ports="C1", contract="20 V", ambient_c=28.0
    )
    texts = [n.text for n in figures(build.evidence(single(build), log)).notes]
    assert "log: supply at 117 V, more than 1 % off 115 V (Appendix Z 4(c))" in texts
    assert "log: room at 28 °C, outside 20 ± 5 °C (Appendix Z 4(b))" in texts


@pytest.mark.parametrize(
    ("contract", "ports", "message"),
    [
        ("20", ("C1",), 'contract \'20\' is not written like "20 V" or "C1 20 V + A1 5 V"'),
        ("C1 20 V", ("C1", "C2"), "contract 'C1 20 V' does not name the loaded ports C1, C2 one by one"),
        ("C1 x V", ("C1",), "contract 'C1 x V': 'x' is not a voltage"),
    ],
)
def test_contracts_that_cannot_be_read(contract, ports, message):
    with pytest.raises(ValueError) as caught:
        contract_voltages(contract, ports)
    assert str(caught.value) == message


def test_contracts_that_can():
    assert contract_voltages("20 V", ("C1",)) == {"C1": 20.0}
    assert contract_voltages("legacy 5 V", ("A1",)) == {"A1": 5.0}
    assert contract_voltages("A1 5 V + C1 20 V", ("C1", "A1")) == {"A1": 5.0, "C1": 20.0}


def test_a_voltage_nobody_claims(build):
    with pytest.raises(LookupError, match=r"claims no 12 V output on port C1"):
        output_at(single(build).port("C1"), 12.0)


@pytest.mark.parametrize("missing", ["mains_v", "mains_hz", "contract"])
def test_missing_conditions_are_named(build, missing):
    conditions = {"mains_v": 115.0, "mains_hz": 60.0, "contract": "20 V", "ports": "C1"}
    del conditions[missing]
    table = build.staircase(
        {"port_voltage_v@C1": US_20V["volts"], "port_current_a@C1": US_20V["amps"], "mains_power_w": US_20V["watts"]}
    )
    outcome = figures(build.evidence(single(build), build.recording(table, ["efficiency"], **conditions)))
    assert outcome.figures == ()
    assert outcome.notes[0].text == f"log: the index does not say {missing}; add it to the file's conditions"

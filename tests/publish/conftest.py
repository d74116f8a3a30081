"""An invented charger with invented readings: nothing here was measured, all of it exercises the pages."""

import dataclasses
import hashlib
import math

import pytest

from brickbook.core.charger import Charger, Claim, Mark, Nameplate, Output, Port, Price, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Component, Figure, Finding, Note
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.page import (
    Axis,
    Band,
    Bars,
    Caution,
    Chart,
    LimitLine,
    Section,
    Series,
    Strip,
    TableBlock,
    Text,
)
from brickbook.core.study import Mains, Procedure, Settings, Step
from brickbook.core.table import RawFile, Rows
from brickbook.publish import BookMeta, Method, RawEntry, ReportInput

LOADS = (0.05, 0.1, 0.2, 0.25, 0.35, 0.5, 0.75, 1.0)
SUPPLIES = ((115, 60), (230, 50))


def digest(path):
    return hashlib.sha256(path.encode()).hexdigest()


def figure(study, name, value, unit, u, conditions, method, file, first, last, columns=(), flags=(), k=1.71):
    return Figure(
        study,
        name,
        value,
        unit,
        u,
        Conditions.of(conditions),
        method,
        (Rows(RawFile(file, digest(file)), first, last, tuple(columns)),),
        dof=181.0,
        coverage_factor=k,
        lower=value - k * u,
        upper=value + k * u,
        budget=(
            Component("wall-meter: mains_power_w 150", "B", "rectangular", u * 0.9, math.inf),
            Component("bench-load: port_current_a 5", "B", "rectangular", u * 0.4, math.inf),
            Component("scatter of mains_power_w at 230 V, 50 %", "A", "normal", u * math.sqrt(1 - 0.81 - 0.16), 41.0),
        ),
        flags=tuple(flags),
    )


def loss(load, supply):
    p0, a, b = (0.12, 0.062, 0.0013) if supply == 115 else (0.16, 0.058, 0.0011)
    power = 35 * load
    return p0, a * power, b * power**2


def efficiency(load, supply):
    return 35 * load / (35 * load + sum(loss(load, supply)))


def make_figures():
    out = []
    for volt, hertz in SUPPLIES:
        file = f"eff-c1-20v-{volt}.csv"
        base = {"mains_v": volt, "mains_hz": hertz, "port": "C1", "contract": "20 V"}
        for k, load in enumerate(LOADS):
            eta = efficiency(load, volt)
            first = 12 + 600 * k
            columns = ("P in [W]", "U out [V]", "I out [A]")
            at = {**base, "load_ratio": load}
            flags = ("load 3.1 % off target",) if load == 0.05 and volt == 230 else ()
            out.append(
                figure(
                    "efficiency",
                    "efficiency_ratio",
                    eta,
                    "",
                    0.0022 + 0.0004 / load,
                    at,
                    "output power over input power of a settled plateau; 10 CFR 430 Appendix Z 5(a)",
                    file,
                    first,
                    first + 299,
                    columns,
                    flags,
                )
            )
            out.append(
                figure(
                    "efficiency",
                    "loss_w",
                    sum(loss(load, volt)),
                    "W",
                    0.06 + 0.1 * load,
                    at,
                    "input power less output power",
                    file,
                    first,
                    first + 299,
                    columns,
                )
            )
        mean = sum(efficiency(x, volt) for x in (0.25, 0.5, 0.75, 1.0)) / 4
        out.append(
            figure(
                "efficiency",
                "average_active_efficiency_ratio",
                mean,
                "",
                0.0021,
                {"mains_v": volt, "mains_hz": hertz, "ports": "C1", "procedure": "us-appendix-z"},
                "mean of the efficiencies at 25, 50, 75 and 100 % of nameplate current",
                file,
                1212,
                4511,
            )
        )
        out.append(
            figure(
                "standby",
                "no_load_power_w",
                0.0452 if volt == 115 else 0.0738,
                "W",
                0.0011,
                {"mains_v": volt, "mains_hz": hertz, "situation": "bare"},
                "mean power over a settled stretch; IEC 62301 5.3.2",
                f"standby-{volt}.csv",
                8,
                907,
                ("P in [W]",),
                k=1.66,
            )
        )
    for k in range(8):
        amp = 1.75 * k / 7
        out.append(
            figure(
                "regulation",
                "output_voltage_v",
                20.11 - 0.16 * amp,
                "V",
                0.0075,
                {"mains_v": 230, "mains_hz": 50, "port": "C1", "contract": "20 V", "load_a": round(amp, 2)},
                "mean at the receptacle, voltage drop of the fixture added",
                "eff-c1-20v-230.csv",
                12 + 600 * k,
                311 + 600 * k,
                ("U out [V]",),
            )
        )
    out.append(
        figure("value", "price_per_watt", 0.854, "EUR/W", 0.0, {}, "price over nameplate power", "label.csv", 2, 2)
    )
    return tuple(out)


def make_findings(figures):
    by = {}
    for f in figures:
        by.setdefault(f.name, []).append(f)
    average, no_load = by["average_active_efficiency_ratio"], by["no_load_power_w"]
    volts = by["output_voltage_v"][-1]
    return (
        Finding(
            average[0].key,
            "us-10cfr430-level-vi",
            "US level VI, average active efficiency",
            "standard",
            0.87,
            "min",
            "meets",
            0.99999,
            "10 CFR 430.32(w)(1)(ii)",
            market="United States",
            edition="2016",
            applies_from="2016-02-10",
            reading="nameplate power at the highest voltage",
        ),
        Finding(
            average[1].key,
            "eu-2019-1782",
            "EU ecodesign, average active efficiency",
            "standard",
            0.873,
            "min",
            "meets",
            0.9999,
            "Regulation (EU) 2019/1782 Annex II 1(a)",
            market="European Union",
            applies_from="2020-04-01",
            from_memory=True,
        ),
        Finding(
            no_load[0].key,
            "us-10cfr430-no-load",
            "US level VI, no-load power",
            "standard",
            0.1,
            "max",
            "meets",
            1.0,
            "10 CFR 430.32(w)(1)(ii)",
            market="United States",
            applies_from="2016-02-10",
        ),
        Finding(
            no_load[1].key,
            "example-no-load-75",
            "Example limit of 75 mW, no-load power",
            "standard",
            0.075,
            "max",
            "undecided",
            0.862,
            "common practice, no source",
            market="European Union",
        ),
        Finding(
            volts.key,
            "pd-voltage",
            "USB PD fixed supply, voltage at the receptacle",
            "standard",
            19.0,
            "range",
            "meets",
            1.0,
            "USB PD 3.2, 7.1.4.2",
            limit_high=21.0,
        ),
        Finding(
            average[0].key,
            "claim-0",
            "“over 93 % efficient”",
            "claim",
            0.93,
            "min",
            "does not meet",
            0.0002,
            "printed on the box",
            note="the box does not say at which mains or load",
        ),
        Finding(
            no_load[1].key,
            "house-30mw",
            "Draws under 30 mW when nothing is plugged in",
            "house",
            0.03,
            "max",
            "does not meet",
            0.0,
            "house rule",
        ),
        Finding(
            by["efficiency_ratio"][0].key,
            "low-load",
            "Efficiency at 5 % load",
            "house",
            0.8,
            "min",
            "not judged",
            float("nan"),
            "house rule",
            note="the meter’s range is too coarse for this power",
        ),
    )


def make_sections(figures):
    effs = {
        v: [f for f in figures if f.name == "efficiency_ratio" and f.conditions["mains_v"] == v] for v, _ in SUPPLIES
    }
    percent = [100 * x for x in LOADS]
    series = tuple(
        Series(
            f"{v} V, {h} Hz",
            percent,
            [100 * f.value for f in effs[v]],
            [100 * f.coverage_factor * f.u for f in effs[v]],
        )
        for v, h in SUPPLIES
    )
    volts = [f for f in figures if f.name == "output_voltage_v"]
    amps = [f.conditions.number("load_a") for f in volts]
    labels = [f"{v} V, {load:.0%} load".replace("%", " %") for v, _ in SUPPLIES for load in (0.25, 0.5, 1.0)]
    parts = [loss(load, v) for v, _ in SUPPLIES for load in (0.25, 0.5, 1.0)]
    return (
        Section(
            "efficiency",
            "Efficiency",
            "The charger was loaded at C1 with a 20 V contract from 5 % to 100 % of its "
            "nameplate current, at two mains supplies, each point held until the input power had settled.",
            (
                Chart(
                    "efficiency-over-load",
                    "Efficiency keeps above both published limits from 10 % load up, and misses the maker’s 93 % everywhere",
                    "Efficiency against load at 115 V and 230 V: it climbs from about 90 % at 5 % load to 92.5 %, and stays flat.",
                    Axis("load", "%"),
                    Axis("efficiency", "%"),
                    series=series,
                    limits=(
                        LimitLine("US level VI, average: at least 87.0 %", 87.0),
                        LimitLine("EU ecodesign, average: at least 87.3 %", 87.3),
                        LimitLine("maker: “over 93 %”", 93.0),
                    ),
                    caption="Bars show the expanded uncertainty (95 %) where it is larger than the mark.",
                ),
                TableBlock(
                    "Efficiency at each load",
                    ("Load", "115 V", "230 V"),
                    tuple((f"{p:g} %", a, b) for p, a, b in zip(percent, effs[115], effs[230], strict=True)),
                    note="Plateaus were settled by the 5 % rule of Appendix Z.",
                ),
                Chart(
                    "loss-parts",
                    "At full load the resistive part is the largest loss at 230 V too",
                    "Stacked bars of fixed, proportional and resistive loss.",
                    Axis("loss", "W"),
                    Axis(""),
                    bars=Bars(
                        labels,
                        ("fixed", "proportional to power", "resistive"),
                        [[p[k] for p in parts] for k in range(3)],
                        [0.09, 0.12, 0.17] * 2,
                    ),
                ),
            ),
        ),
        Section(
            "standby",
            "No-load power",
            "With nothing plugged in, the charger draws little, but at 230 V it cannot be told from 75 mW.",
            (
                Caution("Mains voltage is present inside the fixture whenever the source is on."),
                Chart(
                    "no-load",
                    "At 230 V the no-load power is too close to 75 mW to decide",
                    "Two bars with a limit at 75 mW and one at 100 mW.",
                    Axis("no-load power", "mW"),
                    Axis(""),
                    bars=Bars(("115 V, 60 Hz", "230 V, 50 Hz"), ("power",), [[45.2, 73.8]], [1.8, 1.8]),
                    limits=(
                        LimitLine("example limit: at most 75 mW", 75.0),
                        LimitLine("US level VI: at most 100 mW", 100.0),
                    ),
                ),
            ),
        ),
        Section(
            "regulation",
            "Voltage under load",
            "How far the voltage at the receptacle moves as the load grows.",
            (
                Text("The band is what USB PD permits a fixed supply at the receptacle."),
                Chart(
                    "voltage-over-current",
                    "The voltage at C1 stays within ±5 % up to the nameplate current",
                    "Voltage against current, falling from 20.1 V to 19.8 V inside a band from 19 V to 21 V.",
                    Axis("load current", "A"),
                    Axis("output voltage", "V"),
                    series=(
                        Series(
                            "20 V contract", amps, [f.value for f in volts], [f.coverage_factor * f.u for f in volts]
                        ),
                    ),
                    bands=(Band("permitted, ±5 %", [0.0, 1.75], [19.0, 19.0], [21.0, 21.0]),),
                ),
            ),
        ),
        Section(
            "sharing",
            "Sharing between ports",
            "What each port holds while devices come and go.",
            (
                Chart(
                    "port-strip",
                    "C1 loses its contract for 1.2 s when a second device is plugged in",
                    "Three rows of spans over a minute.",
                    Axis("time", "s"),
                    Axis("port"),
                    strip=Strip(
                        ("C1", "C2", "A1"),
                        (
                            ("C1", 0, 30, "20 V"),
                            ("C1", 30, 31.2, "off"),
                            ("C1", 31.2, 60, "9 V"),
                            ("C2", 30.4, 60, "9 V"),
                            ("A1", 45, 60, "5 V"),
                        ),
                    ),
                    limits=(LimitLine("C2 plugged in", 30.0),),
                ),
            ),
        ),
    )


def make_charger():
    fixed = tuple(Output("fixed", a, v) for v, a in ((5.0, 3.0), (9.0, 3.0), (15.0, 2.33), (20.0, 1.75)))
    return Charger(
        "Larkfield Tern 35",
        "Larkfield",
        "LT-35",
        Nameplate(35.0, 100.0, 240.0, "50/60 Hz", 0.9),
        (
            Port("C1", "usb-c", (*fixed, Output("pps", 3.0, None, 3.3, 11.0)), 35.0),
            Port("C2", "usb-c", fixed[:2], 20.0, "lower"),
            Port("A1", "usb-a", (Output("legacy", 2.4, 5.0),), None),
        ),
        Sample("bought", "2026-09-14", "TR35-001882", "sealed box"),
        prongs="folding",
        claims=(Claim("efficiency/average_active_efficiency_ratio", "min", 0.93, "over 93 % efficient", "box"),),
        marks=(
            Mark(
                "safety-listing",
                "a listing mark with a file number",
                seen=True,
                seen_on="label",
                note="file number not looked up",
            ),
            Mark("efficiency-level", "VI", seen=True, seen_on="label"),
            Mark("conformity", "a conformity mark", seen=False),
        ),
        price=Price(29.9, "EUR", "2026-09-14", "paid"),
        summary="An invented charger for trying the pages.",
    )


def make_report(**changes):
    figures = make_figures()
    instruments = {
        "wall-meter": Instrument(
            "ac-power-meter",
            (Accuracy("mains_power_w", 0.1, 0.1, 150.0), Accuracy("mains_power_w", 0.1, 0.1, 1.0)),
            "bench power analyser",
            "0412",
            "2026-02-01",
            "2027-02-01",
        ),
        "bench-load": Instrument(
            "dc-load",
            (Accuracy("port_current_a", 0.1, 0.05, 5.0), Accuracy("port_voltage_v", 0.05, absolute=0.003)),
            "electronic load",
            "7781",
        ),
        "kitchen-scale": Instrument("scale"),
    }
    keys = [
        f.key for f in figures if f.name in ("average_active_efficiency_ratio", "no_load_power_w", "price_per_watt")
    ]
    fields = {
        "slug": "larkfield-tern-35",
        "charger": make_charger(),
        "book": BookMeta("The Larkfield Bench Book", "J. Doe, independent tester", "CC BY 4.0"),
        "settings": Settings((Mains(115.0, 60.0, "United States"), Mains(230.0, 50.0, "European Union"))),
        "sections": make_sections(figures),
        "figures": figures,
        "findings": make_findings(figures),
        "key_figures": tuple(keys),
        "unmeasured": (Claim("soak/case_temperature_c", "max", 60.0, "stays cool", "website"),),
        "notes": (
            Note("efficiency", "info", "14 readings without a time were dropped", Conditions.of(mains_v=115)),
            Note(
                "standby",
                "warning",
                "The meter was due for calibration on the day.",
                Conditions.of(mains_v=230),
                figures[-1].sources,
            ),
        ),
        "raw_files": tuple(
            RawEntry(
                path, digest(path), studies, Conditions.of(mains_v=v, mains_hz=h, port="C1"), "2026-10-03T10:22:00"
            )
            for v, h in SUPPLIES
            for path, studies in (
                (f"eff-c1-20v-{v}.csv", ("efficiency", "regulation")),
                (f"standby-{v}.csv", ("standby",)),
            )
        ),
        "instruments": instruments,
        "methods": (
            Method(
                "efficiency",
                "Efficiency",
                Procedure(
                    "Four loading conditions and more, after warming up, input and output read together.",
                    (
                        Step(
                            "Load C1 with 100 % of its nameplate current for 30 minutes.",
                            "30 minutes have passed (Appendix Z 4(g))",
                            "The charger gets hot: keep it on a surface that cannot burn.",
                        ),
                        Step(
                            "Step the load down; read for 5 minutes at each.",
                            "input power drifts by at most 5 % in 5 minutes",
                        ),
                    ),
                    ("Mains voltage is present: keep covers on and hands off.",),
                    ("10 CFR 430 Subpart B Appendix Z (2022)",),
                ),
            ),
            Method(
                "standby",
                "No-load power",
                Procedure("Nothing plugged in, half an hour.", (Step("Read for 30 minutes."),)),
            ),
        ),
        "words": {
            "efficiency/efficiency_ratio": "efficiency",
            "efficiency/loss_w": "loss",
            "efficiency/average_active_efficiency_ratio": "average active efficiency",
            "standby/no_load_power_w": "no-load power",
            "regulation/output_voltage_v": "output voltage",
            "value/price_per_watt": "price per watt (EUR)",
            "soak/case_temperature_c": "hottest place on the case",
        },
        "verdict": "A small charger that does **what its label says** at C1.\n\nTwo things to know:\n\n"
        "- the box claims *over 93 %*, and no measurement came near it;\n- plugging in a second device\n"
        "  interrupts the first for about a second.\n",
        "tester_notes": "The prongs fold with little force.\n\n## Noise\nNo coil noise at arm’s length.",
        "software": "Brickbook 0.1.0",
        "index_href": "index.html",
    }
    return ReportInput(**{**fields, **changes})


@pytest.fixture(scope="session")
def tern():
    return make_report()


@pytest.fixture(scope="session")
def make_tern():
    return make_report


HOSTILE = (
    '"><script>window.ran = 1</script><img src="http://127.0.0.1:9/x.png" onerror="window.ran = 2">'
    "{{ 7 * 7 }} </style></title> javascript:window.ran=3 ' \u202e rtl \u2067 \x00\x1b 😀 \ud800" + "Lang" * 40
)


def poison(value, bad):
    """The same value with every free text in it replaced; words that only choose a branch are kept."""
    keep = {
        "connector",
        "kind",
        "form",
        "prongs",
        "obtained",
        "sense",
        "seen_on",
        "origin",
        "decision",
        "severity",
        "role",
        "distribution",
        "scale",
        "style",
        "study",
        "name",
        "figure",
        "align",
        "sha256",
        "quantity",
        "reference",
        "slug",
    }
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        if isinstance(value, Conditions):
            return value
        hints = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
        new = {}
        for name, item in hints.items():
            if name in keep and isinstance(item, str):
                same_as_charger = isinstance(value, Charger) and name == "name"
                new[name] = bad if same_as_charger else item
            else:
                new[name] = poison(item, bad)
        if isinstance(value, Port):
            new["id"] = value.id
        if type(value).__name__ == "Strip":
            return value
        return type(value)(**new)
    if isinstance(value, tuple):
        return tuple(poison(v, bad) for v in value)
    if isinstance(value, dict):
        return {k: poison(v, bad) for k, v in value.items()}
    return bad if isinstance(value, str) else value


@pytest.fixture(scope="session")
def hostile():
    return HOSTILE


@pytest.fixture(scope="session")
def poisoned(make_tern):
    plain = make_tern()
    report = poison(plain, HOSTILE)
    # charts need ids that differ, figures need the keys their findings name
    sections = tuple(
        dataclasses.replace(
            new,
            blocks=tuple(
                dataclasses.replace(b, id=f"{i}-{k}-{HOSTILE}")
                if hasattr(b, "strip")
                else dataclasses.replace(b, rows=old_b.rows)
                if isinstance(b, TableBlock)
                else b
                for k, (b, old_b) in enumerate(zip(new.blocks, old.blocks, strict=True))
            ),
        )
        for i, (new, old) in enumerate(zip(report.sections, plain.sections, strict=True))
    )
    words = dict.fromkeys(plain.words, HOSTILE)
    return dataclasses.replace(
        report,
        sections=sections,
        figures=plain.figures,
        findings=poison(plain.findings, HOSTILE),
        key_figures=plain.key_figures,
        words=words,
        index_href="index.html",
    )

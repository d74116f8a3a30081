"""Efficiency over load: from recordings to figures.

Sources: 10 CFR 430 Subpart B Appendix Z (87 FR 51221, 2022) sections 5 and 6; Regulation (EU) 2025/2052 Annexes II, IV.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from brickbook.core.charger import Charger
from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Note
from brickbook.core.quantities import column_name
from brickbook.core.readings import figure_of
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured, exact, mean_of
from brickbook.plateaus import Plateau
from brickbook.studies.efficiency.loading import (
    RATIOS,
    Nameplate,
    contract_voltages,
    low_load_nameplate,
    nameplate_for,
)
from brickbook.studies.efficiency.losses import LossPoint, loss_figures
from brickbook.studies.efficiency.points import Point, PointReader, match_plateau, merge_rows, resistance
from brickbook.studies.efficiency.power_factor import contradiction

__all__ = ["figures"]

STUDY = "efficiency"
_LOW = 0.1
_SUPPLY = 0.01
_WARM_UP_S = 1800.0 - 30.0  # a log rarely begins with the load
_EU_LEAST_V = 207.0  # 230 V less 10 %


@dataclass(frozen=True, slots=True)
class _Tolerance:
    """Permitted departure of the load: a share of the 100 % current, or of the set point."""

    ratio: float
    of_set_point: bool = False


_US_SINGLE = _Tolerance(0.02)  # Appendix Z table of loading conditions (from memory, medium)
_US_MULTIPLE = _Tolerance(0.005, of_set_point=True)  # Appendix Z 5(b)(1)(iii), 6(b)(1)(iii)
_EU = _Tolerance(0.02)  # 2025/2052 Annex II Table 5, conditions 1 to 4
_EU_LOW = _Tolerance(0.01)  # the same, condition 5


@dataclass(frozen=True, slots=True)
class _Case:
    """A recording with what its conditions mean."""

    recording: Recording
    ports: tuple[str, ...]
    nameplate: Nameplate
    low: Nameplate
    base: Conditions
    reader: PointReader
    charger: Charger

    @property
    def lowest(self) -> bool:
        return self.base["voltage_end"] == "lowest"


@dataclass(frozen=True, slots=True)
class _Loaded:
    """A loading condition that was found."""

    ratio: float
    point: Point
    off: float

    @property
    def flags(self) -> tuple[str, ...]:
        plateau = self.point.plateau
        return () if plateau.settled else (f"unsettled at {100 * self.ratio:g} % load: {plateau.reason}",)


def figures(evidence: Evidence) -> Outcome:
    """All efficiency figures of a charger."""
    found: list[Figure] = []
    notes: list[Note] = []
    for recording in evidence.recordings:
        try:
            case = _case(recording, evidence)
            plateaus = case.reader.plateaus()
            _analyse(case, plateaus, found, notes)
        except AnalysisError as error:
            notes.append(_warn(recording, str(error)))
        except (KeyError, LookupError, ValueError) as error:
            notes.append(_warn(recording, str(error.args[0] if error.args else error)))
    found += _best_of_all(found)
    return Outcome(tuple(found), tuple(notes))


def _best_of_all(found: Sequence[Figure]) -> list[Figure]:
    """The best efficiency of all that were measured: what a claim of "up to" speaks of."""
    best = max((f for f in found if f.name == "peak_efficiency_ratio"), key=lambda f: f.value, default=None)
    if best is None:
        return []
    method = f"highest of all measured: {best.conditions.text()}"
    return [replace(best, name="best_efficiency_ratio", conditions=Conditions(), method=method)]


def _case(recording: Recording, evidence: Evidence) -> _Case:
    conditions = recording.conditions
    for key in ("mains_v", "mains_hz", "contract"):
        if key not in conditions:
            raise KeyError(f"the index does not say {key}; add it to the file's conditions")
    named = conditions.get("ports", conditions.get("port", ""))
    ports = tuple(str(named).split("+")) if named else recording.channels("port_current_a")
    for port in ports:
        evidence.charger.port(port)
    volts = contract_voltages(str(conditions["contract"]), ports)
    end = str(conditions.get("voltage_end") or _voltage_end(evidence.charger, volts))
    nameplate = nameplate_for(evidence.charger, volts, lowest=end == "lowest")
    base = Conditions.of(
        mains_v=conditions["mains_v"],
        mains_hz=conditions["mains_hz"],
        ports="+".join(ports),
        contract=conditions["contract"],
        voltage_end=end,
    )
    reader = PointReader(recording, ports, evidence.instruments, STUDY)
    low = low_load_nameplate(evidence.charger, volts)
    return _Case(recording, ports, nameplate, low, base, reader, evidence.charger)


def _voltage_end(charger: Charger, volts: dict[str, float]) -> str:
    """Whether all ports stand at their highest or lowest set voltage."""
    tops = {p: charger.port(p).fixed for p in volts}
    if all(f and abs(volts[p] - f[-1].top_voltage_v) < 0.01 for p, f in tops.items()):
        return "highest"
    if all(f and abs(volts[p] - f[0].top_voltage_v) < 0.01 for p, f in tops.items()):
        return "lowest"
    return "between"


def _analyse(case: _Case, plateaus: Sequence[Plateau], found: list[Figure], notes: list[Note]) -> None:
    supply = _supply_flags(case)
    loaded: list[_Loaded] = []
    for ratio in RATIOS:
        one = _find(case, tuple(plateaus), case.nameplate, ratio)
        if one is None:
            notes.append(
                _warn(case.recording, f"no steady load near {100 * ratio:g} % was found: {_targets(case, ratio)}")
            )
        else:
            loaded.append(one)
    low = _find(case, tuple(plateaus), case.low, _LOW)
    everything = [*loaded, *([low] if low is not None else [])]
    if not everything:
        return
    notes += [_warn(case.recording, flag) for flag in (*supply, *_warm_up(plateaus))]
    for one in everything:
        side = _input_side(case, one)
        found += side
        notes += _impossible(case, one, side)
    found += _us(case, loaded, low, notes)
    found += _eu_2025(case, loaded, low, notes)
    found += loss_figures(
        [
            LossPoint(o.ratio, o.point.output_w(_nothing), o.point.input_w, _mean_pf(case, o), o.point.sources, o.flags)
            for o in [*everything, *_further(case, plateaus, everything)]
        ],
        case.base,
    )


def _further(case: _Case, plateaus: Sequence[Plateau], used: Sequence[_Loaded]) -> list[_Loaded]:
    """Settled loads beyond the loading conditions: they help the loss model."""
    taken = {o.point.plateau.start_s for o in used}
    full = sum(case.nameplate.current_a.values())
    return [
        _Loaded(sum(p.levels.values()) / full, case.reader.point(p), 0.0)
        for p in plateaus
        if p.settled and p.start_s not in taken and sum(p.levels.values()) > 0.01 * full
    ]


def _supply_flags(case: _Case) -> tuple[str, ...]:
    """What of the supply and the room departs from Appendix Z 4(b) and 4(c)."""
    flags: list[str] = []
    given = case.recording.conditions
    for column, key, unit in (("mains_voltage_v", "mains_v", "V"), ("mains_frequency_hz", "mains_hz", "Hz")):
        table = case.recording.find(column)
        if table is None:
            continue
        mean = float(np.nanmean(table.columns[column]))
        if abs(mean / given.number(key) - 1) > _SUPPLY:
            flags.append(
                f"supply at {mean:.5g} {unit}, more than 1 % off {given.number(key):g} {unit} (Appendix Z 4(c))"
            )
    if "ambient_c" in given and abs(given.number("ambient_c") - 20.0) > 5.0:
        flags.append(f"room at {given.number('ambient_c'):g} °C, outside 20 ± 5 °C (Appendix Z 4(b))")
    return tuple(flags)


def _warm_up(plateaus: Sequence[Plateau]) -> tuple[str, ...]:
    """Whether the first load was held for the half hour of Appendix Z 5(a)(1)(ii)."""
    held = plateaus[0].duration_s if plateaus else 0.0
    if held >= _WARM_UP_S:
        return ()
    return (f"the first load was held for {held / 60:.0f} min; Appendix Z 5(a)(1)(ii) asks for 30 min of warm-up",)


def _find(case: _Case, plateaus: tuple[Plateau, ...], nameplate: Nameplate, ratio: float) -> _Loaded | None:
    plateau, off = match_plateau(plateaus, nameplate.at(ratio), nameplate.current_a)
    if plateau is None:
        return None
    return _Loaded(ratio, case.reader.point(plateau), off)


def _targets(case: _Case, ratio: float) -> str:
    return ", ".join(f"{port} {amps:.4g} A" for port, amps in case.nameplate.at(ratio).items())


def _nothing(_port: str) -> Measured:
    return exact(0.0)


def _us(case: _Case, loaded: list[_Loaded], low: _Loaded | None, notes: list[Note]) -> list[Figure]:
    """Appendix Z: output power at the end of the cable."""
    cable = resistance(case.recording.conditions, "cable_ohm")
    place = str(case.recording.conditions.get("measured_at", "receptacle"))
    flags: tuple[str, ...] = ()
    if place == "cable end":
        where = "measured at the end of the cable"
    elif "cable_ohm" in case.recording.conditions:
        where = f"measured at the receptacle, less the stated cable of {1000 * float(cable.value):.0f} mΩ"
    else:
        where = "measured at the receptacle"
        flags = ("measured at the receptacle; Appendix Z 4(g) asks for the load end of a cable",)
    tolerance = _US_SINGLE if len(case.ports) == 1 else _US_MULTIPLE
    usable_low = low if low is not None and not (case.lowest and case.nameplate.reduced) else None
    return _procedure(
        case,
        "us-appendix-z",
        "receptacle" if flags else "cable end",
        loaded,
        usable_low,
        lambda _port: cable,
        (tolerance, tolerance),
        f"10 CFR 430 Subpart B Appendix Z section 6, {where}",
        flags,
        notes,
    )


def _eu_2025(case: _Case, loaded: list[_Loaded], low: _Loaded | None, notes: list[Note]) -> list[Figure]:
    """Regulation (EU) 2025/2052: at the receptacle, less a fixed virtual cable (Annex IV point 3(a))."""
    if case.recording.conditions.get("measured_at", "receptacle") != "receptacle":
        return []
    if case.base.number("mains_v") < _EU_LEAST_V:
        return []

    def virtual(port_id: str) -> Measured:
        port = case.charger.port(port_id)
        if port.connector != "usb-c":
            return resistance(case.recording.conditions, "cable_ohm")
        return exact(0.130 if max(o.current_a for o in port.outputs) <= 3.0 else 0.100)

    return _procedure(
        case,
        "eu-2025-2052",
        "receptacle",
        loaded,
        low,
        virtual,
        (_EU, _EU_LOW),
        "Regulation (EU) 2025/2052 Annex II and IV: at the receptacle, less I²R of the fixed cable allowance",
        (),
        notes,
    )


def _procedure(
    case: _Case,
    procedure: str,
    place: str,
    loaded: list[_Loaded],
    low: _Loaded | None,
    lost_ohm: Callable[[str], Measured],
    tolerances: tuple[_Tolerance, _Tolerance],
    method: str,
    flags: tuple[str, ...],
    notes: list[Note],
) -> list[Figure]:
    base = case.base.with_(
        procedure=procedure,
        measured_at=place,
        lowest_current="2 A" if case.lowest and case.nameplate.reduced else None,
    )
    out: list[Figure] = []
    ratios: dict[float, Measured] = {}
    everything = [*loaded, *([low] if low is not None else [])]
    for one in everything:
        power = one.point.output_w(lost_ohm)
        efficiency = power / one.point.input_w
        ratios[one.ratio] = efficiency
        own = (*flags, *one.flags, *_off_target(one, tolerances[one.ratio == _LOW]))
        at = base.with_(load_ratio=one.ratio)
        out.append(_figure("output_power_w", power, "W", at, method, one.point.sources, own))
        out.append(_figure("efficiency_ratio", efficiency, "", at, method, one.point.sources, own))
    every_flag = tuple(dict.fromkeys(f for o in loaded for f in (*o.flags, *_off_target(o, tolerances[0]))))
    if len(loaded) == len(RATIOS):
        out.append(
            _figure(
                "average_active_efficiency_ratio",
                mean_of([ratios[r] for r in RATIOS]),
                "",
                _with_nameplate(base, case.nameplate),
                f"{method}; arithmetic mean of the four efficiencies",
                merge_rows([s for o in loaded for s in o.point.sources]),
                (*flags, *every_flag),
            )
        )
    else:
        missing = ", ".join(f"{100 * r:g} %" for r in RATIOS if r not in ratios)
        notes.append(
            _warn(
                case.recording, f"average active efficiency ({procedure}) not determined: no steady load at {missing}"
            )
        )
    if low is not None:
        out.append(
            _figure(
                "low_load_efficiency_ratio",
                ratios[_LOW],
                "",
                _with_nameplate(base.with_(lowest_current=None), case.low),
                f"{method}; at 10 % of the nameplate current",
                low.point.sources,
                (*flags, *low.flags, *_off_target(low, tolerances[1])),
            )
        )
    return out


def _with_nameplate(base: Conditions, nameplate: Nameplate) -> Conditions:
    reading = None
    if nameplate.grouped:
        reading = "currents derated within the maker's budget groups first"
    elif nameplate.derating < 1.0:
        reading = f"currents derated by D = {nameplate.derating:.4f}"
    return base.with_(
        nameplate_w=round(nameplate.power_w, 4),
        nameplate_v=max(nameplate.voltage_v.values()),
        nameplate_a=round(sum(nameplate.current_a.values()), 6),
        outputs=len(nameplate.voltage_v),
        loading=reading,
    )


def _input_side(case: _Case, one: _Loaded) -> list[Figure]:
    """Input power, power factor and distortion of a loading condition: the same for every procedure."""
    at = case.base.with_(load_ratio=one.ratio)
    sources, plateau = one.point.sources, one.point.plateau
    out = [_figure("input_power_w", one.point.input_w, "W", at, "mean of the active input power", sources, one.flags)]
    delivered = one.point.output_w(_nothing)
    method = "sum of V I at the receptacles"
    out.append(_figure("delivered_power_w", delivered, "W", at, method, sources, one.flags))
    loss = one.point.input_w - delivered
    out.append(_figure("loss_w", loss, "W", at, "input power less power at the receptacles", sources, one.flags))
    for column, name, method in (
        ("mains_pf", "power_factor_ratio", "mean of the meter's true power factor"),
        ("mains_current_thd_ratio", "input_current_thd_ratio", "mean of the meter's distortion, of the fundamental"),
    ):
        measured = _optional(case, column, plateau)
        if measured is not None:
            out.append(_figure(name, measured[0], "", at, method, (measured[1],), one.flags))
    if not any(f.name == "power_factor_ratio" for f in out):
        out += _pf_from_volt_amperes(case, one, at)
    for order in case.recording.channels("mains_harmonic_a"):
        measured = _optional(case, column_name("mains_harmonic_a", order), plateau)
        if measured is not None:
            out.append(
                _figure(
                    "input_harmonic_a",
                    measured[0],
                    "A",
                    at.with_(harmonic=int(order), input_w=round(float(one.point.input_w.value), 3)),
                    "mean of the meter's harmonic current",
                    (measured[1],),
                    one.flags,
                )
            )
    return out


def _impossible(case: _Case, one: _Loaded, side: Sequence[Figure]) -> list[Note]:
    """A warning where power factor and distortion contradict each other."""
    named = {f.name: f for f in side}
    pf, thd = named.get("power_factor_ratio"), named.get("input_current_thd_ratio")
    if pf is None or thd is None:
        return []
    why = contradiction(pf.value, pf.u, thd.value, thd.u)
    return [_warn(case.recording, f"at {100 * one.ratio:g} % load {why}")] if why else []


def _pf_from_volt_amperes(case: _Case, one: _Loaded, at: Conditions) -> list[Figure]:
    """True power factor P/(U I) where the meter logs voltage and current but no power factor."""
    volts = _optional(case, "mains_voltage_v", one.point.plateau)
    amps = _optional(case, "mains_current_a", one.point.plateau)
    if volts is None or amps is None:
        return []
    measured = one.point.input_w / (volts[0] * amps[0])
    sources = merge_rows([*one.point.sources, volts[1], amps[1]])
    return [_figure("power_factor_ratio", measured, "", at, "P/(U I) from the means", sources, one.flags)]


def _mean_pf(case: _Case, one: _Loaded) -> float:
    measured = _optional(case, "mains_pf", one.point.plateau)
    return float(measured[0].value) if measured is not None else float("nan")


def _optional(case: _Case, column: str, plateau: Plateau) -> tuple[Measured, Rows] | None:
    """The mean of a column that may be missing, or that no instrument vouches for."""
    try:
        return case.reader.mean(column, plateau)
    except (KeyError, ValueError):
        return None


def _off_target(one: _Loaded, tolerance: _Tolerance) -> tuple[str, ...]:
    off = one.off / one.ratio if tolerance.of_set_point else one.off
    if off <= tolerance.ratio + 1e-9:
        return ()
    what = "its set point" if tolerance.of_set_point else "full load"
    allowed = f"±{100 * tolerance.ratio:g} % allowed"
    return (f"load at {100 * one.ratio:g} % is off target by {100 * off:.1f} % of {what} ({allowed})",)


def _figure(
    name: str,
    measured: Measured,
    unit: str,
    conditions: Conditions,
    method: str,
    sources: tuple[Rows, ...],
    flags: tuple[str, ...] = (),
) -> Figure:
    return figure_of(
        measured,
        study=STUDY,
        name=name,
        unit=unit,
        conditions=conditions,
        method=method,
        sources=sources,
        flags=tuple(dict.fromkeys(flags)),
    )


def _warn(recording: Recording, text: str) -> Note:
    return Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions)

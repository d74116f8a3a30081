"""What usual cables leave of a charger's measured voltages, as a part of its report.

Every port and set voltage whose voltage was measured over load at the receptacle is taken through a few cables, once
with a device that takes a steady current and once with one that takes steady power. The cables are of the usual kind
(common practice, no source); their wire is reckoned by ASTM B258-02 and IEC 60028, between solid copper and the 12 %
more that the published maxima of UL 1581 allow stranded tinned wire.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf

from brickbook.core.charger import Charger
from brickbook.core.coverage import coverage
from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Block, Cell, Chart, LimitLine, Section, Series, TableBlock, Text
from brickbook.core.study import Settings
from brickbook.core.uncertainty import Measured
from brickbook.library.cables import (
    NEW_CONTACTS_OHM,
    TYPE_C_GROUND_DROP_V,
    TYPE_C_VBUS_DROP_V,
    Cable,
    type_c_drop,
    warming_c,
    wire_cable,
)
from brickbook.library.delivery import Delivery, Reach, Sink, VoltageCurve, deliver, longest_cable, measured_curve

__all__ = ["CABLES", "CableKind", "MeasuredMode", "cable_section", "measured_modes", "type_c_length"]

Say = Callable[[float, float, str], str]

# Half of the way from solid copper to the published maxima of UL 1581, which allow 12 % more; rectangular between.
_EXCESS, _U_WIRE = 0.06, 0.06 / 1.06 / 3**0.5
_ENOUGH = 0.9  # share of a mode's power that a device of steady power asks for (common practice, no source)
_CHART_LENGTHS_M = tuple(0.25 * k for k in range(17))


@dataclass(frozen=True, slots=True)
class CableKind:
    """A cable as sold.

    Parameters
    ----------
    length_m, gauge_awg
        Of one way, and of both of its power wires.
    rating_a
        Current it may carry: 3 A, or 5 A where it carries a marker (USB Type-C; from memory, high).
    """

    length_m: float
    gauge_awg: float
    rating_a: float

    @property
    def words(self) -> str:
        """For a heading: "2 m, 24 AWG"."""
        return f"{self.length_m:g} m, {self.gauge_awg:g} AWG"

    def cable(self, length_m: float | None = None) -> Cable:
        """As a cable, of its own or another length [m]."""
        length = self.length_m if length_m is None else length_m
        return wire_cable(length, self.gauge_awg, excess_ratio=_EXCESS, u_ratio=_U_WIRE)


CABLES = (CableKind(1.0, 28, 3.0), CableKind(1.0, 24, 3.0), CableKind(2.0, 24, 3.0), CableKind(2.0, 22, 5.0))


@dataclass(frozen=True, slots=True)
class MeasuredMode:
    """A set voltage of a port, measured over load.

    Parameters
    ----------
    port, contract
        Which.
    output_v, current_a
        Set voltage, and the current stated for it, or the largest measured where that is less [V], [A].
    stated_a
        Current the maker states; `None` where the maker names no such mode.
    curve
        Voltage over load.
    """

    port: str
    contract: str
    output_v: float
    current_a: float
    stated_a: float | None
    curve: VoltageCurve

    @property
    def words(self) -> str:
        """For a row: "C1 at 20 V"."""
        return f"{self.port} at {self.contract}"


def cable_section(charger: Charger, figures: Sequence[Figure], settings: Settings, *, say: Say) -> Section | None:
    """Voltage and power left behind cables, for each measured port and set voltage.

    Parameters
    ----------
    charger, figures, settings
        The charger, all its figures, and the book's settings.
    say
        Writes a number: value, expanded uncertainty, unit.

    Returns
    -------
    `None` where no voltage was measured over load at the receptacle.
    """
    modes = measured_modes(charger, figures, settings)
    if not modes:
        return None
    blocks: list[Block] = [
        _chart(max(modes, key=lambda m: (m.output_v * m.current_a, m.port)), say),
        _steady_current(modes, say, power=False),
        _steady_current(modes, say, power=True),
        _steady_power(modes, say),
        _drops(modes, say),
        Text(_how(charger, modes)),
    ]
    return Section("cables", "What a cable leaves", _lead(modes, say), tuple(blocks))


def measured_modes(charger: Charger, figures: Sequence[Figure], settings: Settings) -> tuple[MeasuredMode, ...]:
    """Set voltages measured over load at ports that take a cable, in the order of the ports and of rising voltage."""
    supply = max((m.voltage_v for m in settings.mains), default=None)
    found: list[MeasuredMode] = []
    for port in charger.ports:
        if port.connector not in ("usb-c", "usb-a"):
            continue  # its cable is part of the charger
        seen = {
            (f.conditions.number("output_v"), str(f.conditions.get("contract", "")))
            for f in figures
            if (f.study, f.name) == ("regulation", "output_voltage_v")
            and f.conditions.get("port") == port.id
            and "output_v" in f.conditions
        }
        for volts, contract in sorted(seen):
            curve = measured_curve(figures, port.id, volts, mains_v=supply, contract=contract or None)
            if curve is None:
                curve = measured_curve(figures, port.id, volts, contract=contract or None)
            if curve is None:
                continue
            kinds = ("pps", "spr-avs", "epr-avs") if "PPS" in contract or "AVS" in contract else ("fixed", "legacy")
            stated = [
                o.current_a
                for o in port.outputs
                if o.kind in kinds and (o.min_voltage_v or o.top_voltage_v) * 0.99 <= volts <= o.top_voltage_v * 1.01
            ]
            most = min(max(stated, default=inf), curve.most_a)
            found.append(
                MeasuredMode(port.id, contract or f"{volts:g} V", volts, most, max(stated, default=None), curve)
            )
    return tuple(found)


def type_c_length(gauge_awg: float, current_a: float) -> float:
    """Longest cable of equal wires that keeps to the drops of USB Type-C at a current [m].

    Both wires drop the same, so that the 250 mV of GND end it before the 500 mV of VBUS do (USB Type-C 4.4.1; from
    memory, high): (0.25 V/I - half of the contacts)/(resistance of a metre); 0 when the contacts alone are too much.
    """
    per_m = wire_cable(1.0, gauge_awg, contacts_ohm=0.0, excess_ratio=_EXCESS).ground
    assert per_m is not None
    room = TYPE_C_GROUND_DROP_V / current_a - NEW_CONTACTS_OHM / 2
    return max(0.0, room / float(per_m.value))


def _half(number: Measured) -> float:
    """Half of the 95 % interval."""
    if not float(number.u) > 0.0:
        return 0.0
    interval = coverage(number)
    return (interval.upper - interval.lower) / 2


def _through(mode: MeasuredMode, kind: CableKind) -> Delivery:
    current = min(mode.current_a, kind.rating_a)
    return deliver(mode.curve, kind.cable().loop, Sink(None, current))


def _steady_current(modes: Sequence[MeasuredMode], say: Say, *, power: bool) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    unit = "W" if power else "V"
    for mode in modes:
        near = mode.curve.at(mode.current_a)
        shown = near * mode.current_a if power else near
        cells: list[Cell] = [mode.words, f"{mode.current_a:.3g}", say(float(shown.value), _half(shown), "")]
        for kind in CABLES:
            found = _through(mode, kind)
            number = found.far_end_w if power else found.far_end_v
            if number is None:
                cells.append("nothing is left")
                continue
            less = f" at {kind.rating_a:g} A" if kind.rating_a < mode.current_a * 0.999 else ""
            cells.append(f"{say(float(number.value), _half(number), '')}{less}")
        rows.append(tuple(cells))
    what = "Power" if power else "Voltage"
    note = (
        "A cable without a marker carries 3 A: where a port gives more, the device then takes no more than 3 A."
        if any(mode.current_a > 3.001 for mode in modes)
        else ""
    )
    return TableBlock(
        f"{what} left at a device that takes the full current [{unit}]",
        ("Port", "Current [A]", f"At the charger [{unit}]", *(kind.words for kind in CABLES)),
        tuple(rows),
        note=note,
    )


def _steady_power(modes: Sequence[MeasuredMode], say: Say) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for mode in modes:
        wish = _ENOUGH * mode.output_v * mode.current_a
        cells: list[Cell] = [mode.words, f"{wish:.3g}"]
        for kind in CABLES:
            limit = min(mode.current_a, kind.rating_a)
            found = deliver(mode.curve, kind.cable().loop, Sink(wish, limit))
            cells.append(_settled(found, say))
        for gauge in (24.0, 22.0):
            reach = longest_cable(mode.curve, Sink(wish, mode.current_a), CableKind(1.0, gauge, 5.0).cable(1.0))
            cells.append(_length(reach, say))
        rows.append(tuple(cells))
    return TableBlock(
        f"A device that takes {100 * _ENOUGH:g} % of the mode's power: voltage at it [V], and the longest cable",
        (
            "Port",
            "Takes [W]",
            *(kind.words for kind in CABLES),
            "Longest, 24 AWG [m]",
            "Longest, 22 AWG [m]",
        ),
        tuple(rows),
        note="“Only” is what the device has where cable or port hold it at their current; the voltage is then that of "
        "the first table. Lengths: with the port's current, whatever the cable may carry.",
    )


def _settled(found: Delivery, say: Say) -> str:
    if found.state in ("none", "not measured") or found.far_end_v is None or found.far_end_w is None:
        return "cannot" if found.state == "none" else "not measured"
    if not found.feasible:
        return f"only {float(found.far_end_w.value):.3g} W"
    return say(float(found.far_end_v.value), _half(found.far_end_v), "")


def _length(reach: Reach, say: Say) -> str:
    if reach.loop is None or reach.length_m is None:
        return "none is short enough"
    least = "at least " if reach.at_least else ""
    return f"{least}{say(float(reach.length_m.value), _half(reach.length_m), '')}"


def _drops(modes: Sequence[MeasuredMode], say: Say) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for current in sorted({round(mode.current_a, 1) for mode in modes}):
        for kind in CABLES:
            if current > kind.rating_a * 1.001:
                continue
            cable = kind.cable()
            drop = type_c_drop(cable, current)
            assert drop.ground_v is not None
            assert cable.loop_ohm_per_m is not None
            lost = cable.loop * current**2
            warm = warming_c(cable.loop_ohm_per_m, current)
            rows.append(
                (
                    f"{current:g} A through {kind.words}",
                    say(float(lost.value), _half(lost), ""),
                    say(1000 * float(drop.total_v.value), 1000 * _half(drop.total_v), ""),
                    say(1000 * float(drop.ground_v.value), 1000 * _half(drop.ground_v), ""),
                    "within" if drop.ground_ok and drop.vbus_ok else "beyond",
                    f"{type_c_length(kind.gauge_awg, current):.2f}",
                    say(float(warm.value), _half(warm), ""),
                )
            )
    return TableBlock(
        "What is lost on the way",
        (
            "Current and cable",
            "Lost [W]",
            "Drop [mV]",
            "of it in GND [mV]",
            "USB Type-C limits",
            "Longest within them [m]",
            "Warmer than the room [K]",
        ),
        tuple(rows),
        align="lrrrlrr",
        note=f"USB Type-C allows a cable {1000 * TYPE_C_VBUS_DROP_V:g} mV in VBUS and {1000 * TYPE_C_GROUND_DROP_V:g} "
        "mV in GND at its rated current (4.4.1; from memory, high). Warming is an estimate for a cable that hangs free "
        "(common practice, no source).",
    )


def _chart(mode: MeasuredMode, say: Say) -> Chart:
    current = mode.current_a
    kinds = {kind.gauge_awg: kind for kind in CABLES}
    near = mode.curve.at(current) * current
    series = []
    for gauge, kind in sorted(kinds.items()):
        watts, half = [], []
        for length in _CHART_LENGTHS_M:
            found = deliver(mode.curve, kind.cable(length).loop, Sink(None, current))
            watts.append(float("nan") if found.far_end_w is None else float(found.far_end_w.value))
            half.append(0.0 if found.far_end_w is None else _half(found.far_end_w))
        series.append(Series(f"{gauge:g} AWG", _CHART_LENGTHS_M, tuple(watts), tuple(half)))
    shown = CableKind(2.0, 24, 5.0)
    left = deliver(mode.curve, shown.cable().loop, Sink(None, current)).far_end_w
    end = "nothing" if left is None else say(float(left.value), _half(left), "W")
    start = say(float(near.value), _half(near), "W")
    return Chart(
        id="cables-power",
        title=f"{mode.words}, {current:.3g} A: of {start} at the charger, {shown.words} leaves {end}",
        alt=f"Power left at the device over the cable's length for {len(series)} gauges, falling from {start}.",
        x=Axis("length of the cable", "m", low=0.0),
        y=Axis("power left at the device", "W"),
        series=tuple(series),
        limits=(LimitLine("power at the charger", float(near.value)),),
    )


def _lead(modes: Sequence[MeasuredMode], say: Say) -> str:
    top = max(modes, key=lambda m: (m.output_v * m.current_a, m.port))
    thin, thick = CABLES[0], CABLES[-1]
    parts = []
    for kind in (thin, thick):
        found = _through(top, kind)
        if found.far_end_w is not None:
            at = min(top.current_a, kind.rating_a)
            parts.append(
                f"{say(float(found.far_end_w.value), _half(found.far_end_w), 'W')} at {at:.3g} A through {kind.words}"
            )
    return f"What reaches a device from {top.words}: {'; '.join(parts)}."


def _how(charger: Charger, modes: Sequence[MeasuredMode]) -> str:
    known = {(m.port, round(m.output_v, 2)) for m in modes}
    left = [
        f"{port.id} at {output.voltage_v:g} V"
        for port in charger.ports
        if port.connector in ("usb-c", "usb-a")
        for output in port.fixed
        if output.voltage_v is not None and (port.id, round(output.voltage_v, 2)) not in known
    ]
    text = (
        "The charger is the voltage measured over load at its receptacle, with its uncertainty. The cables are worked "
        "out, not measured: wire of ASTM B258-02 and IEC 60028 at 20 °C, 6 % more for strands and tin with a standard "
        f"uncertainty of {100 * _U_WIRE:.2g} %, and {1000 * NEW_CONTACTS_OHM:g} mΩ for the contacts of both ends when "
        "new (from memory, high). A bought cable may have more."
    )
    return text + (f" Not measured over load, so not here: {', '.join(left)}." if left else "")

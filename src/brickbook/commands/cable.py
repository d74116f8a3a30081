"""`brickbook cable`: what a cable leaves of a charger's voltage and power."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, TypeVar

from cyclopts import Parameter
from rich.table import Table

from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, wanted
from brickbook.core.errors import BookError, Fault
from brickbook.core.uncertainty import Measured
from brickbook.library.cables import (
    NEW_CONTACTS_OHM,
    Cable,
    TypeCDrop,
    measured_cable,
    type_c_drop,
    warming_c,
    wire_cable,
)
from brickbook.library.delivery import (
    Delivery,
    Reach,
    Sink,
    VoltageCurve,
    deliver,
    longest_cable,
    measured_curve,
    steady_voltage,
)
from brickbook.publish.numbers import value_text

__all__ = ["cable"]

_T = TypeVar("_T")

_STATES = {
    "full": "The device has all it asks for.",
    "limited": "The device stands at its current limit and has less power than it asks for.",
    "too low": "The voltage at the device is below its lower limit.",
    "none": "There is no operating point: this power cannot be drawn through this cable.",
    "not measured": "The device would need more current than the charger was measured at.",
}
_WIRE = ("length_m", "gauge_awg", "ground_awg", "contacts_ohm", "temperature_c", "excess_ratio")


def cable(
    *,
    source_v: Annotated[float | None, Parameter(help="Voltage at the charger's receptacle, under load [V].")] = None,
    current_a: Annotated[
        float | None, Parameter(help="Current the device takes; with --power-w the most it takes [A].")
    ] = None,
    resistance_ohm: Annotated[
        float | None, Parameter(help="Resistance of the cable out and back, with contacts [Ω].")
    ] = None,
    power_w: Annotated[float | None, Parameter(help="Power the device takes at its own end [W].")] = None,
    minimum_v: Annotated[float, Parameter(help="Lowest voltage at which the device works [V].")] = 0.0,
    u_resistance_ohm: Annotated[float, Parameter(help="Standard uncertainty of the resistance [Ω].")] = 0.0,
    length_m: Annotated[float | None, Parameter(help="Length of a cable described by its wire [m].")] = None,
    gauge_awg: Annotated[float | None, Parameter(help="Gauge of its VBUS wire [AWG].")] = None,
    ground_awg: Annotated[float | None, Parameter(help="Gauge of its GND wire, where it differs [AWG].")] = None,
    contacts_ohm: Annotated[float, Parameter(help="Contacts of both ends, out and back [Ω].")] = NEW_CONTACTS_OHM,
    temperature_c: Annotated[float, Parameter(help="Temperature of its copper [°C].")] = 20.0,
    excess_ratio: Annotated[
        float, Parameter(help="How much more than solid copper the wire has; 0.12 for the worst tinned strands.")
    ] = 0.0,
    charger: Annotated[str | None, Parameter(help="Take the voltage measured on this charger.")] = None,
    port: Annotated[str | None, Parameter(help="At this port.")] = None,
    contract: Annotated[str | None, Parameter(help='At this set voltage, such as "20 V".')] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Tell voltage, power and loss at the far end of a cable.

    Give the cable by its resistance, or by length and gauge; the charger by a voltage, or by name, port and contract
    to use the voltage measured over load.
    """
    source = _source(source_v, charger, port, contract, book)
    given = _cable(
        resistance_ohm, u_resistance_ohm, length_m, gauge_awg, ground_awg, contacts_ohm, temperature_c, excess_ratio
    )
    sink = _built("--power-w, --current-a, --minimum-v", lambda: Sink(power_w, current_a, minimum_v))
    found = deliver(source, given.loop, sink)
    more = any((charger, length_m is not None, minimum_v, u_resistance_ohm))
    reach = longest_cable(source, sink, given)
    if json:
        print_json(_json(found) | (_more_json(found, given, reach) if more else {}))
    else:
        _print(found, given, reach, source)
    return 0


def _source(
    source_v: float | None, charger: str | None, port: str | None, contract: str | None, book: Path
) -> VoltageCurve:
    if charger is None:
        if source_v is None:
            raise BookError(
                Fault("--source-v", "", "is missing.", "Give --source-v, or --charger, --port, --contract.")
            )
        return _built("--source-v", lambda: steady_voltage(source_v, f"{source_v:g} V at every load"))
    if source_v is not None:
        raise BookError(Fault("--source-v", "", "stands beside --charger.", "Give one of them."))
    volts = re.match(r"\D*(\d+(?:\.\d+)?)", contract or "")
    if port is None or volts is None:
        problem = "needs --port and --contract with it."
        raise BookError(Fault("--charger", charger, problem, 'For example --port C1 --contract "20 V"'))
    from brickbook.analysis import load  # noqa: PLC0415 - all studies come with it, and most calls need none

    opened = open_book(book)
    (slug,) = wanted(opened, [charger])
    curve = measured_curve(load(opened, slug).figures, port, float(volts[1]))
    if curve is None:
        problem = f"has no voltage measured over load at the receptacle for {port} at {contract}."
        raise BookError(Fault(f"derived/{slug}", "", problem, f"See what there is: brickbook show {slug}"))
    return curve


def _cable(
    resistance_ohm: float | None,
    u_resistance_ohm: float,
    length_m: float | None,
    gauge_awg: float | None,
    ground_awg: float | None,
    contacts_ohm: float,
    temperature_c: float,
    excess_ratio: float,
) -> Cable:
    if resistance_ohm is not None:
        if length_m is not None or gauge_awg is not None:
            raise BookError(Fault("--resistance-ohm", "", "stands beside --length-m or --gauge-awg.", "Give one way."))
        return _built("--resistance-ohm", lambda: measured_cable(resistance_ohm, u_resistance_ohm))
    if length_m is None or gauge_awg is None:
        problem = "nothing says what the cable is."
        raise BookError(Fault("--resistance-ohm", "", problem, "Give --resistance-ohm, or --length-m and --gauge-awg."))
    return _built(
        ", ".join(f"--{name.replace('_', '-')}" for name in _WIRE),
        lambda: wire_cable(
            length_m,
            gauge_awg,
            ground_awg=ground_awg,
            contacts_ohm=contacts_ohm,
            temperature_c=temperature_c,
            excess_ratio=excess_ratio,
        ),
    )


def _built(option: str, make: Callable[[], _T]) -> _T:
    try:
        return make()
    except ValueError as error:
        raise BookError(Fault(option, "", f"{error}.")) from error


def _json(found: Delivery) -> dict[str, Any]:
    return {
        "far_end_v": _value(found.far_end_v),
        "far_end_w": _value(found.far_end_w),
        "loss_w": _value(found.loss_w),
        "feasible": found.feasible,
    }


def _more_json(found: Delivery, given: Cable, reach: Reach) -> dict[str, Any]:
    drop = _drop(found, given)
    return {
        "state": found.state,
        "current_a": _value(found.current_a),
        "source_v": _value(found.source_v),
        "drop_v": _value(found.drop_v),
        "u_far_end_v": _u(found.far_end_v),
        "u_far_end_w": _u(found.far_end_w),
        "u_loss_w": _u(found.loss_w),
        "resistance_ohm": _value(given.loop),
        "longest": {
            "resistance_ohm": _value(reach.loop),
            "length_m": _value(reach.length_m),
            "at_least": reach.at_least,
            "limited_by": reach.limited_by,
        },
        "type_c_drop": None
        if drop is None
        else {"total_ok": drop.total_ok, "vbus_ok": drop.vbus_ok, "ground_ok": drop.ground_ok},
        "warming_c": _value(_warming(found, given)),
    }


def _print(found: Delivery, given: Cable, reach: Reach, source: VoltageCurve) -> None:
    out = console()
    table = Table("", "Value", title=f"Through {given.words or 'the cable'}", title_justify="left")
    table.add_row("Charger", source.words)
    for words, number, unit in (
        ("Voltage at the charger", found.source_v, "V"),
        ("Current", found.current_a, "A"),
        ("Voltage at the device", found.far_end_v, "V"),
        ("Power at the device", found.far_end_w, "W"),
        ("Lost in the cable", found.loss_w, "W"),
        ("Cable, out and back", given.loop, "Ω"),
        ("Warming of the cable, estimate", _warming(found, given), "°C"),
    ):
        if number is not None:
            table.add_row(words, _text(number, unit))
    out.print(table)
    out.print(_STATES[found.state])
    drop = _drop(found, given)
    if drop is not None and not (drop.total_ok and drop.vbus_ok in (True, None) and drop.ground_ok in (True, None)):
        out.print(
            "The cable drops more than USB Type-C allows at its rated current: "
            "500 mV on VBUS, 250 mV on GND (from memory)."
        )
    if reach.loop is None:
        out.print("Even without any cable the device would not have all it asks for.")
    else:
        least = "at least " if reach.at_least else ""
        length = "" if reach.length_m is None else f", {_text(reach.length_m, 'm')} of this wire"
        out.print(
            f"Most resistance with all it asks for: {least}{_text(reach.loop, 'Ω')}{length} ({reach.limited_by})."
        )


def _drop(found: Delivery, given: Cable) -> TypeCDrop | None:
    return None if found.current_a is None else type_c_drop(given, float(found.current_a.value))


def _warming(found: Delivery, given: Cable) -> Measured | None:
    if found.current_a is None or given.loop_ohm_per_m is None:
        return None
    try:
        return warming_c(given.loop_ohm_per_m, float(found.current_a.value))
    except ValueError:
        return None


def _value(number: Measured | None) -> float | None:
    return None if number is None else float(number.value)


def _u(number: Measured | None) -> float | None:
    return None if number is None else float(number.u)


def _text(number: Measured, unit: str) -> str:
    return value_text(float(number.value), 2.0 * float(number.u), unit)

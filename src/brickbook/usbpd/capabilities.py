"""Rules of the specification on a whole set of capabilities.

Each rule carries its source and, where the rule is remembered and not read in a source, how sure
the memory is. A set is judged for what it says; what a source really delivers is for the bench.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from brickbook.usbpd.errors import UsbPdError
from brickbook.usbpd.pdo import (
    EprAvsSourcePdo,
    FixedSinkPdo,
    FixedSourcePdo,
    PpsSourcePdo,
    SprAvsSourcePdo,
    decode_sink_pdo,
    decode_source_pdo,
)
from brickbook.usbpd.supplies import FixedSupply, PdoKind, PowerDataObject
from brickbook.usbpd.vdo import CableRating

REVISIONS = ("R2.0", "R3.0", "R3.1", "R3.2")

MAX_SPR_OBJECTS = 7
MAX_EPR_OBJECTS = 11
MAX_SPR_VOLTAGE_V = 20.0
MAX_CURRENT_A = 5.0

# Lowest voltage of PPS objects by revision, and highest voltage by nominal voltage (a published
# table of PPS ranges; 3.3 V also in the public kernel log, 3.0 V in a public library rule check).
_PPS_MIN_V = {"R3.0": 3.0, "R3.1": 3.3, "R3.2": 5.0}
_PPS_NOMINAL_V = {5.9: 5.0, 11.0: 9.0, 16.0: 15.0, 21.0: 20.0}

_ORDER_OF_KIND = {
    PdoKind.FIXED: 0,
    PdoKind.BATTERY: 1,
    PdoKind.VARIABLE: 2,
    PdoKind.PPS: 3,
    PdoKind.SPR_AVS: 3,
    PdoKind.EPR_AVS: 3,
}
_RULE_CHECK = "public library rule check of the PDP table"
_HEADER = "public controller header, comments on the order of objects"
_EPR_POSITIONS = "R3.2 6.5.15.1 and 8.3.3.3.8, by way of a public stack"


@dataclass(frozen=True, slots=True)
class CapabilityViolation:
    """One rule that a set of capabilities does not keep.

    ``from_memory`` is ``None`` when the rule was read in its source, else ``high``, ``medium`` or
    ``low``. ``object_position`` counts from 1 and is ``None`` for a rule on the whole set.
    """

    rule: str
    text: str
    source: str
    from_memory: str | None
    object_position: int | None


@dataclass(frozen=True, slots=True)
class CapabilityReport:
    """Violations found, and the rules that could not be checked for want of something given."""

    objects: tuple[PowerDataObject, ...]
    violations: tuple[CapabilityViolation, ...]
    not_checked: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RequiredSupply:
    """A fixed supply that a power rating requires."""

    voltage_v: float
    current_a: float


def required_fixed_supplies(pdp_w: float, *, epr: bool = True) -> tuple[RequiredSupply, ...]:
    """Fixed supplies that a PDP rating requires.

    3 A at each lower standard voltage and PDP / V at the highest one; from 100 W up 5 A at 20 V,
    28 V and 36 V below the highest. Currents are rounded down to 10 mA.

    Source: public library rule check up to 100 W; above 100 W from memory, high.

    Parameters
    ----------
    pdp_w
        PDP rating, above 0 and up to 240 W [W].
    epr
        Whether to include the voltages above 20 V.

    Returns
    -------
    tuple of RequiredSupply
        In rising voltage.

    Raises
    ------
    UsbPdError
        If the rating is outside 0 W to 240 W.
    """
    if not 0 < pdp_w <= 240:
        raise UsbPdError(f"pdp_w must be above 0 W and at most 240 W, got {pdp_w}")
    # Highest PDP for which the voltage is the top one.
    tops = ((5.0, 15), (9.0, 27), (15.0, 45), (20.0, 100), (28.0, 140), (36.0, 180), (48.0, 240))
    supplies = []
    for voltage_v, top_w in tops:
        last = pdp_w <= top_w
        full_a = 3.0 if voltage_v < 20 else 5.0
        # A hair is added before rounding down: 45 / 15 must give 3.00 A.
        current_a = math.floor(pdp_w / voltage_v * 100 + 1e-9) / 100 if last else full_a
        supplies.append(RequiredSupply(voltage_v, current_a))
        if last:
            break
    return tuple(supply for supply in supplies if epr or supply.voltage_v <= MAX_SPR_VOLTAGE_V)


def check_source_capabilities(
    words: Sequence[int],
    *,
    pdp_w: float | None = None,
    epr: bool = False,
    revision: str = "R3.2",
    cable: CableRating | None = None,
) -> CapabilityReport:
    """Check Source_Capabilities or EPR_Source_Capabilities against the specification.

    Parameters
    ----------
    words
        The set, in order.
    pdp_w
        PDP rating of the port, as the source claims it; ``None`` leaves the rules on power out [W].
    epr
        Whether the words are EPR_Source_Capabilities.
    revision
        One of ``REVISIONS``; decides on PPS ranges and whether SPR AVS is required.
    cable
        Cable the set was sent over; ``None`` leaves the rules on the cable out, as for a captive
        cable, and required currents are asked for in full.

    Returns
    -------
    CapabilityReport
        Decoded objects, violations in order of position, and what was not checked.

    Raises
    ------
    UsbPdError
        If the revision is unknown, the rating is out of range or a word is not 32 bits wide.
    """
    if revision not in REVISIONS:
        raise UsbPdError(f"unknown revision {revision!r}; known are {', '.join(REVISIONS)}")
    objects = tuple(decode_source_pdo(word) for word in words)
    found = [*_check_shape(objects, epr=epr), *_check_ranges(objects, revision)]
    not_checked = []
    if cable is None:
        not_checked.append("currents and voltages against the cable: no cable given")
    else:
        found += _check_cable(objects, cable)
    if pdp_w is None:
        not_checked.append("required supplies and powers: no PDP rating given")
    else:
        found += _check_power(objects, pdp_w, epr=epr, cable=cable)
        found += _check_pps(objects, pdp_w, revision, cable)
        found += _check_avs(objects, pdp_w, epr=epr, revision=revision, cable=cable)
    found.sort(key=lambda violation: violation.object_position or 0)
    return CapabilityReport(objects, tuple(found), tuple(not_checked))


def check_sink_capabilities(words: Sequence[int]) -> CapabilityReport:
    """Check Sink_Capabilities: first object, order, flags and reserved bits.

    Parameters
    ----------
    words
        The set, in order.

    Returns
    -------
    CapabilityReport
        Decoded objects and violations.

    Raises
    ------
    UsbPdError
        If a word is not 32 bits wide.
    """
    objects = tuple(decode_sink_pdo(word) for word in words)
    return CapabilityReport(objects, tuple(_check_shape(objects, epr=False)), ())


def _check_shape(objects: tuple[PowerDataObject, ...], *, epr: bool) -> Iterator[CapabilityViolation]:
    limit = MAX_EPR_OBJECTS if epr else MAX_SPR_OBJECTS
    if not 1 <= len(objects) <= limit:
        yield CapabilityViolation(
            "object-count",
            f"{len(objects)} objects; a set has 1 to {limit}",
            "public kernel header" if not epr else "R3.2, EPR capabilities",
            "medium" if epr else None,
            None,
        )
    if objects:
        first = objects[0]
        if not isinstance(first, FixedSupply) or first.voltage_v != 5.0:
            yield CapabilityViolation("first-object-5v", "object 1 is not a fixed supply of 5 V", _HEADER, None, 1)
    before: tuple[int, float] | None = None
    for position, pdo in enumerate(objects, start=1):
        yield from _check_object(pdo, position, epr=epr)
        if pdo.is_empty or pdo.kind is PdoKind.RESERVED:
            continue
        if position == MAX_SPR_OBJECTS + 1:
            before = None
        # Augmented objects come last but are not ordered among themselves.
        augmented = _ORDER_OF_KIND[pdo.kind] == 3
        key = (_ORDER_OF_KIND[pdo.kind], 0.0 if augmented else pdo.min_voltage_v or 0.0)
        if before is not None and (key < before or (key == before and not augmented)):
            last = augmented or before[0] == 3
            yield CapabilityViolation(
                "order",
                f"object {position} ({pdo.kind}, from {pdo.min_voltage_v} V) is out of order: "
                "fixed by rising voltage, then battery and variable by rising minimum voltage, "
                "then augmented",
                _HEADER if not last else "R3.x, order of augmented objects",
                "high" if last else None,
                position,
            )
        before = key if before is None else max(before, key)


def _check_object(pdo: PowerDataObject, position: int, *, epr: bool) -> Iterator[CapabilityViolation]:
    if pdo.kind is PdoKind.RESERVED:
        yield CapabilityViolation(
            "reserved-kind",
            f"object {position} is an augmented object of the reserved type 11",
            "R3.2 tables of augmented objects, by way of the public kernel header",
            None,
            position,
        )
        return
    if pdo.is_empty:
        if not epr or position > MAX_SPR_OBJECTS:
            yield CapabilityViolation(
                "empty-object",
                f"object {position} is zero; only positions 1 to 7 of EPR capabilities are filled with zeros",
                _EPR_POSITIONS,
                None,
                position,
            )
        return
    if pdo.reserved_bits:
        yield CapabilityViolation(
            "reserved-bits",
            f"object {position} has reserved bits 0x{pdo.reserved_bits:08X} set",
            "layout of the object, public kernel and controller headers",
            None,
            position,
        )
    flags = [name for name, value in pdo.flags().items() if value]
    if position > 1 and isinstance(pdo, FixedSourcePdo | FixedSinkPdo) and flags:
        yield CapabilityViolation(
            "flags-in-object-1-only",
            f"object {position} sets {', '.join(flags)}, which belong in object 1",
            "public kernel and controller headers",
            None,
            position,
        )
    is_epr = pdo.kind is PdoKind.EPR_AVS or (
        pdo.kind is PdoKind.FIXED and (pdo.max_voltage_v or 0.0) > MAX_SPR_VOLTAGE_V
    )
    if is_epr and position <= MAX_SPR_OBJECTS:
        yield CapabilityViolation(
            "epr-object-in-spr-position",
            f"object {position} is an EPR object; those start at position 8, and one before it leads to a hard reset",
            _EPR_POSITIONS,
            None,
            position,
        )
    if not is_epr and position > MAX_SPR_OBJECTS:
        yield CapabilityViolation(
            "spr-object-in-epr-position",
            f"object {position} is an SPR object; those have positions 1 to 7",
            _EPR_POSITIONS,
            None,
            position,
        )


def _check_ranges(objects: tuple[PowerDataObject, ...], revision: str) -> Iterator[CapabilityViolation]:
    for position, pdo in enumerate(objects, start=1):
        low, high = pdo.min_voltage_v, pdo.max_voltage_v
        if low is None or high is None or pdo.is_empty:
            continue
        if low > high:
            yield CapabilityViolation(
                "range-upside-down",
                f"object {position} has a minimum of {low} V above its maximum of {high} V",
                "meaning of the fields, public kernel header",
                None,
                position,
            )
        if (pdo.max_current_a or 0.0) > MAX_CURRENT_A:
            yield CapabilityViolation(
                "current-over-5a",
                f"object {position} offers {pdo.max_current_a} A; no cable carries more than 5 A",
                "Type-C R2.1, by way of a published article",
                None,
                position,
            )
        if pdo.kind is PdoKind.PPS:
            yield from _check_pps_range(low, high, position, revision)


def _check_pps_range(low: float, high: float, position: int, revision: str) -> Iterator[CapabilityViolation]:
    if revision not in _PPS_MIN_V:
        yield CapabilityViolation(
            "pps-before-r3",
            f"object {position} is a PPS object, which {revision} does not have",
            "published table of PPS ranges",
            None,
            position,
        )
        return
    want = _PPS_MIN_V[revision]
    nominal = _PPS_NOMINAL_V.get(high)
    if nominal is None or low > want or (nominal == 5.0 and revision == "R3.2"):
        tops = ", ".join(f"{top:g}" for top in _PPS_NOMINAL_V if revision != "R3.2" or top != 5.9)
        yield CapabilityViolation(
            "pps-range",
            f"object {position} spans {low} V to {high} V; {revision} has {want} V to one of {tops} V",
            "published table of PPS ranges",
            None,
            position,
        )


def _check_cable(objects: tuple[PowerDataObject, ...], cable: CableRating) -> Iterator[CapabilityViolation]:
    for position, pdo in enumerate(objects, start=1):
        current = pdo.max_current_a or 0.0
        if current > cable.max_current_a:
            yield CapabilityViolation(
                "current-over-cable",
                f"object {position} offers {current} A over a cable of {cable.max_current_a} A",
                _RULE_CHECK,
                None,
                position,
            )
        high = pdo.max_voltage_v or 0.0
        is_spr_pps = pdo.kind is PdoKind.PPS and high <= 21.0
        if high > MAX_SPR_VOLTAGE_V and not is_spr_pps and not cable.epr_capable:
            yield CapabilityViolation(
                "voltage-over-cable",
                f"object {position} offers {high} V over a cable that is not EPR capable",
                f"{_RULE_CHECK}; published article on Type-C R2.1",
                None,
                position,
            )


def _check_power(
    objects: tuple[PowerDataObject, ...],
    pdp_w: float,
    *,
    epr: bool,
    cable: CableRating | None,
) -> Iterator[CapabilityViolation]:
    memory = "high" if pdp_w > 100 else None
    fixed = {pdo.voltage_v: pdo.current_a for pdo in objects if isinstance(pdo, FixedSourcePdo)}
    for need in required_fixed_supplies(pdp_w, epr=epr):
        if need.voltage_v > MAX_SPR_VOLTAGE_V and cable is not None and not cable.epr_capable:
            continue
        limit_a = MAX_CURRENT_A if cable is None else cable.max_current_a
        current_a = min(need.current_a, limit_a)
        offered = fixed.get(need.voltage_v)
        if offered is None:
            yield CapabilityViolation(
                "required-voltage",
                f"no fixed supply of {need.voltage_v:g} V, which {pdp_w:g} W requires",
                _RULE_CHECK,
                memory,
                None,
            )
        elif offered < current_a - 1e-9:
            yield CapabilityViolation(
                "required-current",
                f"{need.voltage_v:g} V is offered with {offered:g} A; {pdp_w:g} W requires {current_a:g} A",
                _RULE_CHECK,
                memory,
                next(
                    position
                    for position, pdo in enumerate(objects, start=1)
                    if isinstance(pdo, FixedSourcePdo) and pdo.voltage_v == need.voltage_v
                ),
            )
    for position, pdo in enumerate(objects, start=1):
        power = pdo.max_power_w
        if power is not None and pdo.kind is not PdoKind.PPS and power > pdp_w + 0.5:
            yield CapabilityViolation(
                "power-over-pdp",
                f"object {position} offers {power:g} W, more than the PDP of {pdp_w:g} W",
                "R3.x, meaning of the PDP rating",
                "medium",
                position,
            )
    first = objects[0] if objects else None
    if pdp_w > 100 and isinstance(first, FixedSourcePdo) and not first.epr_capable:
        yield CapabilityViolation(
            "epr-capable-flag",
            f"a source of {pdp_w:g} W does not set the EPR capable bit in object 1",
            "R3.1 and later, preconditions of EPR mode",
            "high",
            1,
        )


def _required_pps(pdp_w: float) -> tuple[RequiredSupply, ...]:
    """PPS objects by nominal voltage that R3.0 and R3.1 ask for (from memory, medium)."""
    if pdp_w <= 15:
        return (RequiredSupply(5.0, pdp_w / 5),)
    for lower, upper, top_w in ((5.0, 9.0, 27.0), (9.0, 15.0, 45.0), (15.0, 20.0, 60.0)):
        if pdp_w < top_w:
            return (RequiredSupply(lower, 3.0), RequiredSupply(upper, pdp_w / upper))
        if pdp_w == top_w:
            return (RequiredSupply(upper, 3.0),)
    return (RequiredSupply(20.0, min(pdp_w, 100.0) / 20),)


def _check_pps(
    objects: tuple[PowerDataObject, ...],
    pdp_w: float,
    revision: str,
    cable: CableRating | None,
) -> Iterator[CapabilityViolation]:
    offered: dict[float, PpsSourcePdo] = {}
    for position, pdo in enumerate(objects, start=1):
        if not isinstance(pdo, PpsSourcePdo):
            continue
        nominal = _PPS_NOMINAL_V.get(pdo.max_voltage_v, pdo.max_voltage_v)
        if nominal not in offered or offered[nominal].current_raw < pdo.current_raw:
            offered[nominal] = pdo
        if not pdo.power_limited and nominal * pdo.max_current_a > pdp_w + 1e-9:
            yield CapabilityViolation(
                "pps-power-limited-bit",
                f"object {position} offers {nominal:g} V at {pdo.max_current_a:g} A, more than "
                f"{pdp_w:g} W, without the power limited bit",
                "R3.x, meaning of the power limited bit",
                "medium",
                position,
            )
    if not offered or revision not in ("R3.0", "R3.1"):
        return
    limit_a = MAX_CURRENT_A if cable is None else cable.max_current_a
    for need in _required_pps(pdp_w):
        # Currents of PPS objects are rounded down to 50 mA.
        current_a = math.floor(min(need.current_a, limit_a) / 0.05 + 1e-9) * 0.05
        pps = offered.get(need.voltage_v)
        if pps is None or pps.max_current_a < current_a - 1e-9:
            yield CapabilityViolation(
                "pps-required",
                f"PPS is offered, but not {need.voltage_v:g} V nominal with {current_a:g} A, which "
                f"{pdp_w:g} W requires",
                "R3.0 and R3.1, table of programmable power supplies",
                "medium",
                None,
            )


def _check_avs(
    objects: tuple[PowerDataObject, ...],
    pdp_w: float,
    *,
    epr: bool,
    revision: str,
    cable: CableRating | None,
) -> Iterator[CapabilityViolation]:
    spr = [pair for pair in enumerate(objects, start=1) if isinstance(pair[1], SprAvsSourcePdo)]
    if revision == "R3.2" and pdp_w > 27 and not spr:
        yield CapabilityViolation(
            "spr-avs-required",
            f"no SPR AVS object, which R3.2 requires of a source of {pdp_w:g} W",
            "published trade article on R3.2",
            None,
            None,
        )
    for position, pdo in spr:
        assert isinstance(pdo, SprAvsSourcePdo)
        yield from _check_spr_avs(pdo, position, pdp_w, cable)
    if not epr or pdp_w <= 100 or (cable is not None and not cable.epr_capable):
        return
    top_v = 28.0 if pdp_w <= 140 else 36.0 if pdp_w <= 180 else 48.0
    avs = [pair for pair in enumerate(objects, start=1) if isinstance(pair[1], EprAvsSourcePdo)]
    if not avs:
        yield CapabilityViolation(
            "epr-avs-required",
            "no EPR AVS object, which every EPR source has",
            "published trade articles on EPR AVS",
            None,
            None,
        )
    for position, pdo in avs:
        assert isinstance(pdo, EprAvsSourcePdo)
        if (pdo.min_voltage_v, pdo.max_voltage_v) != (15.0, top_v):
            yield CapabilityViolation(
                "epr-avs-range",
                f"object {position} spans {pdo.min_voltage_v} V to {pdo.max_voltage_v} V; a source "
                f"of {pdp_w:g} W has 15 V to {top_v:g} V",
                "published trade articles on EPR AVS",
                None,
                position,
            )


def _check_spr_avs(
    pdo: SprAvsSourcePdo, position: int, pdp_w: float, cable: CableRating | None
) -> Iterator[CapabilityViolation]:
    wants_20v = pdp_w > 45
    if wants_20v != (pdo.max_voltage_v == MAX_SPR_VOLTAGE_V):
        yield CapabilityViolation(
            "spr-avs-range",
            f"object {position} reaches {pdo.max_voltage_v:g} V; {pdp_w:g} W asks for {'20' if wants_20v else '15'} V",
            "published trade article on R3.2",
            None,
            position,
        )
    limit_a = MAX_CURRENT_A if cable is None else cable.max_current_a
    if pdp_w <= 60:
        limit_a = min(limit_a, 3.0)
    for name, voltage_v, offered_a in (
        ("9 V to 15 V", 15.0, pdo.current_9_to_15_v_a),
        ("15 V to 20 V", 20.0, pdo.current_15_to_20_v_a),
    ):
        if voltage_v == 20.0 and not wants_20v:
            continue
        need_a = math.floor(min(pdp_w / voltage_v, limit_a) * 100 + 1e-9) / 100
        if offered_a < need_a - 1e-9:
            yield CapabilityViolation(
                "spr-avs-current",
                f"object {position} offers {offered_a:g} A from {name}; {pdp_w:g} W asks for {need_a:g} A",
                "R3.2, SPR AVS currents",
                "medium",
                position,
            )

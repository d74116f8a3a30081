"""Renegotiations: who caused them, how long they took, and what the load felt of them.

The specification does not say how fast a charger must act when something is plugged into another
of its ports; attributing a negotiation to a neighbour's plug rests on their distance in time, which
is a parameter (common practice, no source). Whether power is lost in each kind of sequence: hard
reset always, soft reset and renegotiation never (public logs and, for the soft reset, from memory,
high); what a trace shows goes before what a sequence ought to do.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from brickbook.usbpd.contracts import ContractHistory, read_contracts
from brickbook.usbpd.errors import UsbPdError
from brickbook.usbpd.events import Contract, HardReset, Negotiation, NegotiationKind, Outcome
from brickbook.usbpd.machine import StampSettings
from brickbook.usbpd.records import MessageLog
from brickbook.usbpd.supplies import PdoKind
from brickbook.usbpd.timers import TIMERS, TimerMeasurement, judge_timer
from brickbook.usbpd.vbus import (
    SAFE_0V_MAX_V,
    SAFE_5V_MAX_V,
    SAFE_5V_MIN_V,
    VbusTrace,
    longest_below,
    movement_start,
)

# Negotiations that a neighbour can have set off; a sink's own request cannot.
_BY_SOURCE = (
    NegotiationKind.SOURCE_OFFER,
    NegotiationKind.SOFT_RESET,
    NegotiationKind.HARD_RESET,
    NegotiationKind.SUPPLY_RESTART,
    NegotiationKind.EPR_EXIT,
)
_LOSES_POWER = (NegotiationKind.HARD_RESET, NegotiationKind.SUPPLY_RESTART)


class NeighbourKind(StrEnum):
    """What happened on another port."""

    PLUG = "plug"
    UNPLUG = "unplug"


@dataclass(frozen=True, slots=True)
class NeighbourEvent:
    """Something plugged into or out of another port, on the log's clock [s]."""

    time_s: float
    kind: NeighbourKind
    port: str


@dataclass(frozen=True, slots=True)
class RebootCriterion:
    """When a device without a battery reboots.

    It does when its supply stays below ``threshold_v`` for longer than ``hold_up_s``. With
    ``threshold_v`` of ``None`` the threshold is the lower vSrcValid limit of the contract before.
    The defaults, 4.0 V (the lowest voltage a sink must work down to under a 5 V contract; from
    memory, medium) and 10 ms, are choices to be replaced by what is known of the device.
    """

    threshold_v: float | None = 4.0
    hold_up_s: float = 0.010


@dataclass(frozen=True, slots=True)
class PowerInterruption:
    """What a negotiation did to the load.

    ``inferred`` is true when there is no trace over the time and the sequence of messages had to
    tell. ``without_power_min_s`` and ``without_power_max_s`` bound the time below the threshold:
    equal when measured, ``None`` when nothing bounds it. ``None`` elsewhere means not known.
    """

    inferred: bool
    threshold_v: float
    min_voltage_v: float | None
    left_valid_range: bool | None
    reached_0v: bool | None
    without_power_min_s: float | None
    without_power_max_s: float | None
    device_would_reboot: bool | None
    basis: str


@dataclass(frozen=True, slots=True)
class Renegotiation:
    """A negotiation with its cause, its duration and its effect on the load."""

    negotiation: Negotiation
    neighbour: NeighbourEvent | None
    caused_by: str
    duration_s: float
    neighbour_to_start_s: float | None
    neighbour_to_contract_s: float | None
    interruption: PowerInterruption | None


class ExcursionKind(StrEnum):
    """What a dip outside any negotiation may be."""

    BROWN_OUT = "brown-out: below the sink's disconnect threshold"
    CURRENT_LIMIT = "below the valid range under a PPS contract: current limit, or a fault"
    SAG = "below the valid range"


@dataclass(frozen=True, slots=True)
class VoltageExcursion:
    """VBUS below a contract's valid range with no negotiation going on."""

    start_s: float
    duration_s: float
    min_voltage_v: float
    kind: ExcursionKind
    contract: Contract


@dataclass(frozen=True, slots=True)
class PortTimeline:
    """Everything read out of one port: history, renegotiations, excursions and all timings."""

    history: ContractHistory
    renegotiations: tuple[Renegotiation, ...]
    excursions: tuple[VoltageExcursion, ...]
    timers: tuple[TimerMeasurement, ...]


def analyse_port(
    log: MessageLog,
    port: str,
    *,
    vbus: VbusTrace | None = None,
    neighbours: Sequence[NeighbourEvent] = (),
    neighbour_window_s: float = 5.0,
    criterion: RebootCriterion | None = None,
    stamps: StampSettings | None = None,
) -> PortTimeline:
    """Turn one port's messages, VBUS trace and neighbours' events into a judged timeline.

    Parameters
    ----------
    log
        Message log.
    port
        Name of the port.
    vbus
        VBUS of the port on the log's clock, at the source's connector.
    neighbours
        Plugs and unplugs on other ports, on the log's clock.
    neighbour_window_s
        Longest time from a neighbour's event to the start of a negotiation it may have caused [s].
    criterion
        When a device without a battery reboots; 4.0 V for 10 ms when ``None``.
    stamps
        What the log's time stamps mean; the start of frames, exact, when ``None``.

    Returns
    -------
    PortTimeline
        The timeline.

    Raises
    ------
    LogError
        If the log has no such port.
    UsbPdError
        If the window or the hold-up time is negative.
    """
    rule = criterion or RebootCriterion()
    if not (neighbour_window_s >= 0 and rule.hold_up_s >= 0):
        raise UsbPdError(
            f"neighbour_window_s and hold_up_s must be at least 0 s; got {neighbour_window_s} and {rule.hold_up_s}"
        )
    used = stamps or StampSettings()
    history = read_contracts(log, port, vbus=vbus, stamps=used)
    judged = tuple(
        _renegotiation(negotiation, vbus, neighbours, neighbour_window_s, rule) for negotiation in history.negotiations
    )
    timers = list(history.timers)
    excursions: list[VoltageExcursion] = []
    if vbus is not None and vbus.time_s.size:
        for negotiation in history.negotiations:
            timers += _transition_timers(negotiation, vbus, used.uncertainty_s)
        epr = _epr_resets(history)
        for event in history.events:
            if isinstance(event, HardReset):
                in_epr = event.time_s in epr
                timers += _reset_timers(event.time_s, vbus, used.uncertainty_s, epr=in_epr)
        excursions = _excursions(history, vbus)
    timers.sort(key=lambda timer: timer.start_s)
    return PortTimeline(history, judged, tuple(excursions), tuple(timers))


def _renegotiation(
    negotiation: Negotiation,
    vbus: VbusTrace | None,
    neighbours: Sequence[NeighbourEvent],
    window_s: float,
    criterion: RebootCriterion,
) -> Renegotiation:
    neighbour = None
    if negotiation.kind in _BY_SOURCE and not negotiation.asked_for_by_sink:
        near = [event for event in neighbours if 0 <= negotiation.start_s - event.time_s <= window_s]
        neighbour = max(near, key=lambda event: event.time_s, default=None)
    made = negotiation.outcome is Outcome.CONTRACT
    return Renegotiation(
        negotiation,
        neighbour,
        _cause(negotiation, neighbour),
        negotiation.end_s - negotiation.start_s,
        None if neighbour is None else negotiation.start_s - neighbour.time_s,
        negotiation.end_s - neighbour.time_s if neighbour is not None and made else None,
        _interruption(negotiation, vbus, criterion),
    )


def _cause(negotiation: Negotiation, neighbour: NeighbourEvent | None) -> str:
    what = str(negotiation.kind)
    if negotiation.asked_for_by_sink:
        what = "source offer that the sink asked for"
    elif neighbour is not None:
        delay_s = negotiation.start_s - neighbour.time_s
        what = f"{what}, {delay_s:.3f} s after {neighbour.kind} on port {neighbour.port}"
    elif negotiation.kind is NegotiationKind.SOURCE_OFFER:
        what = "source offer, spontaneous"
    return f"{what} (inferred from MessageIDs)" if negotiation.inferred else what


def _interruption(
    negotiation: Negotiation, vbus: VbusTrace | None, criterion: RebootCriterion
) -> PowerInterruption | None:
    """Work out the effect on the load; nothing without a contract to interrupt."""
    before = negotiation.before
    limits = before.limits if before is not None else None
    if before is None or limits is None:
        return None
    threshold_v = criterion.threshold_v if criterion.threshold_v is not None else limits.valid_low_v
    if vbus is not None:
        end_s = negotiation.end_s
        if negotiation.outcome is Outcome.NONE and vbus.time_s.size:
            # With no contract at the end the loss lasts as long as the trace shows it.
            back_s = vbus.first_above(threshold_v, end_s)
            end_s = max(end_s, float(vbus.time_s[-1]) if back_s is None else back_s)
        part = vbus.span(negotiation.start_s, end_s)
        # readings too far apart show that power was lost, but not that it was kept
        gap_s = float(np.diff(part.time_s).max(initial=0.0))
        if part.time_s.size and (gap_s <= criterion.hold_up_s or longest_below(part, threshold_v) > 0.0):
            low, high = limits.valid_low_v, limits.valid_high_v
            after = negotiation.after.limits if negotiation.after is not None else None
            if after is not None:
                # On the way VBUS may be anywhere between the outer limits (from memory, high).
                low, high = min(low, after.valid_low_v), max(high, after.valid_high_v)
            lowest = float(part.voltage_v.min())
            gone_s = longest_below(part, threshold_v)
            return PowerInterruption(
                inferred=False,
                threshold_v=threshold_v,
                min_voltage_v=lowest,
                left_valid_range=lowest < low or float(part.voltage_v.max()) > high,
                reached_0v=lowest < SAFE_0V_MAX_V,
                without_power_min_s=gone_s,
                without_power_max_s=gone_s,
                device_would_reboot=gone_s > criterion.hold_up_s,
                basis="VBUS trace",
            )
    return _inferred(negotiation, threshold_v, criterion)


def _inferred(negotiation: Negotiation, threshold_v: float, criterion: RebootCriterion) -> PowerInterruption:
    if negotiation.kind not in _LOSES_POWER:
        return PowerInterruption(
            inferred=True,
            threshold_v=threshold_v,
            min_voltage_v=None,
            left_valid_range=None,
            reached_0v=False,
            without_power_min_s=0.0,
            without_power_max_s=None,
            device_would_reboot=False,
            basis=f"no VBUS trace; a {negotiation.kind} by itself does not interrupt the supply",
        )
    # VBUS is held at 0 V for at least tSrcRecover, and is back by the time capabilities are sent.
    shortest = None
    basis = "no VBUS trace; MessageIDs tell a restart, within a silence of the port"
    if negotiation.kind is NegotiationKind.HARD_RESET:
        epr = negotiation.before is not None and negotiation.before.epr
        shortest = TIMERS["tSrcRecover (EPR)" if epr else "tSrcRecover"].min_s
        basis = "no VBUS trace; a hard reset takes VBUS to 0 V for at least tSrcRecover"
    longest = None
    if negotiation.first_capabilities_s is not None:
        longest = negotiation.first_capabilities_s - negotiation.start_s
    reboots: bool | None = None
    if shortest is not None and shortest > criterion.hold_up_s:
        reboots = True
    elif longest is not None and longest <= criterion.hold_up_s:
        reboots = False
    return PowerInterruption(
        inferred=True,
        threshold_v=threshold_v,
        min_voltage_v=None,
        left_valid_range=True,
        reached_0v=True,
        without_power_min_s=shortest,
        without_power_max_s=longest,
        device_would_reboot=reboots,
        basis=basis,
    )


def _transition_timers(negotiation: Negotiation, vbus: VbusTrace, uncertainty_s: float) -> list[TimerMeasurement]:
    """Time the change of voltage after Accept, where there is one."""
    after, accept_s = negotiation.after, negotiation.accept_s
    if negotiation.outcome is not Outcome.CONTRACT or after is None or accept_s is None:
        return []
    limits = after.limits
    fixed = after.pdo.kind in (PdoKind.FIXED, PdoKind.VARIABLE, PdoKind.BATTERY)
    if limits is None or not fixed:
        return []
    ready_s = negotiation.end_s
    level = vbus.span(accept_s, ready_s)
    if level.time_s.size == 0 or limits.new_low_v <= level.voltage_v[0] <= limits.new_high_v:
        return []
    move_s = movement_start(vbus, accept_s, ready_s)
    if move_s is None:
        return []
    mode = " (EPR)" if after.epr else ""
    found = [
        judge_timer("tSrcTransition", move_s - accept_s, accept_s, uncertainty_s),
        judge_timer(f"tSrcReady{mode}", ready_s - move_s, move_s, uncertainty_s),
    ]
    tail = vbus.span(move_s, min(ready_s + 0.1, float(vbus.time_s[-1])))
    outside = np.flatnonzero((tail.voltage_v < limits.new_low_v) | (tail.voltage_v > limits.new_high_v))
    if outside.size and outside[-1] + 1 < tail.time_s.size:
        settled_s = float(tail.time_s[outside[-1] + 1])
        found.append(judge_timer(f"tSrcSettle{mode}", settled_s - move_s, move_s, uncertainty_s))
    return found


def _epr_resets(history: ContractHistory) -> set[float]:
    """Times of the hard resets that met an EPR contract."""
    return {
        negotiation.start_s
        for negotiation in history.negotiations
        if negotiation.kind is NegotiationKind.HARD_RESET and negotiation.before is not None and negotiation.before.epr
    }


def _reset_timers(reset_s: float, vbus: VbusTrace, uncertainty_s: float, *, epr: bool) -> list[TimerMeasurement]:
    """Time the power cycle of a hard reset."""
    found: list[TimerMeasurement] = []

    def judge(name: str, start_s: float, end_s: float) -> None:
        found.append(judge_timer(name, end_s - start_s, start_s, uncertainty_s))

    last_s = float(vbus.time_s[-1])
    fall_s = movement_start(vbus, reset_s, min(reset_s + 1.0, last_s))
    if fall_s is None:
        return found
    judge("tPSHardReset", reset_s, fall_s)
    # VBUS at 5 V is below vSafe5V's maximum before it falls: there is nothing to time then.
    start_v = float(np.interp(reset_s, vbus.time_s, vbus.voltage_v))
    safe_5v_s = vbus.first_below(SAFE_5V_MAX_V, fall_s)
    if safe_5v_s is not None and start_v > SAFE_5V_MAX_V:
        judge("tSafe5V", fall_s, safe_5v_s)
    zero_s = vbus.first_below(SAFE_0V_MAX_V, fall_s)
    if zero_s is None:
        return found
    judge("tSafe0V", fall_s, zero_s)
    rise_s = vbus.first_above(SAFE_0V_MAX_V, zero_s + 1e-9)
    if rise_s is None:
        return found
    judge("tSrcRecover (EPR)" if epr else "tSrcRecover", zero_s, rise_s)
    on_s = vbus.first_above(SAFE_5V_MIN_V, rise_s)
    if on_s is not None:
        judge("tSrcTurnOn", rise_s, on_s)
    return found


def _excursions(history: ContractHistory, vbus: VbusTrace) -> list[VoltageExcursion]:
    """Find dips while a contract stands and nothing is being negotiated."""
    found: list[VoltageExcursion] = []
    quiet_from = [negotiation.end_s for negotiation in history.negotiations]
    quiet_to = [negotiation.start_s for negotiation in history.negotiations[1:]]
    quiet_to.append(float(vbus.time_s[-1]) if vbus.time_s.size else 0.0)
    for negotiation, start_s, end_s in zip(history.negotiations, quiet_from, quiet_to, strict=True):
        contract = negotiation.after
        limits = contract.limits if contract is not None else None
        if contract is None or limits is None or end_s <= start_s:
            continue
        part = vbus.span(max(start_s, float(vbus.time_s[0])), min(end_s, float(vbus.time_s[-1])))
        low = part.voltage_v < limits.valid_low_v
        edges = np.flatnonzero(np.diff(np.concatenate(([False], low, [False])).astype(np.int8)))
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            lowest = float(part.voltage_v[first:last].min())
            # A run that ends the span because VBUS was lost belongs to what follows.
            if lowest < SAFE_0V_MAX_V or last == part.time_s.size:
                continue
            if contract.pdo.kind is PdoKind.PPS:
                kind = ExcursionKind.CURRENT_LIMIT
            elif lowest < limits.sink_disconnect_v:
                kind = ExcursionKind.BROWN_OUT
            else:
                kind = ExcursionKind.SAG
            dip = VbusTrace(part.time_s[max(first - 1, 0) : last + 1], part.voltage_v[max(first - 1, 0) : last + 1])
            found.append(
                VoltageExcursion(
                    float(part.time_s[first]),
                    longest_below(dip, limits.valid_low_v),
                    lowest,
                    kind,
                    contract,
                )
            )
    return found

"""Offered and drawn power and current, per port and set of occupied ports.

What a port offers is a statement in whole steps, copied without uncertainty; what it gave is measured.
"""

from __future__ import annotations

import math

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Note
from brickbook.core.observation import Draw
from brickbook.core.readings import figure_of, reading
from brickbook.core.statistics import Mean
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Rows
from brickbook.core.uncertainty import Measured, exact
from brickbook.studies.modes.offered import Mode, PortState, compare, port_states
from brickbook.usbpd import MAX_SPR_OBJECTS, REVISIONS, CapabilityViolation, UsbPdError, check_source_capabilities

__all__ = ["figures"]

STUDY = "modes"


def figures(evidence: Evidence) -> Outcome:
    """All that the ports offered and gave."""
    found: list[Figure] = []
    notes: list[Note] = []
    known = {port.id for port in evidence.charger.ports}
    for state in port_states(evidence.recordings):
        strange = [port for port in state.occupied if port not in known]
        if strange:
            text = (
                f"observations name port {strange[0]!r}, which charger.toml does not have "
                f"({', '.join(sorted(known))}); they are not used"
            )
            notes.append(Note(STUDY, "warning", text, Conditions(), tuple(r for _, r in state.observations)))
            continue
        _offered(state, evidence, found, notes)
        _drawn(state, evidence, found, notes)
        _faults(state, evidence, found, notes)
    return Outcome(tuple(found), tuple(notes))


def _conditions(state: PortState, mode: Mode | None = None) -> Conditions:
    base = Conditions.of(port=state.port, occupied=state.together, shared=state.shared)
    if mode is None:
        return base
    kind = {"spr-avs": "avs", "epr-avs": "avs"}.get(mode.offer.kind, mode.offer.kind)
    return base.with_(contract=mode.offer.label, output_v=mode.offer.max_voltage_v, output_kind=kind)


def _offered(state: PortState, evidence: Evidence, found: list[Figure], notes: list[Note]) -> None:
    best = state.power_mode
    if best is None:
        return
    found.append(
        _figure(
            "offered_power_w", exact(best.offer.power_w), "W", _conditions(state), f"{best.offer.label} mode", best.rows
        )
    )
    for mode in state.modes:
        at = _conditions(state, mode)
        method = "current of the mode as offered" + (f", {mode.offer.protocol}" if mode.offer.protocol else "")
        found.append(_figure("offered_current_a", exact(mode.offer.current_a), "A", at, method, mode.rows))
    port = evidence.charger.port(state.port)
    missing: list[str] = []
    less: list[str] = []
    for verdict in compare(port, state):
        if verdict.claimed is None and verdict.mode is not None:
            if not state.shared:
                text = (
                    f"{state.port} offers {verdict.label} {verdict.mode.offer.current_a:g} A, which its maker does not "
                    "state"
                )
                notes.append(Note(STUDY, "info", text, _conditions(state, verdict.mode), (verdict.mode.rows,)))
            continue
        assert verdict.claimed is not None
        if verdict.mode is None:
            missing.append(f"{verdict.label} {verdict.claimed.current_a:g} A")
            if not state.shared:
                at = _conditions(state).with_(contract=verdict.label, output_v=verdict.claimed.top_voltage_v)
                method = f"not offered; {verdict.claimed.current_a:g} A stated by the maker"
                found.append(_figure("offered_to_claimed_ratio", exact(0.0), "", at, method, best.rows))
            continue
        if not state.shared:
            ratio = verdict.mode.offer.current_a / verdict.claimed.current_a
            at = _conditions(state, verdict.mode)
            method = (
                f"{verdict.mode.offer.current_a:g} A offered over {verdict.claimed.current_a:g} A stated by the maker"
            )
            found.append(_figure("offered_to_claimed_ratio", exact(ratio), "", at, method, verdict.mode.rows))
        if verdict.what == "less":
            less.append(f"{verdict.label} {verdict.mode.offer.current_a:g} A of {verdict.claimed.current_a:g} A")
    if less:
        where = f"with {state.together} in use, {state.port}" if state.shared else f"{state.port} alone"
        text = f"{where} offers less than its maker states for the port: {', '.join(less)}"
        notes.append(Note(STUDY, "info" if state.shared else "warning", text, _conditions(state), (best.rows,)))
    if missing:
        where = f"with {state.together} in use" if state.shared else "alone"
        text = f"{state.port} {where} does not offer {', '.join(missing)}, which its maker states"
        conditions = _conditions(state)
        notes.append(Note(STUDY, "info" if state.shared else "warning", text, conditions, (best.rows,)))


def _drawn(state: PortState, evidence: Evidence, found: list[Figure], notes: list[Note]) -> None:
    for seen, rows in state.observations:
        if seen.draw is None:
            continue
        at = Conditions.of(port=state.port, occupied=state.together, shared=state.shared, contract=seen.draw.contract)
        try:
            volts = _reading(seen.draw, "port_voltage_v", seen.draw.voltage_v, rows, evidence)
            amps = _reading(seen.draw, "port_current_a", seen.draw.current_a, rows, evidence)
        except (KeyError, ValueError) as error:
            notes.append(Note(STUDY, "warning", f"{rows.file.path}: line {rows.first}: {error.args[0]}", at, (rows,)))
            continue
        method = "largest load the port held in this mode, one reading"
        found.append(_figure("drawn_current_a", amps, "A", at, method, rows))
        found.append(_figure("drawn_power_w", volts * amps, "W", at, f"{method}: voltage times current", rows))


def _reading(draw: Draw, quantity: str, value: float, rows: Rows, evidence: Evidence) -> Measured:
    return reading(
        Mean(value, 0.0, 0.0, math.inf, 1, 1.0),
        quantity=quantity,
        point=f"{rows.file.path}, line {rows.first}",
        instrument=draw.instrument,
        instruments=evidence.instruments,
    )


def _faults(state: PortState, evidence: Evidence, found: list[Figure], notes: list[Note]) -> None:
    """Capabilities against the specification: what is broken under every revision, for none is stated in the words."""
    if not state.words:
        return
    rows = next(r for o, r in reversed(state.observations) if o.words)
    best = state.power_mode
    stated = evidence.charger.port(state.port).power_w
    # with others in use the port's present rating is what it offers; alone it is what its maker states
    rating = stated if stated is not None and not state.shared else None
    if rating is None and best is not None:
        rating = best.offer.power_w
    broken: dict[tuple[str, int | None], CapabilityViolation] = {}
    try:
        for number, revision in enumerate(REVISIONS):
            report = check_source_capabilities(
                state.words, pdp_w=rating, epr=len(state.words) > MAX_SPR_OBJECTS, revision=revision
            )
            now = {(v.rule, v.object_position): v for v in report.violations}
            broken = now if number == 0 else {key: v for key, v in broken.items() if key in now}
    except UsbPdError as error:
        notes.append(Note(STUDY, "warning", f"{state.port}: capabilities not checked: {error}", _conditions(state)))
        return
    for violation in broken.values():
        memory = f", from memory, {violation.from_memory}" if violation.from_memory else ""
        where = f"{state.port}, with {state.together} in use" if state.shared else f"{state.port} alone"
        text = f"{where}: {violation.text} ({violation.source}{memory})"
        notes.append(Note(STUDY, "info" if memory else "warning", text, _conditions(state), (rows,)))
    count = sum(violation.from_memory is None for violation in broken.values())
    method = "rules on Source Capabilities broken under every revision from R2.0 to R3.2, remembered rules left out"
    found.append(_figure("specification_faults", exact(float(count)), "", _conditions(state), method, rows))


def _figure(name: str, measured: Measured, unit: str, conditions: Conditions, method: str, rows: Rows) -> Figure:
    return figure_of(measured, study=STUDY, name=name, unit=unit, conditions=conditions, method=method, sources=(rows,))

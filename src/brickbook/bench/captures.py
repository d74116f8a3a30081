"""Tasks of the kind "captures": what the oscilloscope records at the end of each step.

The load is stepped and the supply switched by their ordinary commands, so on a real bench the length of a level is that
of a message over the line, a few milliseconds at best. A load's own transient function is faster; its captures can be
taken in by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from brickbook.bench.errors import CannotDo
from brickbook.bench.limits import contract_voltage_v
from brickbook.bench.scope import Coupling, Oscilloscope, Trace, archive
from brickbook.bench.session import Session, wall_now
from brickbook.bench.sheet import keep, put_aside
from brickbook.bench.take_in import Deposit
from brickbook.core.conditions import Scalar
from brickbook.core.plan import PlanStep, PlanTask, PortSetting

__all__ = ["captures_task"]

_RIPPLE = {"ripple-slow": (0.2, 80_000), "ripple-fast": (65_536 / 100e6, 65_536)}
_RIPPLE_RANGES_V = (0.016, 0.04, 0.08, 0.16, 0.4, 0.8, 1.6, 4.0, 8.0)
_FIRST_RANGE = 3
_CLIPPED, _SMALL = 0.48, 0.10  # of the screen, from its middle, and from top to bottom
_STEP_S, _STEP_POINTS, _LEVEL_S = 0.018, 9_000, 0.008
_ON_S, _ON_POINTS = 1.2, 120_000
_OFF_S, _OFF_POINTS, _BEFORE_OFF_S = 0.5, 50_000, 0.06
_EMPTY_S = 2.0  # until an output and a bulk capacitor have emptied (common practice, no source)
_EMPTYING_A = 0.3
_LEAST_INRUSH_OHM = 4.0  # line, thermistor and rectifier: the screen holds what flows through no more than this


@dataclass(frozen=True, slots=True)
class _View:
    """How one channel is seen: top less bottom of the screen and coupling."""

    range_v: float
    coupling: Coupling = "DC"


def captures_task(session: Session, task: PlanTask) -> list[Deposit]:
    """Do the steps and give a file for each capture.

    Raises
    ------
    CannotDo
        When the bench has no oscilloscope, or it has no channel for what is to be seen.
    Tripped, Stopped, Skipped, Repeated, Paused, BenchError
        When something or somebody ends it.
    """
    scope = session.stand.scope
    if scope is None:
        raise CannotDo("the bench has no oscilloscope that is spoken to: capture by hand and take the files in")
    session.wiring.protect([_with_step(step) for step in task.steps])
    deposits: list[Deposit] = []
    gatherer = session.gatherer(task)
    for index, step in enumerate(task.steps):
        session.desk.look()
        session.journal.write("step-started", task=task.id, step=index, label=step.label)
        taken = wall_now()
        if step.capture == "switch-on" and not session.wiring.mains[0]:
            session.wiring.plug_dead(step.ports)
        else:
            if not session.wiring.mains[0]:
                session.wiring.switch_on(task.mains_v, task.mains_hz)
            session.wiring.apply(step.ports)
            session.hold(task, step, index, gatherer)
        if step.capture:
            views, traces = _captured(session, scope, task, step)
            deposits.append(_deposit(session, scope, task, index, views, traces, taken))
        session.journal.write(
            "step-ended", task=task.id, step=index, settled=True, reason=step.capture or "held", relative_u=None
        )
    return _with_noise(session, scope, task, deposits)


def _with_noise(session: Session, scope: Oscilloscope, task: PlanTask, deposits: Sequence[Deposit]) -> list[Deposit]:
    """Ripple captures with the scope's own noise: the same settings once more, with the charger off and unplugged.

    The probe stays where it is, so what it picks up from elsewhere on the bench counts as noise as well.
    """
    captures = [step.capture for step in task.steps if step.capture]
    if not any(capture in _RIPPLE for capture in captures):
        return list(deposits)
    session.wiring.unplug_all()
    session.wiring.mains_off()
    session.wait(_EMPTY_S)
    known: dict[tuple[str, str, float], float] = {}
    out: list[Deposit] = []
    for capture, deposit in zip(captures, deposits, strict=True):
        headers = [key.partition("@")[2] for key in deposit.conditions if key.startswith("column@")]
        if capture not in _RIPPLE:
            out.append(deposit)
            continue
        told = dict(deposit.conditions)
        for header in headers:
            column, range_v = str(told[f"column@{header}"]), float(told[f"full_scale@{header}"])
            key = (capture, column, range_v)
            if key not in known:
                _set_up(scope, {column: _View(range_v, "AC")}, *_RIPPLE[capture])
                scope.trigger("at_once")
                scope.start()
                scope.finish()
                trace = scope.read(column)
                known[key] = float(np.std(trace.counts * trace.gain))
            told[f"noise@{header}"] = known[key]
        out.append(replace(deposit, conditions=told))
    return out


def _with_step(step: PlanStep) -> PortSetting:
    port = next((p for p in step.ports if p.contract), PortSetting("none"))
    high = step.conditions.get("step_high_a", port.current_a)
    return replace(port, current_a=max(float(high), port.current_a))


Taken = tuple[dict[str, _View], dict[str, Trace]]


def _captured(session: Session, scope: Oscilloscope, task: PlanTask, step: PlanStep) -> Taken:
    port = next((p for p in step.ports if p.contract), None)
    if port is None:
        raise CannotDo(f"step {step.label} has nothing plugged in to capture at")
    volts = contract_voltage_v(port.contract) or 5.0
    voltage, current = f"port_voltage_v@{port.port}", f"port_current_a@{port.port}"
    output = _View(2.3 * (1.1 * volts + 0.5))
    if step.capture in _RIPPLE:
        _needs(scope, [voltage])
        return _ripple(session, scope, voltage, *_RIPPLE[step.capture])
    if step.capture == "load-step":
        low, high = (float(step.conditions[key]) for key in ("step_low_a", "step_high_a"))
        views = {voltage: output, current: _View(2.3 * max(high, 0.1))}
        _needs(scope, list(views))
        _set_up(scope, views, _STEP_S, _STEP_POINTS)
        scope.trigger_on(current, (low + high) / 2.0)
        scope.start()
        _step_load(session, port, low, high)
        scope.finish()
        return views, _read(session, scope, views)
    peak = 2.3 * 2.0**0.5 * task.mains_v
    views = {"mains_voltage_v": _View(peak), voltage: output}
    if step.capture == "switch-on":
        views["mains_current_a"] = _View(peak / _LEAST_INRUSH_OHM)
        _needs(scope, list(views))
        _switch_on(session, scope, views, task, step)
    elif step.capture == "switch-off":
        _needs(scope, list(views))
        _set_up(scope, views, _OFF_S, _OFF_POINTS)
        scope.trigger("at_once")
        scope.start()
        session.wait(_BEFORE_OFF_S)
        session.wiring.mains_off()
        scope.finish()
        session.wiring.unplug_all()
        session.wait(_EMPTY_S)
    else:
        raise CannotDo(f"{step.capture!r} is no capture the runner knows")
    return views, _read(session, scope, views)


def _ripple(session: Session, scope: Oscilloscope, column: str, time_s: float, points: int) -> Taken:
    """On the smallest range that holds it."""
    at, smallest = _FIRST_RANGE, 0
    while True:
        session.desk.look()
        views = {column: _View(_RIPPLE_RANGES_V[at], "AC")}
        _set_up(scope, views, time_s, points)
        scope.trigger("at_once")
        scope.start()
        scope.finish()
        trace = scope.read(column)
        seen = trace.counts * trace.gain
        if float(np.max(np.abs(seen))) >= _CLIPPED * _RIPPLE_RANGES_V[at] and at + 1 < len(_RIPPLE_RANGES_V):
            at, smallest = at + 1, at + 1
        elif float(np.ptp(seen)) < _SMALL * _RIPPLE_RANGES_V[at] and at > smallest:
            at -= 1
        else:
            return views, {column: trace}


def _step_load(session: Session, port: PortSetting, low_a: float, high_a: float) -> None:
    load = session.stand.load(port.port)
    if load is None:
        raise CannotDo(f"the bench has no load at {port.port} to step")
    load.set(port.port, high_a)
    session.wait(_LEVEL_S)
    load.set(port.port, low_a)


def _switch_on(
    session: Session, scope: Oscilloscope, views: Mapping[str, _View], task: PlanTask, step: PlanStep
) -> None:
    wiring = session.wiring
    if wiring.mains[0]:
        # without a load the bulk capacitor would stay charged, and there would be nothing to rush in
        ports = [p.port for p in step.ports if p.contract]
        loads = {port: load for port in ports if (load := session.stand.load(port)) is not None}
        for port, load in loads.items():
            load.set(port, _EMPTYING_A)
        wiring.mains_off()
        session.wait(max(_EMPTY_S, step.dwell.min_s))
        for port, load in loads.items():
            load.set(port, 0.0)
    _set_up(scope, views, _ON_S, _ON_POINTS)
    scope.trigger("plug")
    scope.start()
    wiring.switch_on(task.mains_v, task.mains_hz)
    scope.finish()
    wiring.settings.update({p.port: replace(p, current_a=0.0) for p in step.ports if p.contract})


def _needs(scope: Oscilloscope, columns: Sequence[str]) -> None:
    missing = [column for column in columns if column not in scope.channels]
    if missing:
        raise CannotDo(f"the oscilloscope has no channel for {', '.join(missing)}: name it in bench.toml")


def _set_up(scope: Oscilloscope, views: Mapping[str, _View], time_s: float, points: int) -> None:
    scope.set_up(time_s, points)
    for column, view in views.items():
        scope.set_channel(column, view.range_v, view.coupling)


def _read(session: Session, scope: Oscilloscope, views: Mapping[str, _View]) -> dict[str, Trace]:
    traces = {column: scope.read(column) for column in views}
    for column, view in views.items():
        if float(np.max(np.abs(traces[column].counts * traces[column].gain))) >= _CLIPPED * view.range_v:
            session.note(f"{column} reaches the edge of the screen, {view.range_v:.4g} from top to bottom")
    return traces


def _deposit(
    session: Session,
    scope: Oscilloscope,
    task: PlanTask,
    index: int,
    views: Mapping[str, _View],
    traces: Mapping[str, Trace],
    taken: str,
) -> Deposit:
    step = task.steps[index]
    stem = f"{task.id}-{index + 1:02d}-{step.capture}"
    put_aside(session.folder / f"{stem}.npz")
    headers = {column: f"CH{scope.channels[column]}" for column in views}
    keep(session.folder / f"{stem}.npz", archive({headers[column]: trace for column, trace in traces.items()}))
    conditions: dict[str, Scalar] = {**session.conditions(replace(task, steps=(step,))), **step.conditions}
    if step.capture != "load-step":
        conditions["load_a"] = next((p.current_a for p in step.ports if p.contract), 0.0)
    conditions.pop("coupling", None)
    conditions["start_s"] = next(iter(traces.values())).start_s
    for column, trace in traces.items():
        header, view = headers[column], views[column]
        told: dict[str, Scalar] = {
            "column": column,
            "gain": trace.gain,
            "offset": trace.offset,
            "full_scale": view.range_v,
            "centre": 0.0 if view.coupling == "AC" else trace.offset,
            "coupling": view.coupling.casefold(),
        }
        if trace.probe_ratio != 1.0:
            told |= {"probe_ratio": trace.probe_ratio, "probe_applied": True}
        conditions |= {f"{key}@{header}": value for key, value in told.items()}
    quantities = dict.fromkeys(column.partition("@")[0] for column in views)
    return Deposit(
        file=f"{stem}.npz",
        studies=task.studies,
        reader="capture-npz",
        conditions=conditions,
        instruments=dict.fromkeys(quantities, scope.driver.name),
        recording=stem,
        taken=taken,
        note=session.run_note,
    )

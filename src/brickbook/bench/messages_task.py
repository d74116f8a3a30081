"""Tasks of the kind "messages": what ports say while devices come and go, when they came, and the voltage meanwhile."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from brickbook.bench.errors import CannotDo
from brickbook.bench.gather import Gatherer, sources_for
from brickbook.bench.session import Session, wall_now
from brickbook.bench.sheet import Sheet, keep, put_aside
from brickbook.bench.take_in import Deposit
from brickbook.core.plan import PlanTask
from brickbook.core.quantities import column_name

__all__ = ["messages_task"]


def messages_task(session: Session, task: PlanTask) -> list[Deposit]:
    """Record, plug as the steps say, and give message logs, plug events and voltages as one recording.

    Raises
    ------
    CannotDo
        When the bench has no recorder, or nothing was said.
    """
    recorder = session.stand.recorder
    if recorder is None:
        raise CannotDo("the bench has no recorder of messages: record them yourself and take them in")
    ports = list(dict.fromkeys(p.port for step in task.steps for p in step.ports if p.contract))
    # the mains side and temperatures would only slow the voltages down
    sources = sources_for(session.stand, ports, mains=False, harmonics=False, temperatures=False)
    gatherer = Gatherer(sources, session.stand.clock.now_s, session.wiring.make_sure, session.note)
    path = session.folder / f"{task.id}-vbus.csv"
    put_aside(path)
    sheet = Sheet(path, gatherer.columns)
    taken = wall_now()
    try:
        session.wiring.protect([p for step in task.steps for p in step.ports])
        session.wiring.switch_on(task.mains_v, task.mains_hz)
        before_s, session.slowest_read_s = session.stand.clock.now_s(), 0.0
        recorder.start()
        zero_s = session.stand.clock.now_s()
        for index, step in enumerate(task.steps):
            session.journal.write("step-started", task=task.id, step=index, label=step.label)
            session.wiring.apply(step.ports)
            verdict = session.stay(task, step, index, gatherer, sheet, zero_s)
            session.journal.write(
                "step-ended", task=task.id, step=index, settled=verdict.settled, reason=verdict.reason, relative_u=None
            )
        recorder.stop()
    finally:
        sheet.close()
    files = {f"{task.id}-{port.lower()}.csv": recorder.messages(port) for port in ports if port in recorder.channels}
    files[f"{task.id}-events.csv"] = recorder.events()
    deposits: list[Deposit] = []
    # a voltage was read somewhere within its set of readings, and the recorder began somewhere within its command
    off_s = round(session.slowest_read_s + zero_s - before_s, 4)
    base = Deposit(
        file=path.name,
        studies=task.studies,
        reader="meter-log",
        conditions={**_conditions(session, task), "vbus_time_error_s": max(off_s, 0.0005)},
        instruments=gatherer.instrument_of,
        columns=gatherer.columns,
        recording=task.id,
        taken=taken,
        note=session.run_note,
    )
    for name, data in files.items():
        lines = [line for line in data.splitlines() if line.strip() and not line.startswith(b"#")]
        if len(lines) < 2:  # a header and nothing below: a port without USB PD says nothing
            session.note(f"{name}: nothing was recorded")
            continue
        put_aside(session.folder / name)
        keep(session.folder / name, data)
        reader = "port-events" if name.endswith("-events.csv") else "message-log"
        clock = {"time_s": recorder.driver.name}
        deposits.append(replace(base, file=name, reader=reader, instruments=clock, columns=()))
    if not any(deposit.reader == "message-log" for deposit in deposits):
        raise CannotDo("nothing was said on any port that is recorded")
    traces, spacing_s = _voltages(session, task, base, [deposit.file for deposit in deposits])
    if traces:  # on the recorder's own clock, like the messages: a stamp may be off by half of their spacing
        shared = {**_conditions(session, task), "vbus_time_error_s": round(spacing_s / 2, 7)}
        return [replace(deposit, conditions=shared) for deposit in (*deposits, *traces)]
    if sheet.count and gatherer.columns:
        deposits.append(base)
    return deposits


def _voltages(session: Session, task: PlanTask, base: Deposit, logs: list[str]) -> tuple[list[Deposit], float]:
    """Voltages the recorder itself took of the ports that said something, and the longest time between two rows [s].

    They go before those the runner read: it reads none while it waits for a plug to be in, which is when they count.
    """
    recorder = session.stand.recorder
    assert recorder is not None
    deposits, spacing_s = [], 0.0
    for port in recorder.channels:
        data = recorder.vbus(port) if f"{task.id}-{port.lower()}.csv" in logs else b""
        if not data:
            continue
        name, column = f"{task.id}-vbus-{port.lower()}.csv", column_name("port_voltage_v", port)
        put_aside(session.folder / name)
        keep(session.folder / name, data)
        times = [float(row.split(b",", 1)[0]) for row in data.splitlines()[1:]]
        spacing_s = max([spacing_s, *(after - before for before, after in pairwise(times))])
        instruments = {"time_s": recorder.driver.name, column: recorder.driver.name}
        deposits.append(replace(base, file=name, instruments=instruments, columns=(column,)))
    return deposits, spacing_s


def _conditions(session: Session, task: PlanTask) -> dict[str, str | float | bool]:
    left_out = ("port", "ports", "contract", "output_v")
    return {key: value for key, value in session.conditions(task).items() if key not in left_out}

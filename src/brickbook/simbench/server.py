"""Instruments of the software bench on real sockets, and the bench around them.

One thread runs an asyncio loop; each instrument listens on a loopback port of its own and takes several clients. In
lock-step the bench's time moves only when somebody waits or measures, so that a run is as fast as the machine and the
same run gives the same bytes. With a speed, time runs by itself, that many times as fast as the clock on the wall.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from brickbook.core.errors import BookError, Fault
from brickbook.core.instrument import Instrument
from brickbook.simbench.charger import SimCharger
from brickbook.simbench.device import Device
from brickbook.simbench.faults import BenchFault, check_names
from brickbook.simbench.layout import complete_bench
from brickbook.simbench.readings import ReadingErrors
from brickbook.simbench.roster import device_for
from brickbook.simbench.scpi import Pending
from brickbook.simbench.table import read_table
from brickbook.simbench.truth import TrueTrace, truth_of
from brickbook.simbench.world import Surroundings, World

__all__ = ["SimBench", "start_bench"]

_T = TypeVar("_T")
_HOST = "127.0.0.1"
_LONGEST_LINE = 1 << 16
_POLL_S = 0.005
_IDLE_S = 0.05


class SimBench:
    """A running software bench; use it as a context manager, or call `close`.

    Parameters
    ----------
    charger
        The charger on the bench.
    instruments
        As in bench.toml; roles that are missing are added. `None`: a bench of one of each.
    seed
        Of all errors and draws.
    speed
        `None`: lock-step. Else bench seconds for each second of the wall clock.
    port_base
        First TCP port; 0 takes free ones.
    surroundings
        Room, fixture, supply.
    perfect
        Instruments without error and noise.
    faults
        What goes wrong, and when.
    trace
        File for the true course of everything, a CSV line for each second; never where the analysis looks.
    tables
        Name to a file with a table of commands (`simbench.table`), for instruments of another kind; raises `BookError`.
    """

    def __init__(
        self,
        charger: SimCharger,
        instruments: Mapping[str, Instrument] | None = None,
        *,
        seed: int = 0,
        speed: float | None = None,
        port_base: int = 0,
        surroundings: Surroundings | None = None,
        perfect: bool = False,
        faults: Iterable[BenchFault] = (),
        trace: Path | None = None,
        tables: Mapping[str, Path] | None = None,
    ) -> None:
        self.charger = charger
        self.seed = seed
        self.speed = speed
        self.world = World(charger, seed=seed, surroundings=surroundings)
        self._port_base = port_base
        self._described = complete_bench(charger, instruments)
        self.devices: dict[str, Device] = {}
        for name, instrument in self._described.items():
            errors = ReadingErrors(name, instrument, seed=seed, perfect=perfect)
            device = device_for(name, instrument, self.world, errors)
            if device is not None:
                self.devices[name] = device
        for name, path in (tables or {}).items():
            if name not in self.devices:
                raise BookError(
                    Fault("tables", name, "is no simulated instrument.", f"There are {', '.join(self.devices)}.")
                )
            self.devices[name].speak_as(read_table(path))
        self._faults: list[tuple[BenchFault, int]] = []  # with the number of messages the instrument had had before
        self._messages = dict.fromkeys(self.devices, 0)
        self._trace = TrueTrace(trace, self.world) if trace is not None else None
        self._add(tuple(faults))
        self._addresses: dict[str, str] = {}
        self._servers: dict[str, asyncio.Server] = {}
        self._sessions: set[_Session] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="software bench", daemon=True)
        self._zero_s = 0.0
        self._ready = threading.Event()
        self._failed: BaseException | None = None
        self.mistakes: list[Exception] = []  # of the bench itself, each a fault of the program; tests want none

    # Life

    def start(self) -> Self:
        """Listen; returns when all instruments do."""
        self._thread.start()
        self._ready.wait()
        if self._failed is not None:
            raise self._failed
        return self

    def close(self) -> None:
        """Stop listening and drop all clients."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join()
        if self._trace is not None:
            self._trace.close()

    def __enter__(self) -> Self:
        return self if self._thread.is_alive() else self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._listen())
        except OSError as error:
            self._failed = error
            self._ready.set()
            self._loop.close()
            return
        self._zero_s = time.monotonic()
        flow = self._loop.create_task(self._flow()) if self.speed is not None else None
        self._ready.set()
        try:
            self._loop.run_forever()
        finally:
            if flow is not None:
                flow.cancel()
            self._loop.run_until_complete(self._shut())
            self._loop.close()

    async def _listen(self) -> None:
        for offset, (name, device) in enumerate(self.devices.items()):
            port = self._port_base + offset if self._port_base else 0
            server = await self._loop.create_server(lambda device=device: _Session(self, device), _HOST, port)  # type: ignore[misc]
            self._servers[name] = server
            number = server.sockets[0].getsockname()[1]
            self._addresses[name] = f"TCPIP::{_HOST}::{number}::SOCKET"

    async def _shut(self) -> None:
        for server in self._servers.values():
            server.close()
        for session in tuple(self._sessions):
            session.drop()
        tasks = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in tasks:
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.sleep(0)

    async def _flow(self) -> None:
        while True:
            self.catch_up()
            await asyncio.sleep(_IDLE_S)

    # Time

    def catch_up(self) -> None:
        """Bring the world to the present, where time runs by itself."""
        if self.speed is not None:
            self.world.advance_to((time.monotonic() - self._zero_s) * self.speed)

    def pass_at_once(self, pending: Pending) -> None:
        """Lock-step: let the time that something takes pass, now."""
        if pending.ready is None:
            self.world.advance_to(self.world.now_s + pending.timeout_s)
        else:
            self.world.advance_until(pending.ready, pending.timeout_s)

    async def pass_really(self, pending: Pending) -> None:
        """With a speed: wait for it."""
        assert self.speed is not None
        end_s = self.world.now_s + pending.timeout_s
        while self.world.now_s < end_s and not (pending.ready is not None and pending.ready()):
            left = (end_s - self.world.now_s) / self.speed
            await asyncio.sleep(min(left, _POLL_S) if pending.ready is not None else left)
            self.catch_up()

    # What others use

    @property
    def instruments(self) -> Mapping[str, Instrument]:
        """All instruments by name: simulated ones with address, dialect and channels, others as they were given."""
        return {
            name: replace(instrument, address=self._addresses.get(name, instrument.address))
            for name, instrument in self._described.items()
        }

    def do(self, call: Callable[[World], _T]) -> _T:
        """Do something with the world in the bench's own thread, and give what it gives."""
        if threading.current_thread() is self._thread:
            return call(self.world)

        async def inside() -> _T:
            self.catch_up()
            return call(self.world)

        return asyncio.run_coroutine_threadsafe(inside(), self._loop).result()

    def inject(self, *faults: BenchFault) -> None:
        """Have things go wrong from now on; raises `BookError` for an instrument or port that is not there."""
        self.do(lambda _: self._add(faults))

    def _add(self, faults: tuple[BenchFault, ...]) -> None:
        check_names(faults, self.devices, self.world.ports)
        for fault in faults:
            if fault.of_the_world:
                self.world.after(fault.at_s - self.world.now_s, lambda fault=fault: self._befall(fault))  # type: ignore[misc]
            else:
                self._faults.append((fault, self._messages[fault.instrument]))

    def _befall(self, fault: BenchFault) -> None:
        world = self.world
        if fault.kind == "mains-drop":
            world.cut_mains(cut=True)
            world.after(fault.for_s, lambda: world.cut_mains(cut=False))
            return
        for port in (fault.port,) if fault.port else tuple(world.ports):
            world.trip(port)

    def count_message(self, name: str) -> None:
        """An instrument has had one more message."""
        self._messages[name] += 1

    def faults_of(self, name: str) -> list[BenchFault]:
        """What is wrong with an instrument at its latest message."""
        if not self._faults:
            return []
        number = self._messages[name]
        return [
            fault
            for fault, before in self._faults
            if fault.instrument == name and fault.holds(self.world.now_s, number - before)
        ]

    def once(self, fault: BenchFault) -> bool:
        """Whether a fault that happens once is still to happen; it is not after that."""
        left = [(known, before) for known, before in self._faults if known is not fault]
        there = len(left) < len(self._faults)
        self._faults = left
        return there

    async def second_client(self, name: str, command: str) -> None:
        """Another client of an instrument: sends a line, waits a little for an answer, and goes."""
        number = int(self._addresses[name].split("::")[2])
        reader, writer = await asyncio.open_connection(_HOST, number)
        writer.write(command.encode() + b"\n")
        if command.rstrip().endswith("?"):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(reader.readline(), 1.0)
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()

    def truth(self) -> dict[str, Any]:
        """All true parameters: charger, surroundings, and the error every instrument has."""
        return truth_of(self.charger, self.world.surroundings, self.devices, self.seed)

    def device(self, name: str) -> Device:
        """A simulated instrument; raises `KeyError`."""
        return self.devices[name]

    def joined(self, session: _Session) -> None:
        """A client has come."""
        self._sessions.add(session)

    def left(self, session: _Session) -> None:
        """A client has gone."""
        self._sessions.discard(session)


class _Session(asyncio.Protocol):
    """One client of one instrument."""

    def __init__(self, bench: SimBench, device: Device) -> None:
        self._bench = bench
        self._device = device
        self._transport: asyncio.Transport | None = None
        self._buffer = b""
        self._task: asyncio.Task[None] | None = None
        self._other: asyncio.Task[None] | None = None
        self._spoilt: BenchFault | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._bench.joined(self)
        if any(fault.kind == "disconnect" for fault in self._bench.faults_of(self._device.name)):
            self.drop()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 (the name is asyncio's)
        self._bench.left(self)
        if self._task is not None:
            self._task.cancel()

    def drop(self) -> None:
        """Cut the connection."""
        if self._transport is not None:
            self._transport.abort()

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        while True:
            line, found, rest = self._buffer.partition(self._device.terminator)
            if not found:
                break
            self._buffer = rest
            self._line(line.decode("ascii", "replace").rstrip("\r"))
        if len(self._buffer) > _LONGEST_LINE:
            self._buffer = b""
            self._device.error(-102, "a line without end")

    def _line(self, line: str) -> None:
        if self._task is not None and not self._task.done():
            # the answer to the last query is still being made: IEEE 488.2 6.3.2.3, the query is interrupted
            self._task.cancel()
            self._device.error(-410)
        self._bench.catch_up()
        self._bench.count_message(self._device.name)
        self._suffer()
        if self._transport is None or self._transport.is_closing():
            return
        run = self._device.hear(line)
        try:
            if self._bench.speed is None:
                self._answer(self._at_once(run))
            else:
                self._really(run)
        except Exception as error:  # noqa: BLE001 (a mistake of ours must not leave the other instruments without a bench)
            self._bench.mistakes.append(error)
            self._device.error(-310, f"{type(error).__name__} {error}")

    def _at_once(self, run: Generator[Pending, None, bytes]) -> bytes:
        while True:
            try:
                pending = next(run)
            except StopIteration as done:
                answer = done.value
                assert isinstance(answer, bytes)
                return answer
            self._bench.pass_at_once(pending)

    def _really(self, run: Generator[Pending, None, bytes]) -> None:
        try:
            pending = next(run)
        except StopIteration as done:
            self._answer(done.value)
            return

        async def rest(pending: Pending) -> None:
            while True:
                await self._bench.pass_really(pending)
                try:
                    pending = next(run)
                except StopIteration as done:
                    self._answer(done.value)
                    return

        self._task = asyncio.get_running_loop().create_task(rest(pending))

    def _suffer(self) -> None:
        """What is wrong with the instrument at this message."""
        bench, device = self._bench, self._device
        faults = bench.faults_of(device.name)
        self._spoilt = next((fault for fault in faults if fault.kind in ("mute", "late", "garbage")), None)
        if any(fault.kind == "stuck" for fault in faults):
            device.stuck = device.last_answers
        else:
            device.stuck = None
        for fault in faults:
            if fault.kind == "disconnect":
                self.drop()
            elif fault.kind == "error-queue" and bench.once(fault):
                device.error(fault.number, "fault of the software bench")
            elif fault.kind == "second-client" and bench.once(fault):
                self._other = asyncio.get_running_loop().create_task(bench.second_client(device.name, fault.command))

    def _answer(self, answer: bytes) -> None:
        spoilt = self._spoilt
        if answer and spoilt is not None:
            if spoilt.kind == "late":
                asyncio.get_running_loop().call_later(spoilt.late_s, self._send, answer)
            elif spoilt.kind == "garbage":
                self._send(b"\xff\x00#7?\x1b;;@")
            return
        self._send(answer)

    def _send(self, answer: bytes) -> None:
        if answer and self._transport is not None and not self._transport.is_closing():
            self._transport.write(answer + self._device.terminator)


def start_bench(
    charger: SimCharger,
    instruments: Mapping[str, Instrument] | None = None,
    *,
    seed: int = 0,
    speed: float | None = None,
    port_base: int = 0,
    surroundings: Surroundings | None = None,
    perfect: bool = False,
    faults: Iterable[BenchFault] = (),
    trace: Path | None = None,
    tables: Mapping[str, Path] | None = None,
) -> SimBench:
    """A software bench that already listens; see `SimBench` for the parameters.

    Examples
    --------
    ```
    with start_bench(load_sim_charger("finch-30"), seed=1) as bench:
        address = bench.instruments["wall-meter"].address
    ```

    Raises
    ------
    OSError
        When a port of `port_base` is taken.
    """
    bench = SimBench(
        charger,
        instruments,
        seed=seed,
        speed=speed,
        port_base=port_base,
        surroundings=surroundings,
        perfect=perfect,
        faults=faults,
        trace=trace,
        tables=tables,
    )
    return bench.start()

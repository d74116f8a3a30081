"""A plain socket client, so that nothing of the program stands between a test and an instrument."""

import contextlib
import socket

import pytest

from brickbook.simbench import load_sim_charger, start_bench


class Wire:
    """One client of one instrument."""

    def __init__(self, address, timeout_s=3.0):
        _, host, port, _ = address.split("::")
        self.socket = socket.create_connection((host, int(port)), timeout=timeout_s)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._rest = b""

    def write(self, text):
        self.socket.sendall(text.encode() + b"\n")

    def line(self):
        while b"\n" not in self._rest:
            more = self.socket.recv(1 << 16)
            if not more:
                raise ConnectionResetError
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        return line

    def ask(self, text):
        self.write(text)
        return self.line().decode()

    def numbers(self, text):
        return [float(part) for part in self.ask(text).split(",")]

    def do(self, text):
        """A command, and the next error: so that other instruments' commands come after it."""
        self.write(text)
        return self.ask("SYST:ERR?")

    def block(self, text):
        """IEEE 488.2 8.7.9: #, how many digits the length has, length, data; then the terminator."""
        self.write(text)
        self._need(2)
        assert self._rest[:1] == b"#"
        digits = int(self._rest[1:2])
        self._need(2 + digits)
        length = int(self._rest[2 : 2 + digits])
        self._need(3 + digits + length)
        data, end = self._rest[2 + digits : 2 + digits + length], self._rest[2 + digits + length : 3 + digits + length]
        assert end == b"\n"
        self._rest = self._rest[3 + digits + length :]
        return data

    def _need(self, count):
        while len(self._rest) < count:
            self._rest += self.socket.recv(1 << 20)


class Bench:
    """A running bench and a client of each instrument."""

    def __init__(self, sim, stack):
        self.sim = sim
        self.wires = {}
        for name, instrument in sim.instruments.items():
            if instrument.address:
                self.wires[name] = Wire(instrument.address)
                stack.callback(self.wires[name].socket.close)
        for name, short in (
            ("mains-supply", "source"),
            ("wall-meter", "meter"),
            ("load-bank", "load"),
            ("pd-sink", "sink"),
            ("bench-clock", "clock"),
            ("bench-scope", "scope"),
            ("message-recorder", "recorder"),
            ("temperature-logger", "logger"),
        ):
            setattr(self, short, self.wires[name])

    def wait(self, seconds):
        assert self.clock.ask(f"SYST:TIME:WAIT {seconds};*OPC?") == "1"

    def now(self):
        return float(self.clock.ask("SYST:TIME?"))

    def power(self, volts=230.0):
        self.source.do(f"SOUR:VOLT {volts};FREQ 50;:OUTP ON")
        self.wait(1.5)

    def contract(self, channel, position, millivolts, milliamps):
        self.sink.do(f"SINK:ATT ON,(@{channel})")
        self.sink.ask(f"SINK:CAP? (@{channel})")
        self.sink.do(f"SINK:REQ {position},{millivolts},{milliamps},(@{channel})")
        self.sink.ask("*OPC?")
        return self.sink.ask(f"SINK:CONT? (@{channel})")

    def draw(self, channel, amps):
        self.load.do(f"SOUR:CURR {amps},(@{channel});:INP ON,(@{channel})")


@pytest.fixture
def bench():
    """Starts benches; afterwards none of them may have made a mistake of its own."""
    with contextlib.ExitStack() as stack:
        started = []

        def start(charger="finch-30", **choices):
            sim = start_bench(load_sim_charger(charger) if isinstance(charger, str) else charger, **choices)
            started.append(sim)
            stack.callback(sim.close)
            return Bench(sim, stack)

        yield start
        for sim in started:
            assert sim.mistakes == []

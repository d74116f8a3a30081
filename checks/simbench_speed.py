"""How long a query to the software bench takes, over a raw socket and over VISA, and an hour of readings.

Run it by itself: `python checks/simbench_speed.py`. Prints microseconds; nothing is judged.
"""

from __future__ import annotations

import socket
import statistics
import time

from brickbook.simbench import bundled_chargers, load_sim_charger, start_bench

_QUERIES = 3000


class Client:
    """A socket with a line's end."""

    def __init__(self, address: str) -> None:
        _, host, port, _ = address.split("::")
        self._socket = socket.create_connection((host, int(port)), timeout=5.0)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def query(self, text: str) -> str:
        """Ask a question."""
        self._socket.sendall(text.encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            answer += self._socket.recv(1 << 16)
        return answer.decode().strip()


def timed(what: str, query: object, text: str) -> None:
    """Median, 99th percentile and most of many queries [µs]."""
    taken = []
    for _ in range(_QUERIES):
        began = time.perf_counter()
        query(text)  # type: ignore[operator]
        taken.append(1e6 * (time.perf_counter() - began))
    taken.sort()
    print(f"{what:<34} {statistics.median(taken):6.0f} {taken[int(0.99 * len(taken))]:6.0f} {taken[-1]:7.0f}")


def main() -> None:
    """Both chargers that come with the program."""
    import pyvisa  # noqa: PLC0415

    manager = pyvisa.ResourceManager("@py")
    print(f"{'':<34} {'median':>6} {'p99':>6} {'most':>7}   [us]")
    for name in bundled_chargers():
        with start_bench(load_sim_charger(name), seed=1) as bench:
            clients = {n: Client(i.address) for n, i in bench.instruments.items() if i.address}
            clients["mains-supply"].query("OUTP ON;:OUTP?")
            clients["bench-clock"].query("SYST:TIME:WAIT 2;*OPC?")
            clients["pd-sink"].query("SINK:ATT ON,(@1);CAP? (@1)")
            clients["pd-sink"].query("SINK:REQ 4,20000,1500,(@1);*OPC?")
            clients["load-bank"].query("SOUR:CURR 1.2,(@1);:INP ON,(@1);:INP? (@1)")
            for instrument, text in (
                ("bench-clock", "SYST:TIME?"),
                ("wall-meter", "READ?"),
                ("load-bank", "MEAS:VOLT? (@1)"),
                ("temperature-logger", "MEAS:TEMP? (@101:103)"),
            ):
                timed(f"{name} {text}", clients[instrument].query, text)
            resource = manager.open_resource(
                bench.instruments["wall-meter"].address, read_termination="\n", write_termination="\n"
            )
            timed(f"{name} READ? over VISA", resource.query, "READ?")  # type: ignore[attr-defined]
            resource.close()
            began = time.perf_counter()
            for _ in range(3960):
                clients["bench-clock"].query("SYST:TIME:WAIT 0.95;*OPC?")
                clients["bench-clock"].query("SYST:TIME?")
                clients["wall-meter"].query("READ?")
                clients["load-bank"].query("MEAS:VOLT? (@1)")
                clients["load-bank"].query("MEAS:CURR? (@1)")
            print(f"{name}: 66 minutes, a reading each second: {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()

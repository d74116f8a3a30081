"""Damaged lines to the instruments of the software bench: in its own thread, session by session."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from brickbook.simbench import SimBench, load_sim_charger
from brickbook.simbench.server import _Session

__all__ = ["LINES", "ScpiTarget"]

LINES = [
    b"*IDN?;*RST;*CLS;*OPC?;SYST:ERR?\n",
    b"SOUR:VOLT 230;FREQ 50;:OUTP ON;OUTP?;SOUR:VOLT?;FREQ?;MEAS:VOLT?\n",
    b"SENS:POW:RANG 100\nSENS:POW:RANG:AUTO ON\nSENS:POW:RANG?\nREAD?\nFETC:HARM?\n",
    b"INP ON,(@1);SOUR:CURR 1.5,(@1);MEAS:VOLT? (@1);MEAS:CURR? (@1);INP? (@1);SOUR:CURR:PROT 3,(@1)\n",
    b"MEAS:VOLT:DC?\nMEAS:TEMP? (@101,102)\nMEAS:TEMP? (@101:104)\n",
    b"SENS:SWE:TIME 0.01\nSENS:SWE:POIN 1000\nSENS:VOLT:RANG 0.5,(@1)\nINP:COUP AC,(@1)\nTRIG:SOUR IMM\nTRIG:LEV 1\n",
    b"SENS:SWE:POIN 1000\nINIT;*OPC?\nTRAC:PRE? (@1)\nTRAC:DATA? (@1)\n",
    b"SINK:ATT ON,(@1);SINK:CAP? (@1);SINK:REQ 2,9000,2000,(@1);SINK:CONT? (@1);SINK:LEG? (@1)\n",
    b"REC:STAR;REC:STOP;REC:DATA? (@1);REC:EVEN?\n",
    b"SYST:TIME?;SYST:TIME:WAIT 5;*OPC?\n",
]


class _Wire:
    """A transport that only counts."""

    def __init__(self) -> None:
        self.sent = 0

    def write(self, data: bytes) -> None:
        """Take an answer."""
        self.sent += len(data)

    def is_closing(self) -> bool:
        """Never."""
        return False

    def abort(self) -> None:
        """Nothing to cut."""


class ScpiTarget:
    """A software bench; `read` sends the bytes to every instrument. A bench is used for a hundred cases."""

    def __init__(self) -> None:
        self._bench: SimBench | None = None
        self._used = 0

    def read(self, data: bytes, _: Path) -> None:
        """Raises the first mistake of the bench itself."""
        if self._bench is None or self._used >= 100 or self._bench.world.now_s > 20_000:
            if self._bench is not None:
                self._bench.close()
            self._bench, self._used = SimBench(load_sim_charger("finch-30"), seed=3).start(), 0
        bench = self._bench
        self._used += 1
        bench.do(lambda _: self._all(bench, data))
        if bench.mistakes:
            mistake = bench.mistakes[0]
            bench.mistakes.clear()
            raise mistake

    def _all(self, bench: SimBench, data: bytes) -> None:
        for device in bench.devices.values():
            session: Any = _Session(bench, device)
            session._transport = _Wire()
            session.data_received(data[:100_000])

"""What is connected to a charger: mains, sinks with their contracts, loads with their currents."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from brickbook.bench.clock import Clock
from brickbook.bench.driver import Driver
from brickbook.bench.errors import CannotDo, InstrumentError
from brickbook.bench.instruments import PdSink, SinkContract
from brickbook.bench.limits import Limits, contract_voltage_v
from brickbook.bench.stand import Stand
from brickbook.core.errors import Fault
from brickbook.core.instrument import current_reach_a
from brickbook.core.plan import PortSetting
from brickbook.core.quantities import column_name
from brickbook.usbpd import PdoKind, WordError, decode_source_pdo, parse_words

__all__ = ["Wiring"]

_START_S = (
    1.5  # from mains to the first question to a port; chargers begin within a second (common practice, no source)
)
_VBUS_S = 3.0
_VBUS_RATIO, _VBUS_V = 0.10, 0.3
_AVS_KINDS = (PdoKind.SPR_AVS, PdoKind.EPR_AVS)
_MOST_A = 5.0


@dataclass(slots=True)
class Wiring:
    """Brings mains, sinks and loads from one step to the next.

    Parameters
    ----------
    stand
        The bench.
    clock
        Of the bench.
    limits
        In force.
    by_hand
        Asks a person to do something, and comes back when it is done.
    note
        Words for the journal.
    """

    stand: Stand
    clock: Clock
    limits: Limits
    by_hand: Callable[[str], None]
    note: Callable[[str], None]
    wait: Callable[[float], None]
    mains: tuple[float, float] = (0.0, 0.0)
    settings: dict[str, PortSetting] = field(default_factory=dict)
    before_on: Callable[[], None] = lambda: None

    # Mains

    def switch_on(self, voltage_v: float, frequency_hz: float) -> None:
        """Set the supply and switch it on.

        Raises
        ------
        CannotDo
            When the bench has no supply.
        InstrumentError
            When it does not read back as set.
        """
        self.before_on()
        source = self.stand.source
        if source is not None:
            source.set(voltage_v, frequency_hz)
            source.on()
        elif self.stand.hand_of("ac-source"):
            self.by_hand(f"Set the mains supply to {voltage_v:g} V, {frequency_hz:g} Hz, and switch it on.")
        else:
            raise CannotDo("the bench has no mains supply: describe an ac-source in bench.toml")
        self.mains = (voltage_v, frequency_hz)
        self.wait(_START_S)

    def mains_off(self) -> None:
        """Switch the supply off, whatever is loaded."""
        source = self.stand.source
        if source is not None:
            source.off()
        else:
            self.by_hand("Switch the mains supply off.")
        self.mains = (0.0, 0.0)

    def plug_dead(self, settings: Sequence[PortSetting]) -> None:
        """Plug sinks in while the supply is off, for a switching on."""
        for setting in settings:
            sink = self.stand.sink(setting.port)
            if not setting.contract:
                continue
            if sink is not None:
                sink.attach(setting.port)
            else:
                self.by_hand(f"Plug the sink into {setting.port}.")
            self.settings[setting.port] = PortSetting(setting.port, setting.contract)

    def unplug_all(self) -> None:
        """No load and nothing plugged in."""
        self.loads_down()
        for port in list(self.settings):
            self._unplug(port)

    def all_off(self) -> None:
        """Take note that everything has been switched off."""
        self.settings.clear()
        self.mains = (0.0, 0.0)

    # Ports

    def protect(self, settings: Sequence[PortSetting]) -> None:
        """Have each load open by itself a little above the largest current a task asks of it.

        Raises
        ------
        CannotDo
            When a load does not reach what is asked of it.
        """
        for port in dict.fromkeys(s.port for s in settings):
            load = self.stand.load(port)
            if load is None:
                continue
            most = max(s.current_a for s in settings if s.port == port)
            reach = current_reach_a(load.driver.instrument)
            if reach is not None and most > reach:
                raise CannotDo(f"{port}: {most:g} A is asked for, {load.driver.name} reaches {reach:g} A")
            load.protect(
                port, min(1.2 * most + 0.3, self.limits.amps, reach if reach is not None else self.limits.amps)
            )

    def apply(self, settings: Sequence[PortSetting]) -> None:
        """Connect, contract and load as a step says; loads fall before contracts change, and rise after.

        Raises
        ------
        CannotDo
            When a port does not give its contract.
        InstrumentError
            When an instrument does not do what it was told.
        """
        wanted = {s.port: s for s in settings if s.contract}
        touched = [p for p, old in self.settings.items() if _contract(wanted.get(p)) != old.contract]
        for port in self.settings:
            after = wanted.get(port)
            if port in touched or after is None or after.current_a < self.settings[port].current_a:
                self._draw(port, 0.0 if port in touched or after is None else after.current_a)
        for port in [p for p in self.settings if p not in wanted]:
            self._unplug(port)
        fresh = [s for p, s in wanted.items() if p in touched or p not in self.settings]
        if fresh:
            self.loads_down()
        for setting in fresh:
            self._plug(setting)
        for setting in wanted.values() if fresh else ():  # a plug may have changed what the other ports have
            self._contract(setting)
        for setting in wanted.values():
            before = self.settings.get(setting.port)
            if before is None or before.current_a != setting.current_a:
                self._draw(setting.port, setting.current_a)
            self.settings[setting.port] = setting

    def make_sure(self, driver: Driver) -> None:
        """After trouble with an instrument: what it was set to, set again and read back.

        Raises
        ------
        BenchError
            When that cannot be done.
        """
        source = self.stand.source
        if source is not None and driver is source.driver and self.mains[0]:
            source.set(*self.mains)
            if not source.is_on():
                raise InstrumentError(Fault(f"instrument {driver.name}", "", "its output has gone off by itself."))
        for port, setting in self.settings.items():
            load = self.stand.load(port)
            if load is not None and load.driver is driver:
                load.set(port, setting.current_a)
        self.note(f"{driver.name}: spoken to anew, its settings read back as they were")

    # Within

    def _draw(self, port: str, current_a: float) -> None:
        load = self.stand.load(port)
        if load is not None:
            load.set(port, current_a)
        elif current_a or self.stand.hand_of("dc-load"):
            if not self.stand.hand_of("dc-load"):
                raise CannotDo(f"the bench has no load at {port}: name its channel in bench.toml")
            self.by_hand(f"Set the load on {port} to {current_a:g} A.")
        if port in self.settings:
            old = self.settings[port]
            self.settings[port] = PortSetting(port, old.contract, current_a)

    def _unplug(self, port: str) -> None:
        sink = self.stand.sink(port)
        if sink is not None:
            sink.detach(port)
        else:
            self.by_hand(f"Take the plug out of {port}.")
        del self.settings[port]

    def _plug(self, setting: PortSetting) -> None:
        sink = self.stand.sink(setting.port)
        if sink is not None:
            if setting.port not in self.settings:
                sink.attach(setting.port)
            return
        self.loads_down()
        self.by_hand(f"Plug the sink into {setting.port} and have it ask for {setting.contract}.")

    def loads_down(self) -> None:
        """No load while somebody works at the bench."""
        for port, setting in list(self.settings.items()):
            load = self.stand.load(port)
            if load is not None and setting.current_a:
                load.set(port, 0.0)
                self.settings[port] = PortSetting(port, setting.contract, 0.0)

    def _contract(self, setting: PortSetting) -> None:
        sink = self.stand.sink(setting.port)
        wanted_v = contract_voltage_v(setting.contract)
        if sink is not None and wanted_v is not None:
            self._agree(sink, setting, wanted_v)
        if wanted_v is not None:
            self._see_voltage(setting.port, wanted_v)

    def _agree(self, sink: PdSink, setting: PortSetting, wanted_v: float) -> None:
        words = sink.words(setting.port)
        if setting.contract.startswith("legacy") or not words:
            self._agree_legacy(sink, setting, wanted_v)
            return
        position, amps = _position(words, setting.contract, wanted_v)
        if position == 0:
            raise CannotDo(f"{setting.port} does not offer {setting.contract}; it offers {words}")
        agreed = sink.request(setting.port, position, wanted_v, amps)
        self._refuse_other(setting, agreed, wanted_v)

    def _agree_legacy(self, sink: PdSink, setting: PortSetting, wanted_v: float) -> None:
        if wanted_v == 5.0:
            return  # what every port gives without being asked
        modes = [mode.split() for mode in sink.legacy(setting.port).split(";") if mode.strip()]
        at = next((k for k, mode in enumerate(modes, 1) if abs(float(mode[0]) - wanted_v) < 0.05), 0)
        if at == 0:
            raise CannotDo(f"{setting.port} does not offer {setting.contract}")
        amps = float(modes[at - 1][2]) if len(modes[at - 1]) > 2 else setting.current_a
        self._refuse_other(setting, sink.request(setting.port, at, wanted_v, amps), wanted_v)

    def _refuse_other(self, setting: PortSetting, agreed: SinkContract, wanted_v: float) -> None:
        if abs(agreed.voltage_v - wanted_v) > 0.01 * wanted_v + 0.02:
            raise CannotDo(f"{setting.port} agreed on {agreed.voltage_v:g} V, not on {setting.contract}")

    def _see_voltage(self, port: str, wanted_v: float) -> None:
        """Wait until the voltage is there, as far as somebody reads it; what is not there in time is noted."""
        load = self.stand.load(port)
        if load is None:
            return
        end, seen = self.clock.now_s() + _VBUS_S, None
        while True:
            seen = load.read([port]).get(column_name("port_voltage_v", port))
            if seen is not None and abs(seen - wanted_v) <= _VBUS_RATIO * wanted_v + _VBUS_V:
                return
            if self.clock.now_s() >= end:
                break
            self.wait(0.1)
        self.note(f"{port}: {wanted_v:g} V were agreed, {seen if seen is None else round(seen, 3)} V are there")


def _contract(setting: PortSetting | None) -> str:
    return setting.contract if setting is not None else ""


def _position(words: str, contract: str, wanted_v: float) -> tuple[int, float]:
    """Object position of a mode among source capabilities, and the current to ask for; position 0 for none."""
    kind = contract.split(maxsplit=1)[0] if not contract[0].isdigit() else ""
    try:
        parsed = parse_words(words)
    except WordError:
        return 0, 0.0
    for at, word in enumerate(parsed, 1):
        pdo = decode_source_pdo(word)
        if pdo.is_empty or pdo.kind == PdoKind.RESERVED:
            continue
        low, high = pdo.min_voltage_v or 0.0, pdo.max_voltage_v or 0.0
        if not low - 0.011 <= wanted_v <= high + 0.011:
            continue
        fits = {"": pdo.kind == PdoKind.FIXED, "PPS": pdo.kind == PdoKind.PPS}.get(kind, pdo.kind in _AVS_KINDS)
        if fits:
            amps = pdo.max_current_a
            return at, min(amps or (pdo.max_power_w or 0.0) / max(wanted_v, 1.0), _MOST_A)
    return 0, 0.0

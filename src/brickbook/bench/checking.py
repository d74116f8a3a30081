"""A look at a bench: who answers, what each reads once, what is due; nothing is switched."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from brickbook.bench.driver import Driver
from brickbook.bench.errors import BenchError
from brickbook.bench.limits import Limits, effective_limits
from brickbook.bench.link import VisaLink
from brickbook.bench.stand import LinkMaker, bench_faults, open_drivers
from brickbook.book import BenchLimits
from brickbook.book.settings import Bench, read_bench
from brickbook.core.errors import BookError, BrickbookError, Fault
from brickbook.core.instrument import Instrument

__all__ = ["BenchLook", "InstrumentLook", "check_bench", "read_bench_file"]

_READS: Mapping[str, tuple[str, ...]] = {
    "ac-source": ("output_state",),
    "ac-power-meter": ("read",),
    "dc-load": ("read_voltage", "input_state"),
    "dc-meter": ("read_voltage",),
    "voltmeter": ("read_voltage",),
    "temperature-logger": ("read_temperature",),
    "pd-sink": ("contract",),
    "clock": ("now",),
}


@dataclass(frozen=True, slots=True)
class InstrumentLook:
    """One instrument: what it says it is, what it read, its calibration, and what is wrong."""

    name: str
    role: str
    idn: str = ""
    reading: str = ""
    calibration: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class BenchLook:
    """All instruments, the limits in force, and what is wrong."""

    instruments: tuple[InstrumentLook, ...]
    limits: Limits | None
    faults: tuple[Fault, ...]

    @property
    def is_good(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults

    @property
    def limits_text(self) -> str:
        """Limits in words."""
        if self.limits is None:
            return "none that can be used"
        x = self.limits
        return f"{x.volts:g} V, {x.amps:g} A, {x.watts:g} W, {x.degrees:g} °C"

    def plain(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "instruments": [asdict(line) for line in self.instruments],
            "limits": asdict(self.limits) if self.limits else None,
            "faults": [str(fault) for fault in self.faults],
        }


def check_bench(
    instruments: Mapping[str, Instrument],
    limits: BenchLimits,
    *,
    folder: Path,
    ports: Sequence[str] = (),
    today: str = "",
    make_link: LinkMaker = VisaLink,
) -> BenchLook:
    """Open every instrument that is spoken to, ask who it is, and read once.

    Parameters
    ----------
    instruments, limits
        Of bench.toml.
    folder
        Of bench.toml.
    ports
        Of the charger; empty: channels are not held against them.
    today
        ISO date calibrations are held against; empty: they are not.
    make_link
        Makes the line to an address.
    """
    dialects, faults = bench_faults(instruments, folder, ports)
    in_force: Limits | None = None
    try:
        in_force = effective_limits(limits)
    except BenchError as error:
        faults += error.faults
    told: list[tuple[str, str]] = []
    stand, silent = open_drivers(
        instruments, dialects, report=lambda name, text: told.append((name, text)), make_link=make_link
    )
    faults += silent
    looks = []
    try:
        for name, instrument in instruments.items():
            driver = stand.drivers.get(name)
            problem = next((f.problem for f in silent if f.file == f"instrument {name}"), "")
            reading = ""
            if driver is not None:
                reading, wrong = _read_once(driver)
                faults += wrong
            calibration = _calibration(instrument, today)
            if calibration.startswith("overdue"):
                faults.append(Fault("bench.toml", f"instruments.{name}.due", f"calibration is {calibration}."))
            faults += _channel_faults(name, instrument, ports)
            idn = driver.idn if driver is not None else ""
            looks.append(InstrumentLook(name, instrument.role, idn, reading, calibration, problem))
    finally:
        stand.close()
    faults += [Fault(f"instrument {name}", "", f"reports {text}.") for name, text in told]
    return BenchLook(tuple(looks), in_force, tuple(faults))


def read_bench_file(path: Path) -> Bench:
    """Another bench.toml than the book's; raises `BookError`."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BookError(Fault(str(path), "", f"cannot be read: {error}.")) from error
    return read_bench(str(path), text)


def _read_once(driver: Driver) -> tuple[str, list[Fault]]:
    channels = tuple(driver.instrument.channels.values())
    shown: list[str] = []
    try:
        for operation in _READS.get(driver.instrument.role, ()):
            if not driver.can(operation):
                continue
            if operation in {"read", "now"}:
                shown += [f"{n} {v}" for n, v in list(driver.numbers(operation).items())[:3] if n]
            elif operation == "output_state":
                shown.append(f"output {driver.word(operation)}")
            elif operation == "input_state":
                shown += [f"{p} {driver.word(operation, channel=c)}" for p, c in driver.instrument.channels.items()]
            elif operation == "contract":
                shown += [
                    f"{p} {driver.numbers(operation, channel=c)['voltage_v']} V"
                    for p, c in driver.instrument.channels.items()
                ]
            elif channels:
                values = driver.of_channels(operation, channels)
                shown += [f"{p} {v}" for p, v in zip(driver.instrument.channels, values, strict=True)]
            elif driver.instrument.role == "voltmeter":
                shown.append(f"{driver.numbers(operation, channel='')['voltage_v']} V")
            else:
                problem = "it has no channels: nobody knows what its readings are of."
                remedy = 'For example channels = { C1 = "1" }.'
                return "", [Fault("bench.toml", f"instruments.{driver.name}.channels", problem, remedy)]
    except BrickbookError as error:
        return "", list(error.faults)
    return ", ".join(shown), []


def _channel_faults(name: str, instrument: Instrument, ports: Sequence[str]) -> list[Fault]:
    if not ports or not instrument.address or instrument.role not in ("dc-load", "pd-sink", "message-recorder"):
        return []
    place = f"instruments.{name}.channels"
    wrong = [p for p in instrument.channels if p not in ports]
    missing = [p for p in ports if p not in instrument.channels]
    found = [
        Fault("bench.toml", place, f"{p} is no port of the charger.", f"Ports: {', '.join(ports)}.") for p in wrong
    ]
    return [*found, *(Fault("bench.toml", place, f"nothing is said of port {p}.") for p in missing)]


def _calibration(instrument: Instrument, today: str) -> str:
    if not instrument.due:
        return "no date" if instrument.accuracy else ""
    if today and today > instrument.due:
        return f"overdue since {instrument.due}"
    return f"until {instrument.due}"

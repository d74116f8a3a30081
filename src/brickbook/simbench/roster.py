"""Which class plays which role."""

from __future__ import annotations

from collections.abc import Mapping

from brickbook.core.instrument import Instrument
from brickbook.simbench.device import Device
from brickbook.simbench.readings import ReadingErrors
from brickbook.simbench.roles import AcSource, BenchClock, DcLoad, PowerMeter, TemperatureLogger, Voltmeter
from brickbook.simbench.scope import Oscilloscope
from brickbook.simbench.sinks import MessageRecorder, PdSink
from brickbook.simbench.world import World

__all__ = ["device_for"]

_ROLES: Mapping[str, type[Device]] = {
    kind.role: kind
    for kind in (
        AcSource,
        BenchClock,
        DcLoad,
        MessageRecorder,
        Oscilloscope,
        PdSink,
        PowerMeter,
        TemperatureLogger,
        Voltmeter,
    )
}


def device_for(name: str, instrument: Instrument, world: World, errors: ReadingErrors) -> Device | None:
    """The simulated instrument for a role; `None` for roles that are read by hand."""
    kind = _ROLES.get(instrument.role)
    return None if kind is None else kind(name, instrument, world, errors)

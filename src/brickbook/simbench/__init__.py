"""A bench in software: chargers with physics, and instruments that err as their data sheets say."""

from brickbook.simbench.meters import MeterBench
from brickbook.simbench.physics import ChargerModel, PfcStage, PortModel

__all__ = ["ChargerModel", "MeterBench", "PfcStage", "PortModel"]

"""A bench in software: chargers with physics, and instruments that err as their data sheets say."""

from brickbook.simbench.benchfile import bench_text
from brickbook.simbench.charger import SimCharger, SimPort
from brickbook.simbench.convert import sim_charger_for, sim_charger_from, two_part_thermals
from brickbook.simbench.faults import BenchFault, parse_fault, read_faults
from brickbook.simbench.layout import default_instruments
from brickbook.simbench.meters import MeterBench
from brickbook.simbench.models import bundled_chargers, load_sim_charger, read_sim_charger
from brickbook.simbench.physics import ChargerModel, PfcStage, PortModel
from brickbook.simbench.server import SimBench, start_bench
from brickbook.simbench.truth import write_truth
from brickbook.simbench.world import Surroundings

__all__ = [
    "BenchFault",
    "ChargerModel",
    "MeterBench",
    "PfcStage",
    "PortModel",
    "SimBench",
    "SimCharger",
    "SimPort",
    "Surroundings",
    "bench_text",
    "bundled_chargers",
    "default_instruments",
    "load_sim_charger",
    "parse_fault",
    "read_faults",
    "read_sim_charger",
    "sim_charger_for",
    "sim_charger_from",
    "start_bench",
    "two_part_thermals",
    "write_truth",
]

"""The truth of a software bench, for those who check the analysis: never among the files the analysis reads."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from brickbook.simbench.charger import SimCharger
from brickbook.simbench.device import Device
from brickbook.simbench.world import Surroundings, World

__all__ = ["TrueTrace", "truth_of", "write_truth"]


def truth_of(
    charger: SimCharger, surroundings: Surroundings, devices: Mapping[str, Device], seed: int
) -> dict[str, Any]:
    """All true parameters of a bench as plain data."""
    return {
        "seed": seed,
        "charger": asdict(charger),
        "surroundings": asdict(surroundings),
        "instruments": {
            name: {"role": device.role, "error_fractions_of_bound": device.errors.fractions()}
            for name, device in devices.items()
        },
    }


def write_truth(truth: Mapping[str, Any], path: Path) -> None:
    """The truth as JSON."""
    path.write_text(json.dumps(truth, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


class TrueTrace:
    """The true course of everything, a CSV line for each second of bench time.

    Parameters
    ----------
    path
        File to write.
    world
        What is traced.
    """

    def __init__(self, path: Path, world: World) -> None:
        self._file = path.open("w", encoding="utf-8", newline="")
        ports = [f"{quantity}@{port}" for port in world.ports for quantity in ("port_voltage_v", "port_current_a")]
        nodes = [f"temperature_c@{name}" for name in world.thermal.names]
        self._file.write(
            ",".join(["time_s", "mains_voltage_v", "mains_power_w", "loss_w", *ports, *nodes, "ambient_c"])
        )
        self._file.write("\n")
        world.trace = self._line

    def _line(self, world: World) -> None:
        point = world.point()
        values = [world.now_s, world.mains_v, point.input_w, point.loss_w]
        for port in world.ports:
            values += [point.port_voltage_v.get(port, 0.0), point.port_current_a.get(port, 0.0)]
        values += [*world.thermal.as_mapping().values(), world.room_c]
        self._file.write(",".join(f"{value:.9g}" for value in values) + "\n")

    def close(self) -> None:
        """Write what is left."""
        self._file.close()

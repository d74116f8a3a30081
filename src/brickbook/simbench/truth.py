"""The truth of a software bench, for those who check the analysis: never among the files the analysis reads."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from brickbook.simbench.charger import SimCharger
from brickbook.simbench.device import Device
from brickbook.simbench.world import Surroundings

__all__ = ["truth_of", "write_truth"]


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

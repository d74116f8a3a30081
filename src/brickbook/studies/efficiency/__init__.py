"""The study that asks: how much of what it takes from the wall does it give to the device."""

from brickbook.core.study import Headline, Study
from brickbook.studies.efficiency.campaign import tasks
from brickbook.studies.efficiency.figures import figures
from brickbook.studies.efficiency.page import page
from brickbook.studies.efficiency.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="efficiency",
    title="Efficiency",
    question="How much of what it takes from the wall does it give to the device?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "efficiency_ratio": "Efficiency",
        "average_active_efficiency_ratio": "Average active efficiency",
        "low_load_efficiency_ratio": "Efficiency at 10 % load",
        "input_power_w": "Input power",
        "output_power_w": "Output power",
        "delivered_power_w": "Power at the receptacles",
        "loss_w": "Loss",
        "power_factor_ratio": "Power factor",
        "input_current_thd_ratio": "Input current distortion",
        "input_harmonic_a": "Input current harmonic",
        "fixed_loss_w": "Fixed loss",
        "proportional_loss_ratio": "Loss in proportion to power",
        "resistive_loss_per_w": "Loss growing with the square of power",
        "peak_efficiency_ratio": "Best measured efficiency",
        "best_efficiency_ratio": "Best efficiency of all measured",
        "peak_efficiency_load_ratio": "Load of best efficiency, fitted",
        "pfc_threshold_w": "Input power at which the power-factor stage switches off",
    },
    headlines=(
        Headline(
            "Average efficiency, 115 V, US procedure",
            "average_active_efficiency_ratio",
            {"voltage_end": "highest", "procedure": "us-appendix-z", "mains_v": 115.0},
            largest="nameplate_w",
            index=False,
        ),
        Headline(
            "Average efficiency, 230 V, EU 2025 procedure",
            "average_active_efficiency_ratio",
            {"voltage_end": "highest", "procedure": "eu-2025-2052", "mains_v": 230.0},
            largest="nameplate_w",
        ),
        Headline(
            "Power delivered at full load",
            "delivered_power_w",
            {"voltage_end": "highest", "load_ratio": 1.0},
            largest="value",
        ),
    ),
)

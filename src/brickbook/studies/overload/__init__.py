"""The study that asks: what does a port do when more is asked of it than it promises."""

from brickbook.core.study import Headline, Study
from brickbook.studies.overload.campaign import tasks
from brickbook.studies.overload.figures import figures
from brickbook.studies.overload.page import page
from brickbook.studies.overload.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="overload",
    title="Overload",
    question="At what current does each port limit or switch off, and does it come back?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "limit_current_a": "Current at which it reacts",
        "limit_current_ratio": "That over the promised current",
        "highest_current_a": "Highest current held without a reaction",
        "limit_power_w": "Power at which it reacts",
        "limit_total_power_w": "Total power at which a port reacts",
        "limit_total_power_ratio": "That over the promised power",
        "reaction_time_s": "Time beyond the promised current",
        "reaction_energy_j": "Energy until it reacts",
        "hiccup_period_s": "Period of the attempts",
        "limited_voltage_v": "Lowest voltage while limiting",
        "recovery_time_s": "Recovery after the load is off",
        "recovery_voltage_v": "Voltage after recovery",
        "shorted_current_a": "Current into a short, as recorded",
        "shorted_peak_current_a": "Highest reading into a short, as recorded",
    },
    headlines=(Headline("Reacts at, of promised current", "limit_current_ratio", smallest="value", index=False),),
)

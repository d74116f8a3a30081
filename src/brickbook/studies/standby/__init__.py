"""The study that asks: what does it take from the wall when no device takes anything from it."""

from brickbook.core.study import Headline, Study
from brickbook.studies.standby.campaign import tasks
from brickbook.studies.standby.figures import figures
from brickbook.studies.standby.page import page
from brickbook.studies.standby.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="standby",
    title="Standby",
    question="What does it take from the wall when no device takes anything from it?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "no_load_power_w": "No-load power",
        "standby_power_w": "Standby power",
        "annual_energy_kwh": "Energy a year",
        "annual_cost": "Cost a year",
    },
    headlines=(
        Headline("No-load power, 115 V", "no_load_power_w", {"mains_v": 115.0}, index=False),
        Headline("No-load power, 230 V", "no_load_power_w", {"mains_v": 230.0}),
    ),
)

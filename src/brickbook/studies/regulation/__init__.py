"""The study that asks: does each port hold the voltage it agreed to, whatever the load."""

from brickbook.core.study import Headline, Study
from brickbook.studies.regulation.campaign import tasks
from brickbook.studies.regulation.figures import figures
from brickbook.studies.regulation.page import page
from brickbook.studies.regulation.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="regulation",
    title="Output voltage",
    question="Does each port hold the voltage it agreed to, up to the current it promises?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "output_voltage_v": "Output voltage",
        "worst_voltage_v": "Voltage where it departs most",
        "set_point_error_ratio": "Set-point error",
        "voltage_deviation_ratio": "Largest deviation",
        "load_regulation_ratio": "Load regulation",
        "output_resistance_ohm": "Output resistance",
        "regulated_current_a": "Current at which it leaves -5 %",
    },
    headlines=(Headline("Largest voltage deviation", "voltage_deviation_ratio", largest="|value|"),),
)

"""The study that asks: how much current gets across the barrier between mains and output."""

from brickbook.core.study import Headline, Study
from brickbook.studies.isolation.campaign import tasks
from brickbook.studies.isolation.figures import figures
from brickbook.studies.isolation.page import page
from brickbook.studies.isolation.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="isolation",
    title="Isolation",
    question="How much current gets across the barrier between mains and output?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "equivalent_capacitance_f": "Equivalent capacitance",
        "insulation_resistance_ohm": "Insulation resistance",
        "insulation_resistance_at_least_ohm": "Insulation resistance, at least",
        "touch_current_a": "Touch current expected",
        "touch_current_peak_a": "Touch current expected, peak",
        "unweighted_touch_current_a": "Touch current expected, not weighted",
        "measured_touch_current_a": "Touch current on mains",
        "measured_touch_current_peak_a": "Touch current on mains, peak",
        "polarity_change_a": "Change with the way of the plug",
    },
    headlines=(
        Headline(
            "Touch current at 264 V 60 Hz", "touch_current_a", {"mains_v": 264.0, "mains_hz": 60.0}, largest="value"
        ),
    ),
)

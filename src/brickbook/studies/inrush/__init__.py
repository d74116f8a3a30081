"""The study that asks: what happens when mains comes, and how long does the output last when it goes."""

from brickbook.core.study import Headline, Study
from brickbook.studies.inrush.campaign import tasks
from brickbook.studies.inrush.figures import figures
from brickbook.studies.inrush.page import page
from brickbook.studies.inrush.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="inrush",
    title="Switching on and off",
    question="How much current rushes in when mains comes, how soon is there output, and how long does it last?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "inrush_peak_a": "Inrush, peak",
        "inrush_i2t_a2s": "Inrush, I²t",
        "inrush_width_s": "Inrush, time above half of the peak",
        "switch_on_phase_deg": "Phase at which mains came",
        "power_up_time_s": "Mains applied to valid output",
        "hold_up_time_s": "Hold-up after mains has gone",
    },
    headlines=(
        Headline("Largest inrush", "inrush_peak_a", largest="value", index=False),
        Headline("Shortest hold-up", "hold_up_time_s", smallest="value", index=False),
    ),
)

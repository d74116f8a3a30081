"""The study that asks: what does the voltage of a port do when the load changes at once."""

from brickbook.core.study import Headline, Study
from brickbook.studies.loadstep.campaign import tasks
from brickbook.studies.loadstep.figures import figures
from brickbook.studies.loadstep.page import page
from brickbook.studies.loadstep.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="loadstep",
    title="Load steps",
    question="How far does the voltage of a port go when the load changes at once, and how soon is it back?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "undershoot_v": "Undershoot",
        "overshoot_v": "Overshoot",
        "peak_deviation_v": "Peak deviation from the level before",
        "level_change_v": "Change of the settled level",
        "recovery_time_s": "Recovery time, last exit from the band",
        "ringing_hz": "Ringing frequency",
        "damping_ratio": "Damping of the ringing",
        "voltage_slew_v_per_us": "Slew of the voltage",
        "load_slew_a_per_us": "Slew of the load",
        "lowest_voltage_v": "Lowest sample",
        "highest_voltage_v": "Highest sample",
        "below_source_band_v": "Lowest sample, below 95 % of the contract",
        "above_source_band_v": "Highest sample, above 105 % of the contract",
    },
    headlines=(
        Headline("Largest deviation in a load step", "peak_deviation_v", largest="value", index=False),
        Headline("Longest recovery, 1 % band", "recovery_time_s", when={"band": "1 %"}, largest="value", index=False),
    ),
)

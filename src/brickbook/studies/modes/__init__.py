"""The study that asks: which voltages and currents does each port offer, alone and with others in use."""

from brickbook.core.study import Headline, Study
from brickbook.studies.modes.campaign import tasks
from brickbook.studies.modes.figures import figures
from brickbook.studies.modes.page import page
from brickbook.studies.modes.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="modes",
    title="Modes on offer",
    question="Which voltages and currents does each port offer, alone and with other ports in use?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "offered_power_w": "Highest power offered",
        "offered_current_a": "Current offered",
        "offered_to_claimed_ratio": "Offered over claimed current",
        "drawn_current_a": "Largest current drawn",
        "drawn_power_w": "Largest power drawn",
        "specification_faults": "Faults of the capabilities",
    },
    headlines=(Headline("Most power at one port", "offered_power_w", largest="value", index=False),),
)

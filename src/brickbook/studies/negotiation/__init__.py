"""The study that asks: what do the ports agree on, how soon, and does a neighbour's plug interrupt a device."""

from brickbook.core.study import Headline, Study
from brickbook.studies.negotiation.campaign import tasks
from brickbook.studies.negotiation.figures import figures
from brickbook.studies.negotiation.page import page
from brickbook.studies.negotiation.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="negotiation",
    title="Negotiation",
    question="What do the ports agree on, how soon, and does a neighbour's plug interrupt a device?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "first_contract_s": "Time to the first contract",
        "neighbour_to_reaction_s": "Neighbour's plug to reaction",
        "neighbour_to_contract_s": "Neighbour's plug to new contract",
        "time_without_power_s": "Time without power",
        "time_at_zero_s": "Time at 0 V",
        "lowest_voltage_v": "Lowest voltage after a neighbour's plug",
        "contract_power_w": "Power of the contract",
        "renegotiation_count": "Renegotiations",
        "hard_reset_count": "Hard resets",
        "reboot_count": "Interruptions a device without a battery would not survive",
        "timer_s": "Time on the wire",
    },
    headlines=(
        Headline("Longest time without power", "time_without_power_s", largest="value"),
        Headline("Reboots by a neighbour", "reboot_count", largest="value"),
    ),
)

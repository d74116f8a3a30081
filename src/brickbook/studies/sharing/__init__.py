"""The study that asks: which ports share power with which, and how is it divided."""

from brickbook.core.study import Headline, Study
from brickbook.studies.sharing.figures import figures
from brickbook.studies.sharing.page import page
from brickbook.studies.sharing.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="sharing",
    title="Sharing between ports",
    question="Which ports share power with which, and who goes first when it runs short?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    figure_names={
        "total_offered_power_w": "Sum offered to the ports in use",
        "group_budget_w": "Most a group is offered at once",
        "groups_certainty_ratio": "Certainty of the groups",
        "rule_certainty_ratio": "Certainty of the whole rule",
        "offered_to_stated_ratio": "Offered over the sharing table's power",
        "combinations_seen": "Combinations looked at",
    },
    headlines=(Headline("Most power at once", "total_offered_power_w", largest="value"),),
)

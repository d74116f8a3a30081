"""The study that asks: what is it, how large and heavy is it, and what does its maker claim."""

from brickbook.core.study import Headline, Study
from brickbook.studies.identity.campaign import tasks
from brickbook.studies.identity.figures import figures
from brickbook.studies.identity.page import page
from brickbook.studies.identity.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="identity",
    title="Size and mass",
    question="How large and heavy is it?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "side_mm": "Side",
        "body_volume_cm3": "Volume without prongs",
        "volume_with_prongs_cm3": "Volume with prongs",
        "mass_g": "Mass",
    },
    headlines=(Headline("Mass", "mass_g", index=False), Headline("Volume", "body_volume_cm3", index=False)),
)

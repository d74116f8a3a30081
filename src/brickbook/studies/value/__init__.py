"""The study that asks: what does one get for size, mass and money."""

from brickbook.core.study import Headline, Study
from brickbook.studies.value.figures import figures
from brickbook.studies.value.page import page
from brickbook.studies.value.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="value",
    title="Value",
    question="How much power for its size, mass and price?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    needs_readings=False,
    figure_names={
        "power_density_w_per_cm3": "Power density",
        "specific_power_w_per_g": "Specific power",
        "price_per_watt": "Price per watt",
        "price_per_port": "Price per port",
    },
    headlines=(
        Headline("Power density", "power_density_w_per_cm3", {"volume": "without prongs"}),
        Headline("Price per watt", "price_per_watt"),
    ),
)

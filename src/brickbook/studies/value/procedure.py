"""Where the numbers of this study come from."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="Nameplate power set against measured size and mass, and against the price.",
    steps=(
        Step("Write price, currency, date and kind of price (paid, list, street) into charger.toml."),
        Step("Nothing is measured here: size and mass come from their own study."),
    ),
    sources=("common practice, no source",),
)

"""How size and mass are taken."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="Size by calliper, mass by scale, marks and claims as printed.",
    steps=(
        Step("Photograph label, box and manual; write down every claim word for word and where it is printed."),
        Step("Write down which marks were looked for, and whether each was seen."),
        Step("Measure length, width and height of the body five times, without prongs or cable."),
        Step("Measure again with prongs: folding ones folded, fixed ones included."),
        Step("Weigh the charger five times without detachable cables."),
    ),
    cautions=("Unplug the charger and wait a minute before touching its prongs: its input filter may hold a charge.",),
    sources=("common practice, no source",),
)

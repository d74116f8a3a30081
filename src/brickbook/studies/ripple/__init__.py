"""The study that asks: how clean is the voltage each port gives."""

from brickbook.core.study import Headline, Study
from brickbook.studies.ripple.campaign import tasks
from brickbook.studies.ripple.figures import figures
from brickbook.studies.ripple.page import page
from brickbook.studies.ripple.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="ripple",
    title="Ripple and noise",
    question="How clean is the voltage of each port, from the mains cycle to the switching edge?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "ripple_pp_v": "Ripple and noise, peak to peak, as captured",
        "ripple_20mhz_pp_v": "Ripple and noise, peak to peak, 20 MHz",
        "ripple_ratio": "Ripple over contract voltage",
        "ripple_recurring_pp_v": "Ripple that recurs, peak to peak",
        "glitch_excess_v": "Single peaks beyond the ripple",
        "ripple_rms_v": "Ripple and noise, rms",
        "ripple_span_v": "Ripple, 0.1 to 99.9 percentile",
        "mains_ripple_pp_v": "Ripple at twice the mains frequency, peak to peak",
        "switching_frequency_hz": "Switching frequency",
        "switching_spread_ratio": "How far the switching frequency moves",
        "switching_ripple_rms_v": "Switching ripple, rms",
        "burst_frequency_hz": "Bursts a second",
        "burst_active_ratio": "Share of time in bursts",
        "noise_floor_rms_v": "Noise under the lines, rms",
    },
    headlines=(Headline("Largest ripple", "ripple_ratio", largest="value"),),
)

"""The study that asks: what does it become like in an hour of full load."""

from brickbook.core.study import Headline, Study
from brickbook.studies.soak.campaign import tasks
from brickbook.studies.soak.figures import figures
from brickbook.studies.soak.page import page
from brickbook.studies.soak.procedure import PROCEDURE

__all__ = ["STUDY"]

STUDY = Study(
    id="soak",
    title="An hour at full load",
    question="How warm does it become in an hour at full load, and does every port keep its power?",
    procedure=PROCEDURE,
    figures=figures,
    page=page,
    package=__name__,
    tasks=tasks,
    figure_names={
        "temperature_c": "Temperature at the end",
        "peak_temperature_c": "Highest temperature",
        "temperature_rise_k": "Rise over the room",
        "ambient_temperature_c": "Room at the end",
        "normalised_temperature_c": "Temperature at a 25 °C room",
        "steady_temperature_c": "Steady temperature, predicted",
        "normalised_steady_temperature_c": "Steady temperature at a 25 °C room, predicted",
        "hour_temperature_c": "Temperature after one hour, predicted",
        "claimed_ambient_temperature_c": "Temperature at the claimed highest ambient",
        "further_soak_s": "Further soak until known",
        "time_constant_s": "Time constant",
        "fitted_steady_temperature_c": "Asymptote of a least-squares fit",
        "time_above_s": "Time above a temperature",
        "first_power_w": "Power at the start",
        "sustained_power_w": "Sustained power",
        "sustained_power_ratio": "Sustained over first power",
        "sustained_total_power_w": "Sustained power, all ports",
        "power_after_w": "Power after a step",
        "full_power_time_s": "Time at full power",
        "foldback_time_s": "Foldback",
        "drift_time_s": "Slow fall of power",
        "trip_time_s": "Trip",
        "hiccup_time_s": "Hiccup",
        "recovery_time_s": "Recovery",
        "partial_recovery_time_s": "Partial recovery",
        "renegotiation_time_s": "Lower contract",
    },
    headlines=(
        Headline("Sustained power", "sustained_total_power_w"),
        Headline("Warmest surface at a 25 °C room", "normalised_temperature_c", largest="value"),
    ),
)

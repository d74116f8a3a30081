"""How a soak is run, and what must be minded before each step."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary=(
        "All ports at full load for an hour or more in still air near 25 °C; power and temperatures logged throughout."
    ),
    steps=(
        Step(
            "Look the charger over from outside: note marks, cracks, smell, loose prongs.",
            caution="Do not test a wet, cracked or visibly damaged unit, nor open it: parts inside stay charged.",
        ),
        Step(
            "Fix the sensors: a thermocouple at the warmest place of the case and one on the metal a hand would touch, "
            "thin tape or cement, 5 cm of lead along the surface; one more for the room, 0.3 to 0.5 m away, shielded, "
            "at the unit's height. For a camera or a spot meter note emissivity, reflected temperature and distance; "
            "matt tape on metal and gloss.",
            caution="Sensors and leads go on with the plug out. No bare sensor on or near the prongs.",
        ),
        Step(
            "Place the charger as it is used, on a surface that cannot burn, nothing within 20 cm, no draught.",
            caution="Hot parts and fire: a non-flammable surface, eye protection, an extinguisher at hand, and a "
            "person in the room for the whole soak.",
        ),
        Step(
            "Log the room and the surfaces for two minutes before load, so that the start is known.",
            settle="surface within 3 K of the room (common practice, no source)",
        ),
        Step(
            "Put full load on every port at once, log volts and amperes of each port and the mains power every two "
            "seconds or faster, for 60 minutes.",
            caution="Mains voltage kills: residual-current protection, covers closed, do not touch the unit, leads or "
            "fixture while it runs, keep others away. Switch off at the mains, not at the plug, at smoke, smell or "
            "noise.",
            settle="at most 3 K in 30 min (IEC 62368-1 B.1.6, second-hand); better below 1 K in the last 15 min with "
            "less than 1 K to come by the prediction (common practice)",
        ),
        Step("Go on for as long as the figure 'further soak' says where the steady temperature matters."),
        Step(
            "Take the load off, then the mains; log the cooling for ten minutes where there is time.",
            caution="Surfaces burn for minutes after the end, metal first. Wait until they are below 43 °C before "
            "handling.",
        ),
    ),
    cautions=(
        (
            "Only a person qualified for work on mains may set this up; local electrical codes, licensed practice and "
            "the employer's rules come first. Certification decides what may be sold and used; a bench soak is an "
            "indication."
        ),
        "De-energise and verify before moving a lead.",
        "Stop at the book's own limit of temperature; it may be lowered, not switched off.",
    ),
    sources=(
        "IEC 62368-1 clause 9 and Table 38, B.1.6 (second-hand)",
        "one hour at full load, foldback thresholds: common practice, no source",
    ),
)

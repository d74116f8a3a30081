"""How load steps are captured."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary=(
        "The voltage of a port, and the load current beside it, while an electronic load steps between two currents: "
        "some steps up and down in one capture, each long enough to settle."
    ),
    steps=(
        Step(
            "Sense the voltage with a probe of its own at the receptacle, not at the load: the lead's inductance "
            "and resistance show as a dip. Take the current with a probe or a shunt on the second channel."
        ),
        Step(
            "Set full scale and offset so that the deviation fills a third of the screen: a deviation of less than "
            "eight steps of the converter is flagged. DC coupling with an offset; with AC coupling the level after a "
            "step returns by itself.",
            caution=(
                "A scope's ground is mains earth. Clip it to the output return only: on the primary side it short-"
                "circuits the mains through the scope and can kill."
            ),
        ),
        Step(
            "Sample so that twenty samples or more fall into the recovery, begin a tenth of the window before the "
            "step, and let it go on for at least five times the recovery. Note bits, full scale, centre and the "
            "scope's own noise."
        ),
        Step(
            "Negotiate the contract, then step the load: 10 to 90 % and 25 to 75 % of the nameplate current, at 0.1 to "
            "1 A/µs. Write step_low_a and step_high_a into the file's conditions where the current is not captured.",
            settle="each level held until the voltage stands still (common practice, no source)",
            caution="Stay within the current of contract, cable and connectors; do not pull a plug under load.",
        ),
        Step("From no load as well: the charger may be in burst mode there, and answers late."),
        Step("Every port and contract at one mains voltage; the highest contract at the others as well."),
    ),
    cautions=(
        "The charger runs on mains: use a supply with residual-current protection, and do not touch it under test.",
        "Do not defeat the scope's protective earth to break a ground loop; use a differential probe.",
    ),
    sources=(
        "USB Power Delivery: steady source band ±5 % (vSrcNew), 0.5 V further in transients (vSrcValid)",
        "USB Power Delivery: return within 5 ms, steps of at most 150 mA/µs (from memory, medium)",
        "common practice, no source: sizes of steps, bands of 1, 2 and 5 %, last exit",
    ),
)

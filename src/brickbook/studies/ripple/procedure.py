"""How ripple is captured."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary=(
        "The AC part of each port's voltage, within 20 MHz, at no load, half load and nameplate current: a long slow "
        "capture for the mains and a short fast one for the switching."
    ),
    steps=(
        Step(
            "Put 0.1 µF ceramic in parallel with 10 µF electrolytic or tantalum across the measuring point at the "
            "receptacle.",
            caution="Discharge and fit the capacitors with the charger unplugged; mind the electrolytic's polarity.",
        ),
        Step(
            "Connect a 50 Ω coaxial line with a series capacitor, or a 10:1 probe without its ground lead: tip on the "
            "output, ground ring on the return. A 1:1 probe passes only some 8 to 10 MHz.",
            caution=(
                "A scope's ground is mains earth. Clip it to the output return only: on the primary side it short-"
                "circuits the mains through the scope and can kill."
            ),
        ),
        Step(
            "Set the bandwidth limit to 20 MHz or full, the smallest range that holds the whole, and DC coupling with "
            "an offset, or AC coupling with a corner of 10 Hz or less. Note probe, coupling, limit, full scale, bits."
        ),
        Step(
            "Short the tip to its ring at the output return and capture the scope's own noise with the same settings."
        ),
        Step(
            "Load the port; compare an electronic load once with a resistor, as it has noise of its own.",
            settle="output voltage steady within the bench rule (common practice, no source)",
        ),
        Step("Capture 200 ms or more: ten cycles of the mains. 1 million samples a second serve for this."),
        Step("Capture at 100 million samples a second or more for the switching and its edges: some milliseconds."),
        Step("Go through no load, a tenth, half and all of the nameplate current, every contract, port and mains."),
    ),
    cautions=(
        "The charger runs on mains: use a supply with residual-current protection, and do not touch it under test.",
        "Do not defeat the scope's protective earth to break a ground loop; use a differential probe.",
    ),
    sources=(
        "public PC power supply design guide: ripple and noise, 10 Hz to 20 MHz, 0.1 µF and 10 µF at the load",
        "IEC 61000-4-7, window of ten cycles (from memory, high)",
        "common practice, no source: probing, loads",
    ),
)

"""How switching on and off is captured, and what must be minded: these probes are on mains."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary=(
        "Mains voltage, mains current and the output voltage in one capture, while mains is switched on, and while it "
        "is switched off under load; from cold and from warm, at several phases of the mains."
    ),
    steps=(
        Step(
            "Fit a mains current probe of ten amperes and more bandwidth than 100 kHz about one conductor, and a "
            "differential probe across line and neutral. Set the current's full scale to 100 A first, then smaller.",
            caution=(
                "Mains voltage kills. Only a person qualified for work on mains may do this, by local electrical codes "
                "and the employer's rules. Probes rated for the mains category; a differential probe, never a scope's "
                "ground clip; never a scope with its protective earth defeated. De-energise and verify before a lead "
                "is moved."
            ),
        ),
        Step(
            "Take a supply that gives the inrush: a wall outlet, or a source whose peak current is several times the "
            "inrush. A source that limits its current hides it. Write which into the file's conditions (supply).",
        ),
        Step(
            "Cold: off and unplugged for half an hour or more, the bulk capacitor empty (start = 'cold'). Warm: five "
            "minutes at full load, off for two seconds, on again (start = 'warm'); a thermistor is hot then.",
            settle="half an hour, five minutes, two seconds (common practice, no source)",
            caution="The pins of a plug just pulled may be live from the input capacitor: do not touch them.",
        ),
        Step(
            "Put a sink on the port (Rd), as a USB-C port gives no voltage without one. Trigger on the mains "
            "voltage; begin 20 ms before, sample at 100 000 a second or faster, and go on until the output is there.",
        ),
        Step(
            "Switch on at least ten times at random phases, or at 90 degrees with a source that can: the inrush "
            "depends on it. A relay or a solid-state switch, not a plug pushed in by hand.",
            caution="Push-in plugs arc. Keep a residual-current device and a fuse in the circuit; eyes protected.",
        ),
        Step(
            "Hold-up: load the port to its nameplate at its contract, switch mains off at random phases ten times, "
            "and capture until the output is below its limit. Write load_a, contract and output_v.",
        ),
    ),
    cautions=(
        (
            "Mains voltage kills: residual-current protection, covers closed, one hand, nobody alone. Do not touch the "
            "unit, probes or fixture under test."
        ),
        "Switching again and again heats thermistors and relays: pause between shots.",
    ),
    sources=(
        "USB Power Delivery, vSafe5V 4.75 to 5.5 V, as in a public controller driver",
        "public PC power supply design guide: mains gone to loss of the power-good signal, mains to standby output",
        "common practice, no source: cold, warm, phases, number of shots",
    ),
)

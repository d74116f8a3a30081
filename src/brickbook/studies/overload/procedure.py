"""How overload ramps are taken, and what must be minded before each step."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="Each port's highest voltage with the load raised beyond its promised current until it reacts; then all "
    "ports together beyond the promised total power.",
    steps=(
        Step(
            "Look the charger over; fix one thermocouple to the case.",
            caution="Do not overload a wet, cracked or visibly damaged unit, nor one that smelt or folded back in its "
            "soak. An overload may destroy the unit: its owner accepts that before the test.",
        ),
        Step(
            "Plug the fixture in, negotiate the contract, load to 90 % of the promised current for half a minute.",
            caution="Fire: a non-flammable surface, eye protection, an extinguisher at hand, nobody leaves the room.",
        ),
        Step(
            "Set the load to constant resistance and lower the resistance in steps of 2 % of the promised current, 3 s "
            "each, logging volts and amperes four times a second or faster. A constant-current load pulls a port that "
            "limits its current to zero volts, which looks like a trip.",
            caution="Use leads and connectors rated for twice the current; a USB-C cable without an e-marker is rated "
            "3 A and becomes a heater beyond it. Stop at 150 % of the promised current, or at the book's own limit of "
            "amperes, whichever is lower.",
            settle="until it reacts, or 150 % of the promised current (common practice, no source)",
        ),
        Step(
            "Stay at the load for ten seconds after the reaction, then take it off and log for half a minute. Note the "
            "time at which it was taken off (load_removed_s), or log what the load asks for (load_set_a).",
            caution="Do not touch connectors under load: opening a contact draws an arc above 20 V.",
        ),
        Step(
            "Where it does not come back, unplug it from the mains for a minute, plug it in again and note whether it "
            "does.",
        ),
        Step("Repeat on every port, the unit cooled to within 5 K of the room between ramps."),
        Step(
            "Load all ports to their promised share and raise one until the total power is beyond the promised total.",
        ),
        Step(
            "A shorted output only where the bench is made for it: a shorting load behind a fuse, readings by the "
            "tester's own meter. Write what was read into a hand sheet (current_a, 'C1 short'), or name the log "
            "situation = 'C1 short'. It is never inferred from other readings.",
            caution="A short may eject parts or set fire to the unit. Shield, distance, fuse, mains switch within "
            "reach. Only a person qualified for it.",
        ),
    ),
    cautions=(
        (
            "Only a person qualified for work on mains may set this up; local electrical codes, licensed practice and "
            "the employer's rules come first. Certification decides about faults; a bench overload is an indication."
        ),
        (
            "Mains voltage kills: residual-current protection, covers closed, do not touch the unit, leads or fixture "
            "under test. De-energise and verify before moving a lead."
        ),
        "A charger that survived an overload may have been damaged by it: do not give it back into use unexamined.",
    ),
    sources=("steps, dwell and 150 %: common practice, no source",),
)

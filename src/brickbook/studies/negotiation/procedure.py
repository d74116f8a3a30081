"""How negotiations and a neighbour's effect on them are recorded."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="Messages of every port, VBUS of every port and the times of plugs and unplugs, all on one clock.",
    steps=(
        Step(
            "Put a message recorder into each USB-C port that is to be watched, all of them on one clock; "
            "note how far its time stamps can be off, and whether they mark the start or the end of a frame."
        ),
        Step(
            "Connect a voltage logger to VBUS of the same ports at the source's end, at least one reading a "
            "millisecond, on the recorder's clock, or write down the offset.",
            caution="VBUS reaches 48 V with extended power range: insulate probe tips, never bridge contacts.",
        ),
        Step(
            "Give each watched port a device, or a sink that asks for its highest contract, and draw half its current."
        ),
        Step(
            "Start all recordings, then plug in one port at a time; write down second and port of each plug and "
            "unplug, or let the bench write them.",
            settle="the attribution time, 5 s, with nothing touched before the next plug (common practice, no source)",
        ),
        Step(
            "Plug and unplug every other port in turn, those of other budget groups and those without USB PD too.",
            caution="Above 20 V a poor contact arcs when it is pulled under load: remove the load first.",
        ),
        Step("Repeat each plug at least three times: what a charger does may depend on what it did before."),
    ),
    cautions=(
        "The charger runs on mains: use a supply with residual-current protection, and do not touch it under test.",
        "Do not use a device whose data or storage matters: this test cuts its power.",
        "A device that runs on here may still fail at home: another may need more voltage, or bridge less time.",
    ),
    sources=(
        "USB Power Delivery R3.2, timers as quoted in public headers and stacks",
        "attribution by distance in time: common practice, no source",
        "4.0 V as the least a sink works down to under a 5 V contract: from memory, medium",
    ),
)

"""How V(I) is taken."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="Each mode of each port from no load to its nameplate current, voltage sensed at the receptacle.",
    steps=(
        Step("Plug the fixture into the port, sense with four wires at its receptacle end; note its resistance."),
        Step("Negotiate the contract and check the voltage with no load."),
        Step(
            "Raise the load in steps of an eighth of the nameplate current, up to the nameplate current.",
            settle="voltage steady within the bench rule (common practice, no source)",
        ),
        Step(
            "Go through every contract of the port, then the next port.",
            caution="Above 20 V a poor contact arcs when it is pulled under load: remove the load first.",
        ),
    ),
    cautions=(
        "The charger runs on mains: use a supply with residual-current protection, and do not touch it under test.",
    ),
    sources=("USB Power Delivery, steady source band ±5 % (from memory, medium)", "common practice, no source"),
)

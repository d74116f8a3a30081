"""How the modes of each port are got."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="What each port offers, by its Source Capabilities or by hand, alone and with other ports in use.",
    steps=(
        Step(
            "Connect a USB PD tester to one port with a cable marked for 5 A, and for extended power where the port is "
            "said to have it. Write down the words of its Source Capabilities.",
            settle="The capabilities have not changed for ten seconds (common practice, no source).",
        ),
        Step("Where extended power is said to be there, enter it and write down EPR Source Capabilities too."),
        Step(
            "For each mode, raise the load until the port leaves it or the offered current is reached; write down "
            "voltage and current at the largest load it held.",
            caution="Cables, plugs and the charger grow hot at full current. Do not leave the bench.",
        ),
        Step(
            "Look for older modes with a sink that can emulate them: Type-C current levels, BC 1.2, and what the maker "
            "prints. Write down voltage, current and how the mode was recognised."
        ),
        Step(
            "Plug a second device into another port and write down what both ports offer now, and whether the power of "
            "the first stopped. Go on with the combinations that the sharing study asks for.",
            settle="No port has sent new capabilities for ten seconds (common practice, no source).",
        ),
    ),
    cautions=("The bench runs on mains. Local codes and licensed practice decide who may work on it and how.",),
    sources=(
        "USB PD R3.x, Source_Capabilities and EPR_Source_Capabilities",
        "USB Type-C, current advertisement by Rp; BC 1.2 for dedicated charging ports",
    ),
)

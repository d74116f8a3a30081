"""How the readings on sharing are got."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="What every occupied port is offered, for a few combinations of occupied ports, chosen one after another.",
    steps=(
        Step(
            "Occupy all ports at once and write down what each is offered: one row to a port in an observation sheet.",
            settle="No port has sent new capabilities for ten seconds (common practice, no source).",
        ),
        Step(
            "Analyse, and look at the combination that the report names next. Repeat until it says that none is left."
        ),
        Step(
            "Plug the devices of one combination in two orders. If the offers differ, write down both: then what is "
            "offered depends on more than which ports are occupied, and no rule is inferred."
        ),
        Step("Write down for each port whether its power stopped when the last device was plugged in."),
    ),
    cautions=("The bench runs on mains. Local codes and licensed practice decide who may work on it and how.",),
    sources=(
        "USB Type-C, assured and shared capacity chargers (from memory, medium)",
        "family of rules: common practice, no source",
    ),
)

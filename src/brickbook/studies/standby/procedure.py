"""How standby readings are got."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="Input power with nothing plugged in, and with cables, adapters or an idle contract, at each mains.",
    steps=(
        Step(
            "Put the power meter's voltage terminals on the source side, the current input in the neutral line; fix "
            "the range for the current's peak, automatic ranging off.",
            caution="Mains voltage kills. Covers closed, residual-current protection, one hand, nobody alone.",
        ),
        Step("Disconnect every load and every signal line, and let the charger rest for 30 minutes."),
        Step(
            "Log power once a second or faster, for 25 minutes or longer.",
            settle="slope of the last two thirds below 10 mW/h up to 1 W, 1 %/h above: IEC 62301:2011 5.3.2 "
            "(from memory, high)",
        ),
        Step("Repeat with a cable alone, with an adapter, and with a contract held at 5 V and at 9 V without current."),
    ),
    cautions=("The bench runs on mains. Local codes and licensed practice decide who may work on it and how.",),
    sources=("IEC 62301:2011 4 and 5.3", "10 CFR 430 Subpart B Appendix Z 5(a)(1)(ii)"),
)

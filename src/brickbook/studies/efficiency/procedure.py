"""How efficiency readings are got."""

from brickbook.core.study import Procedure, Step

PROCEDURE = Procedure(
    summary="Input and output power at 100, 75, 50, 25 and 10 % of the nameplate current, falling, after warm-up.",
    steps=(
        Step(
            "Set the mains supply to the voltage and frequency of the market: 115 V 60 Hz or 230 V 50 Hz, each within "
            "1 %, distortion at most 2 % up to the 13th harmonic, room at 20 to 25 °C, no moving air.",
            caution="Mains voltage kills. Covers closed, residual-current protection, one hand, nobody alone.",
        ),
        Step(
            "Connect voltage terminals of the power meter on the load side for 25 % load and above, on the source "
            "side for the 10 % load; note which."
        ),
        Step(
            "Negotiate the highest voltage on every port under test and load all of them with constant current, in "
            "proportion to their nameplate, so that the sum is the nameplate total.",
        ),
        Step("Warm up at 100 % for 30 minutes.", settle="10 CFR 430 Subpart B Appendix Z 5(a)(1)(ii)"),
        Step(
            "Log at 100, 75, 50, 25 and 10 % in this order, at least six minutes each.",
            settle="input power within 5 % (one voltage) or 1 % (several) of its maximum over 5 minutes; Appendix Z 5",
        ),
        Step(
            "Repeat at the lowest voltage: USB-PD ports that give 3 A there at 2.0, 1.5, 1.0 and 0.5 A, then at a "
            "tenth of the nameplate current.",
            settle="Appendix Z 6(a)(1)(i)(B); Regulation (EU) 2025/2052 Annex II Table 5",
        ),
    ),
    cautions=(
        "Full load for an hour makes the charger hot: put it on a surface that does not burn, and stay with it.",
        "The bench runs on mains. Local codes and licensed practice decide who may work on it and how.",
    ),
    sources=(
        "10 CFR 430 Subpart B Appendix Z (87 FR 51221, 2022)",
        "Regulation (EU) 2025/2052 Annex II and IV",
        "Regulation (EU) 2019/1782 Annex II",
    ),
)

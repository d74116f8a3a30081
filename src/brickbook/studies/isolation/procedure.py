"""How isolation is tested, and the cautions that come before any of it."""

from brickbook.core.study import Procedure, Step

__all__ = ["CANNOT_SHOW", "CAN_SHOW", "CAUTIONS", "LEVEL_WORDS", "PROCEDURE"]

LEVEL_WORDS = "reduced level, non-destructive screening; does not verify type-test strength"
"""Stands next to every result of a reduced-level test, after the level."""

CAUTIONS = (
    (
        "Mains and high-voltage work only by a qualified, trained person who knows the construction and the hazards "
        "of the work. Local electrical codes, licensing and the employer's rules come first. What a unit is certified"
        " for is decided by those licensed to certify; nothing here replaces it."
    ),
    (
        "Switch off, and verify that it is off, before leads are connected or moved. Never touch unit, leads or "
        "fixture during a test; keep others out of a marked area."
    ),
    (
        "For touch current on a bench use an isolating transformer as IEC 60990 4.2 describes. It takes away "
        "residual-current protection behind it: only one unit on it, and nothing else earthed by accident (common "
        "practice). An oscilloscope's ground clip is earth: never clip it to a primary node; use a differential probe"
        " (common practice)."
    ),
    (
        "A high-voltage or insulation tester needs a current-limited source, interlock or two-hand control, an "
        "emergency off within reach, warning signs and a light (common practice in test areas)."
    ),
    "Discharge after every test and wait; touch nothing before a reading of less than 60 V.",
    (
        "A 500 V DC tester limited to about 1 mA still gives a shock; its makers name the accident that an "
        "involuntary movement causes. Do not touch the unit while it runs."
    ),
    (
        "Do not open the unit. Do not test a wet, cracked or visibly damaged one. For soak and overload tests: eye "
        "protection and a non-flammable surface (common practice)."
    ),
    (
        "A test voltage above the rating may destroy surge parts: state that the owner accepts the risk. With one "
        "mains pin driven alone the test voltage also lies across the input: keep it within the rating on the label."
    ),
    (
        "A result at a reduced level is always given with its level and these words: reduced level, non-destructive "
        "screening; does not verify type-test strength."
    ),
)
"""Shown before the steps and at the head of the section, whole."""

CAN_SHOW = (
    (
        "How much current the barrier lets through at the test's voltage and frequency, and from it the touch current"
        " to expect on mains."
    ),
    (
        "The equivalent capacitance of the barrier, mostly its interference-suppression capacitor, and whether it "
        "differs from unit to unit or from year to year."
    ),
    "A bridge of low resistance across the barrier: dirt, moisture, a metal part, a failed component.",
    "Which way round the plug gives the larger touch current.",
)

CANNOT_SHOW = (
    (
        "Dielectric strength: whether the barrier withstands the thousands of volts of a type test, or a surge. At "
        "500 V the field's energy is 1/36 of that at 3000 V."
    ),
    (
        "Clearance and creepage distances, the number of layers, the class of the capacitor, or the quality of any "
        "insulation. A narrow gap reads like a wide one until it breaks down."
    ),
    "What happens when a part fails, when it is hot, damp or old, or in another unit of the same model.",
    "At DC, anything that a capacitor does: the tester charges it and then sees nothing of it.",
)

PROCEDURE = Procedure(
    summary=(
        "Three readings of the barrier between mains and output: current at a reduced AC voltage, touch current "
        "through the body network for both ways of the plug, and insulation resistance at DC."
    ),
    steps=(
        Step(
            "Read every caution of this procedure and confirm it, with name and time, for this session.",
            caution="No voltage above 30 V rms or 60 V DC before that.",
        ),
        Step(
            (
                "Look at the unit from outside: no crack, no moisture, no rattle. Note whether its plug has an earth "
                "contact (class I) or not (class II)."
            ),
        ),
        Step(
            (
                "Tie both mains pins together. Tie all outputs together, shells and pins; wrap metal foil round a "
                "plastic case and tie it to them."
            ),
            caution="Everything off and verified off.",
        ),
        Step(
            (
                "With the fixture connected and the charger left out, raise the AC voltage to the test level and read"
                " the current, that of the open fixture."
            ),
            settle="2 s up, 5 s dwell, 2 s down (a published field-test recipe for low-voltage electronics)",
            caution="Do not touch leads or fixture. Emergency off within reach.",
        ),
        Step(
            (
                "Put the charger in. Raise the AC voltage to the same level, for example 500 V at 50 Hz; read applied"
                " voltage, frequency and current; bring it down. Stop at once when the current exceeds three times "
                "what the ramp foretold or 2 mA, or grows by more than 20 % at constant voltage."
            ),
            settle="2 s up, 5 s dwell, 2 s down; the thresholds are common practice, no source",
            caution="This may destroy surge parts; the owner accepts that. Touch nothing until the source reads 0 V.",
        ),
        Step(
            (
                "With the same connections read the insulation resistance at 500 V DC, or at 250 V where a rule "
                "allows it. A reading beyond the instrument's range is written down as the end of the range, “barrier"
                " at least”."
            ),
            settle="after 5 s (in-service practice) or 60 s (from memory, medium)",
            caution=(
                "The barrier's capacitor stays charged: discharge it through a resistor and read less than 60 V first."
            ),
        ),
        Step(
            (
                "Untie pins and outputs. Touch current in use: charger on mains through an isolating transformer with"
                " one side of its secondary earthed, no load, body network of IEC 60990 figure 4 from the shells of "
                "the ports to that earth. Read the weighted voltage U2, rms and peak, with a voltmeter of at least 1 "
                "MΩ and at most 200 pF."
            ),
            settle="2 s or more (IEC 62368-1 5.2.2.2, steady state)",
            caution=(
                "The charger runs: join shells only, never the pins of a port. All on the primary side is live. One "
                "unit only on the transformer."
            ),
        ),
        Step(
            "Switch off, turn the plug round, read again: polarity A, then polarity B.",
            caution="Switch off and verify before the plug is turned.",
        ),
    ),
    cautions=CAUTIONS,
    sources=(
        "IEC 62368-1 5.2.2.2 and Table 4, in a national text",
        (
            "IEC 60990 figure 4 and 4.1 to 4.3, in public reprints; IEC 60990:2016 is not for currents shorter than 1"
            " s, nor below 15 Hz"
        ),
        "common practice, no source, where marked",
    ),
)

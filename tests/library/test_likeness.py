"""What may be compared with what."""

from __future__ import annotations

from brickbook.core.conditions import Conditions
from brickbook.library.likeness import alike_conditions, alike_text, difference_in_words


def at(made, name="average_active_efficiency_ratio", **conditions):
    return alike_conditions(made.figure("efficiency", name, 0.9, 0.001, unit="", **conditions), 2)


def test_what_is_the_chargers_own_does_not_count(made):
    one = at(made, ports="C1", contract="C1 20 V", nameplate_w=65.0, mains_v=230.0, procedure="eu-2025-2052")
    other = at(made, ports="C2", contract="C2 28 V", nameplate_w=140.0, mains_v=230.0, procedure="eu-2025-2052")
    assert one == other
    assert alike_text(one) == "loaded=one port;mains_v=230;procedure=eu-2025-2052"
    assert difference_in_words(one, other) == ""


def test_loading_counts(made):
    """One port loaded is not all ports loaded."""
    one, both = at(made, ports="C1"), at(made, ports="C1+C2")
    assert (one["loaded"], both["loaded"]) == ("one port", "all ports")
    assert difference_in_words(one, both) == "loaded one port against loaded all ports"


def test_how_it_was_taken_counts(made):
    one = at(made, mains_v=230.0, procedure="us-appendix-z", load_ratio=0.5)
    for key, value in {
        "mains_v": 115.0,
        "procedure": "eu-2025-2052",
        "load_ratio": 0.75,
        "newly_invented": "x",
    }.items():
        other = at(made, **({"mains_v": 230.0, "procedure": "us-appendix-z", "load_ratio": 0.5} | {key: value}))
        assert one != other
        assert difference_in_words(one, other) != ""
    assert "no newly invented against newly invented x" in difference_in_words(one, one.with_(newly_invented="x"))


def test_loads_set_by_hand_are_never_quite_the_same(made):
    assert at(made, "output_voltage_v", load_a=2.999) == at(made, "output_voltage_v", load_a=3.004)
    assert at(made, "output_voltage_v", load_a=2.0) != at(made, "output_voltage_v", load_a=3.0)
    # the load of the largest deviation is a result and not a condition
    assert at(made, "voltage_deviation_ratio", load_a=2.0) == at(made, "voltage_deviation_ratio", load_a=3.0)
    assert at(made, "voltage_deviation_ratio", load_a=2.0) == Conditions()

"""What a tester thinks matters: how the house rules weigh in a conclusion, and for whom a charger may be worth buying.

In house-rules.toml beside the rules:

    [conclusion]
    recommend_from_ratio = 0.85
    advise_against_below_ratio = 0.5
    published_limits_weight = 3.0
    claim_weight = 1.0

    [[buyer]]
    who = "someone with one phone"
    rules = ["house-no-load"]
    device = [{ name = "phone", power_w = 20.0, most_voltage_v = 9.0 }]

All of it is opinion; without it a conclusion has no overall judgement and speaks to no one in particular.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Gt, Le, MinLen

from brickbook.core.errors import BookError, Fault
from brickbook.library.devices import Device, DeviceCable, refuse_twins
from brickbook.library.tables import parse_toml, read_table

__all__ = ["Buyer", "Opinion", "Weighing", "read_opinion"]

Ratio = Annotated[float, Gt(0), Le(1)]
Weight = Annotated[float, Ge(0)]


@dataclass(frozen=True, slots=True)
class Weighing:
    """How findings become one judgement.

    Parameters
    ----------
    recommend_from_ratio
        Share of the weight that must surely be kept for "worth buying".
    advise_against_below_ratio
        Below this, whatever the open findings would turn out to be: "not worth buying".
    published_limits_weight
        Of the published limits in force, all together.
    claim_weight
        Of each claim of the maker.
    """

    recommend_from_ratio: Ratio = 0.85
    advise_against_below_ratio: Ratio = 0.5
    published_limits_weight: Weight = 3.0
    claim_weight: Weight = 1.0

    def __post_init__(self) -> None:
        if self.advise_against_below_ratio > self.recommend_from_ratio:
            raise ValueError(
                f"advise_against_below_ratio {self.advise_against_below_ratio:g} is above recommend_from_ratio "
                f"{self.recommend_from_ratio:g}"
            )


@dataclass(frozen=True, slots=True)
class Buyer:
    """Someone who may buy a charger.

    Parameters
    ----------
    who
        As it goes on after "for": "someone with one phone".
    device
        What hangs on the charger at the same time; each must be well served.
    rules
        Ids of house rules that must be kept for this buyer.
    why
        Why these, in a sentence.
    """

    who: Annotated[str, MinLen(1)]
    device: Annotated[tuple[Device, ...], MinLen(1)]
    rules: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class Opinion:
    """A tester's opinion.

    Parameters
    ----------
    conclusion
        How findings weigh; `None` where the tester does not judge overall.
    buyer
        For whom.
    """

    conclusion: Weighing | None = None
    buyer: tuple[Buyer, ...] = ()


def read_opinion(text: str, file: str = "house-rules.toml") -> Opinion:
    """The opinion in the text of a house-rules.toml; its rules are read elsewhere.

    Raises
    ------
    BookError
        With every fault, each with its key; a rule that a buyer names and that is not there is one.
    """
    data = parse_toml(text, file)
    own = {key: value for key, value in data.items() if key in ("conclusion", "buyer")}
    opinion = read_table(Opinion, own, file, (Opinion, Weighing, Buyer, Device, DeviceCable))
    rules = data.get("rule", [])
    known = {str(rule["id"]) for rule in rules if isinstance(rule, dict) and "id" in rule}
    faults = [
        Fault(file, f"buyer[{k}].rules", f"there is no house rule {rule!r}.", f"There are: {', '.join(sorted(known))}.")
        for k, buyer in enumerate(opinion.buyer)
        for rule in buyer.rules
        if rule not in known
    ]
    if faults:
        raise BookError(*faults)
    for k, buyer in enumerate(opinion.buyer):
        refuse_twins(buyer.device, file, f"buyer[{k}].device")
    return opinion

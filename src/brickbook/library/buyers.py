"""Whether a charger has what a buyer needs: devices well served, as measured, and the buyer's rules kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy import special

from brickbook.core.figure import Decision, Figure, Finding
from brickbook.library.choosing import Placed, Use, best_use
from brickbook.library.offers import Offer
from brickbook.library.opinion import Buyer
from brickbook.rules import decide

__all__ = ["Fit", "fit"]

_WORST: tuple[Decision, ...] = ("does not meet", "undecided", "meets")


@dataclass(frozen=True, slots=True)
class Fit:
    """How a charger fits a buyer.

    Parameters
    ----------
    buyer
        Who.
    answer
        "yes" and "no" rest on measurements alone; all else is "open".
    gets, lacks, unknown
        Reasons, in words.
    kept
        Titles of the buyer's rules that are kept.
    figures
        Keys of the figures it rests on.
    findings
        The worst finding of each of the buyer's rules that decides the answer.
    """

    buyer: Buyer
    answer: Literal["yes", "no", "open"]
    gets: tuple[str, ...]
    lacks: tuple[str, ...]
    unknown: tuple[str, ...]
    kept: tuple[str, ...]
    figures: tuple[str, ...]
    findings: tuple[Finding, ...]


def fit(offer: Offer, buyer: Buyer, findings: Sequence[Finding]) -> Fit:
    """Whether a buyer's devices are well served by the best use of a charger, and the buyer's rules kept.

    A device is well served when that is at least 95 % probable from the uncertainty of its voltage, and not well served
    when at most 5 % (JCGM 106:2012 8.3). What rests on the maker's word is open.
    """
    use = best_use(offer, buyer.device)
    by_word = _by_word(offer, use)
    gets: list[str] = []
    lacks: list[str] = []
    unknown: list[str] = [by_word] if by_word else []
    for placed in use.placed:
        decision = _decided(placed)
        target = {"meets": gets, "does not meet": lacks, "undecided": unknown}[decision]
        if not by_word:
            target.append(_device_words(placed, decision))
    figures = list(_witnesses(offer, use))
    kept: list[str] = []
    deciding: list[Finding] = []
    for rule in buyer.rules:
        own = [f for f in findings if f.rule == rule and f.origin == "house" and f.decision != "not judged"]
        worst = next((f for d in _WORST for f in own if f.decision == d), None)
        if worst is None:
            unknown.append(f"nothing was measured that tells of the rule “{rule}”")
            continue
        figures.append(worst.figure)
        deciding.append(worst)
        if worst.decision == "meets":
            kept.append(worst.title)
        elif worst.decision == "undecided":
            unknown.append(f"“{worst.title}” is too close to decide")
    missed = [f for f in deciding if f.decision == "does not meet"]
    answer: Literal["yes", "no", "open"]
    if lacks or missed:
        answer, deciding = "no", missed
    elif unknown:
        answer, deciding = "open", [f for f in deciding if f.decision == "undecided"]
    else:
        answer = "yes"
    return Fit(
        buyer,
        answer,
        tuple(gets),
        tuple(lacks),
        tuple(unknown),
        tuple(kept),
        tuple(dict.fromkeys(figures)),
        tuple(deciding),
    )


def _by_word(offer: Offer, use: Use) -> str:
    """Why an answer would rest on the maker's word; "" where it does not."""
    looked = {
        port
        for occupied, share in offer.shares.items()
        if len(occupied) == 1 and share.basis == "measured"
        for port in occupied
    }
    ports = {port.id for port in offer.charger.ports}
    plugged = [placed for placed in use.placed if placed.port]
    if use.sharing in ("claimed table", "claimed budgets", "total only"):
        return "how its ports share was not measured"
    if not use.suffices and not ports <= looked:
        return f"what {' and '.join(sorted(ports - looked))} can give was not measured"
    if any(placed.port not in looked for placed in plugged):
        return "what its ports offer was not measured"
    # where what is offered is too little whatever the voltage under load, that much is known
    if use.suffices and any(p.served is not None and p.served.mode.basis != "measured" for p in plugged):
        return "the voltage under load was not measured for the mode it would use"
    return ""


def _decided(placed: Placed) -> Decision:
    if placed.served is None:
        return "does not meet"
    wish = placed.device.served_w
    room, u = placed.served.far_w - wish, placed.served.u_far_w
    if u == 0.0:
        return "meets" if room >= -1e-6 * wish else "does not meet"
    return decide(placed.served.far_w, float(special.ndtr(room / u)), wish, float("inf"))


def _device_words(placed: Placed, decision: Decision) -> str:
    name = placed.device.name
    if placed.served is None:
        return f"the {name} finds no port whose voltage suits it"
    far = f"{placed.served.far_w:.3g} W at {placed.port}"
    if decision == "meets":
        return f"the {name} gets {far} ({placed.served.far_v:.3g} V)"
    wish = f"{placed.device.power_w:g} W it takes"
    if decision == "undecided":
        return f"the {name} gets {far}, too close to nine tenths of the {wish} to decide"
    return f"the {name} gets {far} of the {wish}"


def _witnesses(offer: Offer, use: Use) -> Sequence[str]:
    """Keys of the figures behind a use: powers offered with these ports in use, and the voltage at the largest load."""
    plugged = {placed.port: placed for placed in use.placed if placed.port}
    keys: list[str] = []
    curves: dict[str, Figure] = {}
    for figure in offer.figures:
        at = figure.conditions
        port = str(at.get("port", ""))
        if (figure.study, figure.name) == ("modes", "offered_power_w"):
            occupied = set(str(at.get("occupied", port)).split("+"))
            if occupied == set(plugged) or occupied == {port}:
                keys.append(figure.key)
        elif (figure.study, figure.name) == ("regulation", "output_voltage_v") and port in plugged:
            served = plugged[port].served
            if served is None or "output_v" not in at or "load_a" not in at:
                continue
            if abs(at.number("output_v") / served.mode.high_v - 1.0) > 0.01:
                continue
            best = curves.get(port)
            if best is None or at.number("load_a") > best.conditions.number("load_a"):
                curves[port] = figure
    return [*keys, *(figure.key for figure in curves.values())]

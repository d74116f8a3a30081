"""Contracts and negotiations in plain words."""

from __future__ import annotations

from brickbook.studies.negotiation.figures import cause_of
from brickbook.usbpd import Contract, NegotiationKind, Outcome, PdoKind, Renegotiation

__all__ = ["by_whom", "contract_words", "effect_words", "strip_words", "what_words"]

_WHAT = {
    NegotiationKind.FIRST_CONTRACT: "first contract",
    NegotiationKind.SINK_REQUEST: "the device asked for something else",
    NegotiationKind.SOURCE_OFFER: "the charger made a new offer",
    NegotiationKind.SOFT_RESET: "the conversation was started anew, supply kept",
    NegotiationKind.HARD_RESET: "hard reset: supply cut and started anew",
    NegotiationKind.SUPPLY_RESTART: "supply cut and started anew without a message",
    NegotiationKind.EPR_ENTRY: "extended power range entered",
    NegotiationKind.EPR_EXIT: "extended power range left",
}


def contract_words(contract: Contract | None) -> str:
    """A contract as "20 V 3.25 A", "PPS 9.2 V 3 A", "28 V 5 A EPR"."""
    if contract is None:
        return "none"
    kinds = {PdoKind.PPS: "PPS ", PdoKind.EPR_AVS: "AVS ", PdoKind.SPR_AVS: "AVS "}
    parts = [f"{contract.voltage_v:g} V" if contract.voltage_v is not None else str(contract.pdo.kind)]
    if contract.current_a is not None:
        parts.append(f"{contract.current_a:g} A")
    return kinds.get(contract.pdo.kind, "") + " ".join(parts) + (" EPR" if contract.epr else "")


def strip_words(contract: Contract) -> str:
    """A contract in a timeline: a voltage the device steers is not told apart step by step."""
    adjustable = {PdoKind.PPS: "PPS", PdoKind.EPR_AVS: "AVS EPR", PdoKind.SPR_AVS: "AVS"}
    return adjustable.get(contract.pdo.kind) or contract_words(contract)


def what_words(one: Renegotiation) -> str:
    """What happened."""
    negotiation = one.negotiation
    text = _WHAT[negotiation.kind]
    if negotiation.inferred:
        text += " (concluded from message numbers)"
    if negotiation.outcome is Outcome.KEPT:
        text += "; refused, the old contract stayed"
    elif negotiation.outcome is Outcome.NONE:
        text += "; no contract came of it"
    return text


def by_whom(one: Renegotiation) -> str:
    """Who set it off."""
    if one.neighbour is not None:
        assert one.neighbour_to_start_s is not None
        return f"{one.neighbour.kind} on {one.neighbour.port}, {one.neighbour_to_start_s:.2f} s before"
    if one.negotiation.kind is NegotiationKind.FIRST_CONTRACT:
        return "its own plug"
    return "the device" if cause_of(one) == "device" else "the charger, of itself"


def effect_words(reboots: bool | None) -> str:
    """What a device without a battery would have done."""
    return {True: "reboots", False: "runs on", None: "not known"}[reboots]

"""An inference in words that a lay reader follows."""

from __future__ import annotations

import math
from collections.abc import Sequence

from brickbook.studies.sharing.inference import CERTAIN, Group, Inference

__all__ = ["certainty", "joined", "rule_words", "sentence"]

_RULES = {
    "independent": "keeps its power whatever else is in use",
    "threshold": "all drop to lower powers once a number of them is in use",
    "count": "powers from a table by how many of them are in use",
    "equal": "an equal share for each in use",
    "priority": "in an order: the first takes what it wants, a reserve is kept for the others",
    "ladder": "powers go down step by step until the sum fits",
    "unexplained": "no rule of the family explains it",
}


def joined(ports: Sequence[str]) -> str:
    """Ports as read aloud: C1, C2 and A1."""
    return ports[0] if len(ports) == 1 else f"{', '.join(ports[:-1])} and {ports[-1]}"


def certainty(probability: float) -> str:
    """A probability in words; percent rounded down, so that nothing looks surer than it is."""
    if probability >= 0.999:
        return "above 99.9 %"
    return f"{math.floor(1000 * probability) / 10:g} %"


def rule_words(group: Group) -> str:
    """The rules that fit a group; several that foretell the same powers cannot be told apart by readings."""
    kinds = list(group.kinds)
    if len(group.ports) == 2:
        # one combination: whatever rule is behind it, it is these powers
        return "equal shares when both are in use" if "equal" in kinds else "fixed powers when both are in use"
    words = _RULES[kinds[0]]
    if kinds[0] == "priority" and group.order:
        words = f"{', then '.join(group.order)} first, as much as it can have; a reserve is kept for the others"
    if len(kinds) > 1:
        words += f" ({len(kinds) - 1} other rule{'s' if len(kinds) > 2 else ''} would give the same powers)"
    return words


def sentence(inference: Inference) -> str:
    """The whole in a sentence or two."""
    if inference.contradictions:
        return "The readings contradict each other: what is offered depends on more than which ports are in use."
    if not inference.groups:
        return "Nothing is known yet of how the ports share."
    if inference.explained_probability < CERTAIN:
        return "No rule known to this study explains how the ports share; only what was looked at is known."
    parts = []
    for group in inference.groups:
        if len(group.ports) == 1:
            continue
        budget = f" {group.budget_w:.4g} W" if math.isfinite(group.budget_w) else " power"
        parts.append(f"{joined(group.ports)} share{budget}")
    own = [g.ports[0] for g in inference.groups if len(g.ports) == 1]
    if own:
        parts.append(
            f"{joined(own)} keep{'s' if len(own) == 1 else ''} {'its' if len(own) == 1 else 'their'} own power"
        )
    told = "; ".join(parts) + "."
    return told if inference.groups_probability >= CERTAIN else f"Likely, and not yet certain: {told}"

"""Limits as data, each with its clause, and the decision whether a figure meets them."""

from brickbook.rules.decision import PROBABLE, decide, probability_of_conformity
from brickbook.rules.file import load_rules, parse_rules
from brickbook.rules.judge import judge, judge_claims, unmeasured_claims, weights
from brickbook.rules.listing import limits
from brickbook.rules.model import Limit, Rule
from brickbook.rules.rounding import rounded, shown
from brickbook.rules.rows import Band, Bound, Harmonic, Subject, Supply
from brickbook.rules.subject import derating_factor, is_adaptive, is_low_voltage, output_count, takes_two_amperes

__all__ = [
    "PROBABLE",
    "Band",
    "Bound",
    "Harmonic",
    "Limit",
    "Rule",
    "Subject",
    "Supply",
    "decide",
    "derating_factor",
    "is_adaptive",
    "is_low_voltage",
    "judge",
    "judge_claims",
    "limits",
    "load_rules",
    "output_count",
    "parse_rules",
    "probability_of_conformity",
    "rounded",
    "shown",
    "takes_two_amperes",
    "unmeasured_claims",
    "weights",
]

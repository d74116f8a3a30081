"""Terms of the standards in plain words, and their first use on a page made a link to them.

The words are ours; each entry names the text that defines the term with authority.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

from markupsafe import Markup, escape

from brickbook.publish.looks import clean

__all__ = ["TERMS", "Linker", "Term"]


@dataclass(frozen=True, slots=True)
class Term:
    """A term.

    Parameters
    ----------
    name
        As the standards write it.
    text
        What it means, for a reader who is no engineer.
    source
        The text that defines it, or "common practice, no source".
    also
        Other spellings that lead to it; matched with their case, as short ones are.
    """

    name: str
    text: str
    source: str
    also: tuple[str, ...] = ()

    @property
    def id(self) -> str:
        """Its anchor on the page of terms."""
        return "t-" + re.sub(r"[^a-z0-9]+", "-", self.name.lower()).strip("-")


_PD = "USB Power Delivery Specification"
_TYPE_C = "USB Type-C Cable and Connector Specification"
_Z = "10 CFR 430 Subpart B Appendix Z"
_GUM = "JCGM 100:2008 (Guide to the expression of uncertainty in measurement)"
_CONFORM = "JCGM 106:2012 (The role of measurement uncertainty in conformity assessment)"
_PRACTICE = "common practice, no source"

_ALL = (
    Term(
        "Adjustable voltage supply",
        "A way for a device to ask for any voltage in a range, in steps coarser than those of a programmable supply, "
        "without the charger limiting the current for it. Offered for high powers.",
        _PD,
        ("AVS", "SPR AVS", "EPR AVS"),
    ),
    Term(
        "Average active efficiency",
        "The mean of the efficiencies at 100, 75, 50 and 25 % of the nameplate output current: one number for how much "
        "of the energy drawn from the wall reaches the device.",
        _Z,
        ("average active efficiency",),
    ),
    Term(
        "Contract",
        "What charger and device have agreed on: a voltage and the most current the device may draw. Before that "
        "the port gives 5 V.",
        _PD,
        ("contract", "explicit contract"),
    ),
    Term(
        "Coverage factor",
        "The number the standard uncertainty is multiplied by so that the interval holds 95 %: about 2, larger when "
        "there were few readings.",
        _GUM,
        ("coverage factor",),
    ),
    Term(
        "Coverage interval",
        "The range in which the true value lies with 95 % probability, given everything known of the instruments and "
        "the readings.",
        _GUM,
        ("coverage interval", "95 % interval"),
    ),
    Term(
        "Derating",
        "Less current than the label says, asked of each output at once when a charger of several outputs cannot give "
        "all of them in full at the same time.",
        _Z,
        ("derating", "derated"),
    ),
    Term(
        "Dielectric strength",
        "Whether insulation withstands a high voltage for a time without breaking through. A test that can damage the "
        "charger and kill the tester.",
        "IEC 62368-1",
        ("dielectric strength",),
    ),
    Term(
        "Expanded uncertainty",
        "Half the width of the 95 % interval: the number after ±.",
        _GUM,
        ("expanded uncertainty",),
    ),
    Term(
        "Extended power range",
        "Voltages above 20 V, up to 48 V and 240 W, that need a cable made for them.",
        _PD,
        ("EPR", "extended power range"),
    ),
    Term(
        "External power supply",
        "The standards' name for a charger: a box outside the device that turns mains into the low voltage it needs.",
        _Z,
        ("external power supply", "external power supplies"),
    ),
    Term(
        "Foldback",
        "An overload answer in which voltage and current both go down, so that little power flows into a fault.",
        _PRACTICE,
        ("foldback",),
    ),
    Term(
        "Guarded acceptance",
        "Meeting a limit is said only when it is at least 95 % probable, and failing it only when that is; between the "
        "two the finding is undecided.",
        _CONFORM,
        ("guarded",),
    ),
    Term(
        "Hard reset",
        "The strongest reset between charger and device: the voltage is taken away for about a second and they begin "
        "anew. A device without a battery switches off.",
        _PD,
        ("hard reset", "Hard Reset"),
    ),
    Term(
        "Harmonic current",
        "Current at multiples of the mains frequency, drawn because a charger takes its current in short pulses. It "
        "does no work and loads the network.",
        "IEC 61000-3-2",
        ("harmonic current", "input current harmonic"),
    ),
    Term(
        "Hold-up time",
        "How long the output stays up after the mains has gone.",
        _PRACTICE,
        ("hold-up",),
    ),
    Term(
        "Inrush current",
        "The short surge of mains current when a charger is plugged in and its capacitors fill.",
        _PRACTICE,
        ("inrush",),
    ),
    Term(
        "Load regulation",
        "How far the output voltage moves between no load and full load.",
        _PRACTICE,
        ("load regulation",),
    ),
    Term(
        "Loading condition",
        "One of the loads a procedure asks for, as a share of the nameplate output current.",
        _Z,
        ("loading condition",),
    ),
    Term(
        "Low-load efficiency",
        "The efficiency at 10 % of the nameplate output current, where a device that is nearly full works.",
        "Regulation (EU) 2019/1782",
        ("low-load efficiency", "10 % load"),
    ),
    Term(
        "Nameplate",
        "What is printed on the charger: voltages, currents and powers its maker answers for.",
        _Z,
        ("nameplate",),
    ),
    Term(
        "No-load",
        "Plugged into the wall and into nothing else. What it draws then is paid for all year.",
        _Z,
        ("no-load", "no load"),
    ),
    Term(
        "Power data object",
        "One line of the charger's offer in four bytes: a kind of supply, its voltage and its current.",
        _PD,
        ("PDO", "APDO", "power data object"),
    ),
    Term(
        "Power factor",
        "The power drawn over the product of mains voltage and current: 1 when current follows voltage, less when it "
        "comes in pulses or out of step. It does not change what the meter bills a home.",
        _Z,
        ("power factor",),
    ),
    Term(
        "Probability of conformity",
        "How likely the true value keeps the limit, given the measured value and its uncertainty.",
        _CONFORM,
        ("probability of conformity",),
    ),
    Term(
        "Programmable power supply",
        "A way for a device to ask for a voltage in steps of 20 mV and a current limit in steps of 50 mA, many times "
        "while it charges, so that it need not convert the voltage itself.",
        _PD,
        ("PPS", "programmable power supply"),
    ),
    Term(
        "Receptacle",
        "The opening of the charger that the cable goes into. What is measured there holds without the cable.",
        _TYPE_C,
        ("receptacle",),
    ),
    Term(
        "Ripple and noise",
        "What is left of the mains and of the switching inside, riding on the output voltage; given from peak to peak "
        "in a stated bandwidth.",
        _PRACTICE,
        ("ripple",),
    ),
    Term(
        "Soak",
        "Hours at full load until no temperature moves, to learn what a charger sustains and how warm it gets.",
        _PRACTICE,
        ("soak",),
    ),
    Term(
        "Source Capabilities",
        "The message in which a charger offers its voltages and currents; the device picks one.",
        _PD,
        ("Source Capabilities",),
    ),
    Term(
        "Standard power range",
        "Voltages up to 20 V and powers up to 100 W.",
        _PD,
        ("SPR", "standard power range"),
    ),
    Term(
        "Standard uncertainty",
        "The uncertainty of a number expressed as a standard deviation.",
        _GUM,
        ("standard uncertainty",),
    ),
    Term(
        "Total harmonic distortion",
        "All harmonic currents together as a share of the current at the mains frequency.",
        "IEC 61000-3-2",
        ("THD", "total harmonic distortion"),
    ),
    Term(
        "Touch current",
        "The current that flows through a person who touches the output or the case while standing on the ground, "
        "measured through a network that stands for the body.",
        "IEC 60990",
        ("touch current",),
    ),
    Term(
        "Type A and type B",
        "Two ways to know an uncertainty: from the scatter of repeated readings (A), or from what is stated, such as "
        "the data sheet of a meter (B).",
        _GUM,
        ("type A", "type B"),
    ),
    Term(
        "Undecided",
        "The limit lies within the uncertainty: these instruments cannot say on which side the charger is.",
        _CONFORM,
        ("undecided",),
    ),
    Term(
        "Unit under test",
        "The one sample on the bench. What it shows need not hold for another of the same model.",
        _Z,
        ("unit under test",),
    ),
)
TERMS: tuple[Term, ...] = tuple(sorted(_ALL, key=lambda term: term.name.lower()))
"""All terms in the order of the alphabet."""


@functools.cache
def _pattern() -> tuple[re.Pattern[str], dict[str, Term]]:
    known = {word: term for term in TERMS for word in (term.name, *term.also)}
    words = sorted(known, key=len, reverse=True)
    return re.compile(r"(?<![\w-])(?:" + "|".join(re.escape(word) for word in words) + r")(?![\w-])"), known


class Linker:
    """Makes the first use of each term on one page a link to its entry; later uses stay plain.

    Parameters
    ----------
    address
        Of the page of terms, relative to the page the text stands on.
    """

    def __init__(self, address: str = "./glossary.html") -> None:
        self._address = address
        self._met: set[str] = set()

    def __call__(self, text: str) -> Markup:
        """The text, escaped, with links."""
        pattern, known = _pattern()
        out, at = Markup(""), 0
        text = clean(text)
        for match in pattern.finditer(text):
            term = known[match.group()]
            if term.id in self._met:
                continue
            self._met.add(term.id)
            link = Markup('<a class="term" href="{}#{}">{}</a>').format(self._address, term.id, match.group())
            out += escape(text[at : match.start()]) + link
            at = match.end()
        return out + escape(text[at:])

"""What the words of a header mean: our own table of English, German, French and Spanish words.

Header words are common practice, no source. The table says only what is likely; a person confirms it.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

__all__ = ["Meaning", "channel_id", "meaning_of", "plain_words"]

Kind = Literal[
    "",
    "voltage",
    "current",
    "power",
    "energy",
    "apparent",
    "power-factor",
    "frequency",
    "thd",
    "crest",
    "harmonic",
    "temperature",
    "resistance",
    "time",
    "date",
]
Side = Literal["", "mains", "port"]

# Words are compared without accents and in lower case.
_KINDS: dict[Kind, frozenset[str]] = {
    "voltage": frozenset(
        [
            "voltage",
            "volt",
            "volts",
            "u",
            "v",
            "spannung",
            "tension",
            "voltaje",
            "urms",
            "vrms",
            "vbus",
            "vout",
            "uout",
            "vin",
            "uin",
            "udc",
            "vdc",
            "vac",
        ]
    ),
    "current": frozenset(
        [
            "current",
            "amp",
            "amps",
            "ampere",
            "amperes",
            "i",
            "a",
            "strom",
            "courant",
            "corriente",
            "intensidad",
            "intensite",
            "irms",
            "ibus",
            "iout",
            "iin",
            "idc",
            "iac",
        ]
    ),
    "power": frozenset(
        ["power", "watt", "watts", "p", "w", "leistung", "wirkleistung", "puissance", "potencia", "pwr", "pin", "pout"]
    ),
    "energy": frozenset(["energy", "energie", "energia", "wh", "kwh"]),
    "apparent": frozenset(["apparent", "scheinleistung", "apparente", "aparente", "va"]),
    "power-factor": frozenset(["pf", "lambda", "leistungsfaktor", "cosphi", "cos", "powerfactor"]),
    "frequency": frozenset(["frequency", "freq", "frequenz", "frequence", "frecuencia", "hz"]),
    "thd": frozenset(["thd", "klirrfaktor", "distortion", "thdi", "thdu", "thdv", "athd", "vthd", "ithd", "uthd"]),
    "crest": frozenset(["crest", "cf", "scheitelfaktor", "crete", "cresta"]),
    "harmonic": frozenset(["harmonic", "harmonics", "oberschwingung", "harmonische", "harmonique", "armonico", "h"]),
    "temperature": frozenset(["temperature", "temp", "temperatur", "temperatura", "tc", "degc"]),
    "resistance": frozenset(["resistance", "widerstand", "resistencia", "ohm", "r"]),
    "time": frozenset(
        [
            "time",
            "zeit",
            "temps",
            "tiempo",
            "heure",
            "hora",
            "uhrzeit",
            "timestamp",
            "zeitstempel",
            "datetime",
            "elapsed",
            "t",
            "sec",
            "seconds",
            "sekunden",
            "epoch",
            "laufzeit",
        ]
    ),
    "date": frozenset(["date", "datum", "fecha", "day", "tag"]),
}
_SIDES: dict[Side, frozenset[str]] = {
    "mains": frozenset(
        [
            "mains",
            "input",
            "in",
            "ac",
            "line",
            "netz",
            "eingang",
            "entree",
            "secteur",
            "red",
            "entrada",
            "primary",
            "wall",
            "grid",
            "pin",
            "vin",
            "iin",
            "uin",
            "vac",
            "iac",
        ]
    ),
    "port": frozenset(
        [
            "output",
            "out",
            "dc",
            "load",
            "ausgang",
            "sortie",
            "salida",
            "usb",
            "vbus",
            "ibus",
            "port",
            "bus",
            "last",
            "charge",
            "carga",
            "secondary",
            "pout",
            "vout",
            "iout",
            "uout",
            "vdc",
            "idc",
            "udc",
        ]
    ),
}
_REACTIVE = frozenset(["reactive", "blindleistung", "reactiva", "var"])
_AMBIENT = frozenset(["ambient", "umgebung", "raum", "room", "ambiante", "ambiente", "amb"])
_PLACES = frozenset(
    ["amb", "case", "gehause", "housing", "board", "plug", "prong", "coil", "fet", "hotspot", "surface"]
)
_STATISTICS = frozenset(
    ["min", "max", "minimum", "maximum", "peak", "pk", "avg", "average", "mean", "mittel", "moyenne", "std"]
)
_PORT = re.compile(
    r"usb\s*[-_ ]?\s*(?P<letter>[ac])\s*[-_ ]?\s*(?P<number>\d{1,2})?(?![a-z0-9])"
    r"|(?<![a-z0-9])(?P<short>[ac]\d{1,2})(?![a-z0-9])"
    r"|(?<![a-z0-9])(?:port|anschluss|puerto)\s*[-_ ]?\s*(?P<port>[a-z]?\d{1,2}|[a-z])(?![a-z0-9])"
    r"|(?<![a-z0-9])(?:ch|channel|kanal|voie|canal)\s*[-_ ]?\s*(?P<channel>\d{1,2}|[a-z])(?![a-z0-9])"
)
_ORDER = re.compile(r"(?<![a-z0-9])(?:h|harm|harmonic|oberschwingung|harmonique)\s*[-_ ]?\s*(\d{1,2})(?![a-z0-9])")


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a header's words say.

    Parameters
    ----------
    kind, side
        What is measured, and where; "" when the words do not say.
    channel
        Port, harmonic order or place; "" when there is none.
    words
        The words that told.
    place
        Words left over when the column is a temperature.
    ambient, reactive, statistic
        Ambient temperature; reactive power (no quantity of ours); a minimum, maximum or mean of something.
    """

    kind: Kind
    side: Side
    channel: str
    words: tuple[str, ...]
    place: str = ""
    ambient: bool = False
    reactive: bool = False
    statistic: bool = False


def plain_words(text: str) -> str:
    """Lower case, without accents, everything but letters and digits a blank."""
    bare = unicodedata.normalize("NFKD", text)
    return re.sub(r"[^a-z0-9]+", " ", "".join(c for c in bare if not unicodedata.combining(c)).casefold()).strip()


def channel_id(text: str) -> tuple[str, bool]:
    """Port id in a text ("USB-C 2" is C2, "Port A" is A, "CH1" is CH1), and whether it is sure to be a port."""
    found = _PORT.search(plain_words(text))
    if found is None:
        return "", False
    if found["letter"]:
        return f"{found['letter'].upper()}{found['number'] or '1'}", True
    if found["short"]:
        return found["short"].upper(), True
    if found["port"]:
        return found["port"].upper(), True
    return f"CH{found['channel'].upper()}", False


def meaning_of(header: str) -> Meaning:
    """The meaning of a header's words, unit left out."""
    text = plain_words(re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", header))
    order = _ORDER.search(text)
    if order:
        side: Side = "mains"
        return Meaning("harmonic", side, str(int(order[1])), (order[0],))
    channel, _ = channel_id(header)
    rest = _PORT.sub(" ", text)
    words = [stem for word in rest.split() for stem in _stems(word)]
    kind, told = _kind(words, rest)
    sides = [(name, word) for name, known in _SIDES.items() for word in words if word in known]
    side = sides[0][0] if sides else ("port" if channel and not channel.startswith("CH") else "")
    if sides:
        told = (*told, sides[0][1])
    known = _KINDS["temperature"] | _AMBIENT
    place = "-".join(word for word in words if word not in known and not word.isdigit() and word != "t")
    return Meaning(
        kind,
        side,
        channel,
        tuple(dict.fromkeys(told)),
        place=place,
        ambient=any(word in _AMBIENT for word in words),
        reactive=any(word in _REACTIVE for word in words),
        statistic=any(word in _STATISTICS for word in words),
    )


def _stems(word: str) -> list[str]:
    """A word and its parts: "u1" is u, "eingangsspannung" is eingang and spannung, "tcase" is temp and case."""
    stems = [word, word.rstrip("0123456789")] if word.rstrip("0123456789") else [word]
    for first in ("eingangs", "ausgangs", "netz", "last", "umgebungs", "gehause"):
        if word.startswith(first) and len(word) > len(first):
            stems += [first.removesuffix("s"), word[len(first) :]]
    if word.startswith("t") and word[1:] in _PLACES:
        stems = ["temp", word[1:]]
    return list(dict.fromkeys(stems))


def _kind(words: list[str], text: str) -> tuple[Kind, tuple[str, ...]]:
    """Kind by the most telling word: whole phrases, then rare words, then long ones, then letters."""
    for phrase in ("power factor", "facteur de puissance", "factor de potencia", "cos phi"):
        if phrase in text:
            return "power-factor", (phrase,)
    if "crest factor" in text:
        return "crest", ("crest factor",)
    rare: tuple[Kind, ...] = ("thd", "crest", "power-factor", "apparent", "frequency", "energy", "harmonic")
    for kind in rare:
        for word in words:
            if word in _KINDS[kind] and len(word) > 1:
                return kind, (word,)
    common: tuple[Kind, ...] = ("voltage", "current", "power", "temperature", "resistance", "time", "date")
    for shortest in (2, 1):
        for kind in common:
            for word in words:
                if len(word) >= shortest and word in _KINDS[kind]:
                    return kind, (word,)
    return "", ()

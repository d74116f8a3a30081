"""Under what a reading was taken or a figure holds: a small ordered mapping of known kinds of value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

__all__ = ["Conditions", "Scalar", "describe_condition"]

Scalar = str | float | int | bool

# key: (label, unit). Keys outside this list are shown as they are: a study may bring its own.
_LABELS: dict[str, tuple[str, str]] = {
    "mains_v": ("mains", "V"),
    "mains_hz": ("mains frequency", "Hz"),
    "port": ("port", ""),
    "ports": ("loaded ports", ""),
    "occupied": ("in use", ""),
    "contract": ("contract", ""),
    "output_v": ("output", "V"),
    "load_ratio": ("load", ""),
    "load_a": ("load", "A"),
    "situation": ("situation", ""),
    "ambient_c": ("ambient", "°C"),
    "measured_at": ("measured at", ""),
    "procedure": ("procedure", ""),
    "reading": ("reading of the text", ""),
    "nameplate_w": ("nameplate power", "W"),
    "nameplate_v": ("nameplate voltage", "V"),
    "nameplate_a": ("nameplate current", "A"),
    "voltage_end": ("voltage setting", ""),
    "harmonic": ("harmonic", ""),
    "log": ("log", ""),
    "event": ("event", ""),
    "event_s": ("event at", "s"),
    "neighbour": ("neighbour", ""),
    "threshold_v": ("threshold", "V"),
    "hold_up_s": ("hold-up", "s"),
    "moment": ("moment", ""),
    "cause": ("caused by", ""),
    "timer": ("timer", ""),
    "which": ("which", ""),
    "since": ("since", ""),
    "read_by": ("read by", ""),
    "test": ("test", ""),
    "taken_from": ("taken from", ""),
    "running": ("running", ""),
}

# Said by other parts of the short text, or of no help in telling figures apart.
_SAID = frozenset(
    (
        "contract",
        "port",
        "ports",
        "voltage_end",
        "load_ratio",
        "load_a",
        "mains_v",
        "mains_hz",
        "output_v",
        "output_kind",
        "shared",
    )
) | frozenset(
    ("nameplate_w", "nameplate_v", "nameplate_a", "outputs", "loading", "lowest_current", "measured_at", "input_w")
)
_USUAL = frozenset(((115, 60), (120, 60), (220, 50), (230, 50)))
_SHORT: dict[str, dict[str, str]] = {
    "procedure": {"us-appendix-z": "US procedure", "eu-2025-2052": "EU 2025 procedure"},
    "situation": {"bare": "nothing plugged in", "cable": "cable alone", "adapter": "adapter alone"},
}


@dataclass(frozen=True, slots=True)
class Conditions(Mapping[str, Scalar]):
    """An immutable, hashable mapping, kept in sorted order so that equal conditions look alike."""

    items_: tuple[tuple[str, Scalar], ...] = ()

    @classmethod
    def of(cls, mapping: Mapping[str, Scalar | None] | None = None, **more: Scalar | None) -> Conditions:
        """Conditions from a mapping and keywords; `None` values are left out."""
        merged = {**(mapping or {}), **more}
        return cls(tuple(sorted((k, v) for k, v in merged.items() if v is not None)))

    def with_(self, **more: Scalar | None) -> Conditions:
        """A copy with keys added or replaced; a value of `None` removes the key."""
        return Conditions.of({**dict(self.items_), **more})

    def only(self, *keys: str) -> Conditions:
        """A copy holding just these keys, where present."""
        return Conditions(tuple((k, v) for k, v in self.items_ if k in keys))

    def matches(self, wanted: Mapping[str, Scalar]) -> bool:
        """Whether every wanted key is here with an equal value (numbers within 0.1 %)."""
        return all(key in self and _same(self[key], value) for key, value in wanted.items())

    def __getitem__(self, key: str) -> Scalar:
        for name, value in self.items_:
            if name == key:
                return value
        raise KeyError(key)

    def __iter__(self) -> Iterator[str]:
        return (name for name, _ in self.items_)

    def __len__(self) -> int:
        return len(self.items_)

    def number(self, key: str) -> float:
        """The value of a key as a number; raises `KeyError` or `TypeError`."""
        value = self[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise TypeError(f"condition {key!r} is not a number: {value!r}")
        return float(value)

    def text(self) -> str:
        """What a reader needs to tell figures apart, for example 'C2 at 9 V, 3 A, 230 V mains'."""
        parts = [self._where(), self._load(), self._supply()]
        parts += [_SHORT[key].get(str(self[key]), str(self[key])) for key in _SHORT if key in self]
        parts += [describe_condition(k, v) for k, v in self.items_ if k not in _SAID and k not in _SHORT]
        return ", ".join(part for part in parts if part)

    def full_text(self) -> str:
        """All of it, for example 'contract 9 V, load 3 A, mains frequency 50 Hz, mains 230 V, port C2'."""
        return ", ".join(describe_condition(key, value) for key, value in self.items_)

    def _where(self) -> str:
        contract = str(self.get("contract", ""))
        port = str(self.get("port", self.get("ports", "")))
        if contract and port and "+" not in contract:
            return contract if contract.split(maxsplit=1)[0] == port else f"{port} at {contract}"
        return contract or (f"{port} {self['voltage_end']}" if port and "voltage_end" in self else port)

    def _load(self) -> str:
        ratio, amps = self.get("load_ratio"), self.get("load_a")
        if isinstance(ratio, (int, float)):
            return f"{100 * ratio:.4g} % load"
        return f"{amps:.4g} A" if isinstance(amps, (int, float)) else ""

    def _supply(self) -> str:
        volts, hertz = self.get("mains_v"), self.get("mains_hz")
        if not isinstance(volts, (int, float)):
            return ""
        usual = not isinstance(hertz, (int, float)) or (volts, hertz) in _USUAL
        return f"{volts:g} V mains" if usual else f"{volts:g} V {hertz:g} Hz mains"


def describe_condition(key: str, value: Scalar) -> str:
    """One condition in words, with its unit."""
    label, unit = _LABELS.get(key, (key.replace("_", " "), ""))
    if key == "load_ratio" and isinstance(value, (int, float)):
        return f"load {100 * float(value):.4g} %"
    if isinstance(value, bool):
        return label if value else f"not {label}"
    shown = f"{value:.6g}" if isinstance(value, float) else str(value)
    return f"{label} {shown}{' ' + unit if unit else ''}"


def _same(have: Scalar, want: Scalar) -> bool:
    if isinstance(have, bool) or isinstance(want, bool) or isinstance(have, str) or isinstance(want, str):
        return have == want
    return abs(float(have) - float(want)) <= 1e-3 * max(abs(float(have)), abs(float(want)))

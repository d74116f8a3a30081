"""What the charger is and what its maker claims, as data.

The classes carry their own limits as `annotated_types` marks; the book validates files against them, so a
field exists once. `None` always means "the maker does not say".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Gt, Le, MinLen

from brickbook.core.conditions import Scalar

__all__ = [
    "Budget",
    "Charger",
    "Claim",
    "Mark",
    "Nameplate",
    "Output",
    "Port",
    "Price",
    "Sample",
    "SharedOutput",
]

Positive = Annotated[float, Gt(0)]
Text = Annotated[str, MinLen(1)]
OutputKind = Literal["fixed", "pps", "spr-avs", "epr-avs", "legacy"]


@dataclass(frozen=True, slots=True)
class Output:
    """One voltage, or range of voltages, that a port is said to give.

    Parameters
    ----------
    kind
        "fixed" for a USB PD fixed supply, "pps", "spr-avs", "epr-avs", or "legacy" for anything older than PD.
    voltage_v
        Set voltage of a fixed or legacy output.
    min_voltage_v, max_voltage_v
        Ends of an adjustable range.
    current_a
        Nameplate current.
    """

    kind: OutputKind
    current_a: Positive
    voltage_v: Positive | None = None
    min_voltage_v: Positive | None = None
    max_voltage_v: Positive | None = None

    def __post_init__(self) -> None:
        if self.kind in ("fixed", "legacy"):
            if self.voltage_v is None or self.min_voltage_v is not None or self.max_voltage_v is not None:
                raise ValueError(f"a {self.kind} output has voltage_v and neither min_voltage_v nor max_voltage_v")
        elif self.voltage_v is not None or self.min_voltage_v is None or self.max_voltage_v is None:
            raise ValueError(f"a {self.kind} output has min_voltage_v and max_voltage_v, and no voltage_v")
        elif self.min_voltage_v > self.max_voltage_v:
            raise ValueError(f"min_voltage_v {self.min_voltage_v} is above max_voltage_v {self.max_voltage_v}")

    @property
    def top_voltage_v(self) -> float:
        """Highest voltage of this output [V]."""
        top = self.voltage_v if self.voltage_v is not None else self.max_voltage_v
        assert top is not None
        return top

    @property
    def power_w(self) -> float:
        """Nameplate power at the highest voltage [W]."""
        return self.top_voltage_v * self.current_a


@dataclass(frozen=True, slots=True)
class Port:
    """One outlet: its id as the tester writes it ("C1"), what it is, and the outputs claimed for it."""

    id: Text
    connector: Literal["usb-c", "usb-a", "captive", "barrel"]
    outputs: Annotated[tuple[Output, ...], MinLen(1)]
    power_w: Positive | None = None
    label: str = ""

    @property
    def is_pd(self) -> bool:
        """Whether any output speaks USB PD (everything but legacy)."""
        return any(output.kind != "legacy" for output in self.outputs)

    @property
    def fixed(self) -> tuple[Output, ...]:
        """Outputs of one set voltage (fixed and legacy), by rising voltage."""
        chosen = [o for o in self.outputs if o.voltage_v is not None]
        return tuple(sorted(chosen, key=lambda o: o.top_voltage_v))


@dataclass(frozen=True, slots=True)
class Budget:
    """Ports that are said to share one power budget."""

    ports: Annotated[tuple[str, ...], MinLen(1)]
    power_w: Positive
    name: str = ""


@dataclass(frozen=True, slots=True)
class SharedOutput:
    """A line of the maker's sharing table: which ports are in use, and the power each then has."""

    ports: Annotated[tuple[str, ...], MinLen(1)]
    power_w: Annotated[tuple[float, ...], MinLen(1)]

    def __post_init__(self) -> None:
        if len(self.ports) != len(self.power_w):
            raise ValueError(f"{len(self.ports)} ports but {len(self.power_w)} powers: one power for each port")


@dataclass(frozen=True, slots=True)
class Claim:
    """A measurable statement of the maker, tied to the figure that tests it.

    Parameters
    ----------
    figure
        "study/name" of the figure, e.g. "standby/no_load_power_w".
    sense
        "min": at least, "max": at most, "about": within `tolerance_ratio` of the value.
    tolerance_ratio
        Allowance of the tester, relative to the value; for "min" and "max" it moves the limit to the maker's favour.
    value
        In the figure's unit.
    words
        What is printed, word for word.
    seen_on
        Where it is printed.
    when
        Conditions the figure must have for the claim to speak of it, e.g. {mains_v = 230}.
    """

    figure: Text
    sense: Literal["min", "max", "about"]
    value: float
    words: Text
    seen_on: Literal["label", "box", "manual", "website"]
    tolerance_ratio: Annotated[float, Gt(0), Le(1)] | None = None
    when: dict[str, Scalar] | None = None

    def __post_init__(self) -> None:
        if self.sense == "about" and self.tolerance_ratio is None:
            raise ValueError('sense = "about" needs tolerance_ratio')


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark as seen. A mark is the maker's claim; Brickbook records whether it was seen, not whether it is true."""

    kind: Literal["safety-listing", "efficiency-level", "conformity", "other"]
    text: Text
    seen: bool
    seen_on: Literal["label", "box", "manual", "website"] | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Nameplate:
    """The input side of the label, and total output power."""

    total_power_w: Positive
    input_min_v: Positive | None = None
    input_max_v: Positive | None = None
    input_hz: str = ""
    input_a: Positive | None = None
    ambient_max_c: float | None = None


@dataclass(frozen=True, slots=True)
class Price:
    """What it cost, where prices differ say which this is."""

    amount: Annotated[float, Ge(0)]
    currency: Text
    date: Text
    kind: Literal["paid", "list", "street"] = "street"
    note: str = ""


@dataclass(frozen=True, slots=True)
class Sample:
    """Which unit was on the bench and how it came there."""

    obtained: Literal["bought", "received", "lent"]
    date: str = ""
    serial: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Charger:
    """All that is known of a charger before it is measured (charger.toml)."""

    name: Text
    maker: Text
    model: Text
    nameplate: Nameplate
    ports: Annotated[tuple[Port, ...], MinLen(1)]
    sample: Sample
    form: Literal["wall", "desktop"] = "wall"
    prongs: Literal["folding", "fixed", "cord", "exchangeable"] = "fixed"
    detachable_cable: bool = False
    budgets: tuple[Budget, ...] = ()
    sharing: tuple[SharedOutput, ...] = ()
    claims: tuple[Claim, ...] = ()
    marks: tuple[Mark, ...] = ()
    price: Price | None = None
    summary: str = ""

    def __post_init__(self) -> None:
        ids = [port.id for port in self.ports]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise ValueError(f"port id used twice: {', '.join(twice)}")
        for what, named in (
            *(("budgets", b.ports) for b in self.budgets),
            *(("sharing", s.ports) for s in self.sharing),
        ):
            unknown = [p for p in named if p not in ids]
            if unknown:
                raise ValueError(f"{what} names port {unknown[0]!r}; the ports are {', '.join(ids)}")

    def port(self, port_id: str) -> Port:
        """The port of that id; raises `KeyError`."""
        for port in self.ports:
            if port.id == port_id:
                return port
        raise KeyError(port_id)

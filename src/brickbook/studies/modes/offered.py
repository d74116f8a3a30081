"""Observations put together: what each port offered with each set of occupied ports, against the maker's outputs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from brickbook.core.charger import Output, Port
from brickbook.core.observation import Observation, Offer
from brickbook.core.table import RawFile, Recording, Rows

__all__ = ["Mode", "PortState", "Verdict", "compare", "port_states", "same_mode"]

_NEAR_V = 0.11  # a printed range end and one of an object are the same within a step of 100 mV
_ROUNDING_A = 0.011  # offered currents are rounded down to 10 mA


@dataclass(frozen=True, slots=True)
class Mode:
    """An offered mode and the row that tells of it."""

    offer: Offer
    rows: Rows


@dataclass(frozen=True, slots=True)
class PortState:
    """A port with one set of occupied ports.

    Parameters
    ----------
    port, occupied
        The port, and all ports with a device, sorted.
    modes
        What it offered, each mode once: of repeats the last.
    words
        The last set of capabilities, where words were written down, and the row.
    observations
        Every row of this state, with its file.
    """

    port: str
    occupied: tuple[str, ...]
    modes: tuple[Mode, ...]
    words: tuple[int, ...]
    observations: tuple[tuple[Observation, Rows], ...]

    @property
    def together(self) -> str:
        """The occupied ports in one word."""
        return "+".join(self.occupied)

    @property
    def shared(self) -> bool:
        """Whether other ports are occupied too."""
        return len(self.occupied) > 1

    @property
    def interrupted(self) -> bool | None:
        """Whether its power stopped when the last device was plugged in, where noted."""
        noted = [o.interrupted for o, _ in self.observations if o.interrupted is not None]
        return any(noted) if noted else None

    @property
    def power_mode(self) -> Mode | None:
        """The mode of the highest power.

        A PPS object tells the product of its highest voltage and current, which is no power that the port promises, so
        it counts only where nothing else is offered.
        """
        firm = [m for m in self.modes if m.offer.kind != "pps"] or list(self.modes)
        return max(firm, key=lambda m: m.offer.power_w, default=None)


@dataclass(frozen=True, slots=True)
class Verdict:
    """An output of the maker against what was offered.

    Parameters
    ----------
    what
        "as claimed", "more", "less", "missing" or "extra".
    claimed, mode
        One of them is `None` for "missing" and "extra".
    """

    what: str
    label: str
    claimed: Output | None
    mode: Mode | None


def port_states(recordings: Iterable[Recording]) -> tuple[PortState, ...]:
    """States in the order of ports and sets first seen; a port alone before it in company."""
    rows: dict[tuple[str, tuple[str, ...]], list[tuple[Observation, Rows]]] = {}
    for recording in recordings:
        for table in recording.tables:
            for seen in table.observations:
                rows.setdefault((seen.port, seen.occupied), []).append((seen, _row(table.raw, seen)))
    states = [_state(port, occupied, found) for (port, occupied), found in rows.items()]
    return tuple(sorted(states, key=lambda s: (s.port, len(s.occupied), s.occupied)))


def _row(raw: RawFile, seen: Observation) -> Rows:
    columns = ("words",) if seen.words else ("kind", "voltage_v", "current_a")
    return Rows(raw, seen.line, seen.line, (*columns, "drawn_v", "drawn_a") if seen.draw else columns)


def _state(port: str, occupied: tuple[str, ...], found: list[tuple[Observation, Rows]]) -> PortState:
    modes: dict[tuple[str, str], Mode] = {}
    words: tuple[int, ...] = ()
    for seen, rows in found:
        if seen.words:
            # a new set of capabilities replaces the one before, but not what was written down of older modes
            modes = {key: mode for key, mode in modes.items() if key[0] == "legacy"}
            words = seen.words
        for offer in seen.offers:
            modes[offer.kind, offer.label] = Mode(offer, rows)
    return PortState(port, occupied, tuple(modes.values()), words, tuple(found))


def same_mode(output: Output, offer: Offer) -> bool:
    """Whether an output as printed is an offered mode: the kind, and its voltages within 0.1 V."""
    if output.kind != offer.kind:
        return False
    low = output.voltage_v if output.voltage_v is not None else output.min_voltage_v
    assert low is not None
    if output.kind == "spr-avs":
        # printed as one range, offered as one or two
        return offer.min_voltage_v >= low - _NEAR_V and offer.max_voltage_v <= output.top_voltage_v + _NEAR_V
    return abs(offer.max_voltage_v - output.top_voltage_v) <= _NEAR_V and abs(offer.min_voltage_v - low) <= _NEAR_V


def compare(port: Port, state: PortState) -> tuple[Verdict, ...]:
    """Every output the maker states for the port, then every mode beyond them."""
    verdicts: list[Verdict] = []
    left = list(state.modes)
    for output in port.outputs:
        fitting = [mode for mode in left if same_mode(output, mode.offer)]
        left = [mode for mode in left if mode not in fitting]
        if not fitting:
            verdicts.append(Verdict("missing", _label(output), output, None))
            continue
        mode = max(fitting, key=lambda m: m.offer.current_a)
        short = mode.offer.current_a - output.current_a
        what = "as claimed" if abs(short) <= _ROUNDING_A else "more" if short > 0 else "less"
        verdicts.append(Verdict(what, mode.offer.label, output, mode))
    verdicts += [Verdict("extra", mode.offer.label, None, mode) for mode in left]
    return tuple(verdicts)


def _label(output: Output) -> str:
    low = output.voltage_v if output.voltage_v is not None else output.min_voltage_v
    assert low is not None
    return Offer(output.kind, low, output.top_voltage_v, output.current_a, output.power_w).label

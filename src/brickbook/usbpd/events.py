"""What a port's messages amount to: typed events, contracts, and negotiations."""

from dataclasses import dataclass
from enum import StrEnum

from brickbook.usbpd.messages import Sender
from brickbook.usbpd.pdo import available_current_a
from brickbook.usbpd.rdo import RequestDataObject
from brickbook.usbpd.supplies import PdoKind, PowerDataObject
from brickbook.usbpd.vbus import VoltageLimits, voltage_limits


@dataclass(frozen=True, slots=True)
class Contract:
    """An explicit contract in force from PS_RDY on.

    ``voltage_v`` is the fixed or requested voltage, ``None`` for variable and battery objects.
    ``current_a`` is the operating current requested, ``None`` for a battery object.
    """

    start_s: float
    request: RequestDataObject
    pdo: PowerDataObject
    epr: bool

    @property
    def object_position(self) -> int:
        """Position of the object in the capabilities, from 1."""
        return self.request.object_position

    @property
    def voltage_v(self) -> float | None:
        """Fixed or requested voltage [V]."""
        if self.request.requested_voltage_v is not None:
            return self.request.requested_voltage_v
        return self.pdo.max_voltage_v if self.pdo.kind is PdoKind.FIXED else None

    @property
    def current_a(self) -> float | None:
        """Operating current requested [A]."""
        return self.request.requested_current_a

    @property
    def power_w(self) -> float | None:
        """Voltage times operating current, or the operating power requested [W]."""
        if self.voltage_v is not None and self.current_a is not None:
            return self.voltage_v * self.current_a
        return self.request.requested_power_w

    @property
    def offered_current_a(self) -> float | None:
        """Current the source's object makes available at the contract's voltage [A]."""
        if not self.voltage_v:
            return self.pdo.max_current_a
        return available_current_a(self.pdo, self.voltage_v)

    @property
    def limits(self) -> VoltageLimits | None:
        """Voltage limits at the source's connector; ``None`` when the object states none."""
        low = high = self.voltage_v
        if low is None:
            low, high = self.pdo.min_voltage_v, self.pdo.max_voltage_v
        if low is None or high is None:
            return None
        return voltage_limits(self.pdo.kind, low, high)

    def same_terms(self, other: "Contract | None") -> bool:
        """Compare the terms of two contracts.

        Parameters
        ----------
        other
            The other contract.

        Returns
        -------
        bool
            Whether request word, source object and mode are equal.
        """
        return (
            other is not None
            and self.epr == other.epr
            and self.request.encode() == other.request.encode()
            and self.pdo.encode() == other.pdo.encode()
        )


class Answer(StrEnum):
    """Answer to a request or a soft reset."""

    ACCEPT = "Accept"
    REJECT = "Reject"
    WAIT = "Wait"


@dataclass(frozen=True, slots=True)
class Event:
    """Base of all events: time on the log's clock [s], and row of the log or -1."""

    time_s: float
    row: int


@dataclass(frozen=True, slots=True)
class Attached(Event):
    """A sink is attached; ``inferred`` when only messages tell and VBUS was not seen."""

    inferred: bool


@dataclass(frozen=True, slots=True)
class Detached(Event):
    """VBUS fell to 0 V and did not come back within the trace."""


@dataclass(frozen=True, slots=True)
class CapabilitiesOffered(Event):
    """Delivered Source_Capabilities or EPR_Source_Capabilities."""

    words: tuple[int, ...]
    objects: tuple[PowerDataObject, ...]
    epr: bool


@dataclass(frozen=True, slots=True)
class RequestMade(Event):
    """A sink's request and the object it asks for, ``None`` when there is no such object."""

    request: RequestDataObject
    pdo: PowerDataObject | None
    epr: bool


@dataclass(frozen=True, slots=True)
class AnswerGiven(Event):
    """Accept, Reject or Wait."""

    answer: Answer
    to: str


@dataclass(frozen=True, slots=True)
class SupplyReady(Event):
    """PS_RDY of the source after an accepted request."""


@dataclass(frozen=True, slots=True)
class ContractMade(Event):
    """A contract comes into force."""

    contract: Contract


@dataclass(frozen=True, slots=True)
class ContractEnded(Event):
    """A contract ends with nothing in its place yet."""

    contract: Contract
    reason: str


@dataclass(frozen=True, slots=True)
class EprEntered(Event):
    """EPR mode entered."""


@dataclass(frozen=True, slots=True)
class EprEntryFailed(Event):
    """EPR mode refused; cause in words."""

    cause: str


@dataclass(frozen=True, slots=True)
class EprExited(Event):
    """EPR mode left, by message or by reset."""

    reason: str


@dataclass(frozen=True, slots=True)
class KeepAlive(Event):
    """EPR_KeepAlive of the sink."""


@dataclass(frozen=True, slots=True)
class SoftReset(Event):
    """Soft_Reset and who sent it."""

    sender: Sender


@dataclass(frozen=True, slots=True)
class HardReset(Event):
    """Hard Reset ordered set; it does not tell who sent it."""


@dataclass(frozen=True, slots=True)
class VbusLost(Event):
    """VBUS fell below 0.8 V."""


@dataclass(frozen=True, slots=True)
class VbusRestored(Event):
    """VBUS is back at 4.75 V or more."""


@dataclass(frozen=True, slots=True)
class Oddity(Event):
    """Something the protocol does not allow or the log leaves open."""

    text: str


class NegotiationKind(StrEnum):
    """What set a negotiation off.

    A supply restart is a loss of VBUS without a hard reset: error recovery, a shared supply started
    anew, or an unplug and plug. Only the CC line tells these apart.
    """

    FIRST_CONTRACT = "first contract"
    SINK_REQUEST = "sink request"
    SOURCE_OFFER = "source offer"
    SOFT_RESET = "soft reset"
    HARD_RESET = "hard reset"
    SUPPLY_RESTART = "supply restart"
    EPR_ENTRY = "EPR entry"
    EPR_EXIT = "EPR exit"


class Outcome(StrEnum):
    """How a negotiation ended."""

    CONTRACT = "contract"
    KEPT = "old contract kept"
    NONE = "no contract"


@dataclass(frozen=True, slots=True)
class Negotiation:
    """One negotiation, from what set it off to the new contract or the lack of one.

    ``start_s`` is the first frame, reset or loss of VBUS; ``end_s`` PS_RDY of the new contract, the
    refusal, or the last thing seen of it. ``inferred`` marks a supply restart told from MessageIDs
    alone. ``waits`` and ``rejects`` count the source's refusals on the way.
    """

    kind: NegotiationKind
    start_s: float
    end_s: float
    outcome: Outcome
    before: Contract | None
    after: Contract | None
    accept_s: float | None = None
    first_capabilities_s: float | None = None
    waits: int = 0
    rejects: int = 0
    asked_for_by_sink: bool = False
    inferred: bool = False

"""Other data objects and data blocks a source sends about itself.

EPR mode object and BIST modes: public controller header. Source_Info: several public decoders
citing R3.2 section 6.4.11 table 6.52 (first object) and R3.2 V1.2 (second object). Revision object:
public kernel header. Alert, PPS_Status, Status and Source_Capabilities_Extended: from memory, high;
the power status bits of Status: from memory, medium.
"""

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, ClassVar, Self

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.layout import DataObject, layout


class EprAction(IntEnum):
    """Action of an EPR mode data object."""

    ENTER = 1
    ENTER_ACKNOWLEDGED = 2
    ENTER_SUCCEEDED = 3
    ENTER_FAILED = 4
    EXIT = 5


# Cause in the data field of Enter Failed (public controller header).
EPR_FAILURES: tuple[str, ...] = (
    "unknown cause",
    "cable not EPR capable",
    "source could not become VCONN source",
    "EPR capable bit not set in the request",
    "source unable to enter EPR mode now",
    "EPR capable bit not set in the capabilities",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class EprModeObject(DataObject):
    """EPR mode data object; for Enter the data is the sink's operational PDP (memory, high)."""

    LAYOUT = layout({"action_raw": (31, 24), "data": (23, 16)})

    action_raw: int
    data: int = 0

    @property
    def action(self) -> EprAction | None:
        """Action, or ``None`` for a reserved value."""
        return EprAction(self.action_raw) if 1 <= self.action_raw <= 5 else None

    @property
    def sink_pdp_w(self) -> float | None:
        """Operational PDP the sink states when entering [W]; a captured Enter has 0 here."""
        return float(self.data) if self.action is EprAction.ENTER else None

    @property
    def failure(self) -> str | None:
        """Cause in words when entry failed."""
        if self.action is not EprAction.ENTER_FAILED:
            return None
        if self.data < len(EPR_FAILURES):
            return EPR_FAILURES[self.data]
        return f"reserved cause {self.data}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceInfo(DataObject):
    """First Source_Info object: what a port can do, in whole watts. Claims, not measurements."""

    LAYOUT = layout(
        {
            "guaranteed_capability": 31,
            "maximum_pdp_raw": (23, 16),
            "present_pdp_raw": (15, 8),
            "reported_pdp_raw": (7, 0),
        }
    )

    guaranteed_capability: bool = False
    maximum_pdp_raw: int
    present_pdp_raw: int
    reported_pdp_raw: int

    @property
    def maximum_pdp_w(self) -> float:
        """Port Maximum PDP [W]: the design maximum of the port."""
        return float(self.maximum_pdp_raw)

    @property
    def present_pdp_w(self) -> float:
        """Port Present PDP [W]: what it could deliver now."""
        return float(self.present_pdp_raw)

    @property
    def reported_pdp_w(self) -> float:
        """Port Reported PDP [W]: the largest product in its present capabilities."""
        return float(self.reported_pdp_raw)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceInfoSecond(DataObject):
    """Second Source_Info object, R3.2 V1.2 only: powers in half watts."""

    LAYOUT = layout(
        {
            "guaranteed_capability": 31,
            "dps_port": 30,
            "maximum_pdp_raw": (17, 9),
            "guaranteed_pdp_raw": (8, 0),
        }
    )

    guaranteed_capability: bool = False
    dps_port: bool = False
    maximum_pdp_raw: int
    guaranteed_pdp_raw: int

    @property
    def maximum_pdp_w(self) -> float:
        """Port Maximum PDP [W]."""
        return self.maximum_pdp_raw / 2

    @property
    def guaranteed_pdp_w(self) -> float:
        """Port Guaranteed PDP [W]: what a managed port never goes below."""
        return self.guaranteed_pdp_raw / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionObject(DataObject):
    """Revision data object: the only way to tell R3.0, R3.1 and R3.2 apart."""

    LAYOUT = layout(
        {
            "revision_major": (31, 28),
            "revision_minor": (27, 24),
            "version_major": (23, 20),
            "version_minor": (19, 16),
        }
    )

    revision_major: int
    revision_minor: int
    version_major: int
    version_minor: int

    @property
    def text(self) -> str:
        """Such as ``R3.1 V1.8``."""
        return f"R{self.revision_major}.{self.revision_minor} V{self.version_major}.{self.version_minor}"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertObject(DataObject):
    """Alert data object, from memory, high."""

    LAYOUT = layout(
        {
            "extended_alert_event": 31,
            "over_voltage": 30,
            "source_input_change": 29,
            "operating_condition_change": 28,
            "over_temperature": 27,
            "over_current": 26,
            "battery_status_change": 25,
            "fixed_batteries": (23, 20),
            "hot_swappable_batteries": (19, 16),
            "extended_alert_event_type": (3, 0),
        }
    )

    extended_alert_event: bool = False
    over_voltage: bool = False
    source_input_change: bool = False
    operating_condition_change: bool = False
    over_temperature: bool = False
    over_current: bool = False
    battery_status_change: bool = False
    fixed_batteries: int = 0
    hot_swappable_batteries: int = 0
    extended_alert_event_type: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BistObject(DataObject):
    """BIST data object; modes 5 carrier, 8 test data, 9 and 10 shared test mode entry and exit."""

    LAYOUT = layout({"mode": (31, 28)})

    mode: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DataBlock:
    """Base of the byte payloads of extended messages: little-endian fields, every byte kept."""

    FIELDS: ClassVar[tuple[tuple[str, int], ...]]
    # Shortest payload accepted: fields that later revisions added may be missing and are None.
    SHORTEST: ClassVar[int]

    trailing: bytes = field(default=b"")

    @classmethod
    def decode(cls, payload: bytes) -> Self:
        """Decode a payload.

        Parameters
        ----------
        payload
            Bytes after the extended header, without padding.

        Returns
        -------
        Self
            The block; bytes past the known fields are kept in ``trailing``.

        Raises
        ------
        WordError
            If the payload is shorter than the first revision that had the message made it.
        """
        if len(payload) < cls.SHORTEST:
            raise WordError(f"{cls.__name__} needs at least {cls.SHORTEST} bytes, got {len(payload)}")
        parts: dict[str, Any] = {}
        at = 0
        for name, size in cls.FIELDS:
            piece = payload[at : at + size]
            parts[name] = int.from_bytes(piece, "little") if len(piece) == size else None
            at += size
        return cls(trailing=payload[at:], **parts)

    def encode(self) -> bytes:
        """Encode to the payload.

        Returns
        -------
        bytes
            The very bytes that were decoded.

        Raises
        ------
        WordError
            If a field does not fit its bytes, or one after a missing field is present.
        """
        out = bytearray()
        ended = False
        for name, size in self.FIELDS:
            value = getattr(self, name)
            if value is None:
                ended = True
            elif ended:
                raise WordError(f"{type(self).__name__}.{name} follows a missing field")
            elif not 0 <= value < 1 << 8 * size:
                raise WordError(f"{type(self).__name__}.{name} = {value} does not fit {size} bytes")
            else:
                out += int(value).to_bytes(size, "little")
        return bytes(out) + self.trailing


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceCapabilitiesExtended(DataBlock):
    """Source_Capabilities_Extended, 25 bytes in R3.1 and later, 24 before; from memory, high."""

    FIELDS = (
        ("vendor_id", 2),
        ("product_id", 2),
        ("xid", 4),
        ("firmware_version", 1),
        ("hardware_version", 1),
        ("voltage_regulation", 1),
        ("holdup_time_ms", 1),
        ("compliance", 1),
        ("touch_current", 1),
        ("peak_current_1", 2),
        ("peak_current_2", 2),
        ("peak_current_3", 2),
        ("touch_temperature", 1),
        ("source_inputs", 1),
        ("batteries", 1),
        ("spr_pdp_rating_raw", 1),
        ("epr_pdp_rating_raw", 1),
    )
    SHORTEST = 24

    vendor_id: int
    product_id: int
    xid: int
    firmware_version: int
    hardware_version: int
    voltage_regulation: int
    holdup_time_ms: int
    compliance: int
    touch_current: int
    peak_current_1: int
    peak_current_2: int
    peak_current_3: int
    touch_temperature: int
    source_inputs: int
    batteries: int
    spr_pdp_rating_raw: int
    epr_pdp_rating_raw: int | None

    @property
    def holdup_time_s(self) -> float:
        """Hold-up time the source claims on loss of its input [s]; 0 means not stated."""
        return self.holdup_time_ms / 1000

    @property
    def spr_pdp_rating_w(self) -> float:
        """SPR source PDP rating [W]."""
        return float(self.spr_pdp_rating_raw)

    @property
    def epr_pdp_rating_w(self) -> float | None:
        """EPR source PDP rating [W]; ``None`` in a message of 24 bytes."""
        return None if self.epr_pdp_rating_raw is None else float(self.epr_pdp_rating_raw)


@dataclass(frozen=True, slots=True, kw_only=True)
class PpsStatus(DataBlock):
    """PPS_Status, 4 bytes; from memory, high."""

    FIELDS = (("output_voltage_raw", 2), ("output_current_raw", 1), ("real_time_flags", 1))
    SHORTEST = 4

    output_voltage_raw: int
    output_current_raw: int
    real_time_flags: int

    @property
    def output_voltage_v(self) -> float | None:
        """Output voltage as the source reads it [V]; ``None`` when not supported (0xFFFF)."""
        return None if self.output_voltage_raw == 0xFFFF else self.output_voltage_raw * 20 / 1000

    @property
    def output_current_a(self) -> float | None:
        """Output current as the source reads it [A]; ``None`` when not supported (0xFF)."""
        return None if self.output_current_raw == 0xFF else self.output_current_raw * 50 / 1000

    @property
    def current_limit_mode(self) -> bool:
        """Whether the source is limiting the current."""
        return bool(self.real_time_flags & 0x08)

    @property
    def temperature(self) -> str | None:
        """``normal``, ``warning`` or ``over``; ``None`` when not supported."""
        return (None, "normal", "warning", "over")[self.real_time_flags >> 1 & 3]


@dataclass(frozen=True, slots=True, kw_only=True)
class Status(DataBlock):
    """Status, 7 bytes (6 in early R3.0, from memory, medium); from memory, high."""

    FIELDS = (
        ("internal_temperature", 1),
        ("present_input", 1),
        ("present_battery_input", 1),
        ("event_flags", 1),
        ("temperature_status", 1),
        ("power_status", 1),
        ("power_state_change", 1),
    )
    SHORTEST = 6

    internal_temperature: int
    present_input: int
    present_battery_input: int
    event_flags: int
    temperature_status: int
    power_status: int
    power_state_change: int | None

    @property
    def over_current(self) -> bool:
        """Over-current event."""
        return bool(self.event_flags & 0x02)

    @property
    def over_temperature(self) -> bool:
        """Over-temperature event."""
        return bool(self.event_flags & 0x04)

    @property
    def over_voltage(self) -> bool:
        """Over-voltage event."""
        return bool(self.event_flags & 0x08)

    @property
    def current_limit_mode(self) -> bool:
        """Whether the source is limiting the current."""
        return bool(self.event_flags & 0x10)

    @property
    def limited_by_cable(self) -> bool:
        """Whether the cable's current rating limits the power (from memory, medium)."""
        return bool(self.power_status & 0x02)

    @property
    def limited_by_other_ports(self) -> bool:
        """Whether other ports share the supply (from memory, medium)."""
        return bool(self.power_status & 0x04)

"""The state machine of one port: delivered frames in, events, negotiations and timings out.

Order of messages in each sequence: public protocol stacks and public logs; that a soft reset keeps
VBUS and a hard reset voids every contract is from memory, high; the renegotiation sub-cases and the
ways out of EPR mode are from memory, medium.
"""

from dataclasses import dataclass, field
from functools import lru_cache

from brickbook.usbpd.chunks import ChunkAssembler
from brickbook.usbpd.errors import MessageError, UsbPdError
from brickbook.usbpd.events import (
    Answer,
    AnswerGiven,
    Attached,
    CapabilitiesOffered,
    Contract,
    ContractEnded,
    ContractMade,
    Detached,
    EprEntered,
    EprEntryFailed,
    EprExited,
    Event,
    HardReset,
    KeepAlive,
    Negotiation,
    NegotiationKind,
    Oddity,
    Outcome,
    RequestMade,
    SoftReset,
    SupplyReady,
    VbusLost,
    VbusRestored,
)
from brickbook.usbpd.messages import (
    ControlType,
    DataType,
    ExtendedControlType,
    ExtendedType,
    Message,
    Sender,
    Sop,
    frame_duration_s,
)
from brickbook.usbpd.pdo import decode_source_pdo
from brickbook.usbpd.rdo import RequestDataObject, decode_epr_request, decode_request
from brickbook.usbpd.records import LoggedMessage
from brickbook.usbpd.reports import EprAction, EprModeObject
from brickbook.usbpd.supplies import PdoKind, PowerDataObject
from brickbook.usbpd.timers import TimerMeasurement, judge_sender_response, judge_timer

# A loss of VBUS belongs to a hard reset when it comes this soon after it: tPSHardReset of 35 ms and
# tSafe0V of 650 ms, with some room for late sources (room: common practice, no source).
_HARD_RESET_FALL_S = 1.5
# Silence before capabilities with MessageID 0 that tells a restart no reset was logged for.
_RESTART_SILENCE_S = 0.3
# A request this long after a refusal starts a negotiation of its own (common practice, no source).
_REFUSAL_OPEN_S = 1.0
# Repeats further apart than this were not set off by one another (common practice, no source).
_REPEAT_LIMIT_S = 1.0


@dataclass(frozen=True, slots=True)
class StampSettings:
    """What a log's time stamps mean.

    ``at_frame_end`` is false when a stamp is the start of its frame; ``uncertainty_s`` is how far
    a difference of two stamps can be off, such as 1 ms to 5 ms for software stamps [s].
    """

    at_frame_end: bool = False
    uncertainty_s: float = 0.0


# A source sends the same few sets again and again.
@lru_cache(maxsize=1024)
def _decode_set(words: tuple[int, ...]) -> tuple[PowerDataObject, ...]:
    return tuple(decode_source_pdo(word) for word in words)


@dataclass(slots=True)
class _Open:
    """A negotiation under way."""

    kind: NegotiationKind
    start_s: float
    before: Contract | None
    last_s: float
    accept_s: float | None = None
    first_capabilities_s: float | None = None
    waits: int = 0
    rejects: int = 0
    refused_s: float | None = None
    asked: bool = False
    inferred: bool = False


@dataclass(slots=True)
class _Pending:
    """A request not yet answered, or accepted and not yet ready."""

    request: RequestDataObject
    pdo: PowerDataObject | None
    epr: bool
    end_s: float
    accepted_s: float | None = None


@dataclass(slots=True)
class PortMachine:
    """State of one port; ``take`` its delivered frames in order of time, then ``finish``."""

    stamps: StampSettings
    events: list[Event] = field(default_factory=list)
    contracts: list[Contract] = field(default_factory=list)
    negotiations: list[Negotiation] = field(default_factory=list)
    timers: list[TimerMeasurement] = field(default_factory=list)
    refresh_count: int = 0
    unanswered_offers: int = 0
    heard: bool = False
    vbus_span_s: tuple[float, float] | None = None
    attached: bool = False
    spr: tuple[PowerDataObject, ...] = ()
    contract: Contract | None = None
    open: _Open | None = None
    pending: _Pending | None = None
    lost_request: LoggedMessage | None = None
    epr_mode: bool = False
    epr_enter_s: float | None = None
    epr_enter_open: bool = False
    offer_end_s: float | None = None
    soft_reset_end_s: float | None = None
    wait_end_s: float | None = None
    hard_reset_s: float | None = None
    vbus_on_s: float | None = None
    source_id: int | None = None
    last_s: float | None = None
    last_sink_s: float | None = None
    pps_request_s: float | None = None
    get_source_cap_s: float | None = None
    quiet_offer_s: float | None = None
    quiet_identity_s: float | None = None
    chunk_end_s: float | None = None
    chunk_request_end_s: float | None = None
    chunks: ChunkAssembler = field(default_factory=ChunkAssembler)

    # --- time ---------------------------------------------------------------------------------

    def _begin(self, entry: LoggedMessage) -> float:
        if not self.stamps.at_frame_end or entry.message is None:
            return entry.time_s
        return entry.time_s - frame_duration_s(len(entry.message.payload))

    def _end(self, entry: LoggedMessage, good_crc_s: float | None) -> float:
        """End of the frame's GoodCRC, or of the frame when there is none."""
        if self.stamps.at_frame_end or entry.message is None:
            return entry.time_s if good_crc_s is None else good_crc_s
        if good_crc_s is None:
            return entry.time_s + frame_duration_s(len(entry.message.payload))
        return good_crc_s + frame_duration_s(0)

    def _time(self, name: str, start_s: float | None, end_s: float) -> None:
        if start_s is not None:
            self.timers.append(judge_timer(name, end_s - start_s, start_s, self.stamps.uncertainty_s))

    def _answer_time(self, start_s: float | None, end_s: float) -> None:
        """An answer has two limits: the answering side's, and what the asking side waits."""
        if start_s is None:
            return
        self._time("tReceiverResponse", start_s, end_s)
        self.timers.append(judge_sender_response(end_s - start_s, start_s, self.stamps.uncertainty_s))

    # --- inputs -------------------------------------------------------------------------------

    def undelivered(self, entry: LoggedMessage, *, first: bool) -> None:
        """Take note of a frame nobody acknowledged."""
        message = entry.message
        if message is None or not first:
            return
        kind = message.message_type
        begin_s = self._begin(entry)
        if kind is DataType.SOURCE_CAPABILITIES and self.contract is None:
            self.unanswered_offers += 1
            before, self.quiet_offer_s = self.quiet_offer_s, begin_s
            if before is not None and begin_s - before < _REPEAT_LIMIT_S:
                self._time("tTypeCSendSourceCap", before, begin_s)
            self._first_offer(begin_s)
        elif kind is DataType.REQUEST or kind is DataType.EPR_REQUEST:
            self.lost_request = entry
        elif kind is DataType.VENDOR_DEFINED and message.sop is Sop.SOP_PRIME:
            before, self.quiet_identity_s = self.quiet_identity_s, begin_s
            if before is not None and begin_s - before < _REPEAT_LIMIT_S:
                self._time("tDiscoverIdentity", before, begin_s)

    def vbus(self, time_s: float, *, there: bool, at_start: bool) -> None:
        """Take note of VBUS coming or going, or being there when its trace starts."""
        if at_start:
            self.attached = True
            return
        if there:
            if self.attached or self.contract is not None or self.open is not None:
                self.events.append(VbusRestored(time_s, -1))
            else:
                self.events.append(Attached(time_s, -1, inferred=False))
                self.attached = True
            self.vbus_on_s = time_s
            return
        self.events.append(VbusLost(time_s, -1))
        self.vbus_on_s = None
        by_reset = self.hard_reset_s is not None and time_s - self.hard_reset_s <= _HARD_RESET_FALL_S
        if not by_reset and (self.contract is not None or self.open is not None):
            before = self.contract
            self._forget(time_s, -1, "VBUS lost without a hard reset")
            self._start(NegotiationKind.SUPPLY_RESTART, time_s, before=before)

    def take(self, entry: LoggedMessage, good_crc_s: float | None) -> None:
        """Take the next delivered frame or reset."""
        message = entry.message
        if message is None:
            if entry.sop is Sop.HARD_RESET:
                self._hard_reset(entry)
            return
        if message.sop is not Sop.SOP:
            return
        end_s = self._end(entry, good_crc_s)
        begin_s = self._begin(entry)
        if not self.attached:
            self.attached = True
            if self.vbus_span_s is None:
                self.events.append(Attached(begin_s, entry.index, inferred=True))
        self.heard = True
        kind = message.message_type
        sender = message.header.sender
        if sender is Sender.SOURCE:
            self._restart_check(message, begin_s)
            self.source_id = message.header.message_id
        handler = (
            {
                DataType.SOURCE_CAPABILITIES: self._offer,
                DataType.REQUEST: self._request,
                DataType.EPR_REQUEST: self._request,
                DataType.EPR_MODE: self._epr_mode,
                ControlType.ACCEPT: self._answer,
                ControlType.REJECT: self._answer,
                ControlType.WAIT: self._answer,
                ControlType.PS_RDY: self._ready,
                ControlType.SOFT_RESET: self._soft_reset,
                ControlType.GET_SOURCE_CAP: self._get_source_cap,
                ExtendedType.EPR_SOURCE_CAPABILITIES: self._epr_offer,
                ExtendedType.EXTENDED_CONTROL: self._extended_control,
            }.get(kind)
            if kind is not None
            else None
        )
        if handler is not None:
            handler(entry, message, begin_s, end_s)
        if sender is Sender.SINK:
            self.last_sink_s = end_s
        self.last_s = end_s

    def finish(self) -> None:
        """Close what is still open at the end of the log."""
        lost = [event for event in self.events if isinstance(event, VbusLost | VbusRestored)]
        if lost and isinstance(lost[-1], VbusLost):
            self.events.append(Detached(lost[-1].time_s, -1))
        self._close_refused()
        if self.open is not None:
            self._close(self.open.last_s, Outcome.NONE, None)

    # --- negotiations -------------------------------------------------------------------------

    def _start(
        self,
        kind: NegotiationKind,
        time_s: float,
        *,
        before: Contract | None,
        inferred: bool = False,
    ) -> _Open:
        if self.open is not None:
            # The first loss counts: a restart inside a restart has the same contract before it.
            before = before or self.open.before
            self._close(self.open.last_s, Outcome.NONE, None)
        self.open = _Open(kind, time_s, before, time_s, inferred=inferred)
        return self.open

    def _close(self, time_s: float, outcome: Outcome, after: Contract | None) -> None:
        under_way = self.open
        if under_way is None:
            return
        self.open = None
        self.negotiations.append(
            Negotiation(
                under_way.kind,
                under_way.start_s,
                time_s,
                outcome,
                under_way.before,
                after,
                under_way.accept_s,
                under_way.first_capabilities_s,
                under_way.waits,
                under_way.rejects,
                under_way.asked,
                under_way.inferred,
            )
        )

    def _close_refused(self) -> None:
        if self.open is not None and self.open.refused_s is not None:
            kept = Outcome.KEPT if self.contract is not None else Outcome.NONE
            self._close(self.open.refused_s, kept, self.contract)

    def _forget(self, time_s: float, row: int, reason: str) -> None:
        """Void contract, capabilities and EPR mode."""
        if self.contract is not None:
            self.events.append(ContractEnded(time_s, row, self.contract, reason))
            self.contract = None
        if self.epr_mode:
            self.epr_mode = False
            self.events.append(EprExited(time_s, row, reason))
        self.spr = ()
        self.pending = self.lost_request = None
        self.epr_enter_s = self.offer_end_s = self.soft_reset_end_s = self.wait_end_s = None
        self.source_id = self.last_sink_s = self.pps_request_s = self.get_source_cap_s = None
        self.chunk_end_s = self.chunk_request_end_s = None
        self.chunks.reset()

    def _restart_check(self, message: Message, begin_s: float) -> None:
        """Tell a restart that no reset was logged for from the source's MessageID."""
        if (
            self.contract is None
            or message.message_type is not DataType.SOURCE_CAPABILITIES
            or message.header.message_id != 0
            or self.source_id in (None, 7)
            or self.last_s is None
            or begin_s - self.last_s < _RESTART_SILENCE_S
        ):
            return
        span = self.vbus_span_s
        if span is not None and span[0] <= self.last_s and begin_s <= span[1]:
            # A loss would have shown in the trace, and have voided the contract before.
            self.events.append(Oddity(begin_s, -1, "MessageIDs start again without a reset or a loss of VBUS"))
            return
        before, since_s = self.contract, self.last_s
        self._forget(begin_s, -1, "MessageIDs start again without a logged reset")
        self._start(NegotiationKind.SUPPLY_RESTART, since_s, before=before, inferred=True)

    def _first_offer(self, begin_s: float) -> None:
        if self.vbus_on_s is not None:
            self._time("tFirstSourceCap", self.vbus_on_s, begin_s)
            self.vbus_on_s = None

    # --- messages -----------------------------------------------------------------------------

    def _hard_reset(self, entry: LoggedMessage) -> None:
        time_s = entry.time_s
        self.events.append(HardReset(time_s, entry.index))
        if self.epr_mode and self.last_sink_s is not None and time_s - self.last_sink_s > 0.5:
            self._time("tSourceEPRKeepAlive", self.last_sink_s, time_s)
        before = self.contract
        self._forget(time_s, entry.index, "hard reset")
        self._start(NegotiationKind.HARD_RESET, time_s, before=before)
        self.hard_reset_s = time_s
        self.vbus_on_s = None

    def _soft_reset(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        self.events.append(SoftReset(begin_s, entry.index, message.header.sender))
        if self.open is None or self.open.kind is not NegotiationKind.HARD_RESET:
            self._start(NegotiationKind.SOFT_RESET, begin_s, before=self.contract)
        self.soft_reset_end_s = end_s
        self.pending = None
        self.source_id = None
        self.chunks.reset()

    def _get_source_cap(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        del entry, begin_s
        if message.header.sender is Sender.SINK:
            self.get_source_cap_s = end_s

    def _offer(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        objects = _decode_set(message.objects)
        self.events.append(CapabilitiesOffered(begin_s, entry.index, message.objects, objects, epr=False))
        if self.epr_mode:
            self.events.append(Oddity(begin_s, entry.index, "Source_Capabilities in EPR mode, a protocol error"))
        self.spr = objects
        self._offered(begin_s, end_s)

    def _offered(self, begin_s: float, end_s: float) -> None:
        self._first_offer(begin_s)
        self._close_refused()
        under_way = self.open
        if under_way is None:
            kind = NegotiationKind.FIRST_CONTRACT if self.contract is None else NegotiationKind.SOURCE_OFFER
            under_way = self._start(kind, begin_s, before=self.contract)
            asked_s = self.get_source_cap_s
            under_way.asked = asked_s is not None and begin_s - asked_s < _REPEAT_LIMIT_S
        if under_way.first_capabilities_s is None:
            under_way.first_capabilities_s = begin_s
        under_way.last_s = end_s
        self.offer_end_s = end_s
        self.quiet_offer_s = self.get_source_cap_s = None
        self.pending = None

    def _epr_offer(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        extended = message.extended_header
        assert extended is not None
        if extended.request_chunk:
            self._time("tChunkSenderRequest", self.chunk_end_s, begin_s)
            self.chunk_request_end_s, self.chunk_end_s = end_s, None
            return
        self._time("tChunkSenderResponse", self.chunk_request_end_s, begin_s)
        self.chunk_request_end_s = None
        faults = len(self.chunks.faults)
        whole = self.chunks.feed(message)
        self.events.extend(Oddity(begin_s, entry.index, fault) for fault in self.chunks.faults[faults:])
        self.chunk_end_s = None if whole is not None else end_s
        if whole is None:
            return
        objects = _decode_set(whole.objects)
        self.events.append(CapabilitiesOffered(begin_s, entry.index, whole.objects, objects, epr=True))
        if not self.epr_mode:
            self.events.append(Oddity(begin_s, entry.index, "EPR_Source_Capabilities outside EPR mode"))
        self._offered(begin_s, end_s)

    def _request(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        epr = message.message_type is DataType.EPR_REQUEST
        pdo: PowerDataObject | None
        try:
            if epr:
                request, pdo = decode_epr_request(message.objects)
            else:
                position = message.objects[0] >> 28
                pdo = self.spr[position - 1] if 1 <= position <= len(self.spr) else None
                request = decode_request(message.objects[0], pdo)
        except (UsbPdError, MessageError) as error:
            self.events.append(Oddity(begin_s, entry.index, str(error)))
            return
        self.lost_request = None
        self.events.append(RequestMade(begin_s, entry.index, request, pdo, epr))
        if pdo is None and self.spr:
            self.events.append(
                Oddity(
                    begin_s,
                    entry.index,
                    f"request of object {request.object_position}, which was not offered",
                )
            )
        self._answer_time(self.offer_end_s, begin_s)
        self._time("tSinkRequest", self.wait_end_s, begin_s)
        if self.contract is not None and self.contract.pdo.kind is PdoKind.PPS:
            self._time("tPPSRequest", self.pps_request_s, begin_s)
        self.pps_request_s = end_s
        self.offer_end_s = self.wait_end_s = None
        refused_s = self.open.refused_s if self.open is not None else None
        if refused_s is not None and begin_s - refused_s > _REFUSAL_OPEN_S:
            self._close_refused()
        under_way = self.open
        if under_way is None:
            kind = NegotiationKind.FIRST_CONTRACT if self.contract is None else NegotiationKind.SINK_REQUEST
            under_way = self._start(kind, begin_s, before=self.contract)
        under_way.refused_s = None
        under_way.last_s = end_s
        self.pending = _Pending(request, pdo, epr, end_s)

    def _answer(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        answer = Answer(message.name)
        if self.soft_reset_end_s is not None and answer is Answer.ACCEPT:
            self._answer_time(self.soft_reset_end_s, begin_s)
            self.soft_reset_end_s = None
            self.events.append(AnswerGiven(begin_s, entry.index, answer, "Soft_Reset"))
            if self.open is not None:
                self.open.last_s = end_s
            return
        if message.header.sender is not Sender.SOURCE:
            return
        lost = self.lost_request
        if self.pending is None and lost is not None and lost.message is not None:
            self.events.append(Oddity(lost.time_s, lost.index, "request answered though its GoodCRC is not logged"))
            self._request(lost, lost.message, self._begin(lost), self._end(lost, None))
        if self.pending is None or self.pending.accepted_s is not None:
            return
        self._answer_time(self.pending.end_s, begin_s)
        self.events.append(AnswerGiven(begin_s, entry.index, answer, "Request"))
        assert self.open is not None
        self.open.last_s = end_s
        if answer is Answer.ACCEPT:
            self.pending.accepted_s = end_s
            self.open.accept_s = end_s
            return
        self.pending = None
        self.open.refused_s = end_s
        if answer is Answer.WAIT:
            self.open.waits += 1
            self.wait_end_s = end_s
        else:
            self.open.rejects += 1

    def _ready(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        pending = self.pending
        if message.header.sender is not Sender.SOURCE or pending is None or pending.accepted_s is None:
            return
        self.pending = None
        self.events.append(SupplyReady(begin_s, entry.index))
        if pending.pdo is None:
            self.events.append(Oddity(begin_s, entry.index, "contract on an object that is not in the log"))
            self._close(end_s, Outcome.NONE, None)
            return
        contract = Contract(begin_s, pending.request, pending.pdo, pending.epr)
        self._transition_time(contract, pending.accepted_s, begin_s)
        under_way = self.open
        refresh = (
            under_way is not None
            and under_way.kind is NegotiationKind.SINK_REQUEST
            and contract.same_terms(self.contract)
        )
        if refresh:
            self.open = None
            self.refresh_count += 1
            return
        self.contract = contract
        self.contracts.append(contract)
        self.events.append(ContractMade(begin_s, entry.index, contract))
        self._close(begin_s, Outcome.CONTRACT, contract)

    def _transition_time(self, contract: Contract, accepted_s: float, ready_s: float) -> None:
        kind = contract.pdo.kind
        before = self.contract.voltage_v if self.contract is not None else 5.0
        step_v = abs((contract.voltage_v or 0.0) - before) if before is not None else None
        # A hair of room: 9.1 V - 9.0 V is not exactly 0.1 V.
        if kind is PdoKind.PPS and step_v is not None:
            size = "Small" if step_v <= 0.5 + 1e-9 else "Large"
            self._time(f"tPpsSrcTrans{size}", accepted_s, ready_s)
        elif kind in (PdoKind.SPR_AVS, PdoKind.EPR_AVS) and step_v is not None:
            size = "Small" if step_v <= 1.0 + 1e-9 else "Large"
            self._time(f"tAvsSrcTrans{size}", accepted_s, ready_s)
        else:
            name = "tSrcTransition + tSrcReady" + (" (EPR)" if contract.epr else "")
            self._time(name, accepted_s, ready_s)

    def _epr_mode(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        mode = EprModeObject.decode(message.objects[0])
        action = mode.action
        if action is EprAction.ENTER:
            self.epr_enter_s = end_s
            self.epr_enter_open = True
            self._close_refused()
            self._start(NegotiationKind.EPR_ENTRY, begin_s, before=self.contract)
        elif action is EprAction.ENTER_ACKNOWLEDGED:
            if self.epr_enter_open:
                self._answer_time(self.epr_enter_s, begin_s)
            self.epr_enter_open = False
        elif action is EprAction.ENTER_SUCCEEDED:
            self._time("tEnterEPR", self.epr_enter_s, begin_s)
            self.epr_enter_s = None
            self.epr_mode = True
            self.last_sink_s = None
            self.events.append(EprEntered(begin_s, entry.index))
        elif action is EprAction.ENTER_FAILED:
            self._time("tEnterEPR", self.epr_enter_s, begin_s)
            self.epr_enter_s = None
            self.events.append(EprEntryFailed(begin_s, entry.index, mode.failure or ""))
            if self.open is not None and self.open.kind is NegotiationKind.EPR_ENTRY:
                kept = Outcome.KEPT if self.contract is not None else Outcome.NONE
                self._close(begin_s, kept, self.contract)
        elif action is EprAction.EXIT:
            self.epr_mode = False
            self.events.append(EprExited(begin_s, entry.index, f"EPR_Mode Exit by the {message.header.sender}"))
            if self.contract is not None and self.contract.object_position > 7:
                self.events.append(Oddity(begin_s, entry.index, "EPR_Mode Exit while an EPR object is in force"))
            self._close_refused()
            self._start(NegotiationKind.EPR_EXIT, begin_s, before=self.contract)
        else:
            self.events.append(Oddity(begin_s, entry.index, f"EPR_Mode with reserved action {mode.action_raw}"))
        if self.open is not None:
            self.open.last_s = end_s

    def _extended_control(self, entry: LoggedMessage, message: Message, begin_s: float, end_s: float) -> None:
        kind = message.extended_control
        if kind is ExtendedControlType.EPR_KEEP_ALIVE:
            self._time("tSinkEPRKeepAlive", self.last_sink_s, begin_s)
            self.events.append(KeepAlive(begin_s, entry.index))
        elif kind is ExtendedControlType.EPR_KEEP_ALIVE_ACK:
            self._answer_time(self.last_sink_s, begin_s)
        elif kind is ExtendedControlType.EPR_GET_SOURCE_CAP:
            self.get_source_cap_s = end_s

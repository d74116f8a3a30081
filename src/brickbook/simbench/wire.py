"""Charger and device talking on one port: attachment, offers, requests, changes of supply, message by message.

A session is a process: a generator that does something and yields how long it waits. Times are drawn inside the limits
of the USB Power Delivery specification (the tables of `usbpd.timers`, whose marks "from memory" hold here, too).
Ports without USB PD have a session as well; theirs only switches VBUS.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from typing import TYPE_CHECKING

from brickbook.simbench.offers import Offer, legacy_modes, port_offers
from brickbook.usbpd import (
    PD_SVID,
    UNMARKED_CABLE_CURRENT_A,
    AvsRequest,
    CableHeader,
    ControlType,
    DataType,
    EprAction,
    EprModeObject,
    ExtendedHeader,
    ExtendedType,
    FixedRequest,
    IdentityHeader,
    Message,
    PassiveCableVdo,
    PortHeader,
    PpsRequest,
    Sop,
    StructuredVdmHeader,
    VdmCommand,
    VdmCommandType,
    chunk_request,
    frame_duration_s,
    split_chunks,
)

if TYPE_CHECKING:
    from brickbook.simbench.world import PortState, Timer, World

__all__ = ["PortSession"]

Steps = Generator[float, None, None]
_BIT_RATE_HZ = 301_400.0
_SEND_CAPS_S = 0.150  # tTypeCSendSourceCap, 100 ms to 200 ms


class PortSession:
    """The talk on one port, from plug to unplug.

    Parameters
    ----------
    world
        The world it happens in.
    port
        Id of the port.
    """

    def __init__(self, world: World, port: str) -> None:
        self._world = world
        self._port = port
        self.offers: tuple[Offer, ...] = ()
        self.in_epr = False
        self.wanted: tuple[Offer, float, float] | None = None  # what the device was told to ask for: offer, V, A
        self.refused = 0
        self._ids = {True: 0, False: 0}
        self._device_spoke_s = 0.0
        self._process: Steps | None = None
        self._timer: Timer | None = None
        self._waiting = False
        self._mail: list[str] = []

    @property
    def _state(self) -> PortState:
        return self._world.ports[self._port]

    @property
    def quiet(self) -> bool:
        """Whether nothing is being negotiated."""
        return self._process is None or (self._waiting and not self._mail)

    # What the world tells the session

    def power_up(self, *, known: bool = False) -> None:
        """The charger works, or works again after an outage (`known`: the plug was debounced before)."""
        state = self._state
        if state.off:
            return
        if not state.port.is_pd:
            state.mode_v = self._lowest_v()
            self._world.ramp_vbus(self._port, state.mode_v, 3.0 * self._world.charger.primary.rise_s)
        elif state.attached:
            self._begin(self._whole_session(debounced=known))

    def power_down(self) -> None:
        """The output is off, at once."""
        self._end()
        state = self._state
        state.mode_v = 0.0
        volts = state.set_v(self._world.now_s)
        if volts > 0.0:
            # the load empties the output capacitor; without one its bleeder does, in half a second
            empty_s = self._world.charger.primary.output_f * volts / max(state.asked_a, 1e-6)
            self._world.ramp_vbus(self._port, 0.0, min(max(empty_s, 2e-4), 0.5))

    def attach(self) -> None:
        """A device has been plugged in."""
        self.wanted = None
        self.refused = 0
        if self._world.alive and not self._state.off and self._state.port.is_pd:
            self._begin(self._whole_session(debounced=False))

    def detach(self) -> None:
        """The device has been pulled out."""
        self._end()
        self.wanted = None
        state = self._state
        if state.port.is_pd:
            if state.set_v(self._world.now_s) > 0.0:
                self._world.ramp_vbus(self._port, 0.0, 0.060, 0.012)
        elif state.mode_v > self._lowest_v():
            state.mode_v = self._lowest_v()
            self._world.ramp_vbus(self._port, state.mode_v, 0.030, 0.012)

    def allot(self, watts: float, way: str) -> None:
        """The power the port may offer from now on [W], and how a device is told: "offer" or "reset"."""
        state = self._state
        before, state.allotted_w = state.allotted_w, watts
        if self._process is None or abs(watts - before) < 1e-6 or not self.offers:
            return
        if self._offers(watts) == self.offers:
            return
        state.giving_up = watts < before
        self._post("reset" if way == "reset" and watts < before else "offer")

    def recorder_started(self) -> None:
        """Somebody listens now: the device's keep-alives are worth drawing."""
        if self.in_epr and self._waiting:
            self._post("listen")

    def ask(self, position: int, volts: float, amps: float) -> None:
        """The device is told to ask for a place of the list; volts [V] matter for programmable supplies."""
        if not self._state.port.is_pd:
            self._ask_legacy(position)
            return
        offer = self.offers[position - 1]
        self.wanted = (offer, offer.max_v if offer.kind == "fixed" else volts, amps)
        self._post("request")

    def _ask_legacy(self, position: int) -> None:
        state = self._state
        volts = legacy_modes(state.port, state.port.nameplate_w)[position - 1][0]
        if abs(volts - state.mode_v) > 1e-9:
            step = abs(volts - state.mode_v)
            state.mode_v = volts
            self._world.ramp_vbus(self._port, volts, 0.004 * step, 0.020)

    def _lowest_v(self) -> float:
        return legacy_modes(self._state.port, math.inf)[0][0]

    # The process

    def _begin(self, steps: Steps) -> None:
        self._end()
        self._process = steps
        self._resume()

    def _end(self) -> None:
        if self._timer is not None:
            self._timer.cancelled = True
            self._timer = None
        process, self._process = self._process, None
        if process is not None:
            process.close()
        self._mail.clear()
        self._waiting = False
        self.offers = ()
        self.in_epr = False
        state = self._state
        state.contract = None
        state.giving_up = False

    def _resume(self) -> None:
        self._timer = None
        self._waiting = False
        process = self._process
        if process is None:
            return
        try:
            delay = next(process)
        except StopIteration:
            if self._process is process:
                self._process = None
            return
        if self._process is process and delay < math.inf:
            self._timer = self._world.after(delay, self._resume)

    def _post(self, what: str) -> None:
        if self._process is None:
            return
        if what not in self._mail:
            self._mail.append(what)
        if self._waiting:
            if self._timer is not None:
                self._timer.cancelled = True
            self._timer = self._world.after(0.0, self._resume)
            self._waiting = False

    def _between(self, low_s: float, high_s: float) -> float:
        return float(self._world.rng.uniform(low_s, high_s))

    def _whole_session(self, *, debounced: bool) -> Steps:
        world, state = self._world, self._state
        if not debounced:
            yield self._between(0.110, 0.160)  # tCCDebounce, 100 ms to 200 ms
        world.ramp_vbus(self._port, 5.0, 0.030)
        yield 0.030 + self._between(0.020, 0.040)
        if self._wants_marker():
            yield from self._ask_cable()
        yield self._between(0.030, 0.060)
        while world.others_giving_up(self._port):
            yield 0.005
        self._ids = {True: 0, False: 0}
        yield from self._offer_and_agree()
        if self._may_enter_epr():
            yield from self._enter_epr()
        while True:
            if not self._mail:
                state.giving_up = False
                keep_alive = self.in_epr and world.recording
                self._waiting = True
                # tSinkEPRKeepAlive: at most 500 ms after the device's last message
                quiet_s = world.now_s - self._device_spoke_s
                yield max(self._between(0.33, 0.42) - quiet_s, 0.010) if keep_alive else math.inf
                self._waiting = False
                if not self._mail:
                    if keep_alive:
                        yield from self._keep_alive()
                    continue
            match self._mail.pop(0):
                case "request":
                    yield from self._agree()
                case "reset":
                    yield from self._hard_reset()
                case "listen":
                    continue
                case _:
                    yield self._between(0.010, 0.040)
                    yield from self._offer_and_agree()

    def _offer_and_agree(self) -> Steps:
        state = self._state
        self.offers = self._offers(state.allotted_w)
        if "offer" in self._mail:
            self._mail.remove("offer")
        if self.in_epr:
            yield from self._send_epr_offers()
        else:
            yield from self._send(DataType.SOURCE_CAPABILITIES, [o.word for o in self.offers], source=True)
        yield self._between(0.0025, 0.007)  # tReceiverResponse: at most 15 ms
        yield from self._agree()
        state.giving_up = False

    def _choice(self) -> tuple[Offer, float, float, bool]:
        """What the device asks for of the present offers: offer, voltage, current, and whether it wanted more."""
        if self.wanted is not None:
            old, volts, amps = self.wanted
            for offer in self.offers:
                if offer.kind == old.kind and offer.min_v <= volts + 1e-9 and volts <= offer.max_v + 1e-9:
                    limit = offer.limit_a(volts)
                    return offer, volts, min(amps, limit), amps > limit + 1e-9
        first = self.offers[0]
        return first, first.max_v, first.current_a, self.wanted is not None

    def _agree(self) -> Steps:
        """Request, Accept, change of VBUS, PS_RDY."""
        world, state = self._world, self._state
        if "request" in self._mail:
            self._mail.remove("request")
        offer, volts, amps, short = self._choice()
        # the device must be down to its new current before it asks for it
        if world.surroundings.load_follows and short and state.set_a > amps > 0.0:
            world.set_load(self._port, amps=amps)
        word = _request_word(offer, volts, amps, short=short, epr=self.in_epr)
        if self.in_epr:
            yield from self._send(DataType.EPR_REQUEST, (word, offer.word), source=False)
        else:
            yield from self._send(DataType.REQUEST, (word,), source=False)
        yield self._between(0.0015, 0.006)
        if not self._acceptable(offer, volts, amps):
            self.refused += 1
            yield from self._send(ControlType.REJECT, source=True)
            return
        yield from self._send(ControlType.ACCEPT, source=True)
        self.refused = 0
        before_v = state.set_v(world.now_s)
        small = offer.kind == "pps" and abs(volts - before_v) <= 0.5 + 1e-9
        from brickbook.simbench.world import Contract  # noqa: PLC0415

        if small:
            # tPpsSrcTransSmall: at most 25 ms from Accept to PS_RDY
            delay, ramp = self._between(0.001, 0.002), 0.004 if abs(volts - before_v) > 1e-9 else 0.0
            after = self._between(0.004, 0.010)
        elif abs(volts - before_v) < 1e-9:
            delay, ramp, after = self._between(0.026, 0.034), 0.0, self._between(0.002, 0.006)
        else:
            # tSrcTransition 25 ms to 35 ms, then tSrcReady
            delay, ramp = self._between(0.0275, 0.032), 0.020 + 0.006 * abs(volts - before_v)
            after = self._between(0.010, 0.030)
        yield delay
        state.contract = Contract(offer, volts, amps)
        if ramp:
            world.ramp_vbus(self._port, volts, ramp)
        else:
            world.changed()
        yield ramp + after
        yield from self._send(ControlType.PS_RDY, source=True)

    def _acceptable(self, offer: Offer, volts: float, amps: float) -> bool:
        return (
            offer in self.offers
            and offer.min_v - 1e-9 <= volts <= offer.max_v + 1e-9
            and (amps <= offer.limit_a(volts) + 1e-9)
        )

    def _hard_reset(self) -> Steps:
        world, state = self._world, self._state
        self._mail = [what for what in self._mail if what not in ("reset", "offer")]
        world.record(world.now_s, self._port, Sop.HARD_RESET)
        yield self._between(0.028, 0.032)  # tPSHardReset, 25 ms to 35 ms
        fall_s = 0.006 * state.set_v(world.now_s)
        state.contract = None
        self.in_epr = False
        world.ramp_vbus(self._port, 0.0, fall_s)
        yield fall_s + self._between(0.80, 0.90)  # tSrcRecover, 0.66 s to 1.0 s
        state.giving_up = False
        world.ramp_vbus(self._port, 5.0, 0.040)
        yield 0.040 + self._between(0.110, 0.160)
        self._ids = {True: 0, False: 0}
        yield from self._offer_and_agree()
        if self._may_enter_epr():
            yield from self._enter_epr()

    def _offers(self, watts: float) -> tuple[Offer, ...]:
        world = self._world
        limit_a = 5.0 if world.surroundings.cable_marked else UNMARKED_CABLE_CURRENT_A
        revision = world.charger.policy.pd_revision
        return port_offers(self._state.port, watts, epr=self.in_epr, revision=revision, limit_a=limit_a)

    # The cable

    def _wants_marker(self) -> bool:
        """Whether the charger has more to give than a cable without a marker may carry."""
        outputs = self._state.port.outputs
        return any(output.current_a > UNMARKED_CABLE_CURRENT_A or output.top_voltage_v > 20.0 for output in outputs)

    def _ask_cable(self) -> Steps:
        """Discover Identity on SOP'; a cable without a marker does not answer, and is asked three times."""
        world = self._world
        ask = [StructuredVdmHeader(command_raw=VdmCommand.DISCOVER_IDENTITY, svid=PD_SVID).encode()]
        asking = Message.from_words(
            CableHeader(object_count=1, type_raw=DataType.VENDOR_DEFINED.value).encode(), ask, Sop.SOP_PRIME
        )
        if not world.surroundings.cable_marked:
            for _ in range(3):
                yield self._put(asking) + self._between(0.0009, 0.0011)  # tReceive, 0.9 ms to 1.1 ms
            return
        answer = [
            StructuredVdmHeader(
                command_raw=VdmCommand.DISCOVER_IDENTITY, command_type_raw=VdmCommandType.ACK, svid=PD_SVID
            ).encode(),
            IdentityHeader(product_type_raw=3).encode(),  # passive cable
            0,
            0,
            PassiveCableVdo(epr_capable=True, max_voltage_raw=3, current_raw=2).encode(),
        ]
        head = CableHeader(object_count=len(answer), from_cable=True, type_raw=DataType.VENDOR_DEFINED.value)
        for message, from_cable in ((asking, False), (Message.from_words(head.encode(), answer, Sop.SOP_PRIME), True)):
            yield self._put(message) + self._between(60e-6, 150e-6)
            good = CableHeader(from_cable=not from_cable, type_raw=ControlType.GOOD_CRC.value)
            yield self._put(Message(Sop.SOP_PRIME, good)) + self._between(0.002, 0.006)

    def _put(self, message: Message) -> float:
        """A frame now; gives how long it takes [s]."""
        self._world.record(self._world.now_s, self._port, message)
        return frame_duration_s(len(message.payload), _BIT_RATE_HZ)

    # Extended power range

    def _may_enter_epr(self) -> bool:
        state, world = self._state, self._world
        return (
            not self.in_epr
            and world.surroundings.cable_marked
            and any(o.kind == "epr-avs" or (o.kind == "fixed" and o.top_voltage_v > 20.0) for o in state.port.outputs)
            and world.charger.policy.pd_revision == 3
        )

    def _enter_epr(self) -> Steps:
        """EPR_Mode up to Enter Succeeded, then the whole offer."""
        yield self._between(0.05, 0.08)
        for action, source, low_s in (
            (EprAction.ENTER, False, 0.004),
            (EprAction.ENTER_ACKNOWLEDGED, True, 0.004),
            (EprAction.ENTER_SUCCEEDED, True, 0.060),
        ):
            yield self._between(low_s, 1.5 * low_s)
            word = EprModeObject(action_raw=action.value, data=140 if action is EprAction.ENTER else 0).encode()
            yield from self._send(DataType.EPR_MODE, (word,), source=source)
        self.in_epr = True
        yield self._between(0.004, 0.006)
        yield from self._offer_and_agree()

    def _send_epr_offers(self) -> Steps:
        """EPR_Source_Capabilities in chunks, each but the first asked for."""
        data = b"".join(offer.word.to_bytes(4, "little") for offer in self.offers)
        head = PortHeader(
            extended=True,
            message_id=self._ids[True],
            from_source=True,
            data_role_dfp=True,
            type_raw=ExtendedType.EPR_SOURCE_CAPABILITIES.value,
        )
        for number, chunk in enumerate(split_chunks(head, data)):
            if number:
                yield self._between(0.002, 0.004)
                asking = PortHeader(
                    message_id=self._ids[False], type_raw=ExtendedType.EPR_SOURCE_CAPABILITIES.value, extended=True
                )
                self._ids[False] = (self._ids[False] + 1) % 8
                yield from self._frame(chunk_request(asking, number))
                yield self._between(0.002, 0.004)
            yield self._between(0.001, 0.002)
            self._ids[True] = (self._ids[True] + 1) % 8
            yield from self._frame(chunk)

    def _keep_alive(self) -> Steps:
        for source, code in ((False, 3), (True, 4)):
            head = ExtendedHeader(chunked=True, data_size=2).encode()
            yield from self._send(ExtendedType.EXTENDED_CONTROL, (head | code << 16,), source=source)
            if not source:
                yield self._between(0.002, 0.006)

    # Frames

    def _send(self, kind: ControlType | DataType | ExtendedType, words: Sequence[int] = (), *, source: bool) -> Steps:
        header = PortHeader(
            extended=isinstance(kind, ExtendedType),
            object_count=len(words),
            message_id=self._ids[source],
            from_source=source,
            data_role_dfp=source,
            type_raw=kind.value,
        )
        self._ids[source] = (self._ids[source] + 1) % 8
        if not source:
            self._device_spoke_s = self._world.now_s
        yield from self._frame(Message.from_words(header.encode(), words))

    def _frame(self, message: Message) -> Steps:
        """A frame and its GoodCRC; now and then the first try is lost and repeated."""
        assert isinstance(message.header, PortHeader)
        spent = 0.0
        tries = 2 if self._world.rng.random() < 0.012 else 1
        for number in range(tries):
            if number:
                spent += self._between(0.0009, 0.0011)  # tReceive, 0.9 ms to 1.1 ms
            self._world.record(self._world.now_s + spent, self._port, message)
            spent += frame_duration_s(len(message.payload), _BIT_RATE_HZ)
        answer = PortHeader(
            message_id=message.header.message_id,
            from_source=not message.header.from_source,
            data_role_dfp=not message.header.from_source,
            type_raw=ControlType.GOOD_CRC.value,
        )
        spent += self._between(60e-6, 150e-6)
        good = Message(message.sop, answer)
        self._world.record(self._world.now_s + spent, self._port, good)
        yield spent + frame_duration_s(len(good.payload), _BIT_RATE_HZ)


def _request_word(offer: Offer, volts: float, amps: float, *, short: bool, epr: bool) -> int:
    if offer.kind == "fixed":
        step = int(round(amps * 100, 6)) / 100
        word = FixedRequest.from_si(offer.position, step, step, capability_mismatch=short, epr_capable=epr)
        return int(word.encode())
    step = int(round(amps * 20, 6)) / 20
    if offer.kind == "pps":
        return int(PpsRequest.from_si(offer.position, volts, step).encode())
    return int(AvsRequest.from_si(offer.position, volts, step).encode())

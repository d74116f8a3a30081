"""Timers that a log of messages and a VBUS trace can show, and their judgement.

Limits with their sources; table numbers of the specification moved between releases, so sources are
public headers and stacks that quote them. ``from_memory`` tells what was not read anywhere.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from brickbook.usbpd.errors import UsbPdError


class TimerVerdict(StrEnum):
    """How a measured time compares with its limits."""

    WITHIN = "within"
    TOO_SHORT = "too short"
    TOO_LONG = "too long"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class TimerSpec:
    """A timer of the specification: limits [s], what it spans, and where they come from.

    ``None`` stands for a limit that the specification does not set or a log cannot show.
    """

    name: str
    min_s: float | None
    max_s: float | None
    span: str
    source: str
    from_memory: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class TimerMeasurement:
    """A measured time against its limits."""

    spec: TimerSpec
    value_s: float
    start_s: float
    verdict: TimerVerdict
    uncertainty_s: float

    @property
    def name(self) -> str:
        """Name of the timer."""
        return self.spec.name


def _ms(
    name: str,
    low: float | None,
    high: float | None,
    span: str,
    source: str,
    from_memory: str | None = None,
    note: str = "",
) -> TimerSpec:
    return TimerSpec(
        name,
        None if low is None else low / 1000,
        None if high is None else high / 1000,
        span,
        source,
        from_memory,
        note,
    )


_KERNEL = "public kernel header"
_STACK = "public stack citing R3.2 tables 6.68 and 6.69"
_RTOS = "public real-time system header citing R3.1 tables 6-68, 6-70, 7-24"
_CONTROLLER = "public controller header"
_SOURCE_STACK = "public source stacks"

_SPECS = (
    _ms(
        "tTypeCSendSourceCap",
        100,
        200,
        "Source_Capabilities without an answer → the next",
        f"{_KERNEL}; {_RTOS}",
    ),
    _ms(
        "tFirstSourceCap",
        None,
        250,
        "VBUS at 5 V → first Source_Capabilities",
        "public stack, second-hand",
    ),
    _ms(
        "tReceiverResponse",
        None,
        15,
        "Source_Capabilities → Request; Request, EPR_Mode or Soft_Reset → answer",
        _KERNEL,
        note="the answering side's limit; see judge_sender_response for the waiting side's",
    ),
    _ms("tSinkRequest", 100, None, "Wait → next Request", _KERNEL),
    _ms("tSrcTransition", 25, 35, "Accept → VBUS starts to move", _CONTROLLER),
    _ms("tSrcSettle", None, 275, "VBUS starts to move → inside its new limits", _SOURCE_STACK),
    _ms("tSrcSettle (EPR)", None, 700, "VBUS starts to move → inside its new limits", "R3.x", "medium"),
    _ms("tSrcReady", None, 285, "VBUS starts to move → PS_RDY", _SOURCE_STACK),
    _ms("tSrcReady (EPR)", None, 720, "VBUS starts to move → PS_RDY", "R3.x", "medium"),
    _ms(
        "tSrcTransition + tSrcReady",
        None,
        320,
        "Accept → PS_RDY, fixed SPR contract",
        f"{_CONTROLLER}; {_SOURCE_STACK}",
        note="sum of 35 ms and 285 ms, computed; the sink gives up after 450 ms to 550 ms",
    ),
    _ms(
        "tSrcTransition + tSrcReady (EPR)",
        None,
        755,
        "Accept → PS_RDY, EPR contract",
        f"{_CONTROLLER}; R3.x",
        "medium",
        "sum of 35 ms and 720 ms, computed; the sink gives up after 830 ms to 1020 ms",
    ),
    _ms(
        "tPpsSrcTransSmall",
        None,
        25,
        "Accept → PS_RDY, PPS step of at most 500 mV",
        _SOURCE_STACK,
    ),
    _ms("tPpsSrcTransLarge", None, 275, "Accept → PS_RDY, larger PPS step", _SOURCE_STACK),
    _ms("tAvsSrcTransSmall", None, 50, "Accept → PS_RDY, AVS step of at most 1 V", "kernel patch"),
    _ms("tAvsSrcTransLarge", None, 700, "Accept → PS_RDY, larger AVS step", "kernel patch"),
    _ms("tPPSRequest", None, 10_000, "Request → next Request under a PPS contract", _STACK),
    _ms("tPSHardReset", 25, 35, "Hard Reset → VBUS starts to fall", _RTOS),
    _ms("tSafe5V", None, 275, "VBUS starts to fall → at most 5.5 V", _RTOS),
    _ms("tSafe0V", None, 650, "VBUS starts to fall → below 0.8 V", f"{_KERNEL}; {_RTOS}"),
    _ms(
        "tSrcRecover",
        660,
        1000,
        "VBUS below 0.8 V → VBUS rises again",
        f"{_CONTROLLER}; {_KERNEL}",
        note="counted from vSafe0V (from memory, high)",
    ),
    _ms(
        "tSrcRecover (EPR)",
        1085,
        1425,
        "VBUS below 0.8 V → VBUS rises again",
        _SOURCE_STACK,
        "medium",
        "maximum read in a public stack, minimum from memory",
    ),
    _ms("tSrcTurnOn", None, 275, "VBUS leaves 0 V → 4.75 V", f"{_KERNEL}; {_SOURCE_STACK}"),
    _ms("tEnterEPR", None, 550, "EPR_Mode Enter → Succeeded or Failed", f"{_CONTROLLER}; {_STACK}"),
    _ms(
        "tSinkEPRKeepAlive",
        None,
        500,
        "message of the sink → its next, in EPR mode",
        f"{_CONTROLLER}; {_STACK}",
        note="a sink sends EPR_KeepAlive after 250 ms to 500 ms without another message",
    ),
    _ms(
        "tSourceEPRKeepAlive",
        750,
        1000,
        "last message of the sink → Hard Reset by the source, in EPR mode",
        _STACK,
    ),
    TimerSpec("tTransmit", None, 195e-6, "end of a frame → start of its GoodCRC", "R2.0 and later", "high"),
    TimerSpec("tInterFrameGap", 25e-6, None, "end of a frame → start of the next", "a PHY data sheet"),
    _ms(
        "tDiscoverIdentity",
        40,
        50,
        "Discover Identity on SOP' without an answer → the next",
        _CONTROLLER,
    ),
    _ms("tChunkSenderRequest", None, 30, "chunk → request for the next", _STACK),
    _ms("tChunkSenderResponse", None, 30, "chunk request → chunk", _STACK),
)

TIMERS: dict[str, TimerSpec] = {spec.name: spec for spec in _SPECS}

# tSenderResponse by where it is written. Early R3.1 and before: 24 ms to 30 ms; since R3.1 V1.5:
# 26 ms to 32 ms; R3.2: 27 ms to 33 ms; a note on R3.2 V1.2 gives 27 ms to 50 ms with a footnote
# that was not seen.
SENDER_RESPONSE_S: dict[str, tuple[float, float]] = {
    "R2.0": (0.024, 0.030),
    "R3.0": (0.024, 0.030),
    "R3.1": (0.026, 0.032),
    "R3.2": (0.027, 0.033),
}

SENDER_RESPONSE = TimerSpec(
    "tSenderResponse",
    None,
    0.024,
    "request → answer, before the asking side gives up",
    "public kernel header; public controller header; public stack citing R3.2 tables 6.68 and 6.69",
    note="24 ms to 33 ms depends on the revision of the asking side: undecided",
)


def judge_timer(name: str, value_s: float, start_s: float, uncertainty_s: float = 0.0) -> TimerMeasurement:
    """Judge a measured time.

    Parameters
    ----------
    name
        Name of the timer, a key of ``TIMERS``.
    value_s
        Measured time [s].
    start_s
        Time of the event it starts from, on the log's clock [s].
    uncertainty_s
        Half-width within which the true time lies; a limit closer than this leaves the verdict
        undecided [s].

    Returns
    -------
    TimerMeasurement
        The time, its limits and the verdict.

    Raises
    ------
    UsbPdError
        If there is no such timer, or the time is not finite.
    """
    if name not in TIMERS:
        raise UsbPdError(f"no timer {name!r}; known are {', '.join(TIMERS)}")
    return _judge(TIMERS[name], value_s, start_s, uncertainty_s)


def judge_sender_response(value_s: float, start_s: float, uncertainty_s: float = 0.0) -> TimerMeasurement:
    """Judge an answer against the time the asking side waits.

    The specification's tSenderResponse differs between releases (see ``SENDER_RESPONSE_S``):
    below 24 ms every release still waits, above 33 ms none does, and between the two the verdict is
    left undecided. That an answer is due within 15 ms is another timer, tReceiverResponse.

    Parameters
    ----------
    value_s
        From the request to the answer [s].
    start_s
        Time of the request [s].
    uncertainty_s
        Half-width within which the true time lies [s].

    Returns
    -------
    TimerMeasurement
        ``WITHIN``, ``UNDECIDED`` or ``TOO_LONG``.

    Raises
    ------
    UsbPdError
        If the time is not finite.
    """
    measured = _judge(SENDER_RESPONSE, value_s, start_s, uncertainty_s)
    longest = max(high for _, high in SENDER_RESPONSE_S.values())
    verdict = measured.verdict
    if verdict is TimerVerdict.TOO_LONG and value_s - uncertainty_s <= longest:
        verdict = TimerVerdict.UNDECIDED
    return TimerMeasurement(SENDER_RESPONSE, value_s, start_s, verdict, uncertainty_s)


def _judge(spec: TimerSpec, value_s: float, start_s: float, uncertainty_s: float) -> TimerMeasurement:
    if not (math.isfinite(value_s) and uncertainty_s >= 0):
        raise UsbPdError(
            f"{spec.name}: expected a finite time and an uncertainty of at least 0; got {value_s} and {uncertainty_s}"
        )
    low = -math.inf if spec.min_s is None else spec.min_s
    high = math.inf if spec.max_s is None else spec.max_s
    # A nanosecond of slack: times come from subtracting time stamps.
    slack = 1e-9
    if value_s + uncertainty_s < low - slack:
        verdict = TimerVerdict.TOO_SHORT
    elif value_s - uncertainty_s > high + slack:
        verdict = TimerVerdict.TOO_LONG
    elif value_s - uncertainty_s >= low - slack and value_s + uncertainty_s <= high + slack:
        verdict = TimerVerdict.WITHIN
    else:
        verdict = TimerVerdict.UNDECIDED
    return TimerMeasurement(spec, value_s, start_s, verdict, uncertainty_s)

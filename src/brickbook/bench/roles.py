"""What each role must be able to do: the words a dialect gives commands for.

An operation is something the runner asks of an instrument. A dialect says how it is put into that instrument's words;
placeholders in braces stand for what the runner fills in, in SI units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["OPERATIONS", "Operation"]

Kind = Literal["do", "numbers", "word", "text", "block"]


@dataclass(frozen=True, slots=True)
class Operation:
    """Something asked of an instrument.

    Parameters
    ----------
    what
        In words, for the reference and for messages.
    kind
        "do": sent, nothing comes back. "numbers": numbers come back; `gives` names them. "word": one of a few words
        comes back, which the dialect translates into "on", "off" or another of `words`. "text": a line. "block": an
        IEEE 488.2 block.
    fills
        Placeholders the runner can fill in.
    gives
        Names of the numbers that come back; empty: the dialect names them; "*": one for each channel asked.
    words
        Of a "word".
    needed
        Whether a dialect of the role must have it.
    """

    what: str
    kind: Kind = "do"
    fills: tuple[str, ...] = ()
    gives: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    needed: bool = False


_ON_OFF = ("on", "off")
_CH = ("channel",)

OPERATIONS: Mapping[str, Mapping[str, Operation]] = {
    "ac-source": {
        "set_voltage": Operation("sets the voltage, rms", fills=("voltage_v",), needed=True),
        "set_frequency": Operation("sets the frequency", fills=("frequency_hz",), needed=True),
        "output_on": Operation("switches the output on", needed=True),
        "output_off": Operation("switches the output off", needed=True),
        "output_state": Operation("whether the output is on", "word", words=_ON_OFF, needed=True),
        "read_set_voltage": Operation("the voltage it is set to", "numbers", gives=("voltage_v",)),
        "read_set_frequency": Operation("the frequency it is set to", "numbers", gives=("frequency_hz",)),
        "measure_voltage": Operation("the voltage at its output", "numbers", gives=("mains_voltage_v",)),
    },
    "ac-power-meter": {
        "read": Operation("one coherent set of readings", "numbers", needed=True),
        "read_harmonics": Operation("harmonics of the current", "numbers"),
        "set_range": Operation("sets the power range", fills=("power_w",)),
        "auto_range": Operation("lets it choose its range"),
        "read_range": Operation("the power range in use", "numbers", gives=("power_w",)),
    },
    "dc-load": {
        "set_current": Operation("sets a constant current", fills=("current_a", *_CH), needed=True),
        "input_on": Operation("switches a channel on", fills=_CH, needed=True),
        "input_off": Operation("switches a channel off", fills=_CH, needed=True),
        "input_state": Operation("whether a channel is on", "word", fills=_CH, words=_ON_OFF, needed=True),
        "set_protection": Operation("sets the current at which it opens by itself", fills=("current_a", *_CH)),
        "read_set_current": Operation("the current a channel is set to", "numbers", _CH, ("current_a",)),
        "read_voltage": Operation("voltages", "numbers", ("channels", *_CH), ("*",), needed=True),
        "read_current": Operation("currents", "numbers", ("channels", *_CH), ("*",), needed=True),
    },
    "dc-meter": {
        "read_voltage": Operation("voltages", "numbers", ("channels", *_CH), ("*",), needed=True),
        "read_current": Operation("currents", "numbers", ("channels", *_CH), ("*",)),
    },
    "voltmeter": {
        "read_voltage": Operation("the voltage", "numbers", _CH, ("voltage_v",), needed=True),
    },
    "temperature-logger": {
        "read_temperature": Operation("temperatures", "numbers", ("channels", *_CH), ("*",), needed=True),
    },
    "pd-sink": {
        "attach": Operation("plugs a sink in", fills=_CH, needed=True),
        "detach": Operation("takes a sink out", fills=_CH, needed=True),
        "capabilities": Operation("words the port offers", "text", _CH, needed=True),
        "request": Operation("asks for a mode", fills=("position", "voltage_v", "current_a", *_CH), needed=True),
        "contract": Operation(
            "mode, voltage and current agreed; zeros without a contract",
            "numbers",
            _CH,
            ("position", "voltage_v", "current_a"),
            needed=True,
        ),
        "legacy": Operation("older modes the port offers", "text", _CH),
    },
    "message-recorder": {
        "start": Operation("begins to record", needed=True),
        "stop": Operation("ends recording", needed=True),
        "messages": Operation("what a port said, as a message log", "block", _CH, needed=True),
        "events": Operation("what was plugged when, as port events", "block"),
        "vbus": Operation("the port's voltage meanwhile: CSV with a header, time (s) and voltage (V)", "block", _CH),
    },
    "oscilloscope": {
        "set_time": Operation("sets the length of a capture", fills=("time_s",), needed=True),
        "set_points": Operation("sets the number of samples", fills=("points",), needed=True),
        "set_range": Operation("sets top less bottom of the screen", fills=("range_v", *_CH), needed=True),
        "set_coupling": Operation("sets the coupling", fills=("coupling", *_CH), needed=True),
        "trigger_at_once": Operation("does not wait for a trigger", needed=True),
        "trigger_line": Operation("waits for the mains"),
        "trigger_channel": Operation("waits for a level on a channel", fills=("level_v", *_CH)),
        "trigger_plug": Operation("waits for mains or a device to be plugged"),
        "start": Operation("begins a capture, without waiting for it", needed=True),
        "preamble": Operation(
            "how the samples are to be read",
            "numbers",
            _CH,
            ("points", "interval_s", "start_s", "volts_per_count", "offset_v", "probe_ratio"),
            needed=True,
        ),
        "samples": Operation("the samples, 16-bit integers, least byte first", "block", _CH, needed=True),
    },
    "clock": {
        "now": Operation("bench time", "numbers", gives=("time_s",), needed=True),
        "wait": Operation("lets bench time pass", fills=("time_s",), needed=True),
    },
}

"""What the index says about a capture's channels, laid on what the file says.

A setting is a condition of the file, for all channels ("bits") or for one ("bits@CH2", the header as it stands in the
file). These keys are taken out of the capture's conditions: they describe the instrument, not the charger.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from brickbook.core.capture import Capture, Channel, Samples, Setting
from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.errors import Fault, ReadError
from brickbook.core.quantities import QUANTITIES, channel_of, column_name, quantity_of
from brickbook.core.shape import normalise_header
from brickbook.core.table import RawFile
from brickbook.readers.units import UnitProblem, conversion, split_header

__all__ = ["SETTINGS", "Found", "Labels", "capture_of"]

SETTINGS = (
    "acquisition",
    "bandwidth_hz",
    "bits",
    "byte_order",
    "centre",
    "column",
    "coupling",
    "full_scale",
    "gain",
    "interval_s",
    "noise",
    "offset",
    "probe_applied",
    "probe_ratio",
    "sample_rate_hz",
    "sample_type",
    "start_s",
    "u_noise_ratio",
    "unit",
)
_WORDS: Mapping[str, tuple[str, ...]] = {
    "acquisition": ("sample", "peak-detect", "average"),
    "coupling": ("dc", "ac"),
}
_TEXTS = ("acquisition", "byte_order", "column", "coupling", "sample_type", "unit")
_ABOVE_ZERO = (
    "bandwidth_hz",
    "bits",
    "full_scale",
    "interval_s",
    "probe_ratio",
    "sample_rate_hz",
)


@dataclass(frozen=True, slots=True)
class Labels:
    """What the index says about one file."""

    name: str
    raw: RawFile
    conditions: Conditions = field(default_factory=Conditions)
    instruments: Mapping[str, str] = field(default_factory=dict)
    ranges: Mapping[str, float] = field(default_factory=dict)

    def setting(self, key: str, header: str = "") -> Scalar | None:
        """A setting of one channel, or of all; `None` where it is not stated."""
        wanted = normalise_header(header)
        for name, value in self.conditions.items():
            stem, _, own = name.partition("@")
            if header and stem == key and own and normalise_header(own) == wanted:
                return self._checked(name, key, value)
        return self._checked(key, key, self.conditions[key]) if key in self.conditions else None

    def number(self, key: str, header: str = "") -> float | None:
        """The same as a number."""
        value = self.setting(key, header)
        return None if value is None else float(value)

    def text(self, key: str, header: str = "") -> str:
        """The same as text; empty where it is not stated."""
        value = self.setting(key, header)
        return "" if value is None else str(value)

    def rest(self) -> Conditions:
        """The conditions that are no settings."""
        return Conditions(tuple((k, v) for k, v in self.conditions.items() if k.partition("@")[0] not in SETTINGS))

    def fault(self, place: str, problem: str, remedy: str = "") -> ReadError:
        """An error about this file."""
        return ReadError(Fault(self.name, place, problem, remedy))

    def _checked(self, name: str, key: str, value: Scalar) -> Scalar:
        place = f"conditions.{name}"
        if key in _TEXTS:
            if not isinstance(value, str):
                raise self.fault(place, f"is text, this is {value!r}.")
            if key in _WORDS and value not in _WORDS[key]:
                raise self.fault(place, f"{value!r} is none of {', '.join(_WORDS[key])}.")
            return value
        if key == "probe_applied":
            if not isinstance(value, bool):
                raise self.fault(place, f"is true or false, this is {value!r}.")
            return value
        if isinstance(value, (str, bool)):
            raise self.fault(place, f"is a number, this is {value!r}.")
        if key in _ABOVE_ZERO and not value > 0:
            raise self.fault(place, f"must be above 0, this is {value:g}.")
        return value


@dataclass(frozen=True, slots=True)
class Found:
    """A channel as the file has it: value = gain * stored + offset, in `unit` (empty: not said).

    Parameters
    ----------
    calibrated
        Whether the file says what its numbers mean; numbers of a sound file or of bare codes are not.
    digital_scale
        For numbers that are a share of digital full scale: how many stored units full scale (peak to peak) is.
    """

    header: str
    samples: Samples
    unit: str = ""
    gain: float = 1.0
    offset: float = 0.0
    calibrated: bool = True
    digital_scale: float | None = None
    bits: float | None = None


def capture_of(
    labels: Labels,
    found: Sequence[Found],
    interval_s: float | None,
    *,
    start_s: float = 0.0,
    start: str = "",
    acquisition: Literal["sample", "peak-detect", "average"] = "sample",
    notes: Sequence[str] = (),
) -> Capture:
    """A capture from a file's channels and what the index says about them.

    Raises
    ------
    ReadError
        When nothing says what a channel or its numbers are, the index and the file contradict each other, or there is
        no sample interval.
    """
    if not found or not found[0].samples.count:
        raise labels.fault("", "holds no samples.", "Record it anew, or take its entry out of the index.")
    said = _interval(labels)
    if said is not None and interval_s is not None and abs(said - interval_s) > 1e-3 * interval_s:
        raise labels.fault(
            "conditions.interval_s",
            f"the index says {said:.6g} s from sample to sample, the file {interval_s:.6g} s.",
            "Correct the index: one of the two is wrong, and every time and frequency would be.",
        )
    interval = interval_s if interval_s is not None else said
    if interval is None:
        raise labels.fault(
            "", "does not say how far apart its samples are.", "Add interval_s or sample_rate_hz to its conditions."
        )
    if not interval > 0 or interval == float("inf"):
        raise labels.fault("", f"its sample interval is {interval:g} s; one above 0 is needed.")
    channels: list[Channel] = []
    unused: list[str] = []
    for one in found:
        column = _column(labels, one, alone=len(found) == 1)
        if column:
            channels.append(_channel(labels, one, column))
        else:
            unused.append(one.header or "(no header)")
    if not channels:
        raise labels.fault(
            "",
            f"nothing says what its channels are: {', '.join(unused)}.",
            'Add to its conditions, for example, "column@CH1" = "port_voltage_v@C1".',
        )
    columns = [channel.column for channel in channels]
    for column in columns:
        if columns.count(column) > 1:
            raise labels.fault("", f"two of its channels are said to be {column}.", "Correct its conditions.")
    more = [f"not used, as nothing says what it is: {', '.join(unused)}."] if unused else []
    word = labels.text("acquisition")
    stated: Literal["sample", "peak-detect", "average"] = (
        "peak-detect" if word == "peak-detect" else "average" if word == "average" else "sample"
    )
    begin = labels.number("start_s")
    return Capture(
        raw=labels.raw,
        interval_s=interval,
        channels=tuple(channels),
        start_s=start_s if begin is None else begin,
        conditions=labels.rest(),
        acquisition=stated if word else acquisition,
        start=start,
        notes=(*notes, *more),
    )


def _interval(labels: Labels) -> float | None:
    interval, rate = labels.number("interval_s"), labels.number("sample_rate_hz")
    if interval is not None and rate is not None and abs(interval * rate - 1.0) > 1e-6:
        raise labels.fault("conditions", f"interval_s {interval:g} and sample_rate_hz {rate:g} contradict each other.")
    return interval if interval is not None else None if rate is None else 1.0 / rate


def _column(labels: Labels, one: Found, *, alone: bool) -> str:
    """What a channel is; empty when nothing says it."""
    column = labels.text("column", one.header)
    if not column:
        plain = one.header.strip()
        if quantity_of(plain) in QUANTITIES and quantity_of(plain) != "time_s":
            column = plain
        elif alone and "port" in labels.conditions and _may_be(one.unit or split_header(one.header)[1], "V"):
            column = "port_voltage_v"
    if not column:
        return ""
    quantity = QUANTITIES.get(quantity_of(column))
    if quantity is None or quantity.name == "time_s":
        raise labels.fault("conditions.column", f"{column!r} is not a quantity a channel may hold.")
    if quantity.channel == "port" and not channel_of(column):
        if "port" not in labels.conditions:
            raise labels.fault("conditions.column", f"{column!r} does not say which port.", 'Write it as "...@C1".')
        column = column_name(column, str(labels.conditions["port"]))
    return column


def _may_be(unit: str, wanted: str) -> bool:
    if not unit:
        return True
    try:
        conversion(unit, wanted)
    except UnitProblem:
        return False
    return True


def _channel(labels: Labels, one: Found, column: str) -> Channel:
    header, wanted = one.header, QUANTITIES[quantity_of(column)].unit
    stated_unit = labels.text("unit", header)
    unit = stated_unit or one.unit or split_header(header)[1]
    factor, shift = 1.0, 0.0
    if unit:
        try:
            known = conversion(unit, wanted)
        except UnitProblem as problem:
            raise labels.fault(
                header or "unit", f"it is said to be {column}, but {problem}.", "Correct the column or the unit."
            ) from problem
        factor = known.numerator / known.denominator
        shift = -known.zero * factor
    gain, offset = labels.number("gain", header), labels.number("offset", header)
    full_scale = labels.number("full_scale", header)
    if full_scale is None:
        full_scale = labels.ranges.get(column, labels.ranges.get(quantity_of(column)))
    if not one.calibrated and gain is None:
        if one.digital_scale is None or full_scale is None:
            raise labels.fault(
                header,
                f"its numbers are codes, and nothing says how many {wanted} one is worth.",
                "Add gain (and offset) to its conditions"
                + (", or full_scale." if one.digital_scale is not None else "."),
            )
        gain = full_scale / one.digital_scale
        factor, shift = 1.0, 0.0  # full scale is stated in the quantity's unit
    file_gain = one.gain if gain is None else gain
    file_offset = one.offset if offset is None else offset
    ratio = labels.number("probe_ratio", header) or 1.0
    applied = labels.setting("probe_applied", header)
    if ratio != 1.0 and applied is None:
        raise labels.fault(
            "conditions.probe_ratio",
            f"a probe of {ratio:g}:1 was used, and nothing says whether the file's numbers allow for it.",
            "Add probe_applied = true or false.",
        )
    if applied is False:
        factor, shift = factor * ratio, shift * ratio
    quantity = quantity_of(column)
    instrument = labels.instruments.get(column, labels.instruments.get(quantity, ""))
    coupling = labels.text("coupling", header)
    setting = Setting(
        full_scale=full_scale,
        centre=labels.number("centre", header),
        bits=labels.number("bits", header) or one.bits,
        noise=labels.number("noise", header),
        u_noise_ratio=labels.number("u_noise_ratio", header) or 0.1,
        bandwidth_hz=labels.number("bandwidth_hz", header),
        coupling="ac" if coupling == "ac" else "dc" if coupling == "dc" else "",
        probe_ratio=ratio,
    )
    return Channel(
        column=column,
        samples=one.samples,
        gain=file_gain * factor,
        offset=file_offset * factor + shift,
        header=header,
        instrument=instrument,
        setting=setting,
    )

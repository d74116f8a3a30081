"""Raw files in the shapes that meters and loads really write: preambles, delimiters, decimal commas, units, gaps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from brickbook.core.quantities import channel_of, quantity_of

__all__ = ["SHAPES", "Log"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Log:
    """What one instrument logged: times [s from start] and columns named as in `core.quantities`; NaN is a lost sample.

    Parameters
    ----------
    overflow
        Row numbers at which the instrument wrote its overflow code, with the column.
    """

    start: datetime
    time_s: FloatArray
    columns: Mapping[str, FloatArray]
    overflow: tuple[tuple[int, str], ...] = ()


# quantity: (English header, German header, short header, unit, factor from SI, decimals)
_STYLE: dict[str, tuple[str, str, str, str, float, int]] = {
    "mains_voltage_v": ("Mains voltage", "Netzspannung", "U_in", "V", 1.0, 2),
    "mains_current_a": ("Mains current", "Netzstrom", "I_in", "A", 1.0, 4),
    "mains_power_w": ("Mains power", "Netzleistung", "P_in", "W", 1.0, 4),
    "mains_pf": ("Power factor", "Leistungsfaktor", "PF", "", 1.0, 4),
    "mains_frequency_hz": ("Mains frequency", "Netzfrequenz", "f_in", "Hz", 1.0, 2),
    "mains_current_thd_ratio": ("Current THD", "Strom THD", "THD_I", "%", 100.0, 2),
    "mains_harmonic_a": ("Current harmonic", "Strom Oberschwingung", "I_h", "A", 1.0, 4),
    "port_voltage_v": ("Voltage", "Spannung", "U", "V", 1.0, 4),
    "port_current_a": ("Current", "Strom", "I", "A", 1.0, 4),
}


def _named(column: str, name: str, *, joint: str = " ", before: bool = False) -> str:
    """A header with its channel: port before or after the name, harmonic order always after."""
    channel = channel_of(column)
    if not channel:
        return name
    if channel.isdigit():
        return f"{name} {channel}" if joint == " " else f"{name}{channel}"
    return f"{channel} {name}" if before else f"{name}{joint}{channel}"


def _cell(value: float, factor: float, decimals: int, missing: str) -> str:
    return missing if not np.isfinite(value) else f"{value * factor:.{decimals}f}"


def _overflowed(log: Log) -> set[tuple[int, str]]:
    return set(log.overflow)


def bench_comma(log: Log) -> bytes:
    """Comma, ISO time, `#` preamble, unit in parentheses, `9.91E+37` for no reading, UTF-8."""
    lines = [
        "# Bench log",
        f"# started {log.start.isoformat(timespec='seconds')}",
        "# averaging: 1 line interval",
        "#",
    ]
    head = ["Time"]
    for column in log.columns:
        name, _, _, unit, _, _ = _STYLE[quantity_of(column)]
        head.append(f"{_named(column, name, before=True)}{f' ({unit})' if unit else ''}")
    lines.append(",".join(head))
    codes = _overflowed(log)
    for k, t in enumerate(log.time_s):
        stamp = (log.start + timedelta(seconds=float(t))).isoformat(timespec="milliseconds")
        cells = [stamp]
        for column, values in log.columns.items():
            _, _, _, _, factor, decimals = _STYLE[quantity_of(column)]
            overflow = (k, column) in codes
            cells.append("9.91E+37" if overflow else _cell(float(values[k]), factor, decimals, ""))
        lines.append(",".join(cells))
    return ("\n".join(lines) + "\n").encode()


def german(log: Log) -> bytes:
    """Semicolon, decimal comma, German headers, a row of units, elapsed seconds, Latin-1."""
    lines = [
        "Messprotokoll;;",
        f"Datum;{log.start:%d.%m.%Y};",
        f"Beginn;{log.start:%H:%M:%S};",
        "Mittelung;über ein Intervall;",
        "",
    ]
    head, units = ["Zeit"], ["s"]
    for column in log.columns:
        _, name, _, unit, _, _ = _STYLE[quantity_of(column)]
        head.append(_named(column, name))
        units.append(unit or "-")
    lines += [";".join(head), ";".join(units)]
    for k, t in enumerate(log.time_s):
        cells = [f"{t:.2f}".replace(".", ",")]
        for column, values in log.columns.items():
            _, _, _, _, factor, decimals = _STYLE[quantity_of(column)]
            cells.append(_cell(float(values[k]), factor, decimals, "---").replace(".", ","))
        lines.append(";".join(cells))
    return ("\r\n".join(lines) + "\r\n").encode("cp1252")


def epoch_tab(log: Log) -> bytes:
    """Tab, epoch milliseconds, short headers with units in brackets, power in mW, UTF-16 with a byte order mark."""
    head = ["t [ms]"]
    scale: dict[str, tuple[float, int]] = {}
    for column in log.columns:
        quantity = quantity_of(column)
        _, _, name, unit, factor, decimals = _STYLE[quantity]
        if quantity == "mains_power_w":
            unit, factor, decimals = "mW", 1e3, 2
        head.append(f"{_named(column, name, joint='.')}{f' [{unit}]' if unit else ''}")
        scale[column] = (factor, decimals)
    base = round(log.start.replace(tzinfo=UTC).timestamp() * 1000)
    codes = _overflowed(log)
    lines = ["\t".join(head)]
    for k, t in enumerate(log.time_s):
        cells = [str(base + round(float(t) * 1000))]
        for column, values in log.columns.items():
            overflow = (k, column) in codes
            cells.append("9.9E37" if overflow else _cell(float(values[k]), *scale[column], "NaN"))
        lines.append("\t".join(cells))
    return ("\n".join(lines) + "\n").encode("utf-16")


def long_form(log: Log) -> bytes:
    """One reading a row: time, what, channel, value, unit; lost samples have no row."""
    lines = ["logger export", "rows are single readings", "", "time_s,quantity,channel,value,unit"]
    codes = _overflowed(log)
    for k, t in enumerate(log.time_s):
        for column, values in log.columns.items():
            quantity = quantity_of(column)
            _, _, _, unit, factor, decimals = _STYLE[quantity]
            if (k, column) in codes:
                lines.append(f"{t:.1f},{quantity},{channel_of(column)},9.91E37,{unit}")
            elif np.isfinite(values[k]):
                lines.append(f"{t:.1f},{quantity},{channel_of(column)},{values[k] * factor:.{decimals + 1}f},{unit}")
    return ("\n".join(lines) + "\n").encode()


def plain_wide(log: Log) -> bytes:
    """Pipe-free and preamble-free: comma, `h:mm:ss.s` since start, unit after a slash, a dash for a lost sample."""
    head = ["elapsed"]
    for column in log.columns:
        _, _, name, unit, _, _ = _STYLE[quantity_of(column)]
        head.append(f"{_named(column, name, joint='_')}{f'/{unit}' if unit else ''}")
    lines = [",".join(head)]
    codes = _overflowed(log)
    for k, t in enumerate(log.time_s):
        hours, rest = divmod(float(t), 3600.0)
        minutes, seconds = divmod(rest, 60.0)
        cells = [f"{int(hours)}:{int(minutes):02d}:{seconds:04.1f}"]
        for column, values in log.columns.items():
            _, _, _, _, factor, decimals = _STYLE[quantity_of(column)]
            overflow = (k, column) in codes
            cells.append("9.9E+37" if overflow else _cell(float(values[k]), factor, decimals, "-"))
        lines.append(",".join(cells))
    return ("\n".join(lines) + "\n").encode()


SHAPES: Mapping[str, Callable[[Log], bytes]] = {
    "bench-comma": bench_comma,
    "german": german,
    "epoch-tab": epoch_tab,
    "long": long_form,
    "plain-wide": plain_wide,
}

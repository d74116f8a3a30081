"""CC-wire waveforms made in software: for tests, benchmarks and the bench in software.

The driver holds the wire at 0 V or at its swing (1.125 V nominal, PHY data sheet) while it sends;
outside, the wire rests at the level the pull-up makes on Rd.  Edges are straight ramps whose 10 %
to 90 % time is given (at least 300 ns, PHY data sheet), so a value exists at every instant and any
sample rate sees the same wire.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

NOMINAL_BIT_RATE_BPS: Final = 300e3
"""Nominal bit rate [bit/s] (PHY data sheet)."""


@dataclass(frozen=True, slots=True)
class Burst:
    """One transmission and how its transmitter drives the wire.

    Attributes
    ----------
    start_s
        Start of the first bit [s].
    bits
        Bits in wire order, each 0 or 1, for example from `encode_packet`.
    bit_rate_bps
        Mean bit rate over the burst [bit/s].
    drift_ratio
        Relative change of the bit rate from the first bit to the last.
    swing_v
        High level of the driver above its ground [V].
    ground_v
        The transmitter's ground seen from the instrument's [V]: bus current lifts or lowers it.
    rise_s, fall_s
        10 % to 90 % times [s].
    lead_s
        How long the driver holds the line low before the first edge [s], at most 1 us.
    hold_low_s
        How long the line stays low after the last falling edge [s], 1 to 23 us (PHY data sheet).
    trailing_edge
        Whether the edge that ends the last bit is sent.
    """

    start_s: float
    bits: NDArray[np.uint8]
    bit_rate_bps: float = NOMINAL_BIT_RATE_BPS
    drift_ratio: float = 0.0
    swing_v: float = 1.125
    ground_v: float = 0.0
    rise_s: float = 400e-9
    fall_s: float = 400e-9
    lead_s: float = 0.8e-6
    hold_low_s: float = 2e-6
    trailing_edge: bool = True

    def __post_init__(self) -> None:
        half_bit_s = 0.5 / self.bit_rate_bps
        if not 0 < max(self.rise_s, self.fall_s) / 0.8 < half_bit_s:
            raise ValueError(
                f"rise {self.rise_s:g} s and fall {self.fall_s:g} s must be positive and their "
                f"full ramps shorter than half a bit, {half_bit_s:g} s"
            )


def boundary_times(burst: Burst) -> NDArray[np.float64]:
    """Start of every bit of a burst, and the end of the last.

    Parameters
    ----------
    burst
        The transmission.

    Returns
    -------
    NDArray[np.float64]
        Shape (bits + 1,) [s].
    """
    count = burst.bits.size
    slope = np.linspace(-0.5, 0.5, count) if count > 1 else np.zeros(count)
    periods = 1.0 / (burst.bit_rate_bps * (1.0 + burst.drift_ratio * slope))
    return burst.start_s + np.concatenate([[0.0], np.cumsum(periods)])


def bmc_edges(burst: Burst) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Edges of a burst in biphase-mark code: one at each bit start, one mid-bit for a 1.

    The line is low before the first bit, so the first edge rises.  After the edge that ends the
    last bit the line goes low at once, or after one more bit time if that edge rose (from memory,
    medium confidence).

    Parameters
    ----------
    burst
        The transmission.

    Returns
    -------
    tuple
        Times of the edges [s] and whether each rises, both of shape (edges,).
    """
    starts = boundary_times(burst)
    middles = 0.5 * (starts[:-1] + starts[1:])[burst.bits == 1]
    edges = np.sort(np.concatenate([starts if burst.trailing_edge else starts[:-1], middles]))
    if edges.size & 1:
        edges = np.append(edges, starts[-1] + 1.0 / burst.bit_rate_bps)
    rising = np.arange(edges.size) % 2 == 0
    return edges, rising


def _driven_wave(burst: Burst) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Break points (time [s], volts) of the driver from switching on to switching off."""
    edges, rising = bmc_edges(burst)
    half_ramp = np.where(rising, burst.rise_s, burst.fall_s) / 1.6  # full ramp is t(10-90 %) / 0.8
    times = np.stack([edges - half_ramp, edges + half_ramp], axis=1).ravel()
    volts = np.stack([np.where(rising, 0.0, 1.0), np.where(rising, 1.0, 0.0)], axis=1).ravel()
    on = min(edges[0] - burst.lead_s, times[0])
    off = edges[-1] + half_ramp[-1] + burst.hold_low_s
    times = np.concatenate([[on], times, [off]])
    volts = np.concatenate([[0.0], volts, [0.0]]) * burst.swing_v + burst.ground_v
    return times, volts


def synthesise(
    bursts: Sequence[Burst],
    *,
    duration_s: float,
    sample_interval_s: float,
    rng: np.random.Generator,
    idle_v: float | Sequence[tuple[float, float]] = 1.68,
    baseline_v: Sequence[tuple[float, float]] = (),
    noise_v: float = 0.0,
    clip_v: tuple[float, float] | None = None,
    settle_s: float = 1e-6,
    step_v: float = 0.0,
) -> NDArray[np.float32]:
    """Sampled CC wire carrying some bursts; sample k is taken at time k times the interval.

    Where bursts overlap the drivers fight and the wire takes the mean of their levels, since both
    have about the same impedance (33 to 75 ohm, PHY data sheet).

    Parameters
    ----------
    bursts
        The transmissions, in any order.
    duration_s
        Length of the capture [s].
    sample_interval_s
        Time between samples [s].
    rng
        Source of the noise.
    idle_v
        Level of the undriven wire [V], or break points (time [s], volts [V]) of a level that
        steps, as when the source changes its pull-up.
    baseline_v
        Break points (time [s], volts [V]) of an offset added everywhere, joined by straight lines:
        the ground shift that bus current makes.
    noise_v
        Standard deviation of white Gaussian noise per sample [V].
    clip_v
        Lowest and highest voltage the instrument can show [V]; beyond, it clips.
    settle_s
        Time constant with which the released wire returns to its idle level [s].
    step_v
        Resolution of the instrument [V]; 0 for none.

    Returns
    -------
    NDArray[np.float32]
        Shape (round(duration / interval),) [V].
    """
    count = round(duration_s / sample_interval_s)
    time_s = np.arange(count) * sample_interval_s
    idle_points = [(0.0, idle_v)] if isinstance(idle_v, (int, float)) else list(idle_v)
    idle = np.interp(time_s, *np.array(idle_points, dtype=np.float64).T)
    volts = idle.copy()
    driven = np.zeros(count, dtype=np.float64)
    drivers = np.zeros(count, dtype=np.int64)
    for burst in sorted(bursts, key=lambda one: one.start_s):
        times, levels = _driven_wave(burst)
        first, last = np.searchsorted(time_s, [times[0], times[-1]])
        driven[first:last] += np.interp(time_s[first:last], times, levels)
        drivers[first:last] += 1
        tail = slice(last, min(count, last + int(12 * settle_s / sample_interval_s) + 1))
        fading = np.exp(-(time_s[tail] - times[-1]) / settle_s)
        volts[tail] = idle[tail] + (levels[-1] - idle[tail]) * fading
    busy = drivers > 0
    volts[busy] = driven[busy] / drivers[busy]
    if len(baseline_v):
        volts += np.interp(time_s, *np.array(baseline_v, dtype=np.float64).T)
    if noise_v:
        volts += rng.normal(0.0, noise_v, count)
    if step_v:
        volts = np.round(volts / step_v) * step_v
    if clip_v is not None:
        volts = np.clip(volts, *clip_v)
    samples: NDArray[np.float32] = volts.astype(np.float32)
    return samples


def noise_for_snr(snr_db: float, swing_v: float = 1.125) -> float:
    """Noise that gives a signal-to-noise ratio.

    The ratio is the AC power of the square wave, (swing/2)^2, over the noise power in the whole
    band up to half the sample rate: SNR = 20 log10(swing / (2 sigma)).

    Parameters
    ----------
    snr_db
        Signal-to-noise ratio [dB].
    swing_v
        High level minus low level [V].

    Returns
    -------
    float
        Standard deviation of the noise per sample [V].
    """
    return 0.5 * swing_v / float(10.0 ** (snr_db / 20.0))

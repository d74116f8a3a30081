"""One channel of a capture reduced to measured numbers, with the scope's own errors in their budgets.

Error model. A scope's accuracy in per cent, of reading or of full scale, is taken as a bound of its gain error, one
unknown factor common to all figures of one scope, range and probe: a ripple is a difference, in which a constant
offset has no part. Its converter's step q gives the difference of two samples a triangular error of half-width q
(u = q/sqrt 6) and a mean square of q^2/12 of its own, which is taken off with the stated noise. The noise adds to a
peak-to-peak value by anything between nothing and what it adds to the range expected of as many samples of the noise
seen: half of that is taken off, and half is the half-width of a rectangular error.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from brickbook.core.capture import Capture, Channel
from brickbook.core.errors import AnalysisError, Fault
from brickbook.core.instrument import Instrument
from brickbook.core.statistics import Mean
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.studies.ripple.band import BAND_HZ, LEAST_RATE_HZ, BandFilter
from brickbook.studies.ripple.levels import Levels, expected_range, levels
from brickbook.studies.ripple.lines import Burst, Switching, burst, mains_ripple, noise_floor, switching
from brickbook.studies.ripple.scan import Scan, Trace, scan

__all__ = ["Reduced", "Statement", "reduce_capture"]

_LIMITED = (15e6, 30e6)  # a bandwidth limit in the scope or probe that is taken for the 20 MHz one [Hz]
_TIMEBASE = 1e-4  # bound of a scope's or sound card's clock error (common practice, no source)
_FLOOR = 0.02  # relative doubt in the power of a noise floor
_AC_COUPLING = 0.005  # loss at 100 Hz of an AC coupling with a corner of 10 Hz


@dataclass(frozen=True, slots=True)
class Statement:
    """A measured number, how it was found, and what a reader must know."""

    measured: Measured
    words: str
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reduced:
    """A channel of a capture after its pass.

    Parameters
    ----------
    banded
        Whether the 20 MHz band is there: filtered by us, or limited in the scope.
    filter
        Ours; `None` where the scope limited the band, or it could not be.
    gain_ratio
        Bound of the relative gain error.
    gain_source
        Its identity.
    clipped
        Flags, empty when nothing was clipped.
    remarks
        For notes.
    """

    capture: Capture
    channel: Channel
    recording: Recording
    scan: Scan
    levels: Levels
    banded: bool
    filter: BandFilter | None
    gain_ratio: float
    gain_source: str
    switching: Switching | None
    burst: Burst | None
    clipped: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return self.capture.sample_rate_hz

    @property
    def rows(self) -> Rows:
        """The proof."""
        return self.capture.rows(self.channel.column)

    @property
    def step(self) -> float:
        """Step of the converter: as seen in the samples, else as stated; 0 when neither."""
        return self.scan.step or self.channel.setting.step or 0.0

    @property
    def _trace(self) -> Trace:
        return self.scan.band if self.scan.band is not None else self.scan.wide

    @property
    def _noise_share(self) -> float:
        """Share of white noise power that passes our filter; 1 without one."""
        if self.filter is None:
            return 1.0
        return float(np.mean(self.filter.gain(self.scan.frequency_hz) ** 2))

    def _own_square(self, share: float) -> tuple[float, float]:
        """Mean square of the scope's noise and quantisation, and its standard uncertainty [V^2]."""
        noise = self.channel.setting.noise or 0.0
        if noise:  # read with the same settings, so the steps are in it
            square = noise**2 * share
            # the statement errs in proportion to the true noise, so that one stated too low is the more in doubt:
            # at the end of a 95 % interval the true one is the stated one over 1 - 1.96 u
            ratio = min(self.channel.setting.u_noise_ratio, 0.4)
            return square, 2 * ratio / (1.0 - 1.96 * ratio) * square
        square = self.step**2 / 12 * share
        return square, square / 3**0.5  # the steps' error may be anything from none to twice that

    @property
    def own_range(self) -> float:
        """Most that the scope's own noise adds to the peak-to-peak of the capture [V]."""
        share = self._noise_share if self.filter is not None else 1.0
        return self._added(share, self.scan.count)[0] if self.channel.setting.noise else 0.0

    def peak_to_peak(self, *, band: bool = False) -> Statement:
        """Highest less lowest sample, as captured or within 20 MHz."""
        trace = self._trace if band else self.scan.wide
        height = float(np.nanmax(trace.high) - np.nanmin(trace.low))
        share = self._noise_share if band else 1.0
        words = [self._band_words() if band else f"{self.rate_hz / 1e6:.4g} million samples a second"]
        words.append(f"{self.scan.count} samples")
        measured = self._of_height(height, share, self.scan.count, "peaks", words)
        return Statement(measured, ", ".join(words))

    def recurring(self) -> Statement:
        """Median peak-to-peak of the stretches."""
        one = self.levels
        seconds = one.window * self.scan.interval_s
        words = [f"median of the peak-to-peak of {one.windows} stretches of {seconds:.3g} s"]
        if self.banded:
            words.append(self._band_words())
        share = self._noise_share if self.filter is not None else 1.0
        measured = self._of_height(one.recurring.value, share, one.window, "stretches", words, one.windows)
        return Statement(self._scattered(measured, one.recurring, "peak-to-peak of the stretches"), ", ".join(words))

    def _added(self, share: float, count: int) -> tuple[float, float]:
        """Most that the scope's noise adds to a height, and what it moves one by [V].

        Noise of the charger takes the same peaks: together they reach sqrt(a^2 + b^2), so that the scope's part is less
        than it would be alone. The charger's is what the floor of the spectrum shows beyond the scope's.
        """
        noise = (self.channel.setting.noise or 0.0) * float(np.sqrt(share))
        gain = self.filter.gain(self.scan.frequency_hz) ** 2 if self.filter is not None and share < 1 else 1.0
        total = float(np.sqrt((noise_floor(self.scan) * gain).sum() * self.scan.frequency_hz[1]))
        others = float(np.sqrt(max(total**2 - noise**2, 0.0)))
        return expected_range(count) * (float(np.hypot(others, noise)) - others), noise

    def _of_height(
        self, height: float, share: float, count: int, what: str, words: list[str], heights: int = 1
    ) -> Measured:
        most, noise = self._added(share, count)
        own = min(most, height)
        if own:
            words.append(f"half of the {1000 * own:.3g} mV the scope's own noise may add is taken off")
        value = height - own / 2
        terms: dict[Source, float] = {}
        if own:
            terms[Source(f"{self._where}: own noise in the {what}", "B", "rectangular")] = own / 2 / 3**0.5
            terms[Source(f"{self._where}: own noise at the {what}", "B", "normal")] = noise / heights**0.5
        if self.step:
            terms[Source(f"{self._where}: steps of the converter, {what}", "B", "triangular")] = self.step / 6**0.5
        terms[self._gain] = value * self.gain_ratio / 3**0.5
        return Measured(value, terms)

    def glitch_excess(self) -> Measured:
        """How much taller the whole is than the stretch in the middle."""
        glitch = self.levels.glitch
        if glitch is None:
            raise ValueError("there is no glitch")
        terms = {self._gain: glitch.excess * self.gain_ratio / 3**0.5}
        if self.step:
            terms[Source(f"{self._where}: steps of the converter, glitch", "B", "triangular")] = self.step / 3**0.5
        return self._scattered(Measured(glitch.excess, terms), self.levels.recurring, "peak-to-peak of the stretches")

    def rms(self) -> Statement:
        """AC rms with the scope's own taken off in squares."""
        share = self._noise_share if self.filter is not None else 1.0
        words = [
            self._band_words()
            if self.banded
            else f"at {self.rate_hz / 1e6:.4g} million samples a second, whatever lies above half of that folded in"
        ]
        square = self.levels.mean_square
        measured, flags = self._root(square.value, square, share, "rms", words)
        return Statement(measured, ", ".join(words), flags)

    def _root(
        self, square: float, scatter: Mean, share: float, what: str, words: list[str]
    ) -> tuple[Measured, tuple[str, ...]]:
        own, u_own = self._own_square(share)
        flags: tuple[str, ...] = ()
        if own:
            words.append(f"the scope's own {1000 * own**0.5:.3g} mV taken off in squares")
        left = square - own
        if own > 0.5 * square:
            flags = ("the scope's own noise and steps are as large as it",)
        u = float(np.hypot(u_own, scatter.u))
        value = float(np.sqrt(max(left, 0.0)))
        # d sqrt(x) = dx/(2 sqrt(x)); where x is lost in its uncertainty, sqrt(u) is what it may be
        slope = 1.0 / (2.0 * max(value, float(np.sqrt(max(u, 1e-300)))))
        terms: dict[Source, float] = {}
        if scatter.u > 0:
            terms[Source(f"scatter of {what} at {self._where}", "A", "normal", scatter.dof)] = scatter.u * slope
        if u_own > 0:
            terms[Source(f"{self._where}: own noise and steps", "B", "normal")] = -u_own * slope
        terms[self._gain] = value * self.gain_ratio / 3**0.5
        return Measured(value, terms), flags

    def percentile_span(self) -> Statement:
        """From the 0.1 to the 99.9 percentile."""
        span, histogram = self.levels.span, self.scan.histogram
        terms: dict[Source, float] = {
            Source(f"{self._where}: width of a class", "B", "triangular"): histogram.width / 6**0.5,
            self._gain: span.value * self.gain_ratio / 3**0.5,
        }
        if self.step:
            terms[Source(f"{self._where}: steps of the converter, span", "B", "triangular")] = self.step / 6**0.5
        every = "every sample" if histogram.one_in == 1 else f"one sample in {histogram.one_in}, in blocks"
        words = f"from the 0.1 to the 99.9 percentile of {every}, the scope's own noise included"
        if self.banded:
            words += f", {self._band_words()}"
        return Statement(self._scattered(Measured(span.value, terms), span, "span"), words)

    def mains(self, ripple_hz: float) -> Statement | None:
        """Peak-to-peak of the sine at twice the mains frequency; `None` when the capture does not hold a period."""
        found = mains_ripple(self.scan, ripple_hz)
        if found is None:
            return None
        value = 2 * found.amplitude
        terms: dict[Source, float] = {self._gain: value * self.gain_ratio / 3**0.5}
        if found.u > 0:
            terms[Source(f"noise beside {ripple_hz:g} Hz at {self._where}", "A", "normal", found.dof)] = 2 * found.u
        flags: tuple[str, ...] = ()
        if self.channel.setting.coupling == "ac":
            source = Source(f"{self._where}: AC coupling at {ripple_hz:g} Hz", "B", "rectangular")
            terms[source] = value * _AC_COUPLING / 3**0.5
        if value < 4 * found.u:
            flags = ("hardly told from the noise beside it",)
        words = (
            f"least-squares sine at {found.frequency_hz:.6g} Hz over {found.periods:.4g} periods, twice its amplitude"
        )
        return Statement(Measured(value, terms), words, flags)

    def switching_frequency(self) -> Statement:
        """Mean of the followed frequency."""
        found = self._switching()
        mean = found.frequency_hz
        terms = {self._clock: mean.value * _TIMEBASE / 3**0.5}
        words = f"strongest line between 20 kHz and 3 MHz, mean over {len(found.track_hz)} segments"
        if found.moves:
            words += f"; it moves from {found.low_hz:.5g} to {found.high_hz:.5g} Hz (5 to 95 percentile)"
        measured = self._scattered(Measured(mean.value, terms), mean, "switching frequency")
        return Statement(measured, words)

    def switching_spread(self) -> Statement:
        """How far the frequency moves."""
        found = self._switching()
        value = (found.high_hz - found.low_hz) / found.frequency_hz.value
        u = found.resolution_hz / found.frequency_hz.value / 6**0.5
        source = Source(f"{self._where}: width of a bin", "B", "triangular")
        return Statement(Measured(value, {source: u}), "95 less 5 percentile of the followed frequency over its mean")

    def switching_rms(self) -> Statement:
        """Rms of what stands above the noise from below the switching frequency on."""
        found = self._switching()
        frequency, density = self.scan.frequency_hz, self.scan.density
        gain = self.filter.gain(frequency) ** 2 if self.filter is not None else np.ones_like(frequency)
        floor = noise_floor(self.scan)
        used = frequency > 0.5 * found.low_hz
        power = float(((density - floor) * gain)[used].sum() * frequency[1])
        noise = float((floor * gain)[used].sum() * frequency[1])
        value = float(np.sqrt(max(power, 0.0)))
        low = float((noise_floor(self.scan, 0.1) * gain)[used].sum() * frequency[1])
        doubt = max(_FLOOR * noise, abs(noise - low))  # in what is taken for noise
        u = doubt / (2 * max(value, float(np.sqrt(doubt)), 1e-150))
        square = self.levels.mean_square
        relative = square.u / (2 * square.value) if square.value > 0 else 0.0
        measured = Measured(
            value,
            {
                Source(f"{self._where}: noise under the lines", "B", "normal"): u,
                Source(f"scatter of rms at {self._where}", "A", "normal", square.dof): relative * value,
                self._gain: value * self.gain_ratio / 3**0.5,
            },
        )
        words = f"rms above the noise from {0.5 * found.low_hz:.4g} Hz on, harmonics included"
        return Statement(measured, words + (f", {self._band_words()}" if self.banded else ""))

    def burst_rate(self) -> Statement:
        """Bursts a second."""
        found = self._burst()
        terms = {self._clock: found.rate_hz.value * _TIMEBASE / 3**0.5}
        words = f"spacing of {found.count} bursts, told by the height of a few switching periods"
        measured = self._scattered(Measured(found.rate_hz.value, terms), found.rate_hz, "spacing of bursts")
        return Statement(measured, words)

    def burst_share(self) -> Statement:
        """Share of time in which it switches."""
        found, step_s = self._burst(), self.scan.block * self.scan.interval_s
        step_s = max(step_s, 1.5 / self._switching().frequency_hz.value)
        source = Source(f"{self._where}: where a burst begins and ends", "B", "triangular")
        u = step_s * found.rate_hz.value / 6**0.5
        return Statement(Measured(found.active_ratio, {source: u}), "share of time in which it switches")

    def noise(self) -> Statement:
        """Rms of what is neither mains ripple nor switching."""
        frequency = self.scan.frequency_hz
        gain = self.filter.gain(frequency) ** 2 if self.filter is not None else np.ones_like(frequency)
        square, low = (float((noise_floor(self.scan, q) * gain)[2:].sum() * frequency[1]) for q in (0.25, 0.1))
        share = self._noise_share if self.filter is not None else 1.0
        words = ["under the lines of the spectrum"]
        if self.banded:
            words.append(self._band_words())
        # read between the lines of the spectrum: good to a fiftieth of its power, or to what lines leave in it
        doubt = max(_FLOOR * square, abs(square - low))
        scatter = Mean(square, 0.0, doubt, 10.0, self.scan.segments, float(self.scan.segments))
        measured, flags = self._root(square, scatter, share, "noise floor", words)
        return Statement(measured, ", ".join(words), flags)

    @property
    def burst_count(self) -> int:
        """Bursts seen."""
        return self.burst.count if self.burst is not None else 0

    @property
    def _where(self) -> str:
        return self.recording.name

    @property
    def _gain(self) -> Source:
        return Source(self.gain_source, "B", "rectangular")

    @property
    def _clock(self) -> Source:
        return Source(f"{self.channel.instrument or 'scope'}: clock", "B", "rectangular")

    def _scattered(self, measured: Measured, mean: Mean, what: str) -> Measured:
        if not mean.u > 0:
            return measured
        return with_source(measured, Source(f"scatter of {what} at {self._where}", "A", "normal", mean.dof), mean.u)

    def _band_words(self) -> str:
        if self.filter is None:
            limit = self.channel.setting.bandwidth_hz or BAND_HZ
            return f"limited to {limit / 1e6:.3g} MHz in the scope"
        return "first-order digital limit at 20 MHz"

    def _switching(self) -> Switching:
        if self.switching is None:
            raise ValueError("there is no switching frequency")
        return self.switching

    def _burst(self) -> Burst:
        if self.burst is None:
            raise ValueError("there are no bursts")
        return self.burst


def reduce_capture(
    capture: Capture,
    channel: Channel,
    recording: Recording,
    instruments: Mapping[str, Instrument],
    ripple_hz: float | None,
) -> Reduced:
    """Scan a channel and find what it is made of.

    Parameters
    ----------
    ripple_hz
        Twice the mains frequency [Hz]; `None` when it is not known.

    Raises
    ------
    KeyError
        When the instrument or its accuracy for the quantity is not in bench.toml.
    AnalysisError
        When the samples do not change at all.
    ValueError
        When there are too few samples.
    """
    limit = channel.setting.bandwidth_hz
    limited = limit is not None and limit <= _LIMITED[1]
    rate = capture.sample_rate_hz
    banded = rate >= LEAST_RATE_HZ and (not limited or (limit or 0.0) >= _LIMITED[0])
    banded &= capture.acquisition != "peak-detect"
    band = BandFilter(BAND_HZ, capture.interval_s) if banded and not limited else None
    found = scan(channel, capture.interval_s, band=band)
    trace = found.band if found.band is not None else found.wide
    own = levels(found, trace, ripple_hz)
    if own.high == own.low:
        text = f"all {found.count} samples are {own.low:g}: nothing was connected, or the range is far too large."
        raise AnalysisError(Fault(capture.raw.path, channel.header, text, "Record it anew."))
    gain_ratio, gain_source = _gain(channel, own.high - own.low, instruments)
    line = switching(found, ripple_hz) if capture.acquisition != "peak-detect" else None
    bursts = burst(found, trace, line.frequency_hz.value, ripple_hz) if line is not None else None
    remarks: list[str] = []
    if channel.setting.noise is None:
        remarks.append("the scope's own noise is not stated (noise): none is taken off beyond its steps")
    if limited and (limit or 0.0) < _LIMITED[0]:
        remarks.append(f"the band is limited to {limit or 0.0:g} Hz, so nothing is said of 20 MHz")
    clipped = _clipped(channel, found)
    if channel.rails is None and not clipped:
        remarks.append("full scale and mid-screen are not stated, so clipping cannot be told")
    return Reduced(
        capture=capture,
        channel=channel,
        recording=recording,
        scan=found,
        levels=own,
        banded=banded,
        filter=band,
        gain_ratio=gain_ratio,
        gain_source=gain_source,
        switching=line,
        burst=bursts,
        clipped=clipped,
        remarks=tuple(remarks),
    )


def _gain(channel: Channel, height: float, instruments: Mapping[str, Instrument]) -> tuple[float, str]:
    name, quantity, full_scale = channel.instrument, channel.quantity, channel.setting.full_scale
    if name not in instruments:
        known = ", ".join(sorted(instruments)) or "none"
        raise KeyError(f"no instrument {name!r} in bench.toml for {quantity} (known: {known})")
    instrument = instruments[name]
    accuracy = instrument.accuracy_for(quantity, height, full_scale) or instrument.accuracy_for(quantity, height)
    if accuracy is None:
        raise KeyError(f"instrument {name!r} has no accuracy line for {quantity} at {height:.6g}")
    ratio = (accuracy.percent_reading + accuracy.percent_range) / 100
    if ratio == 0:  # stated as a fixed bound only
        ratio = accuracy.bound(height) / height
    scale = f" {full_scale:g}" if full_scale is not None else ""
    probe = f", {channel.setting.probe_ratio:g}:1" if channel.setting.probe_ratio != 1 else ""
    return ratio, f"{name}: gain{scale}{probe}"


def _clipped(channel: Channel, found: Scan) -> tuple[str, ...]:
    """Three or more samples in a row on the end of the converter's range."""
    rails = channel.rails
    flags = []
    if rails is None:
        return ()
    slack = 1.01 * (found.step or channel.setting.step or 1e-6 * (rails[1] - rails[0]))
    low, high = float(np.nanmin(found.wide.low)), float(np.nanmax(found.wide.high))
    for what, run, at_end in (
        ("bottom", found.run_low, low <= rails[0] + slack),
        ("top", found.run_high, high >= rails[1] - slack),
    ):
        if at_end and run >= 3:
            flags.append(f"clipped at the {what} of the screen: the true value is larger; use a larger range")
    return tuple(flags)

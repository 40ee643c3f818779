"""What the quality gate looks at: one pass over the samples, shared by every kind of finding."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.profile import Car
from vibecheck.dsp.levels import BlockLevels, block_levels, median_over_time, smooth
from vibecheck.dsp.spectrum import ShortTimePower, short_time_power
from vibecheck.recording.take import Take
from vibecheck.track import PhaseName, SpeedTrack
from vibecheck.units import power_to_db

# Short enough to see a knock or the edge of a dropout, long enough for a level.
_BLOCK_S = 0.005
# A syllable (100 to 300 ms) spans several frames.
_SOUND_FRAME_S = 0.021
# Slow sensors: enough bins for a spectrum.
_SLOW_FRAME_S = 0.1
_SLOW_RATE_HZ = 8000.0
# Frames this close to a change of phase belong to neither: the machine is still winding down when
# the speed can no longer be read, and the phase border itself is only known to about a frame.
_MARGIN_S = 0.1
_MARGIN_AFTER_RUN_S = 0.4
# Without a speed track: this many dB between the quiet and the loud parts mean that there are two.
_QUIET_TO_LOUD_DB = 6.0
_QUIET_S = 0.5
# Sounds of the car itself are no second motor and no knocks: this far from where it runs (and
# further where no coast-down was made out) nothing of it can be left.
_FAR_BEFORE_S, _FAR_AFTER_S, _FAR_AFTER_HOLD_S = 0.8, 1.0, 3.0
# A hold to be judged as steady: long enough, and with a speed that is sure for most of it.
_LASTING_S, _SURE = 1.0, 0.6
# Level differences count from this share of the top speed on.
_FAST_SHARE = 0.7
FLOOR_DB = -300.0


def decibel(power: Any) -> NDArray[np.float64]:
    """Power to decibel, far below any recording's floor where there is none."""
    return power_to_db(power, FLOOR_DB)


def hertz(frequency_hz: float) -> str:
    """A frequency in words."""
    if frequency_hz >= 1000.0:
        return f"{frequency_hz / 1000.0:.2g} kHz"
    return f"{frequency_hz:.0f} Hz"


@dataclass(frozen=True, eq=False)
class View:
    """A take with its block levels, short-time spectra and phases.

    Attributes
    ----------
    take, speed, car
        As given to `assess_quality`.
    x : ndarray, shape (n_samples,), float32
        The loudest channel, without its mean.
    mean : float
        The mean that was taken off.
    channel : int
        Its index.
    channel_rms : ndarray, shape (n_channels,)
        RMS of each channel without its mean, from every few samples.
    blocks : BlockLevels
        Of ``x``, 5 ms each (at least 16 samples).
    spectra : ShortTimePower
        Of ``x``; for accelerometers the sum over the axes.
    """

    take: Take
    speed: SpeedTrack | None
    car: Car | None
    x: NDArray[Any]
    mean: float
    channel: int
    channel_rms: NDArray[np.float64]
    blocks: BlockLevels
    spectra: ShortTimePower

    # ---------------------------------------------------------------- times

    @cached_property
    def is_phased(self) -> bool:
        """True where a speed was found; without one, "off" only means that nothing was found."""
        return self.speed is not None and bool(self.speed.running.any())

    def _inside(self, time_s: NDArray[np.float64], *names: PhaseName) -> NDArray[np.bool_]:
        """True at the times inside the named phases, borders left out."""
        mask = np.zeros(time_s.shape, dtype=bool)
        if self.speed is None:
            return mask
        phases = self.speed.phases
        for before, phase in zip((None, *phases), phases, strict=False):
            if phase.name not in names:
                continue
            winding_down = phase.name == "idle" and before is not None
            start = phase.start_s + (_MARGIN_AFTER_RUN_S if winding_down else _MARGIN_S)
            if before is None:
                start = phase.start_s
            mask |= (time_s >= start) & (time_s < phase.end_s - _MARGIN_S)
        return mask

    @cached_property
    def _quiet_and_loud(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Quiet and loud frames, for takes whose speed is not known."""
        # Stretches, not moments: a machine that hammers is quiet between its blows.
        level = decibel(self.spectra.power[:, 1:].sum(axis=1))
        level = smooth(level, round(_QUIET_S / self.frame_step_s))
        low, high = np.percentile(level, [10.0, 90.0])
        middle = 0.5 * (low + high)
        quiet = level < min(low + 3.0, middle)
        if high - low < _QUIET_TO_LOUD_DB or self.seconds(float(quiet.sum())) < _QUIET_S:
            return np.zeros(level.shape, bool), np.ones(level.shape, bool)
        return quiet, level > max(high - 6.0, middle)

    @cached_property
    def idle(self) -> NDArray[np.bool_]:
        """Frames in which the motor is off (without a speed track: the quiet ones)."""
        if not self.is_phased:
            return self._quiet_and_loud[0]
        return self._inside(self.spectra.time_s, "idle")

    @cached_property
    def far_idle(self) -> NDArray[np.bool_]:
        """Idle frames well away from where the shaft turns."""
        if self.speed is None or not self.is_phased:
            return self.idle
        far = self.idle.copy()
        times = self.spectra.time_s
        for phase in self.speed.phases:
            if phase.name == "idle":
                continue
            after = _FAR_AFTER_S if phase.name == "coast_down" else _FAR_AFTER_HOLD_S
            far &= (times < phase.start_s - _FAR_BEFORE_S) | (times > phase.end_s + after)
        return far

    @cached_property
    def hold(self) -> NDArray[np.bool_]:
        """Frames at held speed, in stretches that last and whose speed is sure."""
        held = self._inside(self.spectra.time_s, "hold")
        if self.speed is None:
            return held
        sure = self.speed.confidence >= _SURE
        for phase in self.speed.phases_named("hold"):
            inside = (self.speed.time_s >= phase.start_s) & (self.speed.time_s < phase.end_s)
            if phase.duration_s < _LASTING_S or sure[inside].sum() <= _SURE * inside.sum():
                held &= (self.spectra.time_s < phase.start_s) | (self.spectra.time_s > phase.end_s)
        return held

    @cached_property
    def run_up(self) -> NDArray[np.bool_]:
        """Frames in which the speed rises."""
        return self._inside(self.spectra.time_s, "run_up")

    @cached_property
    def rpm(self) -> NDArray[np.float64]:
        """Speed at each frame; 0 without a speed track."""
        if self.speed is None or self.speed.time_s.size == 0:
            return np.zeros(self.spectra.time_s.shape)
        return self.speed.rpm_at(self.spectra.time_s)

    @cached_property
    def running(self) -> NDArray[np.bool_]:
        """Frames in which the shaft turns (without a speed track: the loud ones)."""
        if not self.is_phased:
            return self._quiet_and_loud[1]
        return self._inside(self.spectra.time_s, "run_up", "hold", "coast_down") & (self.rpm > 0)

    @cached_property
    def fast(self) -> NDArray[np.bool_]:
        """Frames near top speed (without a speed track: the loud ones)."""
        if not self.is_phased or not self.running.any():
            return self.running
        top_rpm = float(self.rpm[self.running].max())
        return np.asarray(self.running & (self.rpm >= _FAST_SHARE * top_rpm))

    @cached_property
    def idle_blocks(self) -> NDArray[np.bool_]:
        """Blocks in which the motor is off."""
        quiet: NDArray[np.bool_] = self.idle[self.frame_of_block]
        return quiet

    @cached_property
    def running_blocks(self) -> NDArray[np.bool_]:
        """Blocks in which the shaft turns."""
        turning: NDArray[np.bool_] = self.running[self.frame_of_block]
        return turning

    @property
    def frame_of_block(self) -> NDArray[np.intp]:
        edges = 0.5 * (self.spectra.time_s[1:] + self.spectra.time_s[:-1])
        return np.searchsorted(edges, self.blocks.time_s)

    # --------------------------------------------------------------- levels

    @property
    def nyquist_hz(self) -> float:
        """Half the sample rate."""
        return 0.5 * self.take.sample_rate_hz

    @property
    def is_sound(self) -> bool:
        """True for a microphone."""
        return self.take.sensor == "microphone"

    @cached_property
    def idle_power(self) -> NDArray[np.float64] | None:
        """Typical idle spectrum (median over the idle frames), shape (n_bins,), or None."""
        if np.count_nonzero(self.idle) < 4:
            return None
        # The median of an exponential variable is ln 2 of its mean.
        return np.asarray(self.median_of("idle").astype(np.float64) / np.log(2.0))

    def median_of(self, which: Literal["idle", "hold", "fast"]) -> NDArray[np.float32]:
        """Median over time of the spectra in the idle, held or fast frames, shape (n_bins,)."""
        if which not in self._medians:
            rows = self.spectra.power[getattr(self, which)]
            self._medians[which] = median_over_time(rows)
        return self._medians[which]

    @cached_property
    def _medians(self) -> dict[str, NDArray[np.float32]]:
        return {}

    @cached_property
    def fast_power(self) -> NDArray[np.float64]:
        """Mean spectrum near top speed (of the whole take where that is unknown)."""
        rows = self.fast if self.fast.any() else np.ones(self.fast.shape, dtype=bool)
        return np.asarray(np.mean(self.spectra.power[rows], axis=0, dtype=np.float64))

    def level_of(self, rows: NDArray[np.bool_]) -> float:
        """RMS over some blocks; 0 where there are none."""
        values = np.asarray(self.blocks.mean_square, dtype=np.float64)[rows]
        return float(np.sqrt(values.mean())) if values.size else 0.0

    def bins(self, low_hz: float, high_hz: float) -> slice:
        """Bins of ``spectra`` between two frequencies."""
        step = self.spectra.step_hz
        return slice(
            max(1, int(np.ceil(low_hz / step))),
            min(self.spectra.frequency_hz.size, int(np.floor(high_hz / step)) + 1),
        )

    def seconds(self, frames: float) -> float:
        """Length of a number of frames."""
        return frames * self.frame_step_s

    @property
    def frame_step_s(self) -> float:
        """From one frame to the next."""
        times = self.spectra.time_s
        return float(times[1] - times[0]) if times.size > 1 else self.take.duration_s


def look_at(take: Take, speed: SpeedTrack | None, car: Car | None) -> View:
    """Measure what the findings need, once."""
    samples = take.samples
    thinned = samples[:, :: max(1, take.n_samples // 50_000)].astype(np.float64)
    rms = np.nan_to_num(np.std(thinned, axis=1))
    channel = int(np.argmax(rms))
    # A copy: the mean comes off, and so do the few values that are no numbers.
    x = samples[channel].astype(np.float32)
    mean = float(x.mean(dtype=np.float64))
    if not np.isfinite(mean):
        x = np.nan_to_num(x, posinf=0.0, neginf=0.0)
        mean = float(x.mean(dtype=np.float64))
    x -= np.float32(mean)
    rate = take.sample_rate_hz
    n_block = min(x.size, max(16, round(_BLOCK_S * rate)))
    frame_s = _SOUND_FRAME_S if rate >= _SLOW_RATE_HZ else _SLOW_FRAME_S
    n_frame = 1 << max(5, round(np.log2(frame_s * rate)))
    while n_frame > x.size:
        n_frame //= 2
    # Sound: frames side by side, the price of an overlap buys nothing here.
    hop = n_frame if rate >= _SLOW_RATE_HZ else max(1, n_frame // 2)
    spectra = short_time_power(x, rate, n_frame, hop)
    if take.sensor == "accelerometer" and take.n_channels > 1:
        others = np.delete(samples, channel, axis=0).astype(np.float32)
        others = np.nan_to_num(others - np.nanmean(others, axis=1, keepdims=True))
        more = short_time_power(others, rate, n_frame, hop).power.sum(axis=0)
        spectra = ShortTimePower(
            spectra.time_s, spectra.frequency_hz, spectra.power + more, spectra.noise_bandwidth_hz
        )
    return View(
        take=take,
        speed=speed,
        car=car,
        x=x,
        mean=mean,
        channel=channel,
        channel_rms=rms,
        blocks=block_levels(x, rate, n_block),
        spectra=spectra,
    )

"""Stage 4: what several signs need, computed once per take.

One real FFT of the take feeds everything: a bank of narrow bands (envelopes), the low band
(shaft orders) and the band around the gear mesh are cut out of it and brought back at the low
rate each of them needs. That keeps the cost near one FFT, whatever the number of bands.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from vibecheck.car.profile import Car
from vibecheck.dsp.long_transform import long_ifft, long_rfft
from vibecheck.features.spectral import moving_mean
from vibecheck.recording.take import Take
from vibecheck.track import PhaseName, SpeedTrack

FloatArray = NDArray[np.float64]

ENVELOPE_RATE_HZ = 2000.0
"""Rate of the narrow bands' envelopes: above twice the second motor order on the bench."""
FRAME_S = 0.16
"""Length of the frames in which peakiness is judged: short against a run-up, long against
the time between impacts of a wheel."""
LOW_RATE_HZ = 12_000.0
LOW_BAND_HZ = 2500.0
BANDS_HZ: dict[str, tuple[float, float]] = {
    "low": (300.0, 1500.0),
    "mid": (1500.0, 3900.0),
    "high": (3900.0, 8700.0),
    "top": (8700.0, 15_900.0),
}
"""Bands of the catalogue; each is a run of the narrow bands of the bank."""
_NARROW_EDGES_HZ = (300.0, 900.0, *np.arange(1500.0, 15_901.0, 1200.0).tolist())
_EDGE_HZ = 150.0
MIN_CONFIDENCE = 0.5
"""Speed frames less certain than this are left out."""
MIN_RUNNING_S = 0.5
IDLE_MARGIN_S = 0.3
"""The rattle of a start and the last turns of a stop are not the room."""
TINY = 1e-30


@dataclass(frozen=True, eq=False)
class Bank:
    """Squared envelopes of the narrow bands.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
    power : ndarray, shape (n_bands, n)
        Squared envelope, summed over channels, over the take's mean square.
    low_hz, high_hz : ndarray, shape (n_bands,)
    """

    time_s: FloatArray
    power: NDArray[np.float32]
    low_hz: FloatArray
    high_hz: FloatArray

    def rows_of(self, band: str) -> NDArray[np.intp]:
        """Return the rows that lie inside a band of the catalogue (empty where none was heard)."""
        low, high = BANDS_HZ[band]
        return np.flatnonzero((self.low_hz >= low - 1.0) & (self.high_hz <= high + 1.0))


def usable_channels(samples: NDArray[Any], sensor: str) -> NDArray[Any]:
    """Return the channels worth hearing: all live axes of an accelerometer, one of a microphone.

    The two capsules of a stereo microphone hear the same thing with different delays: adding
    their envelopes would gain nothing, so the stronger one is taken.
    """
    if samples.shape[0] == 1:
        return samples
    spread = samples.std(axis=1)
    if sensor == "accelerometer":
        live = spread > 1e-3 * spread.max()
        return samples[live] if live.any() else samples[:1]
    best = int(np.argmax(spread))
    return samples[best : best + 1]


class Workings:
    """Shared computations on one take; everything is computed at first use and kept.

    Parameters
    ----------
    take : Take
    speed : SpeedTrack
    car : Car
    """

    def __init__(self, take: Take, speed: SpeedTrack, car: Car) -> None:
        self.take = take
        self.speed = speed
        self.car = car
        self._grids: dict[
            tuple[int, float, float, int], tuple[NDArray[np.intp], FloatArray, FloatArray]
        ] = {}
        self._certain_masks: dict[int, tuple[FloatArray, NDArray[np.bool_]]] = {}
        samples = take.samples
        if not np.isfinite(samples.sum()):
            samples = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
        channels = usable_channels(samples, take.sensor)
        means = channels.mean(axis=1, dtype=np.float64)
        power = sum(float(np.vdot(row, row)) for row in channels) / channels.shape[1]
        power -= float(np.sum(means**2))
        # All later stages work on the take over its own r.m.s.: a gain leaves them unchanged.
        self.is_silent = not power > 1e-12 * float(np.sum(means**2))
        scale = 1.0 if self.is_silent else 1.0 / np.sqrt(power)
        centred = channels - means[:, None].astype(channels.dtype)
        self.channels = (centred * channels.dtype.type(scale)).astype(np.float32, copy=False)
        nyquist = 0.5 * take.sample_rate_hz
        self.bandwidth_hz = min(nyquist, take.bandwidth_hz or nyquist) * 0.95

    # ---- speed -------------------------------------------------------------------------

    def order_ratio(self, shaft: str) -> float | None:
        """Events per motor turn of a named order; ``None`` where the car does not name it."""
        return self.car.order(shaft).ratio if self.car.has_order(shaft) else None

    @cached_property
    def certain(self) -> NDArray[np.bool_]:
        """Speed frames in which the shaft turns and the speed is trusted."""
        return np.asarray(self.speed.running & (self.speed.confidence >= MIN_CONFIDENCE))

    @cached_property
    def frame_step_s(self) -> float:
        """Time between speed frames."""
        times = self.speed.time_s
        return float(times[1] - times[0]) if times.size > 1 else 0.0

    @cached_property
    def runs(self) -> bool:
        """True where enough of the take has a trusted speed."""
        return bool(not self.is_silent and self.certain.sum() * self.frame_step_s >= MIN_RUNNING_S)

    def phase_mask(self, time_s: FloatArray, phase: str) -> NDArray[np.bool_]:
        """True at the times (rising) that belong to a phase, run with trusted speed."""
        if self.speed.time_s.size == 0:
            return np.zeros(time_s.size, dtype=bool)
        mask = self._certain_at(time_s)
        if phase == "running":
            return mask.copy()
        names: tuple[PhaseName, ...] = (
            ("run_up", "hold") if phase == "driven" else (phase,)  # type: ignore[assignment]
        )
        inside = np.zeros(time_s.size, dtype=bool)
        for name in names:
            for stretch in self.speed.phases_named(name):
                first, last = np.searchsorted(time_s, (stretch.start_s, stretch.end_s))
                inside[first:last] = True
        return np.asarray(mask & inside)

    def _certain_at(self, time_s: FloatArray) -> NDArray[np.bool_]:
        """True where the nearest speed frame is trusted; kept, many phases share a time axis."""
        kept = self._certain_masks.get(id(time_s))
        if kept is None:
            place = time_s - self.speed.time_s[0]
            place /= self.frame_step_s if self.frame_step_s else 1.0
            nearest = np.rint(place, out=place).astype(np.intp)
            mask = self.certain.take(nearest, mode="clip")
            # The axis is kept as well: no other array can get its id meanwhile.
            kept = self._certain_masks[id(time_s)] = time_s, mask
        return kept[1]

    def idle_mask(self, time_s: FloatArray) -> NDArray[np.bool_]:
        """True at the times before, after and between runs, a little clear of them."""
        standing = np.ones(time_s.size, dtype=bool)
        for stretch in self.speed.phases:
            if stretch.name != "idle":
                first, last = stretch.start_s - IDLE_MARGIN_S, stretch.end_s + IDLE_MARGIN_S
                standing &= (time_s < first) | (time_s >= last)
        return standing

    @cached_property
    def top_hz(self) -> float:
        """Motor turns per second that trusted running hardly ever passes; 0 where nothing runs."""
        rpm = self.speed.rpm[self.certain]
        return float(np.quantile(rpm, 0.95)) / 60.0 if rpm.size else 0.0

    def shaft_hz(self, time_s: FloatArray, ratio: float) -> FloatArray:
        """Events per second of an order at any times."""
        return np.asarray(self.speed.rpm_at(time_s) * (ratio / 60.0))

    def turns(self, time_s: FloatArray) -> FloatArray:
        """Turns of the reference shaft since the start, at any times."""
        return np.interp(time_s, self.speed.time_s, self.speed.revolutions)

    # ---- spectra -----------------------------------------------------------------------

    @cached_property
    def _transform(self) -> tuple[NDArray[np.complex64], int]:
        n_fast = scipy.fft.next_fast_len(self.channels.shape[1], real=True)
        return long_rfft(self.channels, n_fast), n_fast

    @property
    def bin_hz(self) -> float:
        """Distance between the bins of the whole take's transform."""
        return self.take.sample_rate_hz / self._transform[1]

    def band_signal(
        self, low_hz: float, high_hz: float, rate_hz: float, edge_hz: float = _EDGE_HZ
    ) -> tuple[NDArray[np.complex64], float]:
        """Cut a band out of the take and bring it to zero frequency at a low rate.

        The band has cosine edges. Its lower edge (less ``edge_hz``) becomes 0 Hz.

        Parameters
        ----------
        low_hz, high_hz : float
            −6 dB edges.
        rate_hz : float
            Wanted rate of the result, at least the band's width with its edges.
        edge_hz : float
            Half width of the cosine edges.

        Returns
        -------
        signal : ndarray of complex64, shape (n_channels, m)
        rate_hz : float
            Its true rate.
        """
        n_fast = self._transform[1]
        piece, n_out = self._band_piece(low_hz, high_hz, rate_hz, edge_hz)
        # 2/n: the analytic signal's real part is the band-passed take.
        piece *= np.float32(2.0 * n_out / n_fast)
        signal = long_ifft(piece, n_out)
        kept = int(self.channels.shape[1] / n_fast * n_out)
        return signal[:, :kept], n_out / n_fast * self.take.sample_rate_hz

    def _band_piece(
        self, low_hz: float, high_hz: float, rate_hz: float, edge_hz: float
    ) -> tuple[NDArray[np.complex64], int]:
        """Weighted bins of a band, shape (n_channels, n_bins), and the length to bring back."""
        first, last, n_out = self._band_bins(low_hz, high_hz, rate_hz, edge_hz)
        lines = self._transform[0][:, first:last]
        return lines * self._edges(first, last, low_hz, high_hz, edge_hz), n_out

    def _band_bins(
        self, low_hz: float, high_hz: float, rate_hz: float, edge_hz: float
    ) -> tuple[int, int, int]:
        """First bin of a band and the one after its last, and the length to bring back."""
        transform, n_fast = self._transform
        first = max(0, int((low_hz - edge_hz) / self.bin_hz))
        last = min(transform.shape[1], int((high_hz + edge_hz) / self.bin_hz) + 1)
        wanted = round(rate_hz * n_fast / self.take.sample_rate_hz)
        return first, last, scipy.fft.next_fast_len(max(last - first, wanted))

    def _edges(
        self, first: int, last: int, low_hz: float, high_hz: float, edge_hz: float
    ) -> NDArray[np.float32]:
        # Ones but for the two cosine edges: only those need a sine.
        weights = np.ones(last - first, dtype=np.float32)
        n_edge = min(int(2.0 * edge_hz / self.bin_hz) + 2, last - first)
        slope = self.bin_hz / (2.0 * edge_hz)
        rise = np.arange(n_edge) * slope
        lower = rise + (first * slope - low_hz / (2.0 * edge_hz) + 0.5)
        upper = rise[::-1] + (high_hz / (2.0 * edge_hz) - (last - 1) * slope + 0.5)
        for edge, part in ((lower, weights[:n_edge]), (upper, weights[-n_edge:])):
            np.minimum(np.maximum(edge, 0.0, out=edge), 1.0, out=edge)
            edge *= 0.5 * np.pi
            part *= np.sin(edge.astype(np.float32))
        return weights

    @cached_property
    def low_band(self) -> tuple[NDArray[np.float32], float] | None:
        """The take below `LOW_BAND_HZ`, real, at `LOW_RATE_HZ` (its own rate where lower)."""
        transform, n_fast = self._transform
        top = min(LOW_BAND_HZ, self.bandwidth_hz)
        last = min(transform.shape[1], int((top + _EDGE_HZ) / self.bin_hz) + 1)
        wanted = round(LOW_RATE_HZ * n_fast / self.take.sample_rate_hz)
        n_out = scipy.fft.next_fast_len(max(2 * last, wanted), real=True)
        piece = transform[:, :last].copy()
        frequency = np.arange(last) * self.bin_hz
        piece *= np.clip((top + _EDGE_HZ - frequency) / _EDGE_HZ, 0.0, 1.0).astype(np.float32)
        signal = scipy.fft.irfft(piece, n_out, axis=-1) * np.float32(n_out / n_fast)
        kept = int(self.channels.shape[1] / n_fast * n_out)
        return signal[:, :kept], n_out / n_fast * self.take.sample_rate_hz

    @cached_property
    def bank(self) -> Bank | None:
        """Squared envelopes of the narrow bands that the take can hold."""
        bands = [
            (low_hz, high_hz)
            for low_hz, high_hz in pairwise(_NARROW_EDGES_HZ)
            if high_hz + _EDGE_HZ <= self.bandwidth_hz and not self.is_silent
        ]
        if not bands:
            return None
        power, rate = self._band_powers(bands)
        low, high = np.array(bands).T
        return Bank(np.arange(power.shape[1]) / rate, power, low, high)

    def _band_powers(self, bands: list[tuple[float, float]]) -> tuple[NDArray[np.float32], float]:
        """Squared envelopes of bands, summed over channels, shape (n_bands, n), and their rate.

        As `band_signal` would give them one by one. Bands that come out equally long share one
        call of the transform, which then works on several of them at a time.
        """
        transform, transform_length = self._transform
        n_channels, n_samples = self.channels.shape
        ends = [self._band_bins(low, high, ENVELOPE_RATE_HZ, _EDGE_HZ) for low, high in bands]
        # All bands of the bank are narrower than their rate.
        (n_out,) = {n for _first, _last, n in ends}
        kept = int(n_samples / transform_length * n_out)
        power = np.empty((len(bands), kept), np.float32)
        for channel in range(n_channels):
            padded = np.empty((len(bands), n_out), np.complex64)
            for row, (first, last, _n), (low, high) in zip(padded, ends, bands, strict=True):
                piece, n_bins = transform[channel, first:last], last - first
                weights = self._edges(first, last, low, high, _EDGE_HZ)
                np.multiply(piece, weights, out=row[:n_bins])
                row[n_bins:] = 0.0
            signal = scipy.fft.ifft(padded, axis=-1, overwrite_x=True)[:, :kept]
            square = signal.real**2
            square += signal.imag**2
            if channel:
                power += square
            else:
                power[:] = square
        power *= np.float32((2.0 * n_out / transform_length) ** 2)
        return power, n_out / transform_length * self.take.sample_rate_hz

    # ---- frames of the bank ------------------------------------------------------------

    @cached_property
    def frame_length(self) -> int:
        """Envelope samples in a frame of `FRAME_S`."""
        if self.bank is None:
            return 0
        step = self.bank.time_s[1] - self.bank.time_s[0]
        return max(8, round(FRAME_S / float(step)))

    @cached_property
    def frame_time_s(self) -> FloatArray:
        """Centres of the frames."""
        bank = self.bank
        if bank is None or bank.time_s.size < self.frame_length:
            return np.zeros(0)
        n_frames = bank.time_s.size // self.frame_length
        step = float(bank.time_s[1] - bank.time_s[0])
        return np.asarray((np.arange(n_frames) + 0.5) * self.frame_length * step)

    def framed(self, values: NDArray[Any]) -> NDArray[Any]:
        """View a row of envelope samples as whole frames, shape (..., n_frames, frame_length)."""
        n_frames = self.frame_time_s.size
        kept = values[..., : n_frames * self.frame_length]
        return kept.reshape(*values.shape[:-1], n_frames, self.frame_length)

    @cached_property
    def frame_level_db(self) -> FloatArray:
        """Mean power of each narrow band in each frame, in dB, shape (n_bands, n_frames)."""
        assert self.bank is not None
        return np.asarray(
            10.0 * np.log10(self.framed(self.bank.power).mean(axis=-1, dtype=np.float64) + TINY)
        )

    @cached_property
    def frame_peakiness_db(self) -> FloatArray:
        """Peakiness of each narrow band in each frame, in dB, shape (n_bands, n_frames).

        Mean fourth power of the envelope over its squared mean square, against the value of
        Gaussian noise: spectral kurtosis (Antoni 2006) plus two, halved, in dB. Channels whose
        envelopes are added have the smaller Gaussian value 1 + 1/n_channels.
        """
        assert self.bank is not None
        framed = self.framed(self.bank.power)
        mean = framed.mean(axis=-1, dtype=np.float64)
        # A single pass over float32; the sums of 500 squares keep six figures.
        square = np.einsum("...i,...i->...", framed, framed) / self.frame_length
        gaussian = 1.0 + 1.0 / self.channels.shape[0]
        return np.asarray(10.0 * np.log10((square + TINY) / (gaussian * mean**2 + TINY)))

    @cached_property
    def broad_rows(self) -> NDArray[np.intp]:
        """Narrow bands that count as structure-borne noise: from 1.5 kHz, or all there are."""
        assert self.bank is not None
        rows = np.flatnonzero(self.bank.low_hz >= 1500.0)
        return rows if rows.size else np.arange(self.bank.low_hz.size)

    @cached_property
    def log_power(self) -> NDArray[np.float32]:
        """Natural logarithm of the bank's squared envelopes, shape (n_bands, n)."""
        assert self.bank is not None
        return np.asarray(np.log(self.bank.power + np.float32(TINY)), dtype=np.float32)

    @cached_property
    def band_log_envelopes(self) -> dict[str, NDArray[np.float32]]:
        """Mean logarithm of the narrow envelopes of every band that is heard, each shape (n,).

        The geometric mean weighs each narrow band alike: bursts fill them all, a tone only one.
        """
        assert self.bank is not None
        rows_of = {band: self.bank.rows_of(band) for band in BANDS_HZ}
        return {
            band: self.log_power[rows].mean(axis=0) for band, rows in rows_of.items() if rows.size
        }

    @cached_property
    def log_envelope(self) -> NDArray[np.float32]:
        """Mean logarithm of the broad bands' envelopes less its slow trend, shape (n,).

        The mean logarithm over bands weighs each band alike, so that a tone that fills one or two
        of them (the gear mesh) cannot hide bursts that fill them all; the logarithm tames rare
        huge impacts (log-envelope spectrum: Borghesani & Antoni 2018).
        """
        assert self.bank is not None
        mean = self.log_power[self.broad_rows].mean(axis=0)
        return np.asarray(mean - moving_mean(mean, self.frame_length), dtype=np.float32)

    # ---- angle -------------------------------------------------------------------------

    def at_angles(
        self, time_s: FloatArray, values: NDArray[Any], per_turn: int, phase: str
    ) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """Resample a slowly varying row to equal steps of the motor's turn.

        Parameters
        ----------
        time_s : ndarray, shape (n,)
            Uniform.
        values : ndarray, shape (..., n)
        per_turn : int
            Samples per turn of the reference shaft.
        phase : str

        Returns
        -------
        values : ndarray, shape (..., m)
        inside : ndarray of bool, shape (m,)
            True where the sample lies in the phase.
        """
        first_s, second_s = float(time_s[0]), float(time_s[1])
        base, share, at = self._angle_grid(time_s.size, first_s, second_s, per_turn)
        if base.size == 0:
            return values[..., :0], np.zeros(0, dtype=bool)
        weight = share.astype(values.dtype)
        out = values[..., base] * (1 - weight) + values[..., base + 1] * weight
        return out, self.phase_mask(at, phase)

    def times_of_angles(self, time_s: FloatArray, per_turn: int) -> FloatArray:
        """Times of the samples that `at_angles` returns."""
        return self._angle_grid(time_s.size, float(time_s[0]), float(time_s[1]), per_turn)[2]

    def _angle_grid(
        self, n: int, first_s: float, second_s: float, per_turn: int
    ) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
        """Places of equal steps of turn on a uniform time axis, kept: many rows share each grid.

        Returns
        -------
        base, share, at_s : ndarray, shape (m,)
            Sample before, share of the one after it, and time.
        """
        key = (n, first_s, second_s, per_turn)
        if key not in self._grids:
            step_s = second_s - first_s
            ends = self.turns(np.array([first_s, first_s + step_s * (n - 1)]))
            n_out = max(int((ends[1] - ends[0]) * per_turn), 0)
            grid = ends[0] + np.arange(n_out if n_out >= 2 else 0) / per_turn
            # Inverse of a monotone function; standing frames collapse to a point and are skipped.
            at = np.interp(grid, self.speed.revolutions, self.speed.time_s)
            position = (at - first_s) / step_s
            base = np.clip(position.astype(np.intp), 0, n - 2)
            self._grids[key] = base, np.clip(position - base, 0.0, 1.0), at
        return self._grids[key]

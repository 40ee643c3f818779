"""The same quantities from other libraries: scipy, librosa, statsmodels, scikit-learn, mpmath."""

from __future__ import annotations

import numpy as np
import scipy.integrate
import scipy.interpolate
import scipy.linalg
import scipy.ndimage
import scipy.optimize
import scipy.signal
import scipy.spatial.transform
import scipy.special
import scipy.stats
from outside_check import Check, check, held

from vibecheck.dsp import envelope, levels, spectrum, statistics, windows
from vibecheck.dsp.angular import PhaseTrack, to_angle
from vibecheck.dsp.tracking_front import decimate, low_pass_taps
from vibecheck.dsp.tracking_lines import chirp_turn
from vibecheck.dsp.tracking_refine import smoothed, turns
from vibecheck.features.spectral import moving_mean, segment_power
from vibecheck.simulator.accelerometer import rotation
from vibecheck.simulator.build import rigid_map
from vibecheck.simulator.noise import shaped_noise, transmit
from vibecheck.simulator.ringing import resonator_coefficients
from vibecheck.simulator.run import RECORD_RATE_HZ, half_band_taps

D = "vibecheck.dsp"
NOISE = np.random.default_rng(8).standard_normal(20_000)
FS, N, HOP = 8000.0, 512, 128


def apart(ours: object, theirs: object) -> float:
    """Largest difference over the largest value."""
    a, b = np.asarray(ours), np.asarray(theirs)
    assert a.shape == b.shape, (a.shape, b.shape)
    return float(np.abs(a - b).max() / np.abs(b).max())


def window_difference() -> float:
    theirs = {
        "hann": "hann", "blackman_harris": "blackmanharris", "flat_top": "flattop",
        "rectangle": "boxcar",
    }  # fmt: skip
    worst = apart(windows.kaiser(300, 7.0), scipy.signal.get_window(("kaiser", 7.0), 300))
    for name, other in theirs.items():
        worst = max(worst, apart(windows.window(name, 301), scipy.signal.get_window(other, 301)))
    return worst


def kaiser_in_digits() -> float:
    import mpmath

    with mpmath.workdps(30):
        exact = [
            float(mpmath.besseli(0, 9 * mpmath.sqrt(1 - (mpmath.mpf(2 * n) / 32 - 1) ** 2))
                  / mpmath.besseli(0, 9))
            for n in range(32)
        ]  # fmt: skip
    return apart(windows.kaiser(32, 9.0), exact)


def stft_difference(dtype: type) -> float:
    made = spectrum.short_time_power(NOISE, FS, N, HOP, dtype=dtype)
    _, _, lines = scipy.signal.stft(
        NOISE, FS, "hann", N, N - HOP, boundary=None, padded=False, scaling="spectrum"
    )
    power = 2.0 * np.abs(lines.T) ** 2
    power[:, [0, -1]] /= 2.0
    return apart(made.power, power)


def librosa_difference() -> float:
    import librosa

    made = spectrum.short_time_power(NOISE, FS, N, HOP, dtype=np.float64)
    lines = librosa.stft(NOISE, n_fft=N, hop_length=HOP, window="hann", center=False)
    power = 2.0 * np.abs(lines.T) ** 2 / windows.hann(N).sum() ** 2
    power[:, [0, -1]] /= 2.0
    return apart(made.power, power)


def frames_difference() -> float:
    import librosa

    return apart(spectrum.frames(NOISE, 300, 70), librosa.util.frame(
        NOISE, frame_length=300, hop_length=70, axis=0))  # fmt: skip


def rms_difference() -> float:
    import librosa

    parts = NOISE[:19_200].reshape(-1, 300)
    theirs = librosa.feature.rms(y=NOISE[:19_200], frame_length=300, hop_length=300, center=False)
    blocks = levels.block_levels(NOISE[:19_200], FS, 300)
    return max(
        apart(statistics.rms(parts), theirs[0]), apart(np.sqrt(blocks.mean_square), theirs[0])
    )


def welch_difference() -> float:
    made = spectrum.power_spectral_density(NOISE, FS, N)
    _, theirs = scipy.signal.welch(NOISE, FS, "hann", N, detrend=False)
    return apart(made.density, theirs)


def periodogram_difference() -> float:
    made = spectrum.amplitude_spectrum(NOISE[:4096], FS)
    _, theirs = scipy.signal.periodogram(
        NOISE[:4096], FS, "hann", detrend=False, scaling="spectrum"
    )
    return apart(made.amplitude[1:-1], np.sqrt(2.0 * theirs[1:-1]))


def band_power_difference() -> float:
    sharp = scipy.signal.butter(12, [1000.0, 2000.0], "bandpass", fs=FS, output="sos")
    heard = np.mean(scipy.signal.sosfilt(sharp, np.tile(NOISE, 4))[1000:] ** 2)
    made = spectrum.power_spectral_density(np.tile(NOISE, 4), FS, 1024)
    return float(spectrum.band_power(made, 1000.0, 2000.0) / heard) - 1.0


def hilbert_difference() -> float:
    n = 20_000
    t = np.arange(n) / 10_000.0
    x = sum(np.cos(2 * np.pi * f * t + f) for f in (1700.0, 1900.5, 2211.0, 2300.0))
    ours, rate = envelope.analytic_band(x, 10_000.0, 1500.0, 2500.0)
    theirs = scipy.signal.resample(np.abs(scipy.signal.hilbert(x)) ** 2, ours.size)
    square, _ = envelope.squared_envelope(x, 10_000.0, 1500.0, 2500.0)
    assert abs(rate - 10_000.0 * ours.size / n) < 1e-9
    return apart(square, theirs)


def filtered_envelope() -> float:
    """Noise through a Butterworth band pass and scipy's Hilbert transform: correlation, less 1."""
    ours, rate = envelope.squared_envelope(NOISE, FS, 1000.0, 3000.0)
    sections = scipy.signal.butter(12, [1000.0, 3000.0], "bandpass", fs=FS, output="sos")
    band = scipy.signal.sosfiltfilt(sections, NOISE)
    square = np.abs(scipy.signal.hilbert(band)) ** 2
    theirs = np.interp(np.arange(ours.size) / rate, np.arange(NOISE.size) / FS, square)
    return float(np.corrcoef(ours[100:-100], theirs[100:-100])[0, 1]) - 1.0


def significance_difference() -> float:
    power = np.random.default_rng(3).gamma(20.0, 1 / 20.0, 400)
    made = envelope.line_significance(power, 20)
    dist = scipy.stats.f(2.0 * made.n_effective, 2.0 * made.n_background)
    level = made.limit(0.05, 400) / made.background
    return max(
        apart(made.p_value, dist.sf(made.power / made.background)),
        apart(level, np.full(400, dist.isf(0.05 / 400))),
    )


def median_differences() -> float:
    ours = statistics.running_median(NOISE[:3000], 51)
    theirs = scipy.ndimage.median_filter(NOISE[:3000], 51)
    power = NOISE[:15_000].reshape(75, 200) ** 2
    return max(
        apart(ours[25:-25], theirs[25:-25]),
        apart(levels.median_over_time(power.copy()), np.median(power, axis=0)),
    )


def mean_differences() -> float:
    ours = levels.smooth(NOISE, 31)[15:-15]
    theirs = scipy.ndimage.uniform_filter1d(NOISE, 31)[15:-15]
    return max(apart(ours, theirs), apart(moving_mean(NOISE, 31)[15:-15], theirs))


def moment_differences() -> float:
    import statsmodels.robust

    skew = NOISE**3 + 2.0
    return max(
        apart(statistics.kurtosis(skew), scipy.stats.kurtosis(skew, fisher=False)),
        apart(
            statistics.robust_scale(skew),
            scipy.stats.median_abs_deviation(skew, scale="normal"),
        ),
        apart(statistics.robust_scale(skew), statsmodels.robust.mad(skew)),
    )


def block_differences() -> float:
    made = levels.block_levels(NOISE, FS, 250)
    labels = np.repeat(np.arange(80), 250)
    index = np.arange(80)
    variance = scipy.ndimage.variance(NOISE, labels, index)
    peak = scipy.ndimage.maximum(np.abs(NOISE), labels, index)
    return max(apart(made.variance, variance), apart(made.peak, peak))


def taps_difference() -> float:
    worst = 0.0
    for factor in (2, 4, 8):
        ours = low_pass_taps(factor)
        beta = 0.1102 * (65.0 - 8.7)
        theirs = scipy.signal.firwin(ours.size, 1.0 / factor, window=("kaiser", beta))
        worst = max(worst, apart(ours, theirs))
    half = half_band_taps()
    return max(worst, apart(half, scipy.signal.firwin(half.size, 0.5, window=("kaiser", 7.0))))


def decimate_difference() -> float:
    x = NOISE.astype(np.float32)[None]
    taps = low_pass_taps(4)
    theirs = scipy.signal.upfirdn(taps.astype(float), NOISE, 1, 4)[taps.size // 2 // 4 :]
    return apart(decimate(x, 4)[0], theirs[:5000])


def savgol_difference() -> float:
    speed = 100.0 + np.cumsum(NOISE[:400]) * 0.05
    theirs = scipy.signal.savgol_filter(speed, 21, 2)
    return apart(smoothed(speed, 21)[10:-10], theirs[10:-10])


def turns_difference() -> float:
    speed = 50.0 + NOISE[:500]
    theirs = scipy.integrate.cumulative_trapezoid(speed, dx=0.01, initial=0.0)
    return apart(turns(speed, 0.01), theirs)


def phase_difference() -> float:
    time = np.array([0.0, 0.7, 1.9, 3.0, 4.5])
    rate = np.array([5.0, 60.0, 33.0, 33.0, 2.0])
    track = PhaseTrack(time, rate)
    places = np.linspace(0.2, 4.4, 12)
    theirs = [
        scipy.integrate.quad(
            lambda t: np.interp(t, time, rate), 0.0, end, points=time[1:-1], limit=200
        )[0]
        for end in places
    ]
    when = [
        scipy.optimize.brentq(lambda t, w=want: float(track.revolutions_at(t)) - w, 0.0, 4.5,
                              xtol=1e-13)
        for want in theirs
    ]  # fmt: skip
    return max(apart(track.revolutions_at(places), theirs), apart(track.time_at(theirs), when))


def angle_difference() -> float:
    """A band-limited signal on the angle grid of a steady shaft against scipy's resampling."""
    rng = np.random.default_rng(2)
    t = np.arange(16_000) / 8000.0
    lines = [(f, rng.standard_normal(), rng.random()) for f in (15.0, 133.0, 420.0, 600.0)]
    x = sum(a * np.cos(2 * np.pi * (f * t + p)) for f, a, p in lines)
    (stretch,) = to_angle(x, 8000.0, PhaseTrack(np.array([0.0, 2.0]), np.array([20.0, 20.0])), 100)
    theirs = scipy.signal.resample(x, 4000)
    return apart(stretch.samples[200:3800], theirs[200:3800])


def chirp_difference() -> float:
    import mpmath

    worst = 0.0
    for rate in (0.5, 2.0, 6.0):
        lines = mpmath.quad(
            lambda t, c=rate: (1 + mpmath.cos(2 * mpmath.pi * t)) / 2
            * mpmath.exp(1j * mpmath.pi * c * t * t), [-0.5, 0.0, 0.5],
        )  # fmt: skip
        ours = complex(chirp_turn(np.array([rate]))[0])
        worst = max(worst, abs(float(mpmath.arg(lines)) + float(np.angle(ours))))
    return worst


def segments_difference() -> float:
    ours, count = segment_power(NOISE, np.ones(NOISE.size, bool), N, N // 2)
    _, theirs = scipy.signal.welch(
        NOISE, 1.0, "hann", N, detrend="constant", return_onesided=False, scaling="spectrum"
    )
    assert count == (NOISE.size - N) // (N // 2) + 1
    return apart(ours, theirs[: N // 2 + 1] * windows.hann(N).sum() ** 2)


def state_step_difference() -> float:
    f, zeta, step = 1000.0, 0.03, 1.0 / RECORD_RATE_HZ
    made = resonator_coefficients(np.array([f]), np.array([zeta]), np.ones(1), RECORD_RATE_HZ)[0]
    w = 2 * np.pi * f
    exact = scipy.linalg.expm(np.array([[0.0, 1.0], [-(w**2), -2 * zeta * w]]) * step)
    return max(abs(a / b - 1.0) for a, b in zip(made[:4], exact.ravel(), strict=True))


def support_difference() -> float:
    n = 2 * int(RECORD_RATE_HZ)
    x = np.zeros(n)
    x[0] = 1.0
    ours = np.fft.rfft(transmit(x, 80.0, 0.2))[: 2 * 300 : 4]
    w0 = 2 * np.pi * 80.0
    hz = np.fft.rfftfreq(n, 1.0 / RECORD_RATE_HZ)[: 2 * 300 : 4]
    _, theirs = scipy.signal.freqs([0.4 * w0, w0**2], [1.0, 0.4 * w0, w0**2], 2 * np.pi * hz)
    return apart(ours, theirs)


def turned_difference() -> float:
    vector = np.array([0.3, -1.2, 0.7])
    places = np.array([[0.1, -0.2, 0.05], [-0.3, 0.1, 0.0]])
    body = np.array([1e-3, -2e-3, 3e-3, 0.01, -0.02, 0.03])
    moved = (body @ rigid_map(places)).reshape(2, 3)
    small = scipy.spatial.transform.Rotation.from_rotvec(1e-4 * body[3:]).as_matrix()
    exact = body[:3] + 1e4 * (places @ small.T - places)
    return max(
        apart(rotation(vector), scipy.spatial.transform.Rotation.from_rotvec(vector).as_matrix()),
        apart(moved, exact),
    )


def noise_slope() -> float:
    """Fall of the density of shaped noise per decade, dB."""
    x = shaped_noise(np.random.default_rng(1), 400_000, 50.0, 15_000.0, 1.0)
    f, p = scipy.signal.welch(x, RECORD_RATE_HZ, nperseg=4096)
    use = (f > 300.0) & (f < 3000.0)
    return float(np.polyfit(np.log10(f[use]), 10.0 * np.log10(p[use]), 1)[0])


def library(
    key: str, quantity: str | tuple[str, ...], reference: str, ours: object, tolerance: float,
    what: str = "largest difference over the largest value",
) -> Check:  # fmt: skip
    return check(key, quantity, what, reference, "recomputed", 0.0, ours, tolerance)  # type: ignore[arg-type]


W, SP, ST, LV, EN = (
    f"{D}.{n}" for n in ("windows", "spectrum", "statistics", "levels", "envelope")
)
CHECKS: tuple[Check, ...] = (
    library("windows in scipy", tuple(f"{W}.{n}" for n in (
        "window", "hann", "rectangle", "blackman_harris", "flat_top", "kaiser")),
        "scipy.signal.get_window", window_difference, 1e-8),
    library("Kaiser window in 30 digits", f"{W}.kaiser", "mpmath.besseli", kaiser_in_digits, 1e-14),
    library("short-time power in scipy", f"{SP}.short_time_power", "scipy.signal.stft",
            lambda: stft_difference(np.float64), 1e-12),
    library("short-time power, single precision", f"{SP}.short_time_power", "scipy.signal.stft",
            lambda: stft_difference(np.float32), 1e-5),
    library("short-time power in librosa", f"{SP}.short_time_power", "librosa.stft",
            librosa_difference, 1e-5),
    library("frames", f"{SP}.frames", "librosa.util.frame", frames_difference, 1e-15),
    library("r.m.s.", (f"{ST}.rms", f"{LV}.block_levels"), "librosa.feature.rms", rms_difference,
            1e-6),
    library("power spectral density", f"{SP}.power_spectral_density", "scipy.signal.welch",
            welch_difference, 1e-12),
    library("amplitude spectrum", f"{SP}.amplitude_spectrum", "scipy.signal.periodogram",
            periodogram_difference, 1e-12),
    library("band power", f"{SP}.band_power", "12-pole Butterworth band of scipy.signal",
            band_power_difference, 0.02, "relative difference of the power of noise in a band"),
    library("envelope in scipy", (f"{EN}.analytic_band", f"{EN}.squared_envelope"),
            "scipy.signal.hilbert and resample", hilbert_difference, 1e-6),
    library("envelope behind a filter", f"{EN}.squared_envelope",
            "12-pole Butterworth band of scipy.signal, then hilbert", filtered_envelope, 0.03,
            "correlation of the squared envelopes of noise, less 1"),
    library("line significance", (f"{EN}.line_significance", f"{EN}.LineSignificance.limit"),
            "scipy.stats.f", significance_difference, 1e-9),
    library("medians", (f"{ST}.running_median", f"{LV}.median_over_time"),
            "scipy.ndimage.median_filter, numpy.median", median_differences, 1e-12),
    library("moving means", (f"{LV}.smooth", "vibecheck.features.spectral.moving_mean"),
            "scipy.ndimage.uniform_filter1d", mean_differences, 1e-12),
    library("moments", (f"{ST}.kurtosis", f"{ST}.robust_scale"),
            "scipy.stats, statsmodels.robust.mad", moment_differences, 1e-12),
    library("blocks", (f"{LV}.block_levels", f"{LV}.BlockLevels.peak",
                       f"{LV}.BlockLevels.variance"),
            "scipy.ndimage.variance and maximum", block_differences, 1e-12),
    library("low-pass taps", (f"{D}.tracking_front.low_pass_taps",
                              "vibecheck.simulator.run.half_band_taps"),
            "scipy.signal.firwin", taps_difference, 1e-6),
    library("decimation", f"{D}.tracking_front.decimate", "scipy.signal.upfirdn",
            decimate_difference, 1e-5),
    library("local parabola", f"{D}.tracking_refine.smoothed", "scipy.signal.savgol_filter",
            savgol_difference, 1e-9),
    library("tracker's turns in scipy", f"{D}.tracking_refine.turns",
            "scipy.integrate.cumulative_trapezoid", turns_difference, 1e-12),
    library("turns of the shaft", (f"{D}.angular.PhaseTrack.revolutions_at",
                                   f"{D}.angular.PhaseTrack.time_at",
                                   f"{D}.angular.PhaseTrack.rate_at",
                                   f"{D}.angular.PhaseTrack.revolutions"),
            "scipy.integrate.quad, scipy.optimize.brentq", phase_difference, 1e-9),
    library("resampling to angle", f"{D}.angular.to_angle", "scipy.signal.resample",
            angle_difference, 1e-3, "steady shaft: largest difference over the largest value"),
    library("phase of a sweep", f"{D}.tracking_lines.chirp_turn", "mpmath.quad", chirp_difference,
            2e-3, "phase at the centre of a Hann-windowed sweep, rad"),
    library("segment power", "vibecheck.features.spectral.segment_power", "scipy.signal.welch",
            segments_difference, 1e-5),
    library("step of a mode", "vibecheck.simulator.ringing.resonator_coefficients",
            "scipy.linalg.expm", state_step_difference, 1e-11, "largest relative difference"),
    library("soft support", "vibecheck.simulator.noise.transmit", "scipy.signal.freqs",
            support_difference, 1e-3, "transfer function to 300 Hz, over its peak"),
    library("rotations", ("vibecheck.simulator.accelerometer.rotation",
                          "vibecheck.simulator.build.rigid_map"),
            "scipy.spatial.transform.Rotation", turned_difference, 1e-5),
    check("slope of shaped noise", "vibecheck.simulator.noise.shaped_noise",
          "density over a decade, dB, for a slope of 1", "scipy.signal.welch", "recomputed", -10.0,
          noise_slope, 0.3),
    held("running medians at every width", f"{ST}.running_median", "drawn lengths and widths",
         "scipy.ndimage.median_filter", "recomputed",
         "tests/dsp/test_statistics.py::"
         "test_running_median_matches_an_independent_one_in_the_middle"),
)  # fmt: skip

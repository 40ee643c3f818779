"""Spectra, amplitude statistics, spectral kurtosis, envelopes, levels: outside values."""

from __future__ import annotations

import numpy as np
from outside_check import Check, Other, check, held

from vibecheck import units
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.dsp import envelope, kurtogram, spectrum, statistics
from vibecheck.features.tones import CENTRES_HZ, third_octaves
from vibecheck.features.workings import Workings
from vibecheck.recording.take import Take
from vibecheck.simulator.noise import REFERENCE_PRESSURE, pressure
from vibecheck.track import SpeedTrack

SP = "vibecheck.dsp.spectrum"
ST = "vibecheck.dsp.statistics"
KG = "vibecheck.dsp.kurtogram"
HARRIS = "Harris, Proc. IEEE 66 (1978) 51–83, Table I"
N, FS = 1024, 1000.0


def tone(amplitude: float, bin_number: float) -> np.ndarray:
    return amplitude * np.cos(2 * np.pi * bin_number * np.arange(N) / N)


def short(x: np.ndarray, **more: object) -> spectrum.ShortTimePower:
    return spectrum.short_time_power(x, FS, N, N, dtype=np.float64, **more)  # type: ignore[arg-type]


def parseval() -> float:
    x = np.random.default_rng(4).standard_normal(N)
    made = short(x, window="rectangle")
    return abs(float(made.power.sum() / np.mean(x**2)) - 1.0)


def white_density() -> float:
    x = 2.0 * np.random.default_rng(11).standard_normal(400_000)
    return float(spectrum.power_spectral_density(x, FS, N).density[5:-5].mean())


def welch_variance() -> float:
    rng = np.random.default_rng(5)
    made = spectrum.power_spectral_density(rng.standard_normal((400, 16 * 128)), FS, 128)
    bins = made.density[:, 3:-3]
    return float(np.mean(np.var(bins, axis=0) / np.mean(bins, axis=0) ** 2))


def half_bin_loss() -> float:
    lines = spectrum.amplitude_spectrum(tone(1.0, 100.5), FS)
    return float(20 * np.log10(lines.amplitude.max()))


TURN = np.arange(100_000) / 100_000


def triangle() -> np.ndarray:
    return 4.0 * np.abs(TURN - 0.5) - 1.0


def am(m: float) -> np.ndarray:
    return (1.0 + m * np.cos(2 * np.pi * 7 * TURN)) * np.cos(2 * np.pi * 1001 * TURN)


def impulses() -> np.ndarray:
    x = np.zeros(TURN.size)
    x[::200], x[100::200] = 1.0, -1.0
    return x


def kurt(x: np.ndarray) -> float:
    return float(statistics.kurtosis(x))


def crest(x: np.ndarray) -> float:
    return float(statistics.crest_factor(x))


def gaussian_kurtosis() -> list[float]:
    values = statistics.kurtosis(np.random.default_rng(1).standard_normal((400, 10_000)))
    return [float(values.mean()), float(values.std())]


def bursts() -> np.ndarray:
    return np.exp(-20.0 * TURN) * np.sin(2 * np.pi * 2000 * TURN)


def sk_gaussian() -> list[float]:
    power = np.random.default_rng(0).exponential(size=(100, 20_000))
    values = kurtogram.spectral_kurtosis(power)
    return [float(values.mean()), float(values.std())]


def sk_duty() -> list[float]:
    on = (np.arange(200_000) % 100) < 10
    gaussian = np.random.default_rng(0).exponential(size=200_000) * on
    return [float(kurtogram.spectral_kurtosis(x.astype(float)[:, None])[0]) for x in (gaussian, on)]


def sk_real() -> float:
    power = np.random.default_rng(3).standard_normal((200_000, 1)) ** 2
    return float(kurtogram.spectral_kurtosis(power)[0])


def envelope_lines(square: bool) -> list[float]:
    t = np.arange(20_000) / 10_000.0
    x = (1.0 + 0.4 * np.cos(2 * np.pi * 20 * t)) * np.cos(2 * np.pi * 2000 * t)
    if square:
        values, rate = envelope.squared_envelope(x, 10_000.0, 1500.0, 2500.0)
    else:
        band, rate = envelope.analytic_band(x, 10_000.0, 1500.0, 2500.0)
        values = np.abs(band)
    lines = np.abs(np.fft.rfft(values)) * 2.0 / values.size
    lines[0] /= 2.0
    return [float(lines[round(f * values.size / rate)]) for f in (0.0, 20.0, 40.0)]


def tones_in_their_third_octave() -> float:
    """Tones at the exact base-ten centres that sound loudest in the band of that name."""
    car = read_car(shipped_car_path("saltflat8"))
    time = np.linspace(0.0, 1.0, 50)
    speed = SpeedTrack(time, np.full(50, 6000.0), np.ones(50), np.ones(50))
    right = 0
    for place, _ in enumerate(CENTRES_HZ):
        centre = 1000.0 * 10.0 ** ((place - CENTRES_HZ.index(1000)) / 10.0)
        x = np.sin(2 * np.pi * centre * np.arange(48_000) / 48_000.0)
        found = third_octaves(Workings(Take(x, 48_000.0), speed, car))
        assert found is not None
        level = found.level_db.mean(axis=1)
        right += found.centres[int(level.argmax())] == CENTRES_HZ[place]
    return float(right)


CHECKS: tuple[Check, ...] = (
    check(
        "Parseval", f"{SP}.short_time_power", "power over all bins over the mean square, less one",
        "identity", "recomputed", 0.0, parseval, 1e-12,
    ),
    check(
        "white noise density", f"{SP}.power_spectral_density",
        "variance 4 at 1000 samples/s: density, unit²/Hz", "2σ²/fs", "recomputed", 0.008,
        white_density, 0.01, relative=True,
    ),
    check(
        "sine in a bin", (f"{SP}.short_time_power", f"{SP}.ShortTimePower.density",
                          f"{SP}.band_power"),
        "amplitude 3: power, density (1000 samples/s, 1024, Hann), power over all bins",
        "a²/2 and (a²/2)/(ENBW·fs/N)", "recomputed", (4.5, 3.0720, 4.5),
        lambda: [
            float((s := short(tone(3.0, 128))).power.max()),
            float(s.density.max()),
            float(spectrum.band_power(s, 0.0, FS / 2)[0]),
        ], 1e-9,
    ),
    check(
        "sine between bins", f"{SP}.amplitude_spectrum", "Hann, half a bin off: level, dB", HARRIS,
        "published, recomputed", -1.42, half_bin_loss, 0.01,
    ),
    check(
        "variance of Welch's estimate", f"{SP}.power_spectral_density",
        "31 Hann segments, half overlap: variance over squared mean, 400 simulated records",
        "Welch, IEEE Trans. AU-15 (1967) 70–73", "from memory, recomputed", 0.03399,
        welch_variance, 0.05, relative=True,
    ),
    check(
        "effective averages", "vibecheck.dsp.envelope.effective_averages",
        "31 half-overlapping Hann segments: one over the averages they are worth",
        "Welch, IEEE Trans. AU-15 (1967) 70–73", "from memory, recomputed", 0.03399,
        lambda: 1.0 / envelope.effective_averages(31), 1e-5,
    ),
    check(
        "sine", (f"{ST}.crest_factor", f"{ST}.kurtosis", f"{ST}.rms"),
        "crest factor, kurtosis, r.m.s. over mean magnitude", "closed form", "recomputed",
        (2**0.5, 1.5, 1.1107),
        lambda: [
            crest(x := np.sin(2 * np.pi * TURN)), kurt(x),
            float(statistics.rms(x) / np.abs(x).mean()),
        ], 1e-4,
    ),
    check(
        "square wave", (f"{ST}.crest_factor", f"{ST}.kurtosis"), "crest factor, kurtosis",
        "closed form", "recomputed", (1.0, 1.0),
        lambda: [crest(x := np.where(TURN < 0.5, 1.0, -1.0)), kurt(x)], 1e-9,
    ),
    check(
        "triangle and sawtooth", (f"{ST}.crest_factor", f"{ST}.kurtosis"),
        "crest factor, kurtosis of each", "closed form", "recomputed",
        (3**0.5, 1.8, 3**0.5, 1.8),
        lambda: [
            crest(triangle()), kurt(triangle()), crest(s := 2.0 * TURN - 1.0 + 1e-5), kurt(s),
        ], 1e-4,
    ),
    check(
        "Gaussian noise", f"{ST}.kurtosis", "kurtosis: mean, standard deviation at 10 000 samples",
        "3 and √(24/N)", "recomputed", (3.0, 0.0490), gaussian_kurtosis, 0.006,
    ),
    check(
        "two sines", f"{ST}.kurtosis", "kurtosis", "3 − 1.5/n", "recomputed", 2.25,
        lambda: kurt(np.sin(2 * np.pi * 31 * TURN) + np.sin(2 * np.pi * 1013 * TURN)), 1e-3,
    ),
    check(
        "modulated sine", f"{ST}.kurtosis", "kurtosis at modulation 0.5 and 1",
        "1.5(1 + 3m² + 3m⁴/8)/(1 + m²/2)²", "recomputed", (2.10185, 2.91667),
        lambda: [kurt(am(0.5)), kurt(am(1.0))], 1e-4,
    ),
    check(
        "ringing bursts", f"{ST}.kurtosis", "kurtosis of e^(−at)·sin, aT = 20", "1.5·aT",
        "recomputed", 30.0, lambda: kurt(bursts()), 0.01, relative=True,
    ),
    check(
        "sparse impulses", (f"{ST}.kurtosis", f"{ST}.crest_factor"),
        "one sample in a hundred: kurtosis, crest factor", "1/p, 1/√p", "recomputed",
        (100.0, 10.0), lambda: [kurt(impulses()), crest(impulses())], 1e-9, relative=True,
    ),
    check(
        "spectral kurtosis of noise", f"{KG}.spectral_kurtosis",
        "100 averages of complex Gaussian noise: mean (no bias in this form), scatter 2/√M",
        "Antoni, MSSP 20 (2006) 282–307: definition published, formulas from memory",
        "published, from memory, recomputed", (0.0, 0.2), sk_gaussian, 0.013,
        also=(Other(-0.0198, "mean −2/(M + 1) of the biased estimator"),),
    ),
    check(
        "spectral kurtosis of a tone", (f"{KG}.spectral_kurtosis", f"{KG}.block_kurtosis"),
        "constant modulus", "closed form", "recomputed", -1.0,
        lambda: float(kurtogram.spectral_kurtosis(np.full((50, 1), 7.0))[0]), 1e-6,
    ),
    check(
        "spectral kurtosis of bursts", f"{KG}.spectral_kurtosis",
        "one tenth on: Gaussian bursts, constant bursts", "2/d − 2 and 1/d − 2", "recomputed",
        (18.0, 8.0), sk_duty, 0.02, relative=True,
    ),
    check(
        "spectral kurtosis of a real bin", f"{KG}.spectral_kurtosis",
        "real Gaussian bin (0 Hz and Nyquist, left out by the kurtogram)", "closed form",
        "from memory", 1.0, sk_real, 0.05,
    ),
    held(
        "spectral kurtosis under noise", f"{KG}.spectral_kurtosis", "K/(1 + ρ)² under steady noise",
        "Antoni, MSSP 20 (2006) 282–307: existence published, expression from memory",
        "published, from memory", "tests/dsp/test_kurtogram.py::test_steady_noise_dilutes_it",
    ),
    held(
        "kurtogram", (f"{KG}.fast_kurtogram", f"{KG}.band_counts", f"{KG}.Kurtogram.centre_hz",
                      "vibecheck.impulses.envelope.kurtogram_of"),
        "flat on Gaussian noise, rarely significant; finds the band of a ringing",
        "Antoni, MSSP 21 (2007) 108–124: 1/3-binary tree", "from memory",
        "tests/dsp/test_kurtogram.py::test_gaussian_noise_is_rarely_called_significant",
        "tests/dsp/test_kurtogram.py::test_finds_the_band_of_a_ringing",
        "tests/dsp/test_kurtogram.py::test_band_counts_of_the_tree",
        "tests/test_impulses.py::test_kurtogram_of_a_take_uses_the_run",
    ),
    check(
        "envelope", "vibecheck.dsp.envelope.analytic_band",
        "modulation 0.4: lines at 0, f, 2f of the envelope", "closed form", "recomputed",
        (1.0, 0.4, 0.0), lambda: envelope_lines(False), 1e-9,
    ),
    check(
        "squared envelope", "vibecheck.dsp.envelope.squared_envelope",
        "modulation 0.4: lines at 0, f, 2f of its square", "1 + m²/2, 2m, m²/2", "recomputed",
        (1.08, 0.8, 0.08), lambda: envelope_lines(True), 1e-9,
    ),
    check(
        "third octaves", ("vibecheck.features.tones.third_octaves", "feature:tone_*",
                          "feature:ground_*"),
        "tones at the exact base-ten centres, 125 Hz to 12.5 kHz: how many of 21 sound loudest in "
        "their band (ours are base-two, up to 1.2 % off)",
        "IEC 61260-1:2014: three public acoustics pages", "published, recomputed", 21.0,
        tones_in_their_third_octave, 0.5,
    ),
    check(
        "decibels", ("vibecheck.units.amplitude_to_db", "vibecheck.units.power_to_db"),
        "twice the amplitude, twice the power, ten times the amplitude, dB", "closed form",
        "recomputed", (6.0206, 3.0103, 20.0),
        lambda: [
            float(units.amplitude_to_db(2.0)), float(units.power_to_db(2.0)),
            float(units.amplitude_to_db(10.0)),
        ], 1e-4,
    ),
    check(
        "one g", "vibecheck.units.amplitude_to_db", "1 g over 1 µm/s², dB",
        "ISO 1683:2015: acceleration on a public page of a standards body",
        "published, recomputed", 139.830,
        lambda: float(units.amplitude_to_db(units.STANDARD_GRAVITY_M_S2 / 1e-6)), 1e-3,
        also=(Other(119.830, "over 10 µm/s², ANSI S1.8-1969, same page"),),
    ),
    check(
        "one millimetre per second", "vibecheck.units.amplitude_to_db", "1 mm/s over 1 nm/s, dB",
        "ISO 1683:2015", "from memory, recomputed", 120.0,
        lambda: float(units.amplitude_to_db(1e-3 / 1e-9)), 1e-9,
    ),
    check(
        "one pascal", ("vibecheck.units.amplitude_to_db", "vibecheck.simulator.noise.pressure"),
        "1 Pa over 20 µPa, dB; pressure at that level, Pa", "ISO 1683:2015",
        "from memory, recomputed", (93.979, 1.0),
        lambda: [float(units.amplitude_to_db(1.0 / REFERENCE_PRESSURE)), pressure(93.9794)], 1e-3,
    ),
    check(
        "rpm", "vibecheck.units.hz_to_rpm", "407 turns per second, rpm", "60 · f", "recomputed",
        24_420.0, lambda: float(units.hz_to_rpm(407.0)), 1e-9,
    ),
)  # fmt: skip

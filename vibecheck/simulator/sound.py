"""From moving parts to a phone's recording: radiation, room, noise, and the phone's chain.

Pressures are in Pa. A part of area S that accelerates by a sounds like a small source:
p = ρ·S·a/(4π·r) at distance r (monopole; directions are drawn).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.errors import CallError, did_you_mean
from vibecheck.simulator.parameters import JOINTS, N_FORCE_CHANNELS, SimulatedCar
from vibecheck.simulator.run import RECORD_RATE_HZ, Run

Array = NDArray[np.float64]

AIR_DENSITY = 1.2
SPEED_OF_SOUND = 343.0
REFERENCE_PRESSURE = 20e-6
CENTRE = "centre"
SPOTS = (CENTRE, *JOINTS)
BLOCK = 16_384


@dataclass(frozen=True)
class Phone:
    """A phone's microphone and what its recorder does to the sound.

    Attributes
    ----------
    full_scale_db : float
        Sound pressure level of a sine that just reaches full scale.
    low_cut_hz, high_cut_hz : float
        Band limits.
    ripple_db : tuple of float
        Gains of broad bumps between 200 Hz and 16 kHz.
    noise_db : float
        Own noise as a sound pressure level.
    agc : float
        0: fixed gain; up to 1: levels are pulled fully to one target.
    """

    name: str
    sample_rate_hz: int = 48_000
    full_scale_db: float = 112.0
    low_cut_hz: float = 90.0
    high_cut_hz: float = 18_500.0
    ripple_db: tuple[float, ...] = (0.0,) * 8
    noise_db: float = 29.0
    agc: float = 0.0
    agc_memory_s: float = 0.4


def draw_phone(seed: int) -> Phone:
    """Draw one phone: most record at 48 kHz with fixed gain, some otherwise."""
    rng = np.random.default_rng([seed, 41])
    return Phone(
        name=f"phone {seed}",
        sample_rate_hz=44_100 if rng.random() < 0.15 else 48_000,
        full_scale_db=float(rng.uniform(100.0, 120.0)),
        low_cut_hz=float(math.exp(rng.uniform(math.log(50.0), math.log(180.0)))),
        high_cut_hz=float(rng.uniform(14_000.0, 20_500.0)),
        ripple_db=tuple(float(x) for x in rng.normal(0.0, 2.2, 8)),
        noise_db=float(rng.uniform(24.0, 34.0)),
        agc=float(rng.uniform(0.2, 0.6)) if rng.random() < 0.18 else 0.0,
        agc_memory_s=float(rng.uniform(0.2, 1.0)),
    )


@dataclass(frozen=True)
class Surroundings:
    """The room and what else sounds in it.

    Attributes
    ----------
    noise_db : float
        Room noise as a sound pressure level (about A-weighted).
    reverberation_s : float
        Time to fall by 60 dB.
    reverberant_db : float
        Level of the reverberant sound against the direct sound.
    second_motor_rpm, second_motor_db : float
        Another machine in the room; 0 rpm: none.
    speech_db : float
        Level of a voice-like sound; 0: none.
    """

    noise_db: float = 36.0
    reverberation_s: float = 0.3
    reverberant_db: float = -12.0
    second_motor_rpm: float = 0.0
    second_motor_db: float = 0.0
    speech_db: float = 0.0
    hum_hz: float = 0.0
    hum_db: float = 0.0


def draw_surroundings(seed: int) -> Surroundings:
    """Draw a workshop, a garage or a quiet room."""
    rng = np.random.default_rng([seed, 42])
    return Surroundings(
        noise_db=float(rng.uniform(28.0, 44.0)),
        reverberation_s=float(math.exp(rng.uniform(math.log(0.12), math.log(0.6)))),
        reverberant_db=float(rng.uniform(-20.0, -7.0)),
        hum_hz=float(rng.choice([50.0, 60.0])) if rng.random() < 0.3 else 0.0,
        hum_db=float(rng.uniform(20.0, 38.0)),
    )


def spot_position(car: SimulatedCar, spot: str, seed: int) -> Array:
    """Return where a sensor lies, in m from the car's centre of gravity.

    A phone lies 15 to 30 cm from its zone, beside the car and out of the wheels' planes.

    Raises
    ------
    CallError
        If the spot is neither ``"centre"`` nor a zone of the model.
    """
    rng = np.random.default_rng([seed, 43])
    wobble = rng.normal(0.0, 0.02, 3)
    if spot == CENTRE:
        place = np.array([0.0, 0.0, rng.uniform(0.18, 0.30)])
    elif spot in JOINTS:
        zone = car.chassis.position[JOINTS.index(spot)]
        side = 1.0 if zone[1] >= 0.0 else -1.0
        if spot.startswith("wheel"):
            forward = 1.0 if zone[0] >= 0.0 else -1.0
            place = zone + np.array(
                [forward * rng.uniform(0.08, 0.14), side * rng.uniform(0.05, 0.11), 0.04]
            )
        else:
            place = zone + np.array([0.0, side * rng.uniform(0.03, 0.08), rng.uniform(0.1, 0.18)])
    else:
        raise CallError(
            f'The simulator has no spot "{spot}".{did_you_mean(spot, SPOTS)}',
            advice=f"Known spots: {', '.join(SPOTS)}.",
        )
    result: Array = place + wobble
    return result


def _speed_at_rate(run: Run) -> tuple[Array, Array]:
    """Motor and mean driven-wheel rpm at the record rate."""
    clock = np.arange(run.n_samples) / RECORD_RATE_HZ
    motor = np.interp(clock, run.time_s, run.motor_rpm)
    wheel = np.interp(clock, run.time_s, run.wheel_rpm.max(axis=0))
    return np.maximum(motor, 0.0), np.maximum(wheel, 0.0)


def _rough_forces(car: SimulatedCar, run: Run, rng: np.random.Generator) -> Array:
    """Broadband forces of bearings and sliding teeth, growing with speed."""
    motor, wheel = _speed_at_rate(run)
    size = np.random.default_rng([car.seed, 44])
    noise = np.zeros((run.n_samples, N_FORCE_CHANNELS), dtype=np.float32)
    scale = {
        0: size.uniform(0.004, 0.04),
        24: math.exp(size.uniform(math.log(0.01), math.log(0.12))),
        30: math.exp(size.uniform(math.log(0.01), math.log(0.12))),
    }
    for i in range(4):
        share = (run.wheel_rpm[i].max() > 0.0) * (wheel / 4000.0) ** 1.2
        for axis in (0, 2):
            noise[:, 6 * i + axis] = (
                scale[0] * share * rng.standard_normal(run.n_samples, dtype=np.float32)
            )
    share = (motor / 20000.0) ** 1.2
    for first in (24, 30):
        for axis in (0, 1):
            noise[:, first + axis] = (
                scale[first] * share * rng.standard_normal(run.n_samples, dtype=np.float32)
            )
    return noise


def radiate(car: SimulatedCar, run: Run, places: Array, seed: int) -> NDArray[np.float32]:
    """Return the car's sound at several places.

    Parameters
    ----------
    places : ndarray, shape (n_places, 3)

    Returns
    -------
    ndarray, shape (n_places, n_samples), float32
        Pressure in Pa of the direct sound.
    """
    from vibecheck.simulator.ringing import resonator_coefficients, ring

    rng = np.random.default_rng([seed, 45])
    bank = car.modes
    n = run.n_samples
    n_places = places.shape[0]
    force = run.force + _rough_forces(car, run, rng)
    drive_map = bank.drive.astype(np.float32)
    coefficients = resonator_coefficients(
        bank.frequency_hz, bank.damping, bank.mass, RECORD_RATE_HZ
    )
    sources = np.vstack((car.chassis.position, np.zeros((1, 3))))
    group = np.where(bank.group >= 0, bank.group, sources.shape[0] - 1).astype(np.int64)
    distance = np.linalg.norm(sources[:, None, :] - places[None, :, :], axis=2)
    # Sound of extended parts: never nearer than their size.
    distance = np.sqrt(distance**2 + 0.05**2)
    spread = AIR_DENSITY / (4.0 * math.pi * distance)
    gain = np.empty((bank.area.size, n_places))
    for place in range(n_places):
        gain[:, place] = bank.area * spread[group, place] * _direction(car, places[place])
    heard = np.zeros((sources.shape[0], n_places, n), dtype=np.float32)
    state = np.zeros((bank.area.size, 2))
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        drive = np.ascontiguousarray(drive_map @ force[start:stop].T)
        ring(drive, coefficients, state, gain, group, heard[:, :, start:stop])
    # The chassis itself: plate modes below the bank, and the rigid heave (a weak dipole).
    plate = np.random.default_rng([car.seed, 46])
    areas = np.concatenate(([0.0002, 0.0002, 0.001, 0.0, 0.0, 0.0], np.zeros(0)))
    areas = np.concatenate((areas, plate.uniform(0.0004, 0.0025, run.acceleration.shape[1] - 6)))
    signs = plate.choice([-1.0, 1.0], areas.size)
    body = run.acceleration @ (areas * signs).astype(np.float32)
    out = np.zeros((n_places, n), dtype=np.float32)
    for place in range(n_places):
        out[place] += np.float32(spread[-1, place]) * body
        for source in range(sources.shape[0]):
            lag = round(distance[source, place] / SPEED_OF_SOUND * RECORD_RATE_HZ)
            out[place, lag:] += heard[source, place, : n - lag]
        out[place] += _air_noise(car, run, distance[:, place], rng)
    return out


def _direction(car: SimulatedCar, place: Array) -> Array:
    """Directivity of each mode towards a place: a fixed draw per car, blended by nearness."""
    corners = np.vstack((np.array([[0.0, 0.0, 0.25]]), car.chassis.position))
    nearness = np.exp(-0.5 * (np.linalg.norm(corners - place, axis=1) / 0.12) ** 2) + 1e-6
    weight = nearness / np.sqrt((nearness**2).sum())
    result: Array = car.modes.direction @ weight
    return result


def _shaped_noise(
    rng: np.random.Generator, n: int, low_hz: float, high_hz: float, slope: float
) -> NDArray[np.float32]:
    """Unit-power noise between two frequencies, falling by `slope` (power of frequency)."""
    from scipy import fft

    n_fft = fft.next_fast_len(n, real=True)
    spectrum = fft.rfft(rng.standard_normal(n_fft, dtype=np.float32))
    frequency = np.fft.rfftfreq(n_fft, 1.0 / RECORD_RATE_HZ)
    weight = np.zeros(frequency.size, dtype=np.float32)
    f = np.maximum(frequency, 1.0)
    weight = (
        (f / 1000.0) ** (-0.5 * slope)
        / np.sqrt(1.0 + (low_hz / f) ** 4)
        / np.sqrt(1.0 + (f / high_hz) ** 4)
    ).astype(np.float32)
    weight[0] = 0.0
    noise = fft.irfft(spectrum * weight, n_fft)[:n]
    result: NDArray[np.float32] = (noise / noise.std()).astype(np.float32)
    return result


def pressure(level_db: float) -> float:
    """Root-mean-square pressure of a sound pressure level."""
    return float(REFERENCE_PRESSURE * 10.0 ** (level_db / 20.0))


def _air_noise(
    car: SimulatedCar, run: Run, distance: Array, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Tyres and motor fan: broadband, rising steeply with speed."""
    motor, wheel = _speed_at_rate(run)
    size = np.random.default_rng([car.seed, 47])
    tyre_db = size.uniform(40.0, 60.0) + (3.0 if car.scale == "eighth" else 0.0)
    fan_db = size.uniform(34.0, 56.0)
    exponent = size.uniform(2.2, 3.0)
    tyre_low, tyre_high = size.uniform(150.0, 400.0), size.uniform(1500.0, 5000.0)
    fan_low, fan_high = size.uniform(800.0, 2500.0), size.uniform(6000.0, 14000.0)
    near = float(np.mean(0.25 / distance[:4]))
    n = run.n_samples
    tyre = _shaped_noise(rng, n, tyre_low, tyre_high, 0.5)
    fan = _shaped_noise(rng, n, fan_low, fan_high, 0.5)
    out = tyre * (pressure(tyre_db) * near * (wheel / 4000.0) ** exponent).astype(np.float32)
    out += fan * (pressure(fan_db) * (0.25 / distance[4]) * (motor / 20000.0) ** 2.2).astype(
        np.float32
    )
    return out


def add_room(
    sound: NDArray[np.float32], surroundings: Surroundings, seed: int
) -> NDArray[np.float32]:
    """Add reflections, room noise and other sounds to the direct sound at one place."""
    from scipy import fft

    rng = np.random.default_rng([seed, 48])
    n = sound.size
    # Reflections: a sparse early part and a diffuse, exponentially fading tail.
    length = int(min(surroundings.reverberation_s, 0.7) * RECORD_RATE_HZ)
    time = np.arange(length) / RECORD_RATE_HZ
    tail = rng.standard_normal(length) * np.exp(-6.91 * time / surroundings.reverberation_s)
    tail[: int(0.002 * RECORD_RATE_HZ)] = 0.0
    tail *= 10.0 ** (surroundings.reverberant_db / 20.0) / np.sqrt((tail**2).sum())
    for _ in range(3):
        lag = int(rng.uniform(0.0008, 0.006) * RECORD_RATE_HZ)
        tail[lag] += rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 0.35)
    tail[0] += 1.0
    n_fft = fft.next_fast_len(n + length, real=True)
    spectrum = fft.rfft(sound, n_fft) * fft.rfft(tail.astype(np.float32), n_fft)
    out = fft.irfft(spectrum, n_fft)[:n].astype(np.float32)
    room = _shaped_noise(rng, n, 60.0, 8000.0, 1.3)
    out += np.float32(pressure(surroundings.noise_db)) * room
    clock = np.arange(n) / RECORD_RATE_HZ
    if surroundings.hum_hz > 0.0:
        hum = np.zeros(n)
        for harmonic in (1, 2, 3, 4, 6):
            hum += (
                rng.uniform(0.2, 1.0)
                / harmonic
                * np.sin(2 * np.pi * harmonic * surroundings.hum_hz * clock + rng.uniform(0, 6.28))
            )
        out += (hum * pressure(surroundings.hum_db)).astype(np.float32)
    if surroundings.second_motor_rpm > 0.0:
        out += _second_motor(surroundings, clock, rng)
    if surroundings.speech_db > 0.0:
        out += _voice(surroundings.speech_db, clock, rng)
    return out


def _second_motor(
    surroundings: Surroundings, clock: Array, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Another machine: harmonics of a wandering speed, unrelated to the car's orders."""
    wander = np.cumsum(rng.standard_normal(clock.size // 480 + 2)) * 0.0006
    speed = surroundings.second_motor_rpm / 60.0
    drift = np.interp(clock, np.arange(wander.size) * 0.01, wander)
    phase = 2.0 * np.pi * np.cumsum(speed * (1.0 + drift)) / RECORD_RATE_HZ
    sound = np.zeros(clock.size)
    for harmonic in range(1, 16):
        sound += (
            rng.lognormal(0.0, 0.7) / harmonic * np.sin(harmonic * phase + rng.uniform(0, 6.28))
        )
    sound *= pressure(surroundings.second_motor_db) / max(float(sound.std()), 1e-12)
    result: NDArray[np.float32] = sound.astype(np.float32)
    return result


def _voice(level_db: float, clock: Array, rng: np.random.Generator) -> NDArray[np.float32]:
    """A voice-like sound: a wandering pitch through moving formants, in syllables."""
    from scipy.signal import lfilter

    sound = np.zeros(clock.size)
    start = rng.uniform(0.0, 1.0)
    while start < clock[-1]:
        length = rng.uniform(0.12, 0.35)
        first, last = (int(t * RECORD_RATE_HZ) for t in (start, min(start + length, clock[-1])))
        n = last - first
        if n > 100:
            pitch = rng.uniform(90.0, 230.0) * (1.0 + 0.15 * np.linspace(0, rng.normal(), n))
            phase = np.cumsum(pitch) / RECORD_RATE_HZ
            pulses = (np.diff(np.floor(phase), prepend=0.0) > 0).astype(np.float64)
            voiced = pulses + 0.01 * rng.standard_normal(n)
            for formant, width in (
                (rng.uniform(300, 800), 90.0),
                (rng.uniform(900, 2200), 120.0),
                (rng.uniform(2300, 3200), 200.0),
            ):
                radius = math.exp(-math.pi * width / RECORD_RATE_HZ)
                angle = 2.0 * math.pi * formant / RECORD_RATE_HZ
                voiced = lfilter(
                    [1.0 - radius], [1.0, -2.0 * radius * math.cos(angle), radius**2], voiced
                )
            sound[first:last] += voiced * np.hanning(n)
        start += length + (rng.uniform(0.02, 0.12) if rng.random() < 0.8 else rng.uniform(0.4, 1.2))
    active = sound[np.abs(sound) > 0.0]
    sound *= pressure(level_db) / max(float(active.std()) if active.size else 0.0, 1e-12)
    result: NDArray[np.float32] = sound.astype(np.float32)
    return result


def record_with_phone(sound: NDArray[np.float32], phone: Phone, seed: int) -> NDArray[np.float32]:
    """Return what the phone stores: full-scale samples on a 16-bit grid, clipped at ±1.

    Order of the chain: microphone band and ripple, own noise, automatic gain, converter.
    """
    from scipy import fft

    rng = np.random.default_rng([seed, 49])
    n = sound.size
    n_fft = fft.next_fast_len(n + 4096, real=True)
    f = np.maximum(np.fft.rfftfreq(n_fft, 1.0 / RECORD_RATE_HZ), 1.0)
    shape = 1.0 / np.sqrt(1.0 + (phone.low_cut_hz / f) ** 4)
    shape /= np.sqrt(1.0 + (f / phone.high_cut_hz) ** 12)
    centres = np.geomspace(200.0, 16_000.0, len(phone.ripple_db))
    ripple = np.interp(np.log(f), np.log(centres), phone.ripple_db)
    shape *= 10.0 ** (ripple / 20.0)
    heard = fft.irfft(fft.rfft(sound, n_fft) * shape.astype(np.float32), n_fft)[:n]
    heard = heard + pressure(phone.noise_db) * rng.standard_normal(n, dtype=np.float32)
    scaled = heard / (pressure(phone.full_scale_db) * math.sqrt(2.0))
    if phone.agc > 0.0:
        scaled = _automatic_gain(scaled, phone.agc, phone.agc_memory_s)
    if phone.sample_rate_hz != RECORD_RATE_HZ:
        import soxr

        scaled = soxr.resample(scaled.astype(np.float32), RECORD_RATE_HZ, phone.sample_rate_hz)
    dither = (rng.random(scaled.size) - rng.random(scaled.size)) / 32768.0
    grid = np.round((scaled + dither) * 32768.0)
    result: NDArray[np.float32] = (np.clip(grid, -32768, 32767) / 32768.0).astype(np.float32)
    return result


def _automatic_gain(sound: Array, strength: float, memory_s: float) -> Array:
    """Pull the level towards -24 dB of full scale, fully at strength 1."""
    hop = RECORD_RATE_HZ // 100
    n = sound.size // hop
    level = np.sqrt((sound[: n * hop].reshape(n, hop) ** 2).mean(axis=1)) + 1e-6
    keep = math.exp(-0.01 / memory_s)
    follow = level[0]
    smooth = np.empty(n)
    for index in range(n):
        # Falls quickly when the sound grows, recovers slowly.
        rate = keep if level[index] < follow else keep**4
        follow = rate * follow + (1.0 - rate) * level[index]
        smooth[index] = follow
    target = 10.0 ** (-24.0 / 20.0)
    gain = np.clip((target / smooth) ** strength, 0.05, 8.0)
    gain /= gain[0] ** 0.5
    place = (np.arange(n) + 0.5) * hop
    result: Array = sound * np.interp(np.arange(sound.size), place, gain)
    return result

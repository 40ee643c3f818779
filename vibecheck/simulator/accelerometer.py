"""From moving parts to an accelerometer's table: mounting, bandwidth, noise, steps, clock."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.noise import transmit
from vibecheck.simulator.parameters import JOINTS, SimulatedCar
from vibecheck.simulator.run import RECORD_RATE_HZ, Run
from vibecheck.simulator.sound import BLOCK, CENTRE

Array = NDArray[np.float64]
GRAVITY = 9.80665


@dataclass(frozen=True)
class Accelerometer:
    """A three-axis sensor and its clock.

    Attributes
    ----------
    output_rate_hz : float
    anti_alias_hz : float
        Corner of the filter before sampling; 0: none, so higher lines fold back.
    range_m_s2 : float
        Readings stop there.
    noise_m_s2_rthz : float
        Noise density.
    step_m_s2 : float
        Size of one count.
    clock_jitter : float
        Relative spread of the sampling intervals.
    tilt_rad : float
        How far from straight it is stuck on: standard deviation about each axis.
    mount_hz, mount_damping : float
        Resonance of the sensor on its tape or wax and its damping ratio; 0 Hz: rigid. Motion far
        above it does not reach the sensor.
    """

    name: str
    output_rate_hz: float = 3200.0
    anti_alias_hz: float = 1400.0
    range_m_s2: float = 16.0 * GRAVITY
    noise_m_s2_rthz: float = 250e-6 * GRAVITY
    step_m_s2: float = 3.9e-3 * GRAVITY
    clock_jitter: float = 0.002
    tilt_rad: float = 0.05
    mount_hz: float = 0.0
    mount_damping: float = 0.1


def draw_accelerometer(seed: int) -> Accelerometer:
    """Draw one sensor: cheap and common ones between 0.8 and 6.7 kHz."""
    rng = np.random.default_rng([seed, 51])
    rate = float(rng.choice([800.0, 1000.0, 1600.0, 3200.0, 3200.0, 3200.0, 4000.0, 6667.0]))
    filtered = rng.random() < 0.65
    return Accelerometer(
        name=f"accelerometer {seed}",
        output_rate_hz=rate,
        anti_alias_hz=rate * float(rng.uniform(0.25, 0.45)) if filtered else 0.0,
        range_m_s2=float(rng.choice([8.0, 16.0, 16.0, 16.0, 32.0])) * GRAVITY,
        noise_m_s2_rthz=float(math.exp(rng.uniform(math.log(25e-6), math.log(1200e-6)))) * GRAVITY,
        step_m_s2=float(rng.choice([0.061e-3, 0.244e-3, 0.488e-3, 0.976e-3, 3.9e-3])) * GRAVITY,
        clock_jitter=float(math.exp(rng.uniform(math.log(3e-5), math.log(2e-2)))),
        tilt_rad=float(math.exp(rng.uniform(math.log(0.01), math.log(0.15)))),
        # Foam tape to thin wax under a sensor of some grams (common practice, no source).
        mount_hz=float(math.exp(rng.uniform(math.log(700.0), math.log(7000.0)))),
        mount_damping=float(math.exp(rng.uniform(math.log(0.04), math.log(0.4)))),
    )


def motion_at(car: SimulatedCar, run: Run, spot: str) -> NDArray[np.float32]:
    """Return the chassis' acceleration at a spot, shape (3, n_samples), gravity included."""
    from vibecheck.simulator.ringing import resonator_coefficients, ring

    index = 0 if spot == CENTRE else 1 + JOINTS.index(spot)
    place = np.zeros(3) if spot == CENTRE else car.chassis.position[index - 1] * 0.8
    a = run.acceleration
    px, py, pz = place
    rigid = np.stack(
        (
            a[:, 0] + a[:, 4] * pz - a[:, 5] * py,
            a[:, 1] + a[:, 5] * px - a[:, 3] * pz,
            a[:, 2] + a[:, 3] * py - a[:, 4] * px,
        )
    )
    shape = np.random.default_rng([car.seed, 52]).normal(0.0, 0.7, (3, a.shape[1] - 6))
    if index > 0:
        shape = 0.8 * car.chassis.mode_shape[:, index - 1, :].T
    out = rigid + shape.astype(np.float32) @ a[:, 6:].T
    bank = car.modes
    coefficients = resonator_coefficients(
        bank.frequency_hz, bank.damping, bank.mass, RECORD_RATE_HZ
    )
    gain = 0.25 * bank.attached[:, index, :]
    group = np.zeros(bank.area.size, dtype=np.int64)
    ringing = np.zeros((1, 3, run.n_samples), dtype=np.float32)
    state = np.zeros((bank.area.size, 3))
    drive_map = bank.drive.astype(np.float32)
    for start in range(0, run.n_samples, BLOCK):
        stop = min(start + BLOCK, run.n_samples)
        drive = np.ascontiguousarray(drive_map @ run.force[start:stop].T)
        line = np.empty(stop - start, dtype=np.float32)
        ring(drive, coefficients, state, gain, group, line, ringing[:, :, start:stop])
    result: NDArray[np.float32] = (out + ringing[0]).astype(np.float32)
    result[2] += GRAVITY
    return result


def rotation(vector: Array) -> Array:
    """Turn about a vector by its length in rad (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector / max(angle, 1e-12)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    result: Array = np.eye(3) + math.sin(angle) * cross + (1.0 - math.cos(angle)) * (cross @ cross)
    return result


def record_with_accelerometer(
    motion: NDArray[np.float32], sensor: Accelerometer, seed: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return time stamps and readings (3, n) in m/s²."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng([seed, 53])
    # A sensor is never stuck on straight.
    turn = rotation(rng.normal(0.0, sensor.tilt_rad, 3))
    felt = turn @ motion.astype(np.float64)
    if sensor.mount_hz > 0.0:
        rest = felt[:, :1]
        felt = transmit(felt - rest, sensor.mount_hz, sensor.mount_damping) + rest
    if sensor.anti_alias_hz > 0.0:
        sections = butter(4, sensor.anti_alias_hz, fs=RECORD_RATE_HZ, output="sos")
        felt = sosfilt(sections, felt - felt[:, :1], axis=1) + felt[:, :1]
    duration = felt.shape[1] / RECORD_RATE_HZ
    n = int(duration * sensor.output_rate_hz * 0.999)
    true_rate = sensor.output_rate_hz * (1.0 + rng.normal(0.0, 0.004))
    intervals = (1.0 + sensor.clock_jitter * rng.standard_normal(n)) / true_rate
    time_s = np.cumsum(intervals) - intervals[0]
    time_s = time_s[time_s < duration - 1.0 / RECORD_RATE_HZ]
    clock = np.arange(felt.shape[1]) / RECORD_RATE_HZ
    reading = np.stack([np.interp(time_s, clock, axis) for axis in felt])
    band = 0.5 * sensor.output_rate_hz
    reading += sensor.noise_m_s2_rthz * math.sqrt(band) * rng.standard_normal(reading.shape)
    reading = np.round(reading / sensor.step_m_s2) * sensor.step_m_s2
    return time_s, np.clip(reading, -sensor.range_m_s2, sensor.range_m_s2)

"""Another car that runs beside: its own gears, motor and wheels, on its own trigger."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.disturbances import SecondCar
from vibecheck.simulator.noise import pressure, shaped_noise
from vibecheck.simulator.run import RECORD_RATE_HZ

Array = NDArray[np.float64]
STEP_S = 0.01
HIGHEST_HZ = 15_000.0


def second_car_speed(car: SecondCar, duration_s: float, seed: int) -> tuple[Array, Array]:
    """Return times in s and motor rpm: a trigger that moves to a new level every second or so.

    The speed follows with the lag of a free-running drivetrain: faster up than down.
    """
    rng = np.random.default_rng([seed, 72])
    time_s: Array = np.arange(0.0, duration_s + 2 * STEP_S, STEP_S)
    level = 0.0
    speed = float(rng.uniform(0.3, 1.0)) if car.start_s < 0.0 else 0.0
    until = 0.0
    out = np.empty(time_s.size)
    up, down = rng.uniform(0.3, 0.9), rng.uniform(0.7, 2.0)
    for index, now in enumerate(time_s):
        if now >= until:
            until = now + rng.uniform(0.6, 3.5)
            level = 0.0 if rng.random() < 0.12 else rng.uniform(0.35, 1.0)
        wanted = level if now >= car.start_s else 0.0
        speed += (wanted - speed) * STEP_S / (up if wanted > speed else down)
        out[index] = speed
    return time_s, out * car.top_motor_rpm


def second_car_sound(car: SecondCar, n_samples: int, seed: int) -> NDArray[np.float32]:
    """Return its direct sound at the microphone in Pa, shape (n_samples,).

    Lines at the orders of its motor, poles, spur, wheels and gear mesh with side lines of its
    spur, and broadband sound, both growing with its speed.
    """
    rng = np.random.default_rng([seed, 73])
    time_s, rpm = second_car_speed(car, n_samples / RECORD_RATE_HZ, seed)
    clock = np.arange(n_samples) / RECORD_RATE_HZ
    speed = np.interp(clock, time_s, rpm)
    share = (speed / car.top_motor_rpm).astype(np.float32)
    turns = np.cumsum(speed) / (60.0 * RECORD_RATE_HZ) + rng.random()
    top_hz = car.top_motor_rpm / 60.0
    mesh = float(car.pinion_teeth)
    orders = [(1.0, 0.5), (2.0, 0.4), (car.electrical_order, 0.6), (2 * car.electrical_order, 0.4)]
    orders += [(k * car.wheel_ratio, 0.3 / k) for k in (1, 2, 3)]
    orders += [(car.spur_ratio, 0.2)]
    for harmonic in (1, 2, 3):
        strength = 1.0 / harmonic
        orders += [(harmonic * mesh, strength)]
        orders += [(harmonic * mesh + side * car.spur_ratio, 0.35 * strength) for side in (-1, 1)]
    lines = np.zeros(n_samples, dtype=np.float32)
    for order, strength in orders:
        size = strength * rng.lognormal(0.0, 0.6)
        if order * top_hz > HIGHEST_HZ:
            continue
        angle = ((turns * order + rng.random()) % 1.0).astype(np.float32)
        angle *= np.float32(2.0 * math.pi)
        lines += np.float32(size) * np.sin(angle)
    broad = shaped_noise(rng, n_samples, rng.uniform(200.0, 600.0), rng.uniform(2e3, 7e3), 0.5)
    lines *= np.float32(math.sqrt(car.tonal) / max(float(lines.std()), 1e-12))
    sound = lines + np.float32(math.sqrt(1.0 - car.tonal)) * broad
    sound *= share ** np.float32(rng.uniform(1.0, 1.8))
    sound *= np.float32(pressure(car.level_db) / car.distance_m)
    return sound

"""Knocks on the bench: a hand, a tool, the phone being set down."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.noise import pressure
from vibecheck.simulator.room import Surroundings
from vibecheck.simulator.run import RECORD_RATE_HZ

LENGTH_S = 0.3


@dataclass(frozen=True)
class Knock:
    """One thump: when, how it sounds and how far it shakes the car.

    Attributes
    ----------
    at : int
        Sample.
    peak_pa, peak_m_s2 : float
        Peak of its sound and of the chassis' vertical acceleration.
    sound_hz, bench_hz : float
        What the bench top and the car on its stand ring at.
    fade_s : float
        Time constant.
    click : float
        Share of a hard click in the sound.
    """

    at: int
    peak_pa: float
    peak_m_s2: float
    sound_hz: float
    bench_hz: float
    fade_s: float
    click: float


def draw_knocks(surroundings: Surroundings, n_samples: int, seed: int) -> tuple[Knock, ...]:
    """Draw a take's knocks: the same ones for every sensor."""
    rng = np.random.default_rng([seed, 57])
    minutes = n_samples / RECORD_RATE_HZ / 60.0
    knocks = []
    for _ in range(int(rng.poisson(surroundings.knocks_per_min * minutes))):
        knocks.append(
            Knock(
                at=int(rng.integers(n_samples)),
                peak_pa=pressure(surroundings.knock_db + float(rng.normal(0.0, 4.0))),
                peak_m_s2=math.exp(float(rng.uniform(math.log(0.2), math.log(6.0)))),
                sound_hz=math.exp(float(rng.uniform(math.log(90.0), math.log(600.0)))),
                bench_hz=math.exp(float(rng.uniform(math.log(15.0), math.log(120.0)))),
                fade_s=math.exp(float(rng.uniform(math.log(0.008), math.log(0.06)))),
                click=float(rng.uniform(0.0, 0.8)),
            )
        )
    return tuple(knocks)


def _ring(frequency_hz: float, fade_s: float) -> NDArray[np.float64]:
    clock = np.arange(int(LENGTH_S * RECORD_RATE_HZ)) / RECORD_RATE_HZ
    result: NDArray[np.float64] = np.exp(-clock / fade_s) * np.sin(
        2.0 * math.pi * frequency_hz * clock
    )
    return result


def knock_sound(knocks: tuple[Knock, ...], n_samples: int, seed: int) -> NDArray[np.float32]:
    """Return the knocks' sound in Pa, shape (n_samples,)."""
    rng = np.random.default_rng([seed, 58])
    out = np.zeros(n_samples, dtype=np.float32)
    for knock in knocks:
        wave = _ring(knock.sound_hz, knock.fade_s)
        clock = np.arange(wave.size) / RECORD_RATE_HZ
        wave += knock.click * np.exp(-clock / 0.0015) * rng.standard_normal(wave.size)
        stop = min(knock.at + wave.size, n_samples)
        out[knock.at : stop] += (knock.peak_pa * wave[: stop - knock.at]).astype(np.float32)
    return out


def knock_motion(knocks: tuple[Knock, ...], n_samples: int) -> NDArray[np.float32]:
    """Return the chassis' vertical acceleration in m/s² from the knocks, shape (n_samples,)."""
    out = np.zeros(n_samples, dtype=np.float32)
    for knock in knocks:
        wave = _ring(knock.bench_hz, 2.0 * knock.fade_s)
        stop = min(knock.at + wave.size, n_samples)
        out[knock.at : stop] += (knock.peak_m_s2 * wave[: stop - knock.at]).astype(np.float32)
    return out

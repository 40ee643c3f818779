"""A phone: its microphone and what its recorder does to the sound."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibecheck.simulator.codec import CodecName, codec_available, compress
from vibecheck.simulator.noise import pressure
from vibecheck.simulator.run import RECORD_RATE_HZ

Array = NDArray[np.float64]


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
    agc_memory_s : float
        How slowly the gain recovers.
    codec : {"", "aac", "opus", "vorbis"}
        Lossy compression; skipped where this machine has no encoder (see `applied_codec`).
    kbit_s : float
        Its bit rate in kbit/s.
    dropouts_per_s : float
        Mean number of gaps of 5 to 40 ms, from an overloaded recorder.
    dropouts_cut : bool
        Whether a gap's sound is missing from the file, which is then shorter and its time axis
        jumps; otherwise the gap is silent.
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
    codec: CodecName = ""
    kbit_s: float = 64.0
    dropouts_per_s: float = 0.0
    dropouts_cut: bool = False


def draw_phone(seed: int) -> Phone:
    """Draw one phone: most record at 48 kHz with fixed gain and losslessly, some otherwise."""
    rng = np.random.default_rng([seed, 41])
    phone = Phone(
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
    codec: CodecName = ""
    if rng.random() < 0.2:
        codec = ("aac", "aac", "opus", "vorbis")[int(rng.integers(4))]
        if codec == "opus" and phone.sample_rate_hz != RECORD_RATE_HZ:
            codec = "aac"
    return replace(
        phone,
        codec=codec,
        kbit_s=round(math.exp(rng.uniform(math.log(32.0), math.log(160.0)))),
        dropouts_per_s=float(rng.uniform(0.1, 0.4)) if rng.random() < 0.03 else 0.0,
        dropouts_cut=bool(rng.random() < 0.4),
    )


def applied_codec(phone: Phone) -> str:
    """Say what compression its takes really get here, as "aac 64 kbit/s"; "" for none."""
    if not phone.codec or not codec_available(phone.codec, phone.sample_rate_hz):
        return ""
    return f"{phone.codec} {phone.kbit_s:g} kbit/s"


def record_with_phone(sound: NDArray[np.float32], phone: Phone, seed: int) -> NDArray[np.float32]:
    """Return what the phone stores: full-scale samples on a 16-bit grid, clipped at ±1.

    Order of the chain: microphone band and ripple, own noise, automatic gain, converter,
    dropouts, codec, and the converter's grid again, as the file is read.
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
    stored = _on_grid(scaled + dither)
    if phone.dropouts_per_s > 0.0:
        stored = _drop(stored, phone, seed)
    if applied_codec(phone):
        stored = _on_grid(compress(stored, phone.sample_rate_hz, phone.codec, phone.kbit_s))
    return stored


def _on_grid(sound: NDArray[np.floating[Any]]) -> NDArray[np.float32]:
    """Sixteen bits, clipped."""
    grid = np.round(sound * 32768.0)
    result: NDArray[np.float32] = (np.clip(grid, -32768, 32767) / 32768.0).astype(np.float32)
    return result


def _drop(sound: NDArray[np.float32], phone: Phone, seed: int) -> NDArray[np.float32]:
    """Silence or cut blocks of 5 to 40 ms at random places; at least one."""
    rng = np.random.default_rng([seed, 56])
    seconds = sound.size / phone.sample_rate_hz
    count = max(1, int(rng.poisson(phone.dropouts_per_s * seconds)))
    kept = np.ones(sound.size, dtype=np.bool_)
    for _ in range(count):
        length = int(rng.uniform(0.005, 0.04) * phone.sample_rate_hz)
        first = int(rng.integers(0, max(sound.size - length, 1)))
        kept[first : first + length] = False
    return sound[kept] if phone.dropouts_cut else np.where(kept, sound, np.float32(0.0))


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

"""Time the features of a 30 s, 48 kHz take against one full real FFT and one scipy STFT of it.

OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python scripts/bench_features.py
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import scipy.fft
from figures import figure

from vibecheck.car.profile import Car, Order
from vibecheck.features.extract import extract_features
from vibecheck.model.store import SHIPPED, load_model
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack

RATE_HZ, DURATION_S = 48_000, 30.0


def best_of(what: Callable[[], object], n: int = 7) -> float:
    """Fastest of n calls, after one to warm up."""
    what()
    times = []
    for _ in range(n):
        start = time.perf_counter()
        what()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print the figures."""
    rng = np.random.default_rng(0)
    n = int(RATE_HZ * DURATION_S)
    marks = np.array([0.0, 0.1, 0.35, 0.65, 1.0]) * DURATION_S
    time_s = np.arange(0.0, DURATION_S, 0.01)
    rpm = np.interp(time_s, marks, [0.0, 0.0, 18_000.0, 18_000.0, 2500.0])
    names = ("idle", "run_up", "hold", "coast_down")
    phases = tuple(Phase(name, marks[k], marks[k + 1]) for k, name in enumerate(names))
    speed = SpeedTrack(time_s, rpm, np.full(rpm.size, 2.0), np.ones(rpm.size), phases)
    at = np.arange(n) / RATE_HZ
    turns = np.interp(at, time_s, speed.revolutions)
    samples = 0.1 * np.cos(2 * np.pi * turns) + 0.05 * rng.standard_normal(n)
    take = Take(samples.astype(np.float32), RATE_HZ)
    orders = (Order("motor", 1.0), Order("mesh", 22.0), Order("spur", 0.44), Order("wheel", 0.17))
    car = Car("bench", "4wd", None, orders)

    features = best_of(lambda: extract_features(take, speed, car))
    padded = scipy.fft.next_fast_len(n, real=True)
    one_fft = best_of(lambda: scipy.fft.rfft(take.samples[0], padded))
    from scipy.signal import ShortTimeFFT
    from scipy.signal.windows import hann

    transform = ShortTimeFFT(hann(2048, sym=False), hop=512, fs=RATE_HZ)
    stft = best_of(lambda: transform.stft(take.samples[0]), 3)
    print(f"features of 30 s at 48 kHz   {features * 1e3:7.1f} ms  (budget 100 ms)")
    for label, reference in (("real FFT", one_fft), ("scipy STFT", stft)):
        ratio = features / reference
        figure(
            "features of 30 s",
            f"{features * 1e3:.0f} ms",
            f"one {label} of the take: {reference * 1e3:.0f} ms",
            f"{ratio:.2f} × its time",
        )
        print(f"one {label:10s} of the take   {reference * 1e3:7.1f} ms  features = {ratio:.2f} x")
    print(f"faster than real time        {DURATION_S / features:7.0f} x")
    if SHIPPED.is_file():
        start = time.perf_counter()
        load_model()
        print(f"loading the shipped model    {(time.perf_counter() - start) * 1e3:7.1f} ms")


if __name__ == "__main__":
    main()

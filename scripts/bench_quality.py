"""How often the quality gate notices what it should, by severity, and how often it is wrong.

Seeded test spin-ups (sines and noise with known speed: test signals, not a model of a car) are
disturbed on purpose. For each finding and severity the share of takes in which it was reported, and
the share in which anything else that limits the take was reported as well. Then the time of the
gate against one plain short-time spectrum of the same take, in the same run.

Usage: python scripts/bench_quality.py [--seeds 8]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import scipy.fft

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "quality"))

from figures import figure
from quality_signals import (
    CAR,
    SpinUp,
    accelerometer,
    automatic_gain,
    brick_wall,
    low_pass,
    speech,
    spin_up,
)

from vibecheck.quality import assess_quality
from vibecheck.recording.take import Take

PHASES = (("idle", 2.0), ("run_up", 3.0), ("hold", 3.0), ("coast_down", 2.0), ("idle", 1.5))
RATE_HZ = 48_000.0
Case = tuple[str, str, Callable[[int], tuple[Take, SpinUp]]]


def clean(seed: int) -> SpinUp:
    """A spin-up of random loudness, steepness and hiss."""
    rng = np.random.default_rng(5000 + seed)
    return spin_up(
        seed,
        phases=PHASES,
        top_rpm=rng.uniform(9000.0, 18_000.0),
        level=10 ** rng.uniform(-1.7, -1.0),
        noise=10 ** rng.uniform(-3.8, -3.1),
        exponent=rng.uniform(1.0, 2.2),
        broadband=rng.uniform(0.1, 1.5),
    )


def decibel(value: float) -> float:
    return float(10 ** (value / 20))


def idle_level(made: SpinUp) -> float:
    return float(np.std(made.x[: round(1.8 * RATE_HZ)]))


def hold_level(made: SpinUp) -> float:
    return float(np.std(made.x[round(5.2 * RATE_HZ) : round(7.8 * RATE_HZ)]))


def changed(change: Callable[[SpinUp, int], np.ndarray]) -> Callable[[int], tuple[Take, SpinUp]]:
    def make(seed: int) -> tuple[Take, SpinUp]:
        made = clean(seed)
        return made.with_samples(change(made, seed)), made

    return make


def cases() -> Iterator[Case]:
    """Every finding that has a severity, from mild to gross."""
    for drive in (1.02, 1.1, 1.3, 2.0, 4.0):
        yield (
            "clipped",
            f"peak {20 * np.log10(drive):+.1f} dB over the ceiling",
            changed(lambda m, s, d=drive: np.clip(d * m.x / np.abs(m.x).max(), -1, 1)),
        )
    for over in (12.0, 9.0, 6.0, 3.0, 0.0):

        def buried(m: SpinUp, s: int, over: float = over) -> np.ndarray:
            rng = np.random.default_rng(s)
            # The same spectrum as the car's, scrambled in phase, all along.
            lines = np.fft.rfft(m.x * (m.rpm > 0.9 * m.rpm.max()))
            noise = np.fft.irfft(
                np.abs(lines) * np.exp(2j * np.pi * rng.uniform(size=lines.size)), m.x.size
            )
            return np.asarray(m.x + noise / np.std(noise) * hold_level(m) * decibel(-over))

        yield "low_level_over_noise", f"car {over:+.0f} dB over added noise", changed(buried)
    for over in (-20.0, -10.0, 0.0, 10.0):

        def hum(m: SpinUp, s: int, over: float = over) -> np.ndarray:
            comb = sum(np.sin(2 * np.pi * 50.02 * k * m.time_s + k + s) / k for k in range(1, 8))
            return np.asarray(m.x + comb / np.std(comb) * idle_level(m) * decibel(over))

        yield "mains_hum", f"{over:+.0f} dB re idle noise", changed(hum)
    for length_ms in (2.0, 5.0, 10.0, 20.0, 100.0):

        def holes(m: SpinUp, s: int, length_ms: float = length_ms) -> np.ndarray:
            x, n = m.x, round(length_ms / 1000 * RATE_HZ)
            for start in np.random.default_rng(s).integers(130_000, 380_000, 3):
                x[start : start + n] = 0.0
            return x

        yield "dropouts", f"three holes of {length_ms:.0f} ms", changed(holes)
    for most_db in (10.0, 20.0, 30.0, 40.0):
        yield (
            "automatic_gain",
            f"gain range {most_db:.0f} dB",
            changed(
                lambda m, s, g=most_db: automatic_gain(
                    np.asarray(m.x / hold_level(m) * 0.1, float), RATE_HZ, most=decibel(g)
                )
            ),
        )
    for depth in (10.0, 20.0, 40.0, 120.0):
        yield (
            "noise_suppression",
            f"pauses {depth:.0f} dB down",
            changed(lambda m, s, d=depth: m.x * np.where(m.rpm > 1500.0, 1.0, decibel(-d))),
        )
    for step in (3.0, 5.0, 7.0, 9.0, 12.0):
        yield (
            "level_moves",
            f"step of {step:.0f} dB while it holds",
            changed(lambda m, s, d=step: m.x * np.where(m.time_s < 6.4, 1.0, decibel(-d))),
        )
    for over in (0.0, 6.0, 12.0, 18.0):
        yield (
            "speech_present",
            f"motor off, {over:+.0f} dB re room",
            changed(
                lambda m, s, o=over: (
                    m.x + speech(s, 11.5, RATE_HZ) * idle_level(m) * decibel(o) * (m.rpm == 0)
                )
            ),
        )
    for over in (-20.0, -10.0, 0.0):

        def over_car(m: SpinUp, s: int, over: float = over) -> np.ndarray:
            held = (m.time_s > 5.0) & (m.time_s < 8.0)
            return np.asarray(m.x + speech(s, 11.5, RATE_HZ) * hold_level(m) * decibel(over) * held)

        yield "speech_present", f"over the car, {over:+.0f} dB re car", changed(over_car)
    for over in (0.0, 10.0, 20.0, 30.0):

        def other(m: SpinUp, s: int, over: float = over) -> np.ndarray:
            plan = (("run_up", 2.5), ("coast_down", 2.5), ("run_up", 6.5))
            x = spin_up(900 + s, phases=plan, top_rpm=14_000.0, broadband=0.1).x
            return np.asarray(m.x + x / np.std(x) * idle_level(m) * decibel(over))

        yield "second_motor", f"{over:+.0f} dB re room", changed(other)
    for peak in (10.0, 20.0, 40.0, 80.0):

        def knocked(m: SpinUp, s: int, peak: float = peak) -> np.ndarray:
            x, t = m.x, np.arange(2400) / RATE_HZ
            ring = np.exp(-t / 0.005) * np.sin(2 * np.pi * 1500.0 * t)
            for start in (20_000, 45_000, 70_000):
                x[start : start + 2400] += (peak * idle_level(m) * ring).astype(np.float32)
            return x

        yield "handling_knocks", f"peaks of {peak:.0f} x room RMS", changed(knocked)
    for depth in (10.0, 20.0, 40.0):

        def edge(m: SpinUp, s: int, depth: float = depth) -> np.ndarray:
            kept = brick_wall(m.x, RATE_HZ, 6000.0)
            return np.asarray(kept + decibel(-depth) * (m.x - kept))

        yield "narrow_bandwidth", f"edge of {depth:.0f} dB at 6 kHz", changed(edge)
    for corner in (0.3, 0.6, 0.8, 1.0):

        def folded(seed: int, corner: float = corner) -> tuple[Take, SpinUp]:
            made = accelerometer(seed, phases=PHASES, top_rpm=12_000.0)
            raw = spin_up(
                seed,
                phases=PHASES,
                top_rpm=12_000.0,
                sensor="accelerometer",
                sample_rate_hz=3200.0,
                level=6.0,
                noise=0.03,
            ).x.astype(float)
            x = low_pass(raw, 3200.0, corner * 1600.0) if corner < 1.0 else raw
            return made.with_samples(x + 9.81, bandwidth_hz=None), made

        yield "possible_aliasing", f"filter corner at {corner:.1f} of Nyquist", folded


def time_it(n_runs: int = 25) -> None:
    plan = (("idle", 4.0), ("run_up", 8.0), ("hold", 8.0), ("coast_down", 6.0), ("idle", 4.0))
    made = spin_up(1, phases=plan)
    x = np.asarray(made.take.samples[0])
    window = np.hanning(1024).astype(np.float32)

    def plain() -> None:
        frames = np.lib.stride_tricks.sliding_window_view(x, 1024)[::512]
        np.abs(scipy.fft.rfft(frames * window, axis=-1)) ** 2

    def best(run: Callable[[], object]) -> float:
        run()
        spent = []
        for _ in range(n_runs):
            start = time.perf_counter()
            run()
            spent.append(time.perf_counter() - start)
        return min(spent)

    gate, reference = best(lambda: assess_quality(made.take, made.speed, CAR)), best(plain)
    figure(
        f"quality gate of {made.take.duration_s:.0f} s",
        f"{1000 * gate:.0f} ms",
        f"plain short-time spectrum: {1000 * reference:.0f} ms",
        f"{gate / reference:.2f} × its time",
    )
    print(
        f"\n{made.take.duration_s:.0f} s at 48 kHz, mono: gate {1000 * gate:.1f} ms, "
        f"plain short-time spectrum (1024, half overlap) {1000 * reference:.1f} ms, "
        f"ratio {gate / reference:.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8, help="takes per row")
    n = parser.parse_args().seeds
    false = []
    for seed in range(5 * n):
        made = clean(seed)
        found = assess_quality(made.take, made.speed, CAR).findings
        false += [each.code for each in found if each.weight != "note"]
    print(f"clean takes with a limiting finding: {len(false)} of {5 * n} {sorted(set(false))}\n")
    print(f"{'finding':22} {'severity':34} {'found':>6} {'limits':>7}  other limiting findings")
    for code, severity, make in cases():
        found, limits, others = 0, 0, set()
        for seed in range(n):
            take, made = make(seed)
            for each in assess_quality(take, made.speed, CAR).findings:
                if each.code == code:
                    found += 1
                    limits += each.weight != "note"
                elif each.weight != "note":
                    others.add(each.code)
        print(
            f"{code:22} {severity:34} {100 * found / n:5.0f}% {100 * limits / n:6.0f}%  "
            f"{', '.join(sorted(others))}"
        )
    time_it()


if __name__ == "__main__":
    main()

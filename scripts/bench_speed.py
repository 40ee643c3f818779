"""Measure the speed tracker and print the figures.

    python scripts/bench_speed.py [--seeds 6] [--data FOLDER] [--part a b c d]

Parts: (a) accuracy on additive spin-ups of known phase; (b) variance against the Cramér-Rao bound
and coverage of the 95 % interval; (c) open recordings, where their folder is given; (d) cost,
with librosa's pyin on the same file as the reference. SNR means the power of each order over the
power of all the broadband noise between 0 and 24 kHz. The signals of (a), (b) and (d) are
additive test tones, made here for measurement only.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

import open_data
from figures import figure

from vibecheck.car.profile import Car, Drivetrain
from vibecheck.dsp.tracking import track
from vibecheck.dsp.tracking_evidence import Line
from vibecheck.recording.take import Take
from vibecheck.speed import track_speed
from vibecheck.track import SpeedTrack

RATE_HZ = 48_000
PINION, SPUR, INTERNAL = 26, 46, 2.85
ORDERS = (1.0, 2.0, float(PINION), PINION / SPUR, PINION / SPUR / INTERNAL)
CAR = Car("Saltflat 8", "4wd", Drivetrain(4, 2650, 6, PINION, SPUR, INTERNAL, 104.0), ())


@dataclass(frozen=True, eq=False)
class SpinUp:
    """Samples and the true speed, in turns per second, at each sample."""

    samples: NDArray[np.float64]
    speed_hz: NDArray[np.float64]

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.interp(time_s * RATE_HZ, np.arange(self.speed_hz.size), self.speed_hz)


def spin_up(
    snr_db: float,
    seed: int,
    *,
    idle_s: float = 1.0,
    start_s: float = 0.15,
    up_s: float = 4.0,
    hold_s: float = 2.0,
    down_s: float = 3.0,
    tail_s: float = 0.7,
    profile: bool = True,
) -> SpinUp:
    """Idle, start, linear run-up from 2 000 to 25 000 rpm, hold, exponential coast-down, idle."""
    rng = np.random.default_rng(seed)
    low, high = 2_000 / 60, 25_000 / 60
    edges = np.cumsum([idle_s, start_s, up_s, hold_s, down_s, tail_s])
    t = np.arange(round(edges[-1] * RATE_HZ)) / RATE_HZ
    tau = down_s / np.log(high / 20.0)
    speed = np.select(
        [t < e for e in edges],
        [
            np.zeros_like(t),
            low * (t - edges[0]) / start_s,
            low + (high - low) * (t - edges[1]) / up_s,
            np.full_like(t, high),
            high * np.exp(-(t - edges[3]) / tau),
            np.zeros_like(t),
        ],
    )
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / RATE_HZ
    x = rng.standard_normal(t.size)
    knots = np.linspace(0.0, 500.0, 12)
    running = speed > 0.0
    for order in ORDERS:
        gain = np.ones_like(t)
        if profile:  # a random level against speed, within 16 dB, of mean power one
            gain = 10 ** (np.interp(speed, knots, rng.uniform(-8, 8, knots.size)) / 20)
            gain /= np.sqrt(np.mean(gain[running] ** 2))
        amplitude = np.sqrt(2.0 * 10 ** (snr_db / 10))
        phase = 2 * np.pi * (order * turns + rng.uniform())
        x += amplitude * gain * np.cos(phase) * (running & (order * speed < RATE_HZ / 2))
    return SpinUp(x, speed)


def errors(track_: SpeedTrack, truth: SpinUp) -> tuple[NDArray, NDArray, float, float]:
    """Relative errors above 2 000 rpm, errors in sd, share missed, share of idle taken as running.

    The first frame next to a jump of the truth is left out: it straddles two states.
    """
    speed = truth.at(track_.time_s)
    known = speed > 1.02 * 2_000 / 60
    both = known & track_.running
    difference = track_.rpm / 60 - speed
    relative = np.abs(difference[both]) / speed[both]
    normal = difference[both] / (track_.sd_rpm[both] / 60)
    missed = float(np.sum(known & ~track_.running) / known.sum())
    idle = speed == 0
    edge = np.convolve(speed > 0, np.ones(5), "same") > 0
    false = float(np.sum(idle & ~edge & track_.running) / max(1, np.sum(idle & ~edge)))
    return relative, normal, missed, false


def part_a(seeds: int) -> None:
    print(
        "\n(a) spin-ups 2 000 -> 25 000 rpm in 4 s, hold, coast-down; 5 orders; limits in brackets"
    )
    for snr_db, limit in ((0.0, 5e-4), (-10.0, 2e-3), (-15.0, None)):
        for profile in (False, True):
            relative, normal, missed, false = [], [], [], []
            for seed in range(seeds):
                truth = spin_up(snr_db, seed, profile=profile)
                take = Take(truth.samples.astype(np.float32), RATE_HZ)
                r, z, m, f = errors(track_speed(take, CAR), truth)
                relative.append(r)
                normal.append(z)
                missed.append(m)
                false.append(f)
            r, z = np.concatenate(relative), np.concatenate(normal)
            bound = f"(<= {limit:.2%})" if limit else "(no limit)"
            print(
                f"  {snr_db:+.0f} dB, {'random levels' if profile else 'steady levels'}: "
                f"median {np.median(r):.5%} {bound}, off by > 2 %: {np.mean(r > 0.02):.3%} "
                f"(< 0.5 %), missed {np.mean(missed):.2%}, idle taken as running "
                f"{np.mean(false):.2%}, 95 % interval covers {np.mean(np.abs(z) < 1.96):.1%}"
            )
            if limit:
                figure(
                    f"speed of a spin-up, {snr_db:+.0f} dB, "
                    f"{'random' if profile else 'steady'} levels: median error",
                    f"{np.median(r):.4%}",
                    "known phase",
                    "",
                    f"≤ {limit:.2%}",
                    np.median(r) <= limit,
                )


def tones(orders: tuple[float, ...], f0: float, snr_db: float, seconds: float, rng) -> NDArray:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    x = rng.standard_normal(t.size)
    for order in orders:
        phase = 2 * np.pi * (order * f0 * t + rng.uniform())
        x += np.sqrt(2 * 10 ** (snr_db / 10)) * np.cos(phase)
    return x


def part_b(seeds: int) -> None:
    print("\n(b) steady tones: variance over the Cramér-Rao bound of the window used, coverage")
    print("    (var f >= 12 fs^2 / ((2 pi)^2 eta N (N^2 - 1)), eta -> sum h^2 eta_h; from memory)")
    for orders, f0 in (((1.0,), 310.0), ((26.0,), 260.0), ((1.0, 2.0, 26.0), 205.0)):
        for snr_db in (0.0, -10.0):
            ratio_db, inside, count = [], 0, 0
            for seed in range(seeds):
                rng = np.random.default_rng(seed)
                f = f0 * (1 + 0.01 * rng.uniform(-1, 1))
                x = tones(orders, f, snr_db, 4.0, rng)
                found = track(x[np.newaxis], RATE_HZ, [Line(h) for h in orders], 100.0, 600.0)
                use = (found.time_s > 0.4) & (found.time_s < 3.6) & (found.speed_hz > 0)
                error = found.speed_hz[use] - f
                n = found.span[use] * found.hop_s * RATE_HZ
                eta = 10 ** (snr_db / 10) * sum(h * h for h in orders)
                bound = 12 * RATE_HZ**2 / ((2 * np.pi) ** 2 * eta * n * (n**2 - 1))
                ratio_db.append(np.mean(error**2 / bound))
                inside += int(np.sum(np.abs(error) < 1.96 * found.sd_hz[use]))
                count += error.size
            over_db = 10 * np.log10(np.mean(ratio_db))
            figure(
                f"steady tones, orders {', '.join(f'{o:g}' for o in orders)}, {snr_db:+.0f} dB: "
                "variance of the speed",
                f"covers {inside / count:.1%}",
                "Cramér–Rao bound (from memory)",
                f"{over_db:+.2f} dB over it",
                "≤ 3 dB",
                over_db <= 3.0,
            )
            print(
                f"  orders {orders}, {f0:.0f} turns/s, {snr_db:+.0f} dB: "
                f"{over_db:+.2f} dB over the bound (<= 3), "
                f"covers {inside / count:.1%} (90-98 %)"
            )
    for snr_db in (0.0, -10.0):
        for name, low, high in (("run-up", 1.35, 5.0), ("whole spin-up", 1.15, 9.9)):
            z = []
            for seed in range(seeds):
                truth = spin_up(snr_db, 100 + seed, profile=False)
                s = track_speed(Take(truth.samples.astype(np.float32), RATE_HZ), CAR)
                use = (s.time_s > low) & (s.time_s < high) & s.running
                z.append((s.rpm / 60 - truth.at(s.time_s))[use] / (s.sd_rpm[use] / 60))
            share = np.mean(np.abs(np.concatenate(z)) < 1.96)
            print(f"  {name}, {snr_db:+.0f} dB: covers {share:.1%} (90-98 %)")


def rotor(folder: Path) -> None:
    records = open_data.rotor_records(folder)
    for mode, orders in (("orders=[1]", [1.0]), ("blind", None)):
        groups: dict[str, list[open_data.RotorErrors]] = {}
        for record in records:
            track_ = track_speed(record.take, orders=orders)
            groups.setdefault(record.batch, []).append(open_data.rotor_errors(record, track_))
        for batch, rows in groups.items():
            windows = np.concatenate([row.windows for row in rows])
            frames = np.concatenate([row.frames for row in rows])
            cover = np.mean(np.concatenate([row.inside for row in rows]))
            print(
                f"  {batch}, {mode}: {len(rows)} records; 0.25 s windows: median "
                f"{np.median(windows):.3f} Hz, within 1 Hz {np.mean(windows < 1):.1%}; frames: "
                f"median {np.median(frames):.3f} Hz, within 1 Hz {np.mean(frames < 1):.1%}, not "
                f"tracked {np.mean(np.isinf(frames)):.1%}; 95 % interval covers {cover:.1%}"
            )


def uav(folder: Path) -> None:
    take = open_data.motor_take(folder)
    for name, orders, passes in (("blind", None, 1.0), ("orders 2, 4, 6", [2.0, 4.0, 6.0], 2.0)):
        s = track_speed(take, orders=orders)
        reading = open_data.motor_reading(s, passes)
        known = [want for _, _, want in open_data.MOTOR_PLATEAUS]
        out = [
            f"{got:.2f} Hz ({got / want - 1:+.2%} of {want})"
            for got, want in zip(reading.plateaus_hz, known, strict=True)
        ]
        found = s.order_ambiguity
        words = "none" if found is None else f"{found.ratio:.3g} x, resolved {found.resolved}"
        print(
            f"  motor sound, {name}: {', '.join(out)}; step at {reading.step_s:.2f} s "
            f"({open_data.MOTOR_STEP_S}); rival: {words}"
        )


def bearings(folder: Path) -> None:
    for path in open_data.bearing_paths(folder):
        take = open_data.bearing_take(path)
        out = []
        for name, orders in (("orders 1, 2, 3", [1.0, 2.0, 3.0]), ("blind", None)):
            s = track_speed(take, orders=orders)
            if s.running.mean() < 0.5:
                out.append(f"{name}: no speed found (running {s.running.mean():.0%})")
            else:
                speed = np.median(s.rpm[s.running]) / 60
                out.append(f"{name}: {speed:.2f} turns/s, confidence {s.confidence.mean():.2f}")
        print(f"  {path.stem} (25 turns/s): {'; '.join(out)}")


def part_c(folder: Path | None) -> None:
    print("\n(c) open recordings")
    if folder is None or not folder.is_dir():
        print("  skipped: give their folder with --data or VIBECHECK_OUTSIDE_DATA")
        return
    rotor(folder)
    uav(folder)
    bearings(folder)


def part_d() -> None:
    print("\n(d) cost on a 30 s, 48 kHz mono take, one core, warm; reference: librosa.pyin")
    truth = spin_up(0.0, 1, idle_s=2.0, up_s=10.0, hold_s=10.0, down_s=6.0, tail_s=1.85)
    take = Take(truth.samples.astype(np.float32), RATE_HZ)
    track_speed(take, CAR)
    wall, cpu = [], []
    for _ in range(9):
        begin, begin_cpu = time.perf_counter(), time.process_time()
        s = track_speed(take, CAR)
        wall.append(time.perf_counter() - begin)
        cpu.append(time.process_time() - begin_cpu)
    r, _, missed, _ = errors(s, truth)
    print(
        f"  vibecheck: wall {min(wall) * 1e3:.0f} ms best, {np.median(wall) * 1e3:.0f} ms median "
        f"of 9 (<= 110); processor {np.median(cpu) * 1e3:.0f} ms; median error "
        f"{np.median(r):.5%}, within 0.5 % {np.mean(r < 0.005) * (1 - missed):.1%} of the "
        f"running frames"
    )
    try:
        import librosa
    except ImportError:
        print("  librosa is not installed: no reference")
        return
    # pyin on the mesh line: band from 2 000 to 25 000 rpm, the tracker's own frame spacing.
    sound = np.asarray(take.samples[0], dtype=np.float32)
    low, high = PINION * 2_000 / 60 * 0.9, PINION * 25_000 / 60 * 1.05
    options = {"fmin": low, "fmax": high, "sr": RATE_HZ, "frame_length": 1024, "hop_length": 512}
    librosa.pyin(sound[: 2 * RATE_HZ], **options)
    begin, begin_cpu = time.perf_counter(), time.process_time()
    mesh, voiced, _ = librosa.pyin(sound, **options)
    reference = time.perf_counter() - begin
    reference_cpu = time.process_time() - begin_cpu
    time_s = np.arange(mesh.size) * 512 / RATE_HZ
    speed = truth.at(time_s)
    known = speed > 1.02 * 2_000 / 60
    both = known & voiced
    relative = np.abs(mesh[both] / PINION - speed[both]) / speed[both]
    print(
        f"  librosa.pyin: wall {reference * 1e3:.0f} ms, processor {reference_cpu * 1e3:.0f} ms; "
        f"median error {np.median(relative):.5%}, within "
        f"0.5 % {np.sum(relative < 0.005) / known.sum():.1%} of the running frames"
    )
    figure(
        "speed of 30 s, processor time",
        f"{np.median(cpu) * 1e3:.0f} ms, median error {np.median(r):.4%}",
        f"librosa.pyin on the mesh line: {reference_cpu:.2f} s, {np.median(relative):.2%}",
        f"{reference_cpu / np.median(cpu):.0f} × faster",
        "≥ 20 ×",
        reference_cpu / np.median(cpu) >= 20.0,
    )
    print(
        f"  faster by {reference / np.median(wall):.0f} x wall, "
        f"{reference_cpu / np.median(cpu):.0f} x processor time (>= 20)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--data", type=Path, default=None)
    parser.add_argument("--part", nargs="*", default=list("abcd"), choices=list("abcd"))
    call = parser.parse_args()
    folder = open_data.named_folder(call.data)
    if "a" in call.part:
        part_a(call.seeds)
    if "b" in call.part:
        part_b(call.seeds)
    if "c" in call.part:
        part_c(folder)
    if "d" in call.part:
        part_d()


if __name__ == "__main__":
    main()

"""What a check costs: start, whole process, warm analysis. Each beside a reference of this run.

a. ``vibecheck --help`` against a bare ``python -c pass``                 limit: 0.35 s more
b. ``vibecheck check`` of a 30 s, 48 kHz WAV, a new process each time, against a bare script that
   reads the same file and computes one ``scipy.signal.stft``             limit: 1.5 times
c. the analysis alone, in a warm process, against the length of the take  limit: 200 times faster

The take is made up here (orders over noise, a few bursts): it is neither a recording nor a
simulation. One thread for everything. Medians of ``--repeats`` runs, after one that is not counted.

    python scripts/bench_cost.py [--repeats 7] [--take FILE.wav] [--model FILE.npz]
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from figures import figure

ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
os.environ.update(ONE_THREAD)
RATE_HZ, DURATION_S = 48000, 30.0
LIMIT_HELP_S, LIMIT_PROCESS, LIMIT_WARM = 0.35, 1.5, 200.0

CAR = """\
name = "Bench car"
layout = "4wd"
[drivetrain]
motor_poles = 4
kv_rpm_per_v = 2650
cells = 6
pinion_teeth = 26
spur_teeth = 46
internal_ratio = 2.85
tyre_diameter_mm = 104
bench_max_wheel_rpm = 4000
"""
REFERENCE = """\
import sys
import soundfile
from scipy.signal import stft
samples, rate = soundfile.read(sys.argv[1], dtype="float32")
frequency, time, values = stft(samples, rate, nperseg=4096)
print(values.shape)
"""


def write_take(path: Path) -> None:
    """Write a made-up spin-up: idle, run-up to 18 000 rpm, hold, coast-down."""
    import numpy as np
    import soundfile

    rng = np.random.default_rng(1)
    t = np.arange(round(DURATION_S * RATE_HZ)) / RATE_HZ
    marks, rpms = [0, 3, 12, 20, 27, 27.01, 30], [0, 0, 18000, 18000, 1200, 0, 0]
    rpm = np.interp(t, marks, rpms)
    turns = np.cumsum(rpm / 60.0) / RATE_HZ
    running = rpm > 0
    sound = 0.002 * rng.standard_normal(t.size) * (1.0 + 3.0 * rpm / 18000.0)
    spur = 26 / 46
    for order, size in ((1, 0.02), (2, 0.01), (spur, 0.006), (spur / 2.85, 0.01), (26, 0.03)):
        sound += size * running * np.sin(2 * np.pi * order * turns)
    knock = (spur / 2.85 * turns) % 1.0 < 0.02
    sound += 0.03 * (running & knock & (rpm > 9000)) * rng.standard_normal(t.size)
    soundfile.write(path, sound.astype(np.float32), RATE_HZ, subtype="PCM_16")


def process_s(call: list[str], repeats: int) -> list[float]:
    """Wall seconds of a whole process, several times, after one run that is not counted."""
    times = []
    for n in range(repeats + 1):
        start = time.perf_counter()
        subprocess.run(call, check=True, capture_output=True)
        if n:
            times.append(time.perf_counter() - start)
    return times


def warm_s(
    take_file: Path, car_file: Path, model_file: Path | None, repeats: int
) -> tuple[list[float], list[float]]:
    """Seconds of the analysis alone, by the clock and of the processor.

    The take is read, the model loaded, everything imported.
    """
    import vibecheck as vc
    from vibecheck.model.store import load_model

    car, model = vc.read_car(car_file), load_model(model_file)
    times, of_processor = [], []
    for n in range(repeats + 1):
        take = vc.read_take(take_file)  # a new value each time: nothing is kept from the last run
        start, start_of_processor = time.perf_counter(), time.process_time()
        vc.check([take], car, model=model)
        if n:
            times.append(time.perf_counter() - start)
            of_processor.append(time.process_time() - start_of_processor)
    return times, of_processor


def spread(times: list[float]) -> str:
    """Median with the fastest and slowest run."""
    return f"{statistics.median(times):.3f} s ({min(times):.3f} to {max(times):.3f})"


def verdict(met: bool) -> str:
    """Say whether a limit was met."""
    return "met" if met else "MISSED"


def main() -> int:
    """Print the figures; 1 where a limit was missed."""
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--repeats", type=int, default=7)
    options.add_argument("--take", type=Path, help="a WAV file instead of the made-up take")
    options.add_argument("--model", type=Path, help="a model file instead of the shipped one")
    given = options.parse_args()
    python = sys.executable
    program = [python, "-m", "vibecheck"]
    with tempfile.TemporaryDirectory() as folder:
        take, car = given.take or Path(folder) / "take.wav", Path(folder) / "car.toml"
        if given.take is None:
            write_take(take)
        car.write_text(CAR, encoding="utf-8")
        script = Path(folder) / "reference.py"
        script.write_text(REFERENCE, encoding="utf-8")
        print(f"load average {os.getloadavg()[0]:.2f} on {os.cpu_count()} cores, one thread each")

        bare = process_s([python, "-c", "pass"], given.repeats)
        shown = process_s([*program, "--help"], given.repeats)
        more = statistics.median(shown) - statistics.median(bare)
        print("\na. start")
        print(f"   bare python         {spread(bare)}")
        print(f"   vibecheck --help    {spread(shown)}")
        figure(
            "vibecheck --help, whole process",
            spread(shown),
            f"bare python: {spread(bare)}",
            f"{more:.2f} s more",
            f"≤ {LIMIT_HELP_S} s more",
            more <= LIMIT_HELP_S,
        )
        print(f"   more by {more:.3f} s; limit {LIMIT_HELP_S} s: {verdict(more <= LIMIT_HELP_S)}")

        call = [*program, "check", str(take), "--car", str(car)]
        call += ["--model", str(given.model)] if given.model else []
        reference = process_s([python, str(script), str(take)], given.repeats)
        whole = process_s(call, given.repeats)
        page = process_s([*call, "--report", str(Path(folder) / "r.html")], given.repeats)
        ratio = statistics.median(whole) / statistics.median(reference)
        with_page = statistics.median(page) / statistics.median(reference)
        print(f"\nb. whole process, {take.name}")
        print(f"   read + scipy stft   {spread(reference)}")
        print(f"   vibecheck check     {spread(whole)}")
        print(f"   … with --report     {spread(page)} ({with_page:.2f} times)")
        figure(
            "vibecheck check of 30 s at 48 kHz, whole process",
            spread(whole),
            f"read + one scipy stft, whole process: {spread(reference)}",
            f"{ratio:.2f} × its time",
            f"≤ {LIMIT_PROCESS} ×",
            ratio <= LIMIT_PROCESS,
        )
        figure(
            "the same with --report",
            spread(page),
            f"as above: {spread(reference)}",
            f"{with_page:.2f} × its time",
        )
        print(f"   {ratio:.2f} times; limit {LIMIT_PROCESS}: {verdict(ratio <= LIMIT_PROCESS)}")

        import soundfile

        length = soundfile.info(take).duration
        warm, of_processor = warm_s(take, car, given.model, given.repeats)
        faster = length / statistics.median(warm)
        print(f"\nc. warm analysis of {length:.1f} s")
        figure(
            f"analysis of {length:.0f} s, warm",
            spread(warm),
            f"real time: {length:.0f} s",
            f"{faster:.0f} × faster",
            f"≥ {LIMIT_WARM:.0f} ×",
            faster >= LIMIT_WARM,
        )
        print(f"   check()             {spread(warm)}")
        print(
            f"   … of the processor  {spread(of_processor)}, "
            f"{length / statistics.median(of_processor):.0f} times faster than real time"
        )
        print(
            f"   {faster:.0f} times faster than real time; limit {LIMIT_WARM:.0f}: "
            f"{verdict(faster >= LIMIT_WARM)}"
        )
    met = more <= LIMIT_HELP_S and ratio <= LIMIT_PROCESS and faster >= LIMIT_WARM
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())

"""Peak memory and time of reading and checking a one-hour recording, against bare imports.

Writes one hour of simulated workshop noise with one spin-up in it (48 kHz mono; own additive test
signal) as WAV, FLAC, M4A and MP3, reads each in a process of its own and prints its peak resident
set size.

    python scripts/bench_memory.py [--minutes 60] [--folder KEEP]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from figures import figure

RATE = 48_000
LIMIT_MB = 300.0
CAR = Path(__file__).resolve().parent.parent / "vibecheck" / "data" / "cars" / "saltflat8.toml"
PEAK = """
import json, sys, time
import psutil
from pathlib import Path

def peak_mb():
    # High-water mark of this process alone; getrusage would count the parent's up to the fork.
    try:
        status = Path("/proc/self/status").read_text()
        return int(status.split("VmHWM:")[1].split()[0]) / 1024
    except (OSError, IndexError):
        memory = psutil.Process().memory_info()
        return getattr(memory, "peak_wset", memory.rss) / 2**20
"""
CHECK = (
    PEAK
    + """
import contextlib, io
from vibecheck.cli import main

said = io.StringIO()
with contextlib.redirect_stdout(said), contextlib.redirect_stderr(io.StringIO()):
    code = main(["check", sys.argv[1], "--car", sys.argv[2]])
assert code == 0 and "The hand check is due" in said.getvalue(), said.getvalue()
print(json.dumps({"peak_mb": peak_mb()}))
"""
)
READ = (
    PEAK
    + """
from vibecheck.recording.read import read_take
import vibecheck.recording.read_audio, vibecheck.recording.sound_container, soundfile, av
imports = peak_mb()
begin = time.perf_counter()
found = {"imports_mb": imports}
if len(sys.argv) > 1:
    take = read_take(sys.argv[1])
    found.update(
        seconds=time.perf_counter() - begin,
        offset_s=take.offset_s,
        duration_s=take.duration_s,
        source_s=take.source_duration_s,
        findings=[finding.code for finding in take.findings],
    )
found["now_mb"] = psutil.Process().memory_info().rss / 2**20
found["peak_mb"] = peak_mb()
print(json.dumps(found))
"""
)


def minutes_of_sound(minutes: int, spin_up_at_s: float) -> Iterator[np.ndarray]:
    """Yield the recording minute by minute: noise, speech-like bursts, a fan, and one spin-up."""
    rng = np.random.default_rng(1)
    phase = 0.0
    for minute in range(minutes):
        t = minute * 60.0 + np.arange(60 * RATE) / RATE
        sound = 1e-3 * rng.standard_normal(t.size)
        syllables = (np.sin(2 * np.pi * 4.0 * t) > 0) & (np.floor(t / 1.3) % 2 == 0)
        sound += 0.03 * rng.standard_normal(t.size) * syllables * (minute % 7 == 1)
        sound += 0.02 * rng.standard_normal(t.size) * (minute % 13 == 5)
        since = t - spin_up_at_s
        level = np.interp(since, [0, 5, 15, 25], [0, 1, 1, 0], left=0, right=0)
        cycles = phase + np.cumsum(400.0 * level) / RATE
        phase = float(cycles[-1] % 1.0)
        sound += 0.2 * level * (np.sin(2 * np.pi * cycles) + 0.5 * np.sin(26 * 2 * np.pi * cycles))
        sound += 0.03 * level * rng.standard_normal(t.size)
        yield sound.astype(np.float32)


def write_all(folder: Path, minutes: int, spin_up_at_s: float) -> list[Path]:
    """Write the same recording as WAV, FLAC, MP3 and M4A."""
    import av
    import soundfile

    paths = [folder / f"hour.{suffix}" for suffix in ("wav", "flac", "mp3", "m4a")]
    open_files = [
        soundfile.SoundFile(path, "w", RATE, 1, subtype=subtype)
        for path, subtype in zip(paths[:3], ("PCM_16", "PCM_16", "MPEG_LAYER_III"), strict=True)
    ]
    with av.open(str(paths[3]), "w") as container:
        stream = container.add_stream("aac", rate=RATE)
        stream.layout = "mono"
        stream.bit_rate = 64_000
        position = 0
        for sound in minutes_of_sound(minutes, spin_up_at_s):
            for handle in open_files:
                handle.write(sound)
            for first in range(0, sound.size, 1024):
                block = np.ascontiguousarray(sound[np.newaxis, first : first + 1024])
                frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
                frame.sample_rate = RATE
                frame.pts = position
                position += block.shape[1]
                container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    for handle in open_files:
        handle.close()
    return paths


def in_a_process(program: str, *words: Path) -> dict:
    """Run a program of ours in a fresh process and return what it printed."""
    command = [sys.executable, "-c", program, *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    if done.stderr:
        raise SystemExit(f"unexpected on stderr: {done.stderr}")
    return json.loads(done.stdout)


def main() -> int:
    """Run the benchmark; exit code 1 where a limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=60)
    parser.add_argument("--folder", type=Path, default=None, help="keep the files here")
    options = parser.parse_args()
    spin_up_at_s = options.minutes * 60.0 * 0.7
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        paths = [folder / f"hour.{suffix}" for suffix in ("wav", "flac", "mp3", "m4a")]
        if not all(path.exists() for path in paths):
            write_all(folder, options.minutes, spin_up_at_s)
        base = in_a_process(READ)
        print(f"{options.minutes} min at {RATE} Hz, spin-up at {spin_up_at_s:.0f} s")
        print(f"{'file':10} {'size MB':>8} {'peak MB':>8} {'× bare':>7} {'read s':>7}  used part")
        print(f"{'(imports)':10} {'':>8} {base['peak_mb']:8.0f} {1.0:7.1f}")
        missed = 0
        for path in paths:
            found = in_a_process(READ, path)
            used = f"{found['offset_s']:.1f}–{found['offset_s'] + found['duration_s']:.1f} s"
            size = path.stat().st_size / 2**20
            ratio = found["peak_mb"] / base["peak_mb"]
            print(
                f"{path.suffix:10} {size:8.0f} {found['peak_mb']:8.0f} {ratio:7.1f} "
                f"{found['seconds']:7.1f}  {used} {', '.join(found['findings'])}"
            )
            missed += found["peak_mb"] > LIMIT_MB
            figure(
                f"peak memory of reading {options.minutes} min at 48 kHz, {path.suffix[1:]}",
                f"{found['peak_mb']:.0f} MB",
                f"the imports alone: {base['peak_mb']:.0f} MB",
                f"{ratio:.1f} ×",
                f"≤ {LIMIT_MB:.0f} MB",
                found["peak_mb"] <= LIMIT_MB,
            )
        whole = in_a_process(CHECK, paths[0], CAR)["peak_mb"]
        print(f"{'vibecheck check, wav':19} {whole:8.0f} {whole / base['peak_mb']:7.1f}")
        missed += whole > LIMIT_MB
        figure(
            f"peak memory of `vibecheck check` of {options.minutes} min at 48 kHz, wav",
            f"{whole:.0f} MB",
            f"the imports of reading alone: {base['peak_mb']:.0f} MB",
            f"{whole / base['peak_mb']:.1f} ×",
            f"≤ {LIMIT_MB:.0f} MB",
            whole <= LIMIT_MB,
        )
        print(f"limit {LIMIT_MB:.0f} MB: {'missed' if missed else 'kept'}")
    return int(missed > 0)


if __name__ == "__main__":
    raise SystemExit(main())

"""Open recordings kept outside the repository: how they are read, and what is measured on them.

Shared by the tests that need them, `scripts/check_open_data.py`, `scripts/bench_speed.py` and
`scripts/bench_orders.py`. What is known of each set stands in the SOURCE.md beside it.
"""

from __future__ import annotations

import csv
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vibecheck.impulses import EnvelopeLine, EnvelopeOrderSpectrum, envelope_order_spectrum
from vibecheck.recording.take import Take
from vibecheck.track import SpeedTrack
from vibecheck.units import STANDARD_GRAVITY_M_S2

FloatArray = NDArray[np.float64]
VARIABLE = "VIBECHECK_OUTSIDE_DATA"


def named_folder(given: Path | None) -> Path | None:
    """Return the folder given, or the one that the environment names."""
    return given or (Path(os.environ[VARIABLE]) if os.environ.get(VARIABLE) else None)


# ---- a small rotor with a once-per-turn tachometer ----------------------------------------

ROTOR_RATE_HZ = 952.0
ROTOR_CENTRES_S = np.linspace(0.125, 0.875, 6)


@dataclass(frozen=True, eq=False)
class RotorRecord:
    """One second of an accelerometer with its tachometer."""

    batch: str
    take: Take
    edges_s: FloatArray
    truth: np.polynomial.Polynomial
    """Turns per second: the edges, quantised to 1/952 s, through a fourth-order polynomial."""


@dataclass(frozen=True, eq=False)
class RotorErrors:
    """Errors of a track in turns per second; infinite where it does not run.

    ``windows``: mean error over a quarter second; ``frames``: of each frame; ``inside``: frames
    whose 95 % interval holds the truth.
    """

    windows: FloatArray
    frames: FloatArray
    inside: NDArray[np.bool_]


def rotor_is_there(folder: Path) -> bool:
    """Tell whether the set is there."""
    return all((folder / "rotor_coastdown" / name).is_file() for name in ("rotor.npz", "index.csv"))


def rotor_records(folder: Path) -> list[RotorRecord]:
    """Read the 140 records: 110 coast-downs, then 30 at steady speed."""
    with np.load(folder / "rotor_coastdown" / "rotor.npz") as data:
        accelerations, tachometer = data["accel"], data["ir"].astype(int)
    with (folder / "rotor_coastdown" / "index.csv").open() as file:
        batches = [row["batch"] for row in csv.DictReader(file)]
    records = []
    for batch, samples, ir in zip(batches, accelerations, tachometer, strict=True):
        edges = (np.flatnonzero((ir[1:] == 1) & (ir[:-1] == 0)) + 1) / ROTOR_RATE_HZ
        turns = np.polynomial.Polynomial.fit(edges, np.arange(edges.size), 4)
        take = Take(samples.astype(float), ROTOR_RATE_HZ, sensor="accelerometer")
        records.append(RotorRecord(batch, take, edges, turns.deriv()))
    return records


def rotor_errors(record: RotorRecord, track: SpeedTrack) -> RotorErrors:
    """Hold a track against the tachometer, between its first and last edge."""
    time = track.time_s
    error = np.where(track.running, track.rpm / 60.0 - record.truth(time), np.nan)
    use = (time > record.edges_s[0]) & (time < record.edges_s[-1])
    windows = []
    for centre in ROTOR_CENTRES_S:
        part = error[use & (np.abs(time - centre) < 0.125)]
        windows.append(abs(np.mean(part)) if np.isfinite(part).all() else np.inf)
    frames = np.abs(error[use])
    inside = frames < 1.96 * track.sd_rpm[use] / 60.0
    return RotorErrors(np.array(windows), np.where(np.isfinite(frames), frames, np.inf), inside)


# ---- the sound of a brushless motor with a two-blade propeller -----------------------------

MOTOR_PLATEAUS = ((10.0, 13.0, 105.7), (13.6, 17.9, 183.6), (18.6, 19.9, 105.5))
"""From, to (s), and blade passes per second, read off a spectrum by hand."""
MOTOR_STEP_S = 13.1
MOTOR_TIME_CONSTANT_S = 0.17
"""As the set's own description states it."""


def motor_path(folder: Path) -> Path:
    """Return where the sound lies."""
    return folder / "uav_motor_spinup_audio" / "sonido_motor_1.mat"


def motor_take(folder: Path) -> Take:
    """Read the 20 s of sound."""
    import scipy.io

    return Take(scipy.io.loadmat(motor_path(folder))["x"].ravel().astype(np.float32), 44_100.0)


@dataclass(frozen=True)
class MotorReading:
    """Blade passes per second on the three plateaus, and the step between the first two.

    ``step_s``: when it is half way up; ``time_constant_s``: from its rise from 5 to 63 %.
    """

    plateaus_hz: tuple[float, ...]
    step_s: float
    time_constant_s: float


def motor_reading(track: SpeedTrack, passes_per_turn: float = 1.0) -> MotorReading:
    """Read the plateaus and the step off a track."""
    passes, time = passes_per_turn * track.rpm / 60.0, track.time_s
    found = []
    for low, high, _ in MOTOR_PLATEAUS:
        use = (time > low) & (time < high) & track.running
        found.append(float(np.median(passes[use])) if use.any() else float("nan"))
    near = track.running & (time > 12.5) & (time < 13.8)
    half_way, constant = step_of(time[near], passes[near])
    return MotorReading(tuple(found), half_way, constant)


def step_of(time_s: FloatArray, passes_hz: FloatArray) -> tuple[float, float]:
    """Return when a step is half way up, and the time constant of its rise, in s."""
    low, high = MOTOR_PLATEAUS[0][2], MOTOR_PLATEAUS[1][2]
    share = (passes_hz - low) / (high - low)
    if not (share > 0.632).any():
        return float("nan"), float("nan")
    up = int(np.argmax(share > 0.632))
    start = int(np.flatnonzero(share[:up] < 0.05)[-1])
    # 1 − e^(−t/τ) takes 0.949 τ from 5 to 63.2 %.
    rise = (time_s[up] - time_s[start]) / 0.949
    return float(time_s[int(np.argmax(share > 0.5))]), float(rise)


def plain_ridge(take: Take) -> tuple[FloatArray, FloatArray]:
    """Return times and blade passes per second around the step, by a plain spectrogram.

    The candidate whose first six harmonics are strongest, in frames of 93 ms. Nothing of the
    tracker is in it.
    """
    import scipy.signal

    first = int(12.5 * take.sample_rate_hz)
    x = take.samples[0, first : int(13.8 * take.sample_rate_hz)].astype(np.float64)
    hz, time, lines = scipy.signal.stft(
        x, take.sample_rate_hz, "hann", 4096, 4096 - 441, nfft=32_768, boundary=None
    )
    candidates = np.arange(90.0, 200.0, 0.5)
    level = np.log(np.abs(lines) + 1e-9)
    total = sum(level[np.searchsorted(hz, h * candidates)] for h in range(1, 7))
    return 12.5 + time, candidates[np.argmax(total, axis=0)]


# ---- bearings with a pitted race -------------------------------------------------------------

BEARING_SHAFT_HZ = 25.0
BEARING_HZ = {"Outer": 81.125, "Inner": 118.875}
"""Published fault frequencies at 25 turns per second; real bearings slip by 1–2 %."""
BEARING_NAMES = tuple(
    f"{race}RaceFault_vload_{n}.mat" for race in ("Inner", "Outer") for n in (1, 4, 7)
)
BEARING_BAND_HZ = (4000.0, 20_000.0)
"""One band for all six."""
BEARING_SEARCH = (1.5, 8.0)
"""Leaves out the shaft's own line and what lies beyond any race frequency of a usual bearing."""


def bearing_paths(folder: Path) -> list[Path]:
    """Return the recordings that are there."""
    paths = [folder / "mfpt_bearing" / name for name in BEARING_NAMES]
    return [path for path in paths if path.is_file()]


def bearing_take(path: Path) -> Take:
    """Read one recording, in m/s²."""
    import scipy.io

    bearing = scipy.io.loadmat(path, squeeze_me=True, struct_as_record=False)["bearing"]
    samples = np.asarray(bearing.gs, dtype=float) * STANDARD_GRAVITY_M_S2
    return Take(samples, float(bearing.sr), sensor="accelerometer", unit="m/s^2")


def bearing_speed(take: Take) -> SpeedTrack:
    """Return the nominal speed, since the set has no tachometer."""
    time = np.linspace(0.0, take.duration_s, 50)
    ones = np.ones(50)
    return SpeedTrack(time, np.full(50, 60.0 * BEARING_SHAFT_HZ), ones, ones)


def bearing_published_hz(path: Path) -> float:
    """Return the published frequency of the race that is pitted."""
    return BEARING_HZ[path.name[:5]]


def bearing_rhythm(path: Path) -> tuple[EnvelopeLine, EnvelopeOrderSpectrum]:
    """Return the strongest rhythm of the envelope, and the spectrum it stands in."""
    take = bearing_take(path)
    spectrum = envelope_order_spectrum(take, bearing_speed(take), band_hz=BEARING_BAND_HZ)
    return spectrum.strongest(*BEARING_SEARCH), spectrum

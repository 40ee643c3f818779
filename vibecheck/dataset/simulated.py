"""Simulated bench checks: what is to happen → takes in files, with their truth and their rows.

Everything here is simulated: equations of motion, no real car. Simulating needs the ``simulator``
extra, accelerometer tables the ``formats`` extra.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from vibecheck.dataset.columns import HARD_NEGATIVES
from vibecheck.dataset.files import write_file
from vibecheck.dataset.row import ManifestRow
from vibecheck.errors import CallError, MissingExtraError, did_you_mean
from vibecheck.simulator import (
    WHEELS,
    Conditions,
    FastenerState,
    SimulatedCar,
    SimulatedRecording,
    Surroundings,
    draw_accelerometer,
    draw_phone,
    draw_script,
    draw_surroundings,
    simulate_spots,
)
from vibecheck.simulator.disturbances import Disturbances, draw_disturbance
from vibecheck.simulator.simulate import Sensor
from vibecheck.whole_file import file_hash

LICENCE = "CC0-1.0"
MESH_TIGHT_BACKLASH = (0.04, 0.18)
MESH_LOOSE_BACKLASH = (2.3, 4.0)
"""Range of the factor on the gears' backlash where the mesh was set wrongly."""
_AS_DRAWN = (1.0, 1.0, 1.0, 1.0)
TRUTH_RATE_HZ = 50.0


@dataclass(frozen=True)
class SimulatedCheck:
    """One bench check to be simulated; the same value gives the same takes.

    Attributes
    ----------
    name : str
        The manifest's ``bench_check``.
    kind : str
        One of `vibecheck.dataset.columns.KINDS`.
    seed : int
        Of the hand on the trigger and of every scatter.
    spots : tuple of (sensor, spot)
    states : mapping of zone to FastenerState
        Zones that are absent are snug.
    conditions : Conditions
        Unbalance, backlash, temperature.
    odd : tuple of str
        Hard negatives that are present; their sizes are drawn from the seed.
    phone_seed, sensor_seed, room_seed : int
        Which phone, accelerometer and room.
    louder_room_db : float
        How much louder than usual the room is.
    duration_s : float or None
        Length of the takes; drawn where ``None``.
    """

    name: str
    kind: str
    seed: int
    spots: tuple[tuple[Sensor, str], ...] = (("microphone", "centre"),)
    states: Mapping[str, FastenerState] = field(default_factory=dict)
    conditions: Conditions = field(default_factory=Conditions)
    odd: tuple[str, ...] = ()
    phone_seed: int = 0
    sensor_seed: int = 0
    room_seed: int = 0
    louder_room_db: float = 0.0
    duration_s: float | None = None


def draw_backlash(kind: str, rng: np.random.Generator) -> float:
    """Draw the factor on the backlash of a mesh that is set too tight or too loose."""
    low, high = MESH_TIGHT_BACKLASH if kind == "mesh_tight" else MESH_LOOSE_BACKLASH
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def draw_unbalance(car: SimulatedCar, seed: int) -> tuple[float, float, float, float]:
    """Draw mud or a torn tyre on one of the wheels that turn: a factor of 2 to 4.5."""
    rng = np.random.default_rng([seed, 64])
    factor = [1.0] * 4
    turning = [index for index in range(4) if car.driven[index]]
    factor[int(rng.choice(turning))] = float(rng.uniform(2.0, 4.5))
    return factor[0], factor[1], factor[2], factor[3]


def oddities(
    car: SimulatedCar, check: SimulatedCheck
) -> tuple[Conditions, Surroundings, Disturbances]:
    """Return conditions, surroundings and disturbances with a check's hard negatives in them.

    Raises
    ------
    CallError
        If a kind is unknown.
    """
    conditions = check.conditions
    room = draw_surroundings(check.room_seed)
    room = replace(room, noise_db=room.noise_db + check.louder_room_db)
    rng = np.random.default_rng([check.seed, 63])
    second_motor = float(rng.uniform(3000.0, 16000.0)), float(rng.uniform(45.0, 62.0))
    speech_db = float(rng.uniform(50.0, 66.0))
    parts: dict[str, Any] = {}
    for kind in check.odd:
        if kind not in HARD_NEGATIVES:
            raise CallError(
                f'Unknown oddity "{kind}".{did_you_mean(kind, HARD_NEGATIVES)}',
                advice=f"It must be one of: {', '.join(HARD_NEGATIVES)}.",
            )
        if kind == "out_of_balance":
            if conditions.wheel_unbalance == _AS_DRAWN:
                conditions = replace(conditions, wheel_unbalance=draw_unbalance(car, check.seed))
        elif kind == "second_motor":
            room = replace(room, second_motor_rpm=second_motor[0], second_motor_db=second_motor[1])
        elif kind == "speech":
            room = replace(room, speech_db=speech_db)
        else:
            drawn = vars(draw_disturbance(kind, car, check.seed))
            parts |= {name: part for name, part in drawn.items() if part is not None}
    return conditions, room, Disturbances(**parts)


def simulate_check(car: SimulatedCar, check: SimulatedCheck) -> tuple[SimulatedRecording, ...]:
    """Simulate one bench check: one spin-up, heard by all its sensors.

    Raises
    ------
    CallError
        If a zone, a spot or an oddity is unknown, or the motion grows without bound.
    MissingExtraError
        If numba is not installed.
    """
    conditions, room, disturbances = oddities(car, check)
    return simulate_spots(
        car,
        check.states,
        draw_script(check.seed, check.duration_s),
        check.spots,
        check.seed,
        phone=draw_phone(check.phone_seed),
        accelerometer=draw_accelerometer(check.sensor_seed),
        conditions=conditions,
        surroundings=room,
        disturbances=disturbances,
    )


def take_name(check: SimulatedCheck, recording: SimulatedRecording) -> str:
    """Return a take's file name."""
    return file_name(check, recording.sensor, recording.spot)


def file_name(check: SimulatedCheck, sensor: Sensor, spot: str) -> str:
    """Return the file name of the take of one sensor at one spot."""
    suffix = "flac" if sensor == "microphone" else "parquet"
    return f"{check.name}-{spot}-{sensor[:3]}.{suffix}"


def truth_name(take: str) -> str:
    """Return the name of the file with a take's truth."""
    return f"{take.rpartition('.')[0]}.truth.json"


def write_recording(recording: SimulatedRecording, path: Path) -> str:
    """Write a take whole or not at all, as FLAC (16 bit) or Parquet, and return its SHA-256.

    Raises
    ------
    InputError
        If it cannot be written.
    MissingExtraError
        If an accelerometer table is to be written without pyarrow.
    """
    write = _write_flac if recording.sensor == "microphone" else _write_table
    write_file(path, lambda temporary: write(recording, temporary))
    return file_hash(path)


def _write_flac(recording: SimulatedRecording, path: Path) -> None:
    import soundfile

    try:
        soundfile.write(
            path,
            (recording.samples[0] * 32768.0).round().astype(np.int16),
            int(recording.sample_rate_hz),
            subtype="PCM_16",
            format="FLAC",
        )
    except soundfile.LibsndfileError as error:
        raise OSError(None, str(error)) from error


def _write_table(recording: SimulatedRecording, path: Path) -> None:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise MissingExtraError("Writing an accelerometer's table", "formats") from error
    x, y, z = recording.samples.astype(np.float32)
    table = pyarrow.table({"time_s": recording.time_s, "x_m_s2": x, "y_m_s2": y, "z_m_s2": z})
    pyarrow.parquet.write_table(table, path, compression="zstd")


def row_of(
    car: SimulatedCar,
    check: SimulatedCheck,
    recording: SimulatedRecording,
    file: Path,
    car_file: Path,
    sha256: str,
) -> ManifestRow:
    """Return a take's row."""
    conditions, _, _ = oddities(car, check)
    truth = recording.truth
    motor = truth.states.get("motor_mount", FastenerState())
    return ManifestRow(
        file=file,
        car_file=car_file,
        sha256=sha256,
        car=car.name,
        check=check.name,
        kind=check.kind,
        sensor=recording.sensor,
        spot=recording.spot,
        state={zone: (state.preload, state.turns) for zone, state in truth.states.items()},
        origin="simulated",
        seed=check.seed,
        device=recording.device,
        licence=LICENCE,
        sample_rate_hz=recording.sample_rate_hz,
        duration_s=round(truth.phases[-1].end_s, 3),
        other={
            "motor_mount_share": f"{motor.share:g}",
            "wheel_unbalance": " ".join(f"{x:.3g}" for x in conditions.wheel_unbalance),
            "backlash_factor": f"{conditions.backlash:.3g}",
            "disturbance": " ".join(check.odd),
            "phases": " ".join(f"{p.name}:{p.start_s:.2f}-{p.end_s:.2f}" for p in truth.phases),
            "top_motor_rpm": f"{truth.motor_rpm.max():.0f}",
        },
    )


def truth_of(
    car: SimulatedCar,
    check: SimulatedCheck,
    recordings: Sequence[SimulatedRecording],
    rate_hz: float = TRUTH_RATE_HZ,
) -> dict[str, Any]:
    """Return what really happened in a check, as plain values for JSON (``vibecheck.truth/1``).

    Parameters
    ----------
    car : SimulatedCar
    check : SimulatedCheck
    recordings : sequence of SimulatedRecording
        Its takes: they share the truth of one spin-up.
    rate_hz : float
        How many points of the speed over time are kept per second.
    """
    truth = recordings[0].truth
    conditions, room, disturbances = oddities(car, check)
    clock = np.arange(0.0, float(truth.time_s[-1]), 1.0 / rate_hz)

    def at_clock(values: np.ndarray, digits: int) -> list[float]:
        return [round(float(x), digits) for x in np.interp(clock, truth.time_s, values)]

    return {
        "schema": "vibecheck.truth/1",
        "origin": "simulated",
        "note": "Simulated: equations of motion of an invented car; no real car was recorded.",
        "car": car.name,
        "bench_check": check.name,
        "kind": check.kind,
        "seed": check.seed,
        "takes": [
            {"sensor": recording.sensor, "spot": recording.spot, "device": recording.device}
            for recording in recordings
        ],
        "states": {
            zone: {"preload": state.preload, "turns": state.turns, "share": state.share}
            for zone, state in truth.states.items()
        },
        "conditions": {
            "wheel_unbalance": dict(zip(WHEELS, conditions.wheel_unbalance, strict=True)),
            "backlash_factor": conditions.backlash,
            "temperature": conditions.temperature,
        },
        "surroundings": dict(vars(room)),
        "disturbances": {
            name: dict(vars(part)) for name, part in vars(disturbances).items() if part is not None
        },
        "phases": [dict(vars(phase)) for phase in truth.phases],
        "speed": {
            "time_s": [round(float(moment), 4) for moment in clock],
            "motor_rpm": at_clock(truth.motor_rpm, 1),
            "motor_turns": at_clock(truth.motor_turns, 3),
            "wheel_rpm": {
                wheel: at_clock(rpm, 1) for wheel, rpm in zip(WHEELS, truth.wheel_rpm, strict=True)
            },
        },
    }

"""Build the demo's story: one invented car, three bench checks, two spots each. All simulated.

    python scripts/build_demo_story.py vibecheck/data/demo

The car (vibecheck/data/cars/saltflat8.toml) is in no training set of build_demo_dataset.py.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

from vibecheck.dataset.files import write_text
from vibecheck.dataset.simulated import LICENCE, write_recording
from vibecheck.simulator import (
    Conditions,
    FastenerState,
    Phone,
    SimulatedCar,
    Surroundings,
    ThrottleScript,
    draw_car,
    simulate_spots,
)

CAR_FILE = Path(__file__).resolve().parent.parent / "vibecheck" / "data" / "cars" / "saltflat8.toml"
CAR_SEED = 809
SPOTS = ("centre", "wheel_rear_right")
PHONE = Phone(
    "the driver's phone",
    full_scale_db=116.0,
    low_cut_hz=100.0,
    high_cut_hz=18_000.0,
    ripple_db=(0.0, 1.0, -1.0, 0.5, 2.0, -0.5, -2.0, -4.0),
    noise_db=28.0,
)
ROOM = Surroundings(noise_db=36.0, reverberation_s=0.3, reverberant_db=-13.0)

CHECKS = (
    (
        "baseline",
        "Right after a complete hand check that left every fastener snug.",
        {},
        81,
    ),
    (
        "something loose",
        "Before the next run: the nut of the rear right wheel has backed off by three quarters "
        "of a turn. Nobody has noticed yet.",
        {"wheel_rear_right": FastenerState(0.0, 0.75)},
        82,
    ),
    (
        "after tightening",
        "After the hand check found the nut and tightened it, and every other fastener was "
        "checked too.",
        {},
        83,
    ),
)


def demo_car() -> SimulatedCar:
    """The car of the demo: gearing from its car file, wheel nuts M5x0.8, the rest drawn."""
    profile = tomllib.loads(CAR_FILE.read_text(encoding="utf-8"))
    car = draw_car(CAR_SEED, profile=profile)
    return replace(car, wheels=tuple(replace(wheel, thread_pitch=0.8e-3) for wheel in car.wheels))


def script_of(number: int) -> ThrottleScript:
    """Each check is driven by hand: never twice the same."""
    parts = (
        (("run_up", 3.6, 0.95), ("hold", 3.6, 0.95), ("coast_down", 2.6, 0.0)),
        (("run_up", 3.3, 0.93), ("hold", 3.9, 0.93), ("coast_down", 2.6, 0.0)),
        (("run_up", 3.8, 0.96), ("hold", 3.4, 0.96), ("coast_down", 2.6, 0.0)),
    )[number]
    return ThrottleScript(idle_s=2.4, parts=parts, unsteady=0.006, bend=1.1)


def build(out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)
    car = demo_car()
    lines = [
        "# The demo's story. Every recording here is simulated: equations of motion, no real car.",
        f'car = "{car.name}"',
        f'car_file = "../cars/{CAR_FILE.name}"',
        'origin = "simulated"',
        f'licence = "{LICENCE}"',
        f"car_seed = {CAR_SEED}",
    ]
    for number, (name, sentence, states, seed) in enumerate(CHECKS):
        lines += ["", "[[checks]]", f'name = "{name}"', f'sentence = "{sentence}"']
        lines.append(f"seed = {seed}")
        truth = ", ".join(
            f"{zone} = {{ preload = {state.preload}, turns = {state.turns} }}"
            for zone, state in states.items()
        )
        lines.append(f"truth = {{ {truth} }}" if truth else "truth = {}")
        recordings = simulate_spots(
            car,
            states,
            script_of(number),
            [("microphone", spot) for spot in SPOTS],
            seed,
            phone=PHONE,
            conditions=Conditions(),
            surroundings=replace(ROOM, noise_db=ROOM.noise_db + number - 1.0),
        )
        for recording in recordings:
            file = f"{number + 1}-{name.replace(' ', '-')}-{recording.spot}.flac"
            digest = write_recording(recording, out / file)
            lines += [
                "[[checks.takes]]",
                f'file = "{file}"',
                f'sensor = "{recording.sensor}"',
                f'spot = "{recording.spot}"',
                f"sample_rate_hz = {recording.sample_rate_hz:g}",
                f"duration_s = {recording.truth.phases[-1].end_s:.1f}",
                f"top_motor_rpm = {recording.truth.motor_rpm.max():.0f}",
                f'sha256 = "{digest}"',
            ]
    write_text(out / "story.toml", "\n".join(lines) + "\n")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("out", type=Path, help="folder to write to")
    options = parser.parse_args()
    build(options.out)
    print(f"{len(CHECKS) * len(SPOTS)} simulated takes and story.toml in {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

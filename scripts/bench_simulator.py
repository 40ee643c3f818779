"""How long the simulator takes on one core, by stage, and against real time.

Times are of the processor, so that other programs on the machine do not count.

OMP_NUM_THREADS=1 python scripts/bench_simulator.py
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from figures import figure

TAKE_S = 12.0


def best(call: Callable[[], Any], repeats: int = 3) -> float:
    """Shortest processor time of several calls, in s."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    start = time.perf_counter()
    from vibecheck.simulator import FastenerState, draw_car, draw_phone, draw_script, simulate_spots
    from vibecheck.simulator.run import INTERNAL_RATE_HZ, run_car
    from vibecheck.simulator.sound import radiate, spot_position

    print(f"import                              {time.perf_counter() - start:7.2f} s")
    car = draw_car(5)
    script = draw_script(5, TAKE_S)
    # Two loose fasteners at once.
    states = {
        "wheel_rear_right": FastenerState(0.0, 0.75),
        "shock_tower_rear": FastenerState(0.0, 0.5),
    }
    start = time.perf_counter()
    run = run_car(car, states, script, 1)
    print(f"first run (compiles unless cached)  {time.perf_counter() - start:7.2f} s")
    motion = best(lambda: run_car(car, states, script, 1))
    steps = (TAKE_S - script.idle_s + 0.4) * INTERNAL_RATE_HZ
    print(
        f"motion, {TAKE_S:g} s take                  {motion:7.2f} s   "
        f"{motion / steps * 1e6:.2f} µs a step, {TAKE_S / motion:.1f} x real time"
    )
    places = np.array([spot_position(car, "centre", 1)])
    sound = best(lambda: radiate(car, run, places, 1))
    print(f"sound at one spot                   {sound:7.2f} s")
    whole = {}
    for n_spots, spots in (
        (1, [("microphone", "centre")]),
        (2, [("microphone", "centre"), ("microphone", "wheel_rear_right")]),
    ):
        whole[n_spots] = best(
            lambda spots=spots: simulate_spots(car, states, script, spots, 1, phone=draw_phone(1))
        )
        print(
            f"whole take, {n_spots} spot(s)               {whole[n_spots]:7.2f} s   "
            f"budget 4 s: {4.0 / whole[n_spots]:.1f} x inside"
        )
    figure(
        "simulating a 12 s take, one spot, processor time",
        f"{whole[1]:.2f} s",
        "real time: 12 s",
        f"{TAKE_S / whole[1]:.1f} × faster",
        "≤ 4 s",
        whole[1] <= 4.0,
    )
    print(
        f"second spot costs                   {whole[2] - whole[1]:7.2f} s   "
        f"{(whole[2] - whole[1]) / whole[1]:.2f} of a take of its own"
    )


if __name__ == "__main__":
    main()

"""The whole car, step by step: the compiled `integrate` called from outside, a few steps a call.

Nothing of the simulator is copied here; what a test measures it computes from the state.
"""

from __future__ import annotations

import numpy as np

from vibecheck.simulator import build, run
from vibecheck.simulator.build_decks import build_decks
from vibecheck.simulator.build_drive import build_drive, build_sleeve
from vibecheck.simulator.motion import integrate
from vibecheck.simulator.parameters import DECKS, N_FORCE_CHANNELS, WHEELS, SimulatedCar
from vibecheck.simulator.parts import DECK_JOINT
from vibecheck.simulator.states import Conditions, FastenerState, draw_sitting


class WholeCar:
    """All parts of one car with their state; parts may be replaced before it moves."""

    def __init__(
        self,
        car: SimulatedCar,
        states: dict[str, FastenerState] | None = None,
        seed: int = 1,
        conditions: Conditions | None = None,
        oversampling: int = 1,
    ) -> None:
        sitting = draw_sitting(states or {}, conditions or Conditions(), seed)
        self.car = car
        self.chassis = build.build_chassis(car)
        self.wheels = build.build_wheels(car, sitting)
        self.motor = build.build_motor(car, sitting)
        self.drive = build_drive(car, sitting)
        self.sleeve = build_sleeve(car, sitting)
        self.decks = build_decks(car, sitting)
        self.state = build.rest_state(car, sitting, self.wheels, self.sleeve)
        self.dt = 1.0 / (run.INTERNAL_RATE_HZ * oversampling)
        self.oversampling = oversampling

    def run(self, steps: int, volts: float = 0.0, *, calls: int = 1) -> np.ndarray:
        """Advance `calls` times by `steps`; return recorded forces and accelerations (48 kHz)."""
        decimation = 2 * self.oversampling
        taps = np.zeros(1, dtype=np.float32)
        taps[0] = 1.0
        n_channel = N_FORCE_CHANNELS + self.state.acceleration.size
        record = np.zeros((steps * calls // decimation, n_channel), dtype=np.float32)
        integrate(
            self.chassis, self.wheels, self.motor, self.drive, self.sleeve, self.decks,
            self.state, np.full(calls + 1, volts), np.zeros((calls + 1, 4)), steps, self.dt,
            decimation, taps, np.zeros((2, n_channel), dtype=np.float32), np.zeros(4), record,
            np.zeros((calls, 8)),
        )  # fmt: skip
        return record

    def set_turning(self, wheel_rpm: float) -> float:
        """Start at speed; return the voltage that about holds it."""
        drive, shaft = self.drive, self.state.shaft
        spur = wheel_rpm / 60.0 * 2.0 * np.pi * drive.internal_ratio
        shaft[[6, 7, 9]] = spur
        shaft[[4, 5]] = spur * drive.spur_radius / drive.pinion_radius
        return float(drive.back_emf * shaft[4])

    def openings(self) -> dict[str, float]:
        """How near each joint is to letting go: 1 where a face opens or a clearance is used up.

        Faces: travel over the depth they are pressed in; holes and bores: distance over the
        clearance; set screws: friction torque over what it can hold.
        """
        s, w, m, d = self.state, self.wheels, self.motor, self.decks
        out = {}
        for i, zone in enumerate(WHEELS):
            dx, dy, dz = s.wheel[i, :3] - s.hub[i, :3]
            tilt = s.wheel[i, 3:5] - s.body[0, [3, 5]]
            reach = abs(dy) + float(np.hypot(*tilt)) * w.face_radius[i]
            face = reach / max(min(w.seat_depth[i], w.nut_depth[i]), 1e-9)
            arms = w.bore_offset[i]
            bore = np.hypot(dx - tilt[1] * arms, dz + tilt[0] * arms) / w.bore_clearance[i]
            out[zone] = max(face, float(bore.max()))
        turn = s.motor[3:6] - m.axes @ s.body[0, 3:6]
        moved = s.motor[:3] - s.plate[:3] + np.cross(turn, m.points)
        face = np.abs(moved[:, 2]) / np.maximum(np.minimum(m.seat_depth, m.head_depth), 1e-9)
        hole = np.hypot(moved[:, 0], moved[:, 1]) / m.hole_clearance
        out["motor_mount"] = float(max(face.max(), hole.max()))
        out["gear_mesh"] = abs(s.screw_grip[0]) / self.drive.screw_limit
        place = s.sleeve[:2] - (m.axes @ s.anchor[0, 18:21])[:2]
        out["driveline"] = max(
            abs(s.screw_grip[1]) / self.drive.sleeve_limit,
            float(np.hypot(*place)) / self.sleeve.clearance,
        )
        for k, zone in enumerate(DECKS):
            at = 3 * (DECK_JOINT + k)
            d1, d2, d3 = (s.deck[k, :3] - s.base[0, at : at + 3])[d.order[k]]
            face = abs(d3) / max(min(d.seat_depth[k], d.head_depth[k]), 1e-9)
            out[zone] = max(face, float(np.hypot(d1, d2)) / d.hole_clearance[k])
        return out

    def watch(self, seconds: float, volts: float, every: int = 8) -> dict[str, float]:
        """Largest of `openings` over a while."""
        worst = dict.fromkeys((*WHEELS, "motor_mount", "gear_mesh", "driveline", *DECKS), 0.0)
        for _ in range(round(seconds / self.dt / every)):
            self.run(every, volts)
            for zone, size in self.openings().items():
                worst[zone] = max(worst[zone], size)
        return worst

"""The snug car as a linear system, assembled from springs between points.

Written from the drawing of the car, not from its equations of motion: every joint is a row of
the degrees of freedom it stretches. Closed form, no source.
"""

from __future__ import annotations

import math

import numpy as np
from whole_car import WholeCar

from vibecheck.simulator.parts import DECK_JOINT, DRIVELINE_JOINT, GRAVITY, MOTOR_JOINT

Array = np.ndarray


def both_faces(
    seat: float, seat_depth: float, head: float, head_depth: float, damping: float, cap: float
) -> tuple[float, float]:
    """Slope 1.5·K·√d and damper χ·min(K·d^1.5, cap) of two faces that press on each other."""
    spring = loss = 0.0
    for stiffness, depth in ((seat, seat_depth), (head, head_depth)):
        spring += 1.5 * stiffness * math.sqrt(depth)
        loss += damping * min(stiffness * depth**1.5, cap)
    return spring, loss


class LinearCar:
    """Mass, stiffness, damping and gyroscopic matrices about the place of rest of a car."""

    def __init__(self, parts: WholeCar, turning: float) -> None:
        self.parts = parts
        self.n_body = parts.chassis.inverse_mass.size
        self.n_deck = parts.decks.mass.size
        sizes = (self.n_body, 12, 20, 3, 6, 2, 3 * self.n_deck)
        starts = np.concatenate(([0], np.cumsum(sizes)))
        self.body, self.hub, self.wheel, self.plate, self.motor, self.sleeve, self.deck = (
            int(start) for start in starts[:-1]
        )
        self.n = int(starts[-1])
        self.stiffness = np.zeros((self.n, self.n))
        self.damping = np.zeros((self.n, self.n))
        self.gyroscopic = np.zeros((self.n, self.n))
        self.mass = np.zeros(self.n)
        self.deck_rows: list[list[tuple[int, Array, float, float]]] = []
        self._masses()
        self._chassis()
        for i in range(4):
            self._wheel(i, turning if parts.wheels.driven[i] else 0.0)
        self._motor()
        rows = [
            self.one(self.sleeve + axis) - self.motor_axes(DRIVELINE_JOINT, axis)
            for axis in range(2)
        ]
        hold = parts.sleeve
        loss = min(hold.grip_damping * hold.grip_stiffness, 0.2 * hold.mass / parts.dt)
        self.turning_grip(rows[0], rows[1], hold.grip_stiffness, loss, 0.0)
        for k in range(self.n_deck):
            self._deck(k)

    def one(self, place: int, size: float = 1.0) -> Array:
        row = np.zeros(self.n)
        row[place] = size
        return row

    def base(self, joint: int, axis: int) -> Array:
        row = np.zeros(self.n)
        row[: self.n_body] = self.parts.chassis.joint_map[:, 3 * joint + axis]
        return row

    def anchor(self, joint: int, axis: int) -> Array:
        row = self.base(joint, axis)
        decks = self.parts.decks
        for out, own, gain in zip(decks.path_joint, decks.path_deck, decks.path_gain, strict=True):
            if out == 3 * joint + axis:
                k, own_axis = divmod(int(own), 3)
                row += gain * (self.one(self.deck + own) - self.base(DECK_JOINT + k, own_axis))
        return row

    def motor_axes(self, joint: int, axis: int, anchored: bool = True) -> Array:
        place = self.anchor if anchored else self.base
        return sum(self.parts.motor.axes[axis, c] * place(joint, c) for c in range(3))

    def spring(self, row: Array, k: float, c: float = 0.0) -> None:
        self.stiffness += k * np.outer(row, row)
        self.damping += c * np.outer(row, row)

    def turning_grip(self, row_1: Array, row_2: Array, k: float, c: float, turning: float) -> None:
        """A spring and a damper that turn: the damper feels u' - Ω × u in the resting frame."""
        self.spring(row_1, k, c)
        self.spring(row_2, k, c)
        self.stiffness += c * turning * (np.outer(row_2, row_1) - np.outer(row_1, row_2))

    def _masses(self) -> None:
        p = self.parts
        self.mass[: self.n_body] = 1.0 / p.chassis.inverse_mass
        self.mass[self.hub : self.hub + 12] = np.repeat(p.wheels.hub_mass, 3)
        wheel = np.stack([p.wheels.mass] * 3 + [p.wheels.transverse_inertia] * 2, axis=1)
        self.mass[self.wheel : self.wheel + 20] = wheel.ravel()
        self.mass[self.plate : self.plate + 3] = p.motor.plate_mass
        self.mass[self.motor : self.motor + 3] = p.motor.mass
        self.mass[self.motor + 3 : self.motor + 6] = p.motor.inertia
        self.mass[self.sleeve : self.sleeve + 2] = p.sleeve.mass
        self.mass[self.deck :] = np.repeat(p.decks.mass, 3)

    def _chassis(self) -> None:
        c = self.parts.chassis
        for own in range(self.n_body):
            mass = 1.0 / c.inverse_mass[own]
            self.spring(self.one(own), c.spring[own] * mass, c.loss[own] * mass)

    def _wheel(self, i: int, turning: float) -> None:
        w, at = self.parts.wheels, self.wheel + 5 * i
        for axis in range(3):
            row = self.one(self.hub + 3 * i + axis) - self.anchor(i, axis)
            self.spring(row, w.arm_stiffness[i, axis], w.arm_damping[i, axis])
        x, y, z = (self.one(at + axis) - self.one(self.hub + 3 * i + axis) for axis in range(3))
        tilt_x = self.one(at + 3) - self.one(3)
        tilt_z = self.one(at + 4) - self.one(5)
        radius, arm = w.face_radius[i], w.face_offset[i]
        # A quarter of the face at each point.
        normal, loss = both_faces(
            0.25 * w.seat_stiffness[i], w.seat_depth[i], 0.25 * w.nut_stiffness[i], w.nut_depth[i],
            w.face_damping[i], w.face_cap[i],
        )  # fmt: skip
        for px, pz in ((radius, 0), (-radius, 0), (0, radius), (0, -radius)):
            self.spring(y - pz * tilt_x + px * tilt_z, normal, loss)
        grip = w.grip_ratio[i] * 4.0 * normal
        loss = min(w.grip_damping[i] * grip, 0.2 * w.mass[i] / self.parts.dt)
        self.turning_grip(x - arm * tilt_z, z + arm * tilt_x, grip, loss, turning)
        # Angular momentum Ip·Ω about y: Mx = -Ip·Ω·γ̇ on the left-hand side, Mz = +Ip·Ω·α̇.
        spin = w.polar_inertia[i] * turning
        self.gyroscopic[at + 3, at + 4] -= spin
        self.gyroscopic[at + 4, at + 3] += spin

    def _motor(self) -> None:
        m = self.parts.motor
        for axis in range(3):
            row = self.one(self.plate + axis) - self.motor_axes(MOTOR_JOINT, axis, anchored=False)
            self.spring(row, m.plate_stiffness[axis], m.plate_damping[axis])
        shift = [self.one(self.motor + axis) - self.one(self.plate + axis) for axis in range(3)]
        turn = []
        for axis in range(3):
            row = self.one(self.motor + 3 + axis)
            row[3:6] -= m.axes[axis]
            turn.append(row)
        for point in range(4):
            p1, p2, p3 = m.points[point]
            normal, loss = both_faces(
                m.seat_stiffness, m.seat_depth[point], m.head_stiffness, m.head_depth[point],
                m.face_damping, m.face_cap,
            )  # fmt: skip
            grip = m.grip_ratio * normal
            rub = min(m.grip_damping * grip, 0.05 * m.mass / self.parts.dt)
            self.spring(shift[0] + turn[1] * p3 - turn[2] * p2, grip, rub)
            self.spring(shift[1] + turn[2] * p1 - turn[0] * p3, grip, rub)
            self.spring(shift[2] + turn[0] * p2 - turn[1] * p1, normal, loss)

    def _deck(self, k: int) -> None:
        d = self.parts.decks
        seat, head = d.seat_depth[k], d.head_depth[k]
        if d.order[k, 2] == 2:
            seat, head = self._sunk(k)
        normal, loss = both_faces(
            d.seat_stiffness[k], seat, d.head_stiffness[k], head, d.damping[k], d.cap[k]
        )
        grip = d.grip_ratio[k] * normal
        rub = min(d.grip_damping[k] * grip, 0.2 * d.mass[k] / self.parts.dt)
        self.deck_rows.append([])
        for place, axis in enumerate(d.order[k]):
            row = self.one(self.deck + 3 * k + axis) - self.base(DECK_JOINT + k, axis)
            spring = (normal, loss) if place == 2 else (grip, rub)
            self.spring(row, *spring)
            self.deck_rows[k].append((int(axis), row, *spring))

    def deck_forces(self, places: Array, rate: float) -> Array:
        """Force of every deck's joint on the chassis, in the order of the recorded channels."""
        out = np.zeros(3 * self.n_deck, dtype=complex)
        for k, rows in enumerate(self.deck_rows):
            for axis, row, spring, loss in rows:
                out[3 * k + axis] = (spring + 1j * rate * loss) * (row @ places)
        return out

    def _sunk(self, k: int) -> tuple[float, float]:
        """Depths of seat and head once the weight, and what the deck carries, has come on."""
        d, w = self.parts.decks, self.parts.wheels
        down = d.mass[k] * GRAVITY
        for out, own, gain in zip(d.path_joint, d.path_deck, d.path_gain, strict=True):
            if own == 3 * k + 2 and out < 12 and out % 3 == 2:
                down += gain * GRAVITY * (w.mass[out // 3] + w.hub_mass[out // 3])
            elif own == 3 * k + 2 and out == 3 * DRIVELINE_JOINT + 2:
                down += gain * GRAVITY * self.parts.sleeve.mass
        seat, head = float(d.seat_depth[k]), float(d.head_depth[k])
        low, high = 0.0, head
        for _ in range(80):
            sink = 0.5 * (low + high)
            up = d.seat_stiffness[k] * (seat + sink) ** 1.5 - d.head_stiffness[k] * (
                max(head - sink, 0.0) ** 1.5
            )
            low, high = (sink, high) if up < down else (low, sink)
        return seat + sink, head - sink

    def answer(self, force: Array, rate: float) -> Array:
        """Complex places for a force·exp(jωt)."""
        system = self.stiffness - rate**2 * np.diag(self.mass)
        return np.linalg.solve(system + 1j * rate * (self.damping + self.gyroscopic), force)

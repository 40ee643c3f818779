"""What sounds odd although nothing is loose: worn bearing, stone, rubbing wire, second car.

Descriptions and draws only; `vibecheck.simulator.disturbance_forces` and
`vibecheck.simulator.second_car` turn them into forces and sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vibecheck.errors import CallError, did_you_mean
from vibecheck.simulator.parameters import WHEELS, SimulatedCar
from vibecheck.simulator.ranges import Draw

DISTURBANCE_KINDS = ("worn_bearing", "stone_in_wheel", "rubbing_wire", "second_car")
BearingPart = Literal["outer_race", "inner_race", "ball"]
SHAFT_OF_JOINT = {
    **dict.fromkeys(WHEELS, "wheel"),
    "motor_mount": "motor",
    "gear_mesh": "spur",
}
"""Which shaft turns in a joint's bearings, for the joints that hold one."""
BEARING_JOINTS = tuple(SHAFT_OF_JOINT)
# The speeds at which forces and levels are given.
REFERENCE_RPM = {"motor": 20_000.0, "spur": 8_000.0, "wheel": 4_000.0}


def _over_zero(owner: str, **values: float) -> None:
    for name, value in values.items():
        if not value > 0.0:
            raise CallError(f"{owner} needs {name} over 0. Got {value!r} instead.")


def _known_joint(owner: str, joint: str, joints: tuple[str, ...]) -> None:
    if joint not in joints:
        raise CallError(
            f'{owner} has no joint "{joint}".{did_you_mean(joint, joints)}',
            advice=f"Known joints: {', '.join(joints)}.",
        )


@dataclass(frozen=True)
class WornBearing:
    """A rolling bearing with a pit in one part and rough races; nothing is loose.

    Attributes
    ----------
    joint : str
        Where it sits: a wheel's zone (wheel shaft), ``"motor_mount"`` or ``"gear_mesh"`` (spur).
    part : {"outer_race", "inner_race", "ball"}
        What is pitted.
    balls : int
    ball_mm, pitch_mm : float
        Diameters of a ball and of the circle of ball centres.
    contact_deg : float
        Contact angle.
    impact_n : float
        Peak force of one impact at the shaft's reference speed (motor 20 000, spur 8 000,
        wheel 4 000 rpm); grows with speed to the power 1.3.
    roughness_n : float
        Root-mean-square of the added broadband force per axis at the reference speed, N.
    slip : float
        Share by which the cage lags behind pure rolling, 0 to 0.05.
    jitter : float
        Relative standard deviation of the interval between impacts, 0 to 0.1.
    load_zone : float
        0: impacts of an inner race alike all round; 1: none outside the loaded half.
    """

    joint: str
    part: BearingPart = "outer_race"
    balls: int = 8
    ball_mm: float = 3.0
    pitch_mm: float = 12.0
    contact_deg: float = 0.0
    impact_n: float = 2.0
    roughness_n: float = 0.1
    slip: float = 0.01
    jitter: float = 0.015
    load_zone: float = 0.8

    def __post_init__(self) -> None:
        _known_joint("A worn bearing", self.joint, BEARING_JOINTS)
        if self.part not in ("outer_race", "inner_race", "ball"):
            raise CallError(
                f'part must be "outer_race", "inner_race" or "ball". Got {self.part!r} instead.'
            )
        _over_zero("A worn bearing", balls=self.balls, ball_mm=self.ball_mm)
        if not self.ball_mm < self.pitch_mm:
            raise CallError(
                f"pitch_mm must be over ball_mm ({self.ball_mm!r}). Got {self.pitch_mm!r} instead."
            )
        if not (0.0 <= self.slip <= 0.05 and 0.0 <= self.jitter <= 0.1):
            raise CallError(
                "slip must be between 0 and 0.05 and jitter between 0 and 0.1. "
                f"Got {self.slip!r} and {self.jitter!r} instead."
            )

    @property
    def cage_per_turn(self) -> float:
        """Cage turns per turn of the shaft, slip included: (1 - g)/2 · (1 - slip).

        g = ball/pitch · cos(contact angle). Source: Randall & Antoni, Mechanical Systems and
        Signal Processing 25 (2011) 485-520.
        """
        g = self.ball_mm / self.pitch_mm * math.cos(math.radians(self.contact_deg))
        return 0.5 * (1.0 - g) * (1.0 - self.slip)

    @property
    def impacts_per_turn(self) -> float:
        """Mean number of impacts per turn of the shaft; a pitted ball strikes both races."""
        if self.part == "outer_race":
            return self.balls * self.cage_per_turn
        if self.part == "inner_race":
            return self.balls * (1.0 - self.cage_per_turn)
        g = self.ball_mm / self.pitch_mm * math.cos(math.radians(self.contact_deg))
        return self.pitch_mm / self.ball_mm * (1.0 - g * g) * (1.0 - self.slip)


@dataclass(frozen=True)
class StoneInWheel:
    """A small stone inside a rim: it tumbles while ω²·r < g and sits on the rim above.

    Attributes
    ----------
    wheel : str
        A wheel's zone.
    mass_g : float
    radius_share : float
        Inner radius of the rim over the radius of the tyre, 0.3 to 1.
    restitution : float
        Of the stone's landings, 0 to 0.9.
    contact_ms : float
        How long a landing presses on the rim.
    """

    wheel: str
    mass_g: float = 0.3
    radius_share: float = 0.65
    restitution: float = 0.2
    contact_ms: float = 0.2

    def __post_init__(self) -> None:
        _known_joint("A stone in a wheel", self.wheel, WHEELS)
        _over_zero("A stone in a wheel", mass_g=self.mass_g, contact_ms=self.contact_ms)
        if not (0.3 <= self.radius_share <= 1.0 and 0.0 <= self.restitution <= 0.9):
            raise CallError(
                "radius_share must be between 0.3 and 1 and restitution between 0 and 0.9. "
                f"Got {self.radius_share!r} and {self.restitution!r} instead."
            )


@dataclass(frozen=True)
class RubbingWire:
    """A wire or cable tie that scratches on a tyre, the spur or the motor's shaft.

    Attributes
    ----------
    joint : str
        What it touches: a wheel's zone, ``"motor_mount"`` or ``"gear_mesh"``.
    force_n : float
        Root-mean-square of the scratching force while it touches, at the reference speed.
    low_hz, high_hz : float
        Band of the scratch, within 500 Hz to 14 kHz.
    touches_per_turn : int
        How often per turn of its shaft it is pressed hardest.
    depth : float
        0: presses evenly; 1: leaves the surface in between.
    start_rpm : float
        Speed of its shaft below which it bends away in silence.
    presence : float
        Share of the time it touches at all, over 0 to 1; it comes and goes.
    """

    joint: str
    force_n: float = 0.1
    low_hz: float = 1500.0
    high_hz: float = 6000.0
    touches_per_turn: int = 1
    depth: float = 0.7
    start_rpm: float = 300.0
    presence: float = 1.0

    def __post_init__(self) -> None:
        _known_joint("A rubbing wire", self.joint, BEARING_JOINTS)
        _over_zero(
            "A rubbing wire",
            force_n=self.force_n,
            touches_per_turn=self.touches_per_turn,
            start_rpm=self.start_rpm,
            presence=self.presence,
        )
        if not 500.0 <= self.low_hz < self.high_hz <= 14_000.0:
            raise CallError(
                "low_hz and high_hz must rise within 500 to 14000. "
                f"Got {self.low_hz!r} and {self.high_hz!r} instead."
            )


@dataclass(frozen=True)
class SecondCar:
    """Another car running beside on its own trigger; heard by microphones only.

    Attributes
    ----------
    level_db : float
        Sound pressure level at 1 m and its top speed.
    distance_m : float
        From the microphone.
    top_motor_rpm : float
    pinion_teeth : int
    wheel_ratio : float
        Wheel turns per motor turn.
    spur_ratio : float
        Spur turns per motor turn.
    electrical_order : float
        Pairs of magnetic poles.
    tonal : float
        Share of the power in lines, 0 to 1; the rest is broadband.
    start_s : float
        When it begins to run, from the take's start; negative: before.
    """

    level_db: float = 68.0
    distance_m: float = 2.0
    top_motor_rpm: float = 18_000.0
    pinion_teeth: int = 20
    wheel_ratio: float = 0.12
    spur_ratio: float = 0.35
    electrical_order: float = 2.0
    tonal: float = 0.6
    start_s: float = -5.0

    def __post_init__(self) -> None:
        _over_zero(
            "A second car",
            distance_m=self.distance_m,
            top_motor_rpm=self.top_motor_rpm,
            pinion_teeth=self.pinion_teeth,
            wheel_ratio=self.wheel_ratio,
            spur_ratio=self.spur_ratio,
        )
        if not 0.0 <= self.tonal <= 1.0:
            raise CallError(f"tonal must be between 0 and 1. Got {self.tonal!r} instead.")


@dataclass(frozen=True)
class Disturbances:
    """What disturbs a take without any loose fastener; all absent by default.

    Attributes
    ----------
    bearing : WornBearing, optional
    stone : StoneInWheel, optional
    wire : RubbingWire, optional
    second_car : SecondCar, optional
    """

    bearing: WornBearing | None = None
    stone: StoneInWheel | None = None
    wire: RubbingWire | None = None
    second_car: SecondCar | None = None

    @property
    def kinds(self) -> tuple[str, ...]:
        """Names of what is present, in the order of `DISTURBANCE_KINDS`."""
        parts = (self.bearing, self.stone, self.wire, self.second_car)
        return tuple(
            name for name, part in zip(DISTURBANCE_KINDS, parts, strict=True) if part is not None
        )

    @property
    def shakes_the_car(self) -> bool:
        """Whether anything acts on the car itself."""
        return any(part is not None for part in (self.bearing, self.stone, self.wire))


NO_DISTURBANCES = Disturbances()


def _driven_wheel(draw: Draw, car: SimulatedCar) -> str:
    return str(draw.one_of([wheel for wheel, on in zip(WHEELS, car.driven, strict=True) if on]))


def _draw_bearing(draw: Draw, car: SimulatedCar) -> WornBearing:
    joint = str(draw.one_of((_driven_wheel(draw, car), "motor_mount", "gear_mesh")))
    # Bore, pitch circle and ball of common small bearings: 5x11, 6x12, 8x16, 5x16 (motor) mm.
    pitch = draw.flat(7.5, 13.0)
    size = 1.0 if car.scale == "eighth" else 0.6
    return WornBearing(
        joint=joint,
        part=draw.one_of(("outer_race", "outer_race", "inner_race", "ball")),
        balls=draw.whole(6, 13),
        ball_mm=round(pitch * draw.flat(0.14, 0.28), 2),
        pitch_mm=round(pitch, 2),
        contact_deg=draw.one_of((0.0, 0.0, draw.flat(0.0, 15.0))),
        # A wheel's bearing carries the shocks of its runs and sounds through hub and arm only.
        impact_n=draw.log(2.0, 50.0) * size * (3.0 if joint in WHEELS else 1.0),
        roughness_n=draw.log(0.08, 1.5) * size * (2.0 if joint in WHEELS else 1.0),
        slip=draw.flat(0.0, 0.02),
        jitter=draw.flat(0.01, 0.02),
        load_zone=draw.flat(0.4, 1.0),
    )


def _draw_stone(draw: Draw, car: SimulatedCar) -> StoneInWheel:
    return StoneInWheel(
        wheel=_driven_wheel(draw, car),
        mass_g=draw.log(0.05, 1.0) * (1.0 if car.scale == "eighth" else 0.6),
        radius_share=draw.flat(0.5, 0.8),
        restitution=draw.flat(0.05, 0.5),
        contact_ms=draw.log(0.08, 0.5),
    )


def _draw_wire(draw: Draw, car: SimulatedCar) -> RubbingWire:
    joint = str(draw.one_of((_driven_wheel(draw, car), "gear_mesh", "gear_mesh", "motor_mount")))
    low = draw.log(900.0, 4000.0)
    reference = REFERENCE_RPM[SHAFT_OF_JOINT[joint]]
    return RubbingWire(
        joint=joint,
        force_n=draw.log(0.5, 8.0) * (1.0 if car.scale == "eighth" else 0.6),
        low_hz=low,
        high_hz=min(low * draw.flat(1.6, 5.0), 11_000.0),
        touches_per_turn=draw.one_of((1, 1, 1, 2, 3)),
        depth=draw.flat(0.3, 1.0),
        start_rpm=reference * draw.flat(0.03, 0.15),
        presence=1.0 if draw.rng.random() < 0.5 else draw.flat(0.3, 0.9),
    )


def _draw_second_car(draw: Draw) -> SecondCar:
    pinion = draw.whole(14, 32)
    spur_ratio = pinion / draw.whole(42, 90)
    return SecondCar(
        level_db=draw.flat(60.0, 82.0),
        distance_m=draw.flat(1.0, 4.0),
        top_motor_rpm=draw.flat(9_000.0, 24_000.0),
        pinion_teeth=pinion,
        wheel_ratio=spur_ratio / draw.flat(1.8, 3.5),
        spur_ratio=spur_ratio,
        electrical_order=float(draw.one_of((1, 2, 2, 3))),
        tonal=draw.flat(0.3, 0.85),
        start_s=draw.flat(-10.0, 4.0),
    )


def draw_disturbance(kind: str, car: SimulatedCar, seed: int) -> Disturbances:
    """Draw one disturbance of a kind: a hard negative, as nothing is loose.

    Parameters
    ----------
    kind : {"worn_bearing", "stone_in_wheel", "rubbing_wire", "second_car"}
    car : SimulatedCar
        Sizes follow its scale; wheels are those that turn.
    seed : int

    Raises
    ------
    CallError
        If the kind is unknown.
    """
    draw = Draw(np.random.default_rng([seed, 71]))
    if kind == "worn_bearing":
        return Disturbances(bearing=_draw_bearing(draw, car))
    if kind == "stone_in_wheel":
        return Disturbances(stone=_draw_stone(draw, car))
    if kind == "rubbing_wire":
        return Disturbances(wire=_draw_wire(draw, car))
    if kind == "second_car":
        return Disturbances(second_car=_draw_second_car(draw))
    raise CallError(
        f'The simulator has no disturbance "{kind}".{did_you_mean(kind, DISTURBANCE_KINDS)}',
        advice=f"Known disturbances: {', '.join(DISTURBANCE_KINDS)}.",
    )

"""The words of a bench plan: cautions where they are due, places for the sensor, what to do.

Cautions are common practice (no source) unless a source is named; the vehicle's manual and local
rules come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from vibecheck.car.plausibility import undriven_zones
from vibecheck.car.profile import Car
from vibecheck.car.sensing import SensorBand
from vibecheck.car.zones import CENTRE_SPOT, driven_wheels

if TYPE_CHECKING:
    from vibecheck.car.plan import HoldSpeed

MICROPHONE_DISTANCE_CM = 30.0

IDLE_FIRST = "Start recording. Motor off, hands off, quiet: this is the noise of the room."
COAST_DOWN = "Let go of the trigger, do not brake: let everything run out by itself."
IDLE_LAST = "Wheels at rest, motor off, quiet. Then stop recording."


@dataclass(frozen=True)
class Spot:
    """A place for the sensor; one take each, in this order.

    Attributes
    ----------
    name : str
        What to give as the take's spot: a zone name or ``centre``.
    distance_cm : float or None
        From the part to the microphone; ``None`` for a sensor that sits on the car.
    words : str
        Where it goes.
    """

    name: str
    distance_cm: float | None
    words: str


def before(car: Car) -> tuple[str, ...]:
    """Cautions before power is on."""
    manual = (
        "The manuals of the vehicle, the tyres and the battery, and your local rules, come first "
        "wherever they say otherwise."
    )
    if car.layout is None and car.drivetrain is None:
        return (
            manual,
            "Before power is on, hand-check everything that could come off; never spin a machine "
            "that you know to be loose. The full hand check stays due after the recording.",
            "Fix the machine to its stand. Wear eye protection, and keep people, sleeves, hair and "
            "leads away from everything that turns.",
        )
    return (
        manual,
        "Before the spin-up, with the battery unplugged, hand-check everything that could leave "
        "the car: wheel nuts, pinion, motor, battery, body. A loose nut can let go of a wheel on "
        "the bench too. Never spin a car with a part that you know to be loose.",
        "Put the car on a stand that holds the chassis, all wheels off the ground and free, so "
        "that it cannot hop off. Never hold it in your hand.",
        "Tyres grow with speed and can burst. Nobody in the plane of the wheels: not in front of "
        "them, not behind, not above. Stand to the side, well back, behind a screen if you can.",
        "Wear eye protection; it stops small fragments, not a tyre or a wheel (EN 166 tests it "
        "with light balls only). It can be loud: wear ear protection as well.",
        "Use an undamaged battery within its maker's limits, plug it in last, and have a way to "
        "cut the power within reach. Keep fingers, sleeves, hair and leads away from wheels and "
        "gears.",
    )


def during(car: Car, cap_rpm: float, wheel_ratio: float | None) -> tuple[str, ...]:
    """Cautions while it turns."""
    if wheel_ratio is None:
        never = f"Never above {cap_rpm:.0f} rpm of the {car.shaft} shaft."
    else:
        never = (
            f"Never above {cap_rpm * wheel_ratio:.0f} wheel rpm ({cap_rpm:.0f} motor rpm), and "
            "never full throttle with the wheels off the ground: nothing holds the motor back."
        )
    return (
        never,
        "Begin with a short try at the lowest speed. Trigger to zero at once at a new noise, a "
        "smell, smoke, or shaking; then unplug and look.",
    )


def after() -> tuple[str, ...]:
    """Cautions when it has come to rest."""
    return (
        "Wait until everything stands still before you move the sensor. Motor and speed controller "
        "get hot with little air: let them cool to hand-warm between takes.",
        "Unplug the battery when the takes are done, and look it over for heat and swelling.",
        "Then do the full hand check, whatever the recording says: a nut that has lost its grip "
        "but has no play yet makes no sound.",
    )


def notes(car: Car, band: SensorBand, holds: tuple[HoldSpeed, ...]) -> tuple[str, ...]:
    """Hints that shape the recording."""
    found = []
    if band.assumed:
        found.append(
            f"{band.sample_rate_hz:g} samples a second are assumed, what phones usually give; give "
            "the sample rate of your recorder if you know it."
        )
    found.append(band.note)
    if band.sensor == "microphone":
        found.append(
            "Record as WAV or at the highest quality, and do not speak; switch off fans, radio and "
            "other motors. Keep the phone's place and distance the same from check to check."
        )
    else:
        found.append(
            "Fix the sensor so that it cannot rock, to a hard part that does not turn. A phone is "
            "heavy: put it back in the same place each time, and secure it twice."
        )
    if any(hold.hidden for hold in holds):
        names = sorted({name for hold in holds for name in hold.hidden})
        found.append(f"This sensor cannot show these orders at every hold: {', '.join(names)}.")
    if any(hold.score < 1.0 for hold in holds):
        found.append(
            "Not every tone could be kept clear of hum or folded tones: a finer resolution, a "
            "faster sensor or another cap may help."
        )
    still = undriven_zones(car)
    if still:
        found.append(
            f"These wheels are not driven and stand still on the bench, so a recording says "
            f"nothing about them: {', '.join(still)}. Only the hand check covers them."
        )
    if car.drivetrain is not None:
        found.append(
            "Throttle shares are a first guess from Kv × nominal voltage; trigger curves differ. "
            "vibecheck measures the speed from the recording, so near is good enough, but stay "
            "below the cap."
        )
    return tuple(found)


def run_up(first: bool) -> str:
    """What to do in a run-up."""
    if first:
        return "Squeeze the trigger slowly and evenly from rest."
    return "Squeeze on, slowly and evenly."


def hold(throttle_share: float | None) -> str:
    """What to do in a hold."""
    if throttle_share is None:
        return "Hold the speed steady."
    return f"Hold the trigger still, at about {100.0 * throttle_share:.0f} % throttle."


def spots(car: Car, sensor: Literal["microphone", "accelerometer"]) -> tuple[Spot, ...]:
    """Places for the sensor in the order of visiting: the middle, the motor, then round the car."""
    microphone = sensor == "microphone"
    distance = MICROPHONE_DISTANCE_CM if microphone else None
    if microphone:
        centre = (
            "On an arm or a stack of books beside the stand, turned to the middle of the car from "
            f"its side, {MICROPHONE_DISTANCE_CM:.0f} cm away, half-way between front and rear "
            "wheels and so out of the plane in which the wheels turn. Not touching the stand."
        )
    else:
        centre = "Flat on the chassis plate, as near the middle of the car as there is room."
    found = [Spot(CENTRE_SPOT, distance, centre)]
    names = {zone.name for zone in car.zones}
    if "motor_mount" in names:
        words = (
            f"{MICROPHONE_DISTANCE_CM:.0f} cm from the motor, from the side of the car, turned to "
            "the motor and the gears; not in line with a wheel's tread."
            if microphone
            else "On the motor mount, or on the chassis plate right beside it; it gets hot."
        )
        found.append(Spot("motor_mount", distance, words))
    # Once round the car, so that nobody steps across the plane of the wheels with power on.
    round_the_car = ("wheel_front_left", "wheel_rear_left", "wheel_rear_right", "wheel_front_right")
    for name in round_the_car:
        if name in names and name in driven_wheels(car.layout):
            end, side = name.split("_")[1:]
            words = (
                f"Out to the {side} of the {end} wheel, {MICROPHONE_DISTANCE_CM:.0f} cm from its "
                "hub and level with the axle, on a holder of its own. Not in front of, behind or "
                "above the tyre."
                if microphone
                else f"On the chassis or bulkhead next to the {end} {side} corner: never on an arm "
                "that moves, a hub, or anything that turns."
            )
            found.append(Spot(name, distance, words))
    return tuple(found)

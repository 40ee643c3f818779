"""The plan of the demo set: which cars, and what every bench check of theirs holds.

Stratified and drawn from one seed. Over the whole set every zone is loose about equally often
(wheels that stand still on the bench half as often), at graded looseness: one case in six has lost
preload only, the others have backed off by 0.1 to 2 turns, evenly in the logarithm. Snug checks,
hard negatives and loose checks are spread over the same days, hands, rooms and phones.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vibecheck.dataset.columns import HARD_NEGATIVES, MESH_SETTINGS
from vibecheck.dataset.simulated import SimulatedCheck, draw_backlash, draw_unbalance
from vibecheck.dataset.simulated_set import file_slug
from vibecheck.simulator import WHEELS, ZONES, Conditions, FastenerState, SimulatedCar, draw_car
from vibecheck.simulator.simulate import Sensor

BASELINE_SHARE = 7 / 26
HARD_SHARE = 5 / 26
PRELOAD_ONLY_EVERY = 6
PRELOAD_ONLY = (0.03, 0.5)
FEWEST_TURNS = 0.1
MOST_TURNS = {"motor_mount": 1.5, "gear_mesh": 1.5, "driveline": 1.5}
USUAL_MOST_TURNS = 2.0
STILL_WHEEL_WEIGHT = 0.5
SECOND_LOOSE_SHARE = 0.15
LOOSE_AND_ODD_SHARE = 0.08
ONE_MOTOR_SCREW_SHARE = 0.3
OTHER_PHONE_SHARE = 0.1
OTHER_ROOM_SHARE = 0.2
WHOLE_PLAN_SHARE = 0.55
BACKLASH = (0.75, 1.35)
TEMPERATURE_SD = 0.04
ROOM_NOISE_SD_DB = 3.0
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0

Spots = tuple[tuple[Sensor, str], ...]
SpotsOf = Callable[[SimulatedCar, int, int], list[Spots]]


@dataclass(frozen=True, eq=False)
class CarPlan:
    """One car with all its bench checks."""

    car: SimulatedCar
    checks: tuple[SimulatedCheck, ...]

    @property
    def car_file(self) -> str:
        """Path of its car file from the set's folder."""
        return f"cars/{file_slug(self.car.name)}.toml"

    def lasting(self, duration_s: float | None) -> CarPlan:
        """Return the plan with takes of one length; drawn lengths where ``None``."""
        return CarPlan(
            self.car, tuple(replace(check, duration_s=duration_s) for check in self.checks)
        )


def draw_cars(count: int, seed: int) -> list[SimulatedCar]:
    """Draw cars with different names; more cars begin with the same ones."""
    cars: dict[str, SimulatedCar] = {}
    for car_seed in itertools.count(seed * 10_000):
        if len(cars) == count:
            break
        car = draw_car(car_seed)
        cars.setdefault(car.name, car)
    return list(cars.values())


def draw_small_cars(seed: int) -> list[SimulatedCar]:
    """Draw four cars: four driven wheels on both scales, rear and front wheel drive."""
    wanted = [("4wd", "tenth"), ("4wd", "eighth"), ("rwd", None), ("fwd", None)]
    found: dict[int, SimulatedCar] = {}
    for car_seed in itertools.count(seed * 10_000):
        if len(found) == len(wanted):
            break
        car = draw_car(car_seed)
        for place, (layout, scale) in enumerate(wanted):
            if place not in found and car.layout == layout and scale in (None, car.scale):
                found[place] = car
                break
    return [found[place] for place in range(len(wanted))]


def plan_set(cars: Sequence[SimulatedCar], checks: int, seed: int) -> list[CarPlan]:
    """Lay out the whole set.

    Parameters
    ----------
    cars : sequence of SimulatedCar
    checks : int
        Bench checks of each car, at least 2.
    seed : int
        Of what is shared out between the cars; the rest is drawn from each car's seed. A set of
        more cars begins with the same bench checks.
    """
    return list(_plans(cars, checks, seed, _spots_of))


def plan_small_set(cars: Sequence[SimulatedCar], checks: int, seed: int) -> list[CarPlan]:
    """Lay out a small set of the same build: fewer takes, the same two spots in every check."""
    return list(_plans(cars, checks, seed, _few_spots_of))


def shares_of(checks: int, index: int) -> tuple[int, int, int, int]:
    """Return how many of a car's checks are baseline, hard negatives, mesh settings, loose."""
    if checks < 8:  # a sample: one of each, the rest loose
        counts = [1, int(checks > 2), int(checks > 4 and index % 2 == 1)]
    else:
        counts = [round(BASELINE_SHARE * checks), round(HARD_SHARE * checks), 1 + index % 2]
    return counts[0], counts[1], counts[2], checks - sum(counts)


def _plans(
    cars: Sequence[SimulatedCar], checks: int, seed: int, spots_of: SpotsOf
) -> Iterator[CarPlan]:
    deal = _Deal(seed)
    for index, car in enumerate(cars):
        rng = np.random.default_rng([car.seed, 61])
        made: list[SimulatedCheck] = []
        for kind, zone in deal.kinds(car, index, checks):
            number = len(made)
            made.append(_check(car, number, kind, _states(zone, deal, rng), rng))
        spots = spots_of(car, index + seed, len(made))
        yield CarPlan(
            car, tuple(replace(check, spots=s) for check, s in zip(made, spots, strict=True))
        )


class _Deal:
    """What is shared out between the cars, so that the whole set is balanced."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 66])
        self.hard = self._cycle(HARD_NEGATIVES)
        self.mesh = self._cycle(MESH_SETTINGS)
        self.owed = {zone: float(self.rng.uniform(0.0, 0.01)) for zone in ZONES}
        self.grade = {
            zone: (int(self.rng.integers(PRELOAD_ONLY_EVERY)), float(self.rng.uniform()))
            for zone in ZONES
        }

    def _cycle(self, words: Sequence[str]) -> Iterator[str]:
        while True:
            yield from (str(word) for word in self.rng.permutation(words))

    def kinds(self, car: SimulatedCar, index: int, checks: int) -> list[tuple[str, str]]:
        """Return the kind of each of a car's checks, and the zone that is loose."""
        n_baseline, n_hard, n_mesh, n_loose = shares_of(checks, index)
        found = [("baseline", "")] * n_baseline
        found += [(next(self.hard), "") for _ in range(n_hard)]
        found += [(next(self.mesh), "") for _ in range(n_mesh)]
        found += [("loose", zone) for zone in self._zones(car, n_loose)]
        return found

    def _zones(self, car: SimulatedCar, count: int) -> list[str]:
        """Deal loose zones: those that have waited longest, none twice before all had a turn."""
        weight = dict.fromkeys(ZONES, 1.0)
        for wheel, is_driven in zip(WHEELS, car.driven, strict=True):
            weight[wheel] = 1.0 if is_driven else STILL_WHEEL_WEIGHT
        share = count / sum(weight.values())
        for zone in ZONES:
            self.owed[zone] += share * weight[zone]
        found: list[str] = []
        while len(found) < count:
            fewest = min(found.count(zone) for zone in ZONES)
            free = [zone for zone in ZONES if found.count(zone) == fewest]
            zone = max(free, key=lambda name: self.owed[name])
            self.owed[zone] -= 1.0
            found.append(zone)
        return found

    def state(self, zone: str, rng: np.random.Generator) -> FastenerState:
        """Deal a zone's next grade of looseness: evenly spread over the whole set."""
        number, place = self.grade[zone]
        place = (place + GOLDEN) % 1.0
        self.grade[zone] = (number + 1, place)
        return _state_at(zone, place, number % PRELOAD_ONLY_EVERY == 0, rng)


def _state_at(
    zone: str, place: float, preload_only: bool, rng: np.random.Generator
) -> FastenerState:
    """Return the looseness at a place from 0 to 1 on its scale."""
    share = 0.5 if zone == "motor_mount" and rng.random() < ONE_MOTOR_SCREW_SHARE else 1.0
    if preload_only:
        low, high = PRELOAD_ONLY
        return FastenerState(preload=round(high + (low - high) * place, 3), share=share)
    most = MOST_TURNS.get(zone, USUAL_MOST_TURNS)
    turns = FEWEST_TURNS * (most / FEWEST_TURNS) ** place
    return FastenerState(preload=0.0, turns=round(turns, 3), share=share)


def _states(zone: str, deal: _Deal, rng: np.random.Generator) -> dict[str, FastenerState]:
    if not zone:
        return {}
    states = {zone: deal.state(zone, rng)}
    if rng.random() < SECOND_LOOSE_SHARE:
        second = str(rng.choice([other for other in ZONES if other != zone]))
        preload_only = bool(rng.random() < 1.0 / PRELOAD_ONLY_EVERY)
        states[second] = _state_at(second, float(rng.random()), preload_only, rng)
    return states


def _check(
    car: SimulatedCar,
    number: int,
    kind: str,
    states: Mapping[str, FastenerState],
    rng: np.random.Generator,
) -> SimulatedCheck:
    """Draw the day: hand, temperature, seating, room, phone, and what is odd."""
    seed = car.seed * 1000 + number
    conditions = Conditions(
        backlash=float(rng.uniform(*BACKLASH)), temperature=float(rng.normal(0.0, TEMPERATURE_SD))
    )
    odd: tuple[str, ...] = (kind,) if kind in HARD_NEGATIVES else ()
    if kind == "loose" and rng.random() < LOOSE_AND_ODD_SHARE:
        odd = (str(rng.choice(HARD_NEGATIVES)),)
    if kind in MESH_SETTINGS:
        conditions = replace(conditions, backlash=draw_backlash(kind, rng))
    if "out_of_balance" in odd:
        conditions = replace(conditions, wheel_unbalance=draw_unbalance(car, seed))
    return SimulatedCheck(
        name=f"{file_slug(car.name)}-{number:02d}",
        kind=kind,
        seed=seed,
        states=states,
        conditions=conditions,
        odd=odd,
        phone_seed=seed if rng.random() < OTHER_PHONE_SHARE else car.seed,
        sensor_seed=car.seed,
        room_seed=seed if rng.random() < OTHER_ROOM_SHARE else car.seed,
        louder_room_db=float(rng.normal(0.0, ROOM_NOISE_SD_DB)),
    )


def _spots_of(car: SimulatedCar, index: int, checks: int) -> list[Spots]:
    """Return the spots of each check: some owners visit all that the bench plan names, others two.

    The plan of a spin-up names the centre, the motor mount and every driven wheel. The others have
    3 or 4 spots of their own, two of them at driven wheels, of which all pairs take turns, so that
    the car's snug takes were heard at each of them.
    """
    rng = np.random.default_rng([car.seed, 62])
    driven = [wheel for wheel, is_driven in zip(WHEELS, car.driven, strict=True) if is_driven]
    visits: list[tuple[str, ...]]
    if rng.random() < WHOLE_PLAN_SHARE:
        visits = [("motor_mount", *driven)]
    else:
        wheels = [str(wheel) for wheel in rng.permutation(driven)[:2]]
        others = [zone for zone in ZONES if zone not in wheels]
        more = [str(zone) for zone in rng.permutation(others)[: int(rng.integers(1, 3))]]
        pairs = list(itertools.combinations([*wheels, *more], 2))
        visits = [pairs[int(k)] for k in rng.permutation(len(pairs))]
    sensors = _accelerometers(rng, index)
    return [
        (
            ("microphone", "centre"),
            *(("microphone", place) for place in visits[number % len(visits)]),
            *sensors,
        )
        for number in range(checks)
    ]


def _few_spots_of(car: SimulatedCar, index: int, checks: int) -> list[Spots]:
    rng = np.random.default_rng([car.seed, 62])
    place = str(rng.choice([*WHEELS, "motor_mount", "gear_mesh"]))
    sensors = _accelerometers(rng, index)[:1]
    return [(("microphone", "centre"), ("microphone", place), *sensors)] * checks


def _accelerometers(rng: np.random.Generator, index: int) -> Spots:
    """Every second owner has an accelerometer, mostly at the centre, some have two places."""
    if index % 2:
        return ()
    centre = ("centre",) if rng.random() < 0.7 else ()
    other = (str(rng.choice(ZONES)),) if not centre or rng.random() < 0.25 else ()
    return tuple(("accelerometer", place) for place in (*centre, *other))

"""The whole chain, with a model that answers on request: what `check` does around it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import vibecheck as vc
from vibecheck.car.profile import Car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.errors import CallError
from vibecheck.model.assessment import TakeEvidence, ZoneAssessment, ZoneOdds
from vibecheck.recording.take import Take
from vibecheck.result import ModelCard, Unfamiliar
from vibecheck.risk.log import CarLog, FastenerFinding, HandCheck

RATE_HZ = 16_000.0
CREATED = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)


class AnsweringModel:
    """Stands in for the model: log ratios as told, and a note of what it was shown."""

    card = ModelCard("answering", "1", "simulated", 0)
    unfamiliar_limit = 4.0

    def __init__(
        self, ratios: dict[str, float], score: float = 1.0, somewhere: float | None = None
    ) -> None:
        self.ratios = ratios
        self.score = score
        self.somewhere = somewhere
        self.seen: list[TakeEvidence] = []

    def assess(self, takes: Sequence[TakeEvidence], car: Car) -> ZoneAssessment:
        self.seen = list(takes)
        zones = tuple(
            ZoneOdds(zone.name, ratio, ratio - 1, ratio + 1, heard=zone.name in self.ratios)
            for zone in car.zones
            for ratio in [self.ratios.get(zone.name, 0.0)]
        )
        unfamiliar = Unfamiliar(self.score, self.unfamiliar_limit, self.score > 4.0)
        return ZoneAssessment(zones, unfamiliar, self.somewhere)


@pytest.fixture(scope="module")
def car() -> Car:
    return vc.read_car(shipped_car_path())


def spin_up(car: Car, *, spot: str = "centre", seed: int = 1) -> Take:
    """A plain spin-up: 2 s off, 3 s up, 3 s hold, 2 s down, 1 s off (an additive test signal)."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(11 * RATE_HZ)) / RATE_HZ
    rate_hz = np.interp(t, [2.0, 5.0, 8.0, 10.0], [0.0, 150.0, 150.0, 0.0])
    turns = np.cumsum(rate_hz) / RATE_HZ
    x = 1e-4 * rng.standard_normal(t.size)
    for order in car.orders:
        if order.kind in {"shaft", "mesh", "electrical"} and order.ratio * 150 < RATE_HZ / 2.2:
            tone = np.sin(2 * np.pi * order.ratio * turns + rng.uniform(0, 6))
            x += 0.02 * tone * (rate_hz / 150.0)
    x += 2e-3 * (rate_hz / 150.0) * rng.standard_normal(t.size)
    return Take(x.astype(np.float32), RATE_HZ, spot=spot, file=f"{spot}.wav")


def check(takes: Sequence[Take], car: Car | None, model: AnsweringModel, **more):  # type: ignore[no-untyped-def]
    return vc.check(takes, car, model=model, created=CREATED, **more)


def test_strong_evidence_ranks_first(car: Car) -> None:
    model = AnsweringModel({"wheel_rear_right": 5.0, "motor_mount": -2.0})
    result = check([spin_up(car)], car, model)
    assert result.verdict == "inspect_first"
    assert result.zones[0].zone == "wheel_rear_right"
    assert [zone.rank for zone in result.zones] == list(range(1, len(car.zones) + 1))
    assert all(
        a.risk >= b.risk - 1e-6 for a, b in zip(result.zones, result.zones[1:], strict=False)
    )
    mount = next(zone for zone in result.zones if zone.zone == "motor_mount")
    assert mount.probability < mount.history.prior


def test_the_mildest_verdict_still_asks_for_the_hand_check(car: Car) -> None:
    result = check([spin_up(car)], car, AnsweringModel({"motor_mount": -3.0}))
    assert result.verdict == "nothing_stood_out"
    assert "full hand check" in result.hand_check
    assert result.cautions


def test_something_loose_somewhere_is_enough(car: Car) -> None:
    wheels = dict.fromkeys(("wheel_rear_left", "wheel_rear_right"), 1.0)
    mild = check([spin_up(car)], car, AnsweringModel(wheels, somewhere=0.5))
    assert mild.verdict == "nothing_stood_out"
    # Two wheels of prior 0.055 (by hand: 1 - 0.945² = 0.107): a ratio of e^2 = 7.4 gives 0.47.
    strong = check([spin_up(car)], car, AnsweringModel(wheels, somewhere=2.0))
    assert strong.verdict == "inspect_first"
    assert strong.zones[0].probability < 0.3


def test_unheard_zones_keep_their_history(car: Car) -> None:
    result = check([spin_up(car)], car, AnsweringModel({"motor_mount": -3.0}))
    for zone in result.zones:
        if zone.zone != "motor_mount":
            assert not zone.heard
            assert zone.probability == zone.history.prior


def test_history_reorders(car: Car) -> None:
    checks = tuple(
        HandCheck(
            f"h{runs}",
            datetime(2026, 5, 1 + runs, tzinfo=UTC),
            runs,
            (FastenerFinding("steering", "servo screw", "loose", done=("tightened",)),),
            complete=False,
        )
        for runs in range(6)
    )
    log = CarLog(car.name, 7.0, checks, ())
    result = check([spin_up(car)], car, AnsweringModel({"motor_mount": -3.0}), history=log)
    assert result.zones[0].zone == "steering"
    assert result.zones[0].history.finds == 6


def test_baseline_goes_to_takes_of_its_own_spot(car: Car) -> None:
    model = AnsweringModel({"motor_mount": 0.0})
    takes = [spin_up(car, seed=2), spin_up(car, spot="motor_mount", seed=3)]
    result = check(takes, car, model, baseline=[spin_up(car, seed=4), spin_up(car, seed=5)])
    by_spot = {one.spot: one.baseline for one in model.seen}
    assert by_spot["centre"] is not None
    assert by_spot["motor_mount"] is None
    assert len(result.baseline_takes) == 2


def test_silence_cannot_tell(car: Car) -> None:
    silence = Take(np.zeros(round(8 * RATE_HZ), np.float32), RATE_HZ, file="silence.wav")
    model = AnsweringModel({"motor_mount": 5.0})
    result = check([silence], car, model)
    assert result.verdict == "cannot_tell"
    assert not model.seen
    assert not result.unfamiliar.is_unfamiliar
    assert any("not on sound" in note for note in result.notes)


def test_no_shaft_in_the_sound_says_nothing_about_zones(car: Car) -> None:
    noise = np.random.default_rng(3).standard_normal(round(8 * RATE_HZ)).astype(np.float32) * 0.05
    model = AnsweringModel({"motor_mount": 5.0}, score=9.0)
    result = check([Take(noise, RATE_HZ, file="rain.wav")], car, model)
    assert result.verdict == "cannot_tell"
    assert result.unfamiliar.is_unfamiliar
    assert not any(zone.heard for zone in result.zones)


def test_unfamiliar_takes_never_read_as_quiet(car: Car) -> None:
    result = check([spin_up(car)], car, AnsweringModel({"motor_mount": -3.0}, score=9.0))
    assert result.verdict == "cannot_tell"
    assert any("unlike anything" in note for note in result.notes)
    loud = check([spin_up(car)], car, AnsweringModel({"motor_mount": 5.0}, score=9.0))
    assert loud.verdict == "inspect_first"


def test_without_a_car_no_zone_is_named(car: Car) -> None:
    result = check([spin_up(car)], None, AnsweringModel({}))
    assert result.verdict == "cannot_tell"
    assert result.zones == ()
    assert any("car new" in note for note in result.notes)


def test_no_take_is_a_wrong_call(car: Car) -> None:
    with pytest.raises(CallError, match="no take to check"):
        check([], car, AnsweringModel({}))


def test_a_mistyped_spot_is_a_wrong_call(car: Car) -> None:
    with pytest.raises(CallError, match="zone of the car") as caught:
        check([spin_up(car, spot="motor_mout")], car, AnsweringModel({}))
    assert 'Did you mean "motor_mount"?' in str(caught.value)


def test_progress_is_told(car: Car) -> None:
    said: list[str] = []
    check([spin_up(car)], car, AnsweringModel({}), progress=said.append)
    assert any("centre" in sentence for sentence in said)


def test_result_is_plain_json(car: Car, tmp_path: Path) -> None:
    result = check([spin_up(car)], car, AnsweringModel({"motor_mount": 2.0}))
    text = result.to_json()
    assert '"schema": "vibecheck.check/1"' in text
    assert "NaN" not in text

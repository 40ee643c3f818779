"""The cost of asking: the number of statements does not grow with the number of bench checks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from garage_cars import Clock, add_car, made_up_file, snug
from sqlalchemy import event

from vibecheck.garage import Garage

CAR = "Saltflat 8"
QUESTIONS: dict[str, Callable[[Garage], Any]] = {
    "cars": lambda garage: garage.cars(),
    "find_car": lambda garage: garage.find_car(CAR),
    "car_log": lambda garage: garage.car_log(CAR),
    "baseline_takes": lambda garage: garage.baseline_takes(CAR),
    "features": lambda garage: garage.features(CAR),
    "sittings": lambda garage: garage.sittings(CAR),
    "open_sitting": lambda garage: garage.open_sitting(CAR),
    "sitting": lambda garage: garage.sitting("1"),
}


@pytest.fixture(scope="module")
def garages(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folders = tmp_path_factory.mktemp("few"), tmp_path_factory.mktemp("many")
    for folder, count in zip(folders, (1, 25), strict=True):
        with Garage.open(folder, now=Clock()) as garage:
            add_car(garage)
            for k in range(count):
                sitting = garage.start_sitting(CAR)
                take = garage.add_take(sitting.id, made_up_file(folder, k, size=100))
                features = [{"sha256": take.sha256, "features": {"a": float(k), "b": None}}]
                garage.set_result(sitting.id, {"verdict": "cannot_tell", "takes": features})
                garage.log_hand_check(sitting.id, *snug())
                garage.finish_hand_check(sitting.id)
                garage.close_sitting(sitting.id)
    return folders


@pytest.mark.parametrize("name", QUESTIONS)
def test_questions_take_as_many_statements_for_a_long_history(
    garages: tuple[Path, Path], name: str
) -> None:
    counts = []
    for folder in garages:
        with Garage.open(folder, now=Clock()) as garage:
            asked: list[str] = []
            event.listen(
                garage._engine, "before_cursor_execute", lambda *a, n=asked: n.append(a[2])
            )
            QUESTIONS[name](garage)
            counts.append(len(asked))
    assert counts[0] == counts[1] > 0


def test_all_of_a_long_history_is_given(garages: tuple[Path, Path]) -> None:
    with Garage.open(garages[1], now=Clock()) as garage:
        assert len(garage.car_log(CAR).hand_checks) == 25
        assert len(garage.baseline_takes(CAR)) == 25
        assert [kept.features["a"] for kept in garage.features(CAR)] == [
            float(k) for k in range(25)
        ]
        assert all(set(kept.features) == {"b"} for kept in garage.features(CAR, ["b", "z"]))
        assert [one.number for one in garage.sittings(limit=3)] == [25, 24, 23]
        (last,) = garage.sittings(limit=1)
        assert last.baseline_takes == garage.baseline_takes(CAR)[-1:]

"""A car's history, its printed list and its gears on the page: what was logged is shown."""

from __future__ import annotations

import re
from typing import Any

import jsonschema
import pytest
from hand_check_page import Hand, form_for, tap
from starlette.testclient import TestClient

from vibecheck.car.shipped import shipped_car_path
from vibecheck.garage import Garage, StoredCar
from vibecheck.report.history_json import history_schema


@pytest.fixture
def garage(app: Any) -> Garage:
    app.state.tap_clock_s = Hand()
    found: Garage = app.state.garage
    return found


@pytest.fixture
def car(garage: Garage) -> StoredCar:
    return garage.add_car(shipped_car_path("saltflat8"))


def logged_by_hand(client: TestClient, garage: Garage, car: StoredCar, runs: float) -> None:
    """Go through a hand check on the page: the left front wheel nut loose, all else snug."""
    number = garage.start_sitting(car.id, runs_since_last=runs).number
    path = f"/checks/{number}/hand-check"
    shown = client.get(f"{path}?zone=wheel_front_left").text
    form = form_for(tap(client, shown, "loose", "wheel nut").text, "wheel nut")
    shown = client.post(form.action, data={**form.carried, "done": ["tightened", "refitted"]}).text
    for _ in range(13):
        shown = tap(client, shown, "snug").text
    assert "What the hand check found" in shown
    client.post(f"{path}/close", data={"close": "yes"})


def test_the_history_shows_what_was_logged(
    client: TestClient, garage: Garage, car: StoredCar
) -> None:
    empty = client.get(f"/cars/{car.id}/history").text
    assert "No hand check is in the log yet" in empty
    for runs in (1.0, 4.0):
        logged_by_hand(client, garage, car, runs)
    shown = client.get(f"/cars/{car.id}/history").text
    assert "5 runs · 2 hand checks in the log" in shown
    assert "2 in 2" in shown
    assert "The hand check is due before every run" in shown
    assert shown.count("<figure") == 3
    assert "Simulated" not in shown
    assert "Simulated." in client.get(f"/cars/{car.id}/history?simulated=1").text
    one = client.get(f"/cars/{car.id}/history?zone=steering").text
    assert "servo screw" in one
    assert "pinion set screw" not in one


def test_the_history_as_json_is_that_of_the_program(
    client: TestClient, garage: Garage, car: StoredCar
) -> None:
    logged_by_hand(client, garage, car, 2.0)
    wide = client.get(f"/cars/{car.id}/history.json?miss_probability=0.2&simulated=on").json()
    jsonschema.validate(wide, history_schema())
    assert (wide["simulated"], wide["runs"], wide["hand_checks"]) == (True, 2.0, 1)
    narrow = client.get(f"/cars/{car.id}/history.json?miss_probability=0.01").json()

    def due(value: Any) -> int:
        return sum(
            kind["recheck_every_runs"] for zone in value["zones"] for kind in zone["fasteners"]
        )

    assert due(narrow) < due(wide), "a smaller chance of a miss asks for an earlier look"


@pytest.mark.parametrize("page", ["history", "history.json", "list", "gear"])
def test_a_car_is_found_by_its_id_alone(
    client: TestClient, garage: Garage, car: StoredCar, page: str
) -> None:
    for wrong in ("nobody", "Saltflat 8", "saltflat8.toml", "..%2f..%2fetc"):
        assert client.get(f"/cars/{wrong}/{page}").status_code == 404
    assert client.get(f"/cars/{car.id}/{page}").status_code == 200


@pytest.mark.parametrize("value", ["0", "1", "-0.1", "nan", "five", "1e400"])
def test_a_miss_probability_that_is_none(client: TestClient, car: StoredCar, value: str) -> None:
    for page in ("history", "history.json"):
        shown = client.get(f"/cars/{car.id}/{page}?miss_probability={value}")
        assert shown.status_code == 400
        assert "between 0 and 1" in shown.text
    assert client.get(f"/cars/{car.id}/history?zone=sterring").status_code == 400


def test_the_list_is_a_whole_page_of_its_own(
    client: TestClient, garage: Garage, car: StoredCar
) -> None:
    shown = client.get(f"/cars/{car.id}/list")
    assert "Before every run: Saltflat 8" in shown.text
    assert shown.text.count('class="zone"') == 13
    policy = shown.headers["content-security-policy"]
    assert "'sha256-" in policy
    assert "unsafe" not in policy


# ---- gears -------------------------------------------------------------------------------


def gear_form(page: str) -> dict[str, str]:
    form = page[page.index('<form method="post"') :]
    return dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', form))


def test_a_taller_pinion_is_worked_out_and_kept(
    client: TestClient, garage: Garage, car: StoredCar
) -> None:
    shown = client.get(f"/cars/{car.id}/gear").text
    assert "pinion 26, spur 46" in shown
    assert "It is fitted" not in shown
    shown = client.get(f"/cars/{car.id}/gear?pinion_teeth=30").text
    # 46 / 30 = 1.533; 30/26 = 1.154 times the torque and 1.33 times the heat for the same pull.
    assert "1.533" in shown
    assert "15 % more torque and current; its winding heats 33 % more" in shown
    assert "Unplug the battery" in shown
    assert "pinion set screw" in shown
    assert garage.find_car(car.id).car.drivetrain.pinion_teeth == 26, "looking changes nothing"
    data = gear_form(shown)
    kept = client.post(f"/cars/{car.id}/gear", data=data)
    assert "Kept: the car file says what is fitted now" in kept.text
    assert garage.find_car(car.id).car.drivetrain.pinion_teeth == 30
    assert len(garage.car_versions(car.id)) == 2
    undone = {(one.zone, one.fastener, one.why) for one in garage.disturbances(car.id)}
    assert ("gear_mesh", "pinion set screw", "change of pinion") in undone
    again = client.post(f"/cars/{car.id}/gear", data=data)
    assert "the car file says that already" in again.text
    assert len(garage.disturbances(car.id)) == len(undone), "a second tap logs nothing"


def test_a_form_from_before_another_change_is_refused(
    client: TestClient, garage: Garage, car: StoredCar
) -> None:
    old = gear_form(client.get(f"/cars/{car.id}/gear?pinion_teeth=30").text)
    new = gear_form(client.get(f"/cars/{car.id}/gear?pinion_teeth=28").text)
    client.post(f"/cars/{car.id}/gear", data=new)
    late = client.post(f"/cars/{car.id}/gear", data=old)
    assert "was changed in between" in late.text
    assert garage.find_car(car.id).car.drivetrain.pinion_teeth == 28


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("pinion_teeth", "thirty"),
        ("pinion_teeth", "0"),
        ("pinion_teeth", "-3"),
        ("pinion_teeth", "9" * 400),
        ("tyre_diameter_mm", "nan"),
        ("tyre_diameter_mm", "1e9"),
        ("cells", "2.5"),
    ],
)
def test_numbers_that_are_none_are_told_and_change_nothing(
    client: TestClient, garage: Garage, car: StoredCar, name: str, value: str
) -> None:
    shown = client.get(f"/cars/{car.id}/gear", params={name: value})
    assert shown.status_code == 422
    assert 'role="alert"' in shown.text
    before = gear_form(client.get(f"/cars/{car.id}/gear?pinion_teeth=30").text)
    answer = client.post(f"/cars/{car.id}/gear", data={**before, name: value})
    assert answer.status_code == 422
    assert garage.car_versions(car.id) == garage.car_versions(car.id)[:1]
    assert not garage.disturbances(car.id)


def test_a_renamed_car_keeps_its_name_through_a_change(
    client: TestClient, garage: Garage, car: StoredCar
) -> None:
    garage.rename_car(car.name, "Dustline 8")
    data = gear_form(client.get(f"/cars/{car.id}/gear?spur_teeth=44").text)
    client.post(f"/cars/{car.id}/gear", data=data)
    (only,) = garage.cars()
    assert (only.id, only.name) == (car.id, "Dustline 8")
    assert only.car.drivetrain.spur_teeth == 44


def test_a_car_without_a_drivetrain_has_no_gears_to_change(
    client: TestClient, garage: Garage
) -> None:
    bare = garage.add_car_text(
        'name = "Bare rig"\nlayout = "rwd"\n'
        '[[orders]]\nname = "motor"\nratio = 1.0\nkind = "shaft"\n'
    )
    shown = client.get(f"/cars/{bare.id}/gear")
    assert "nothing of a drivetrain" in shown.text
    assert client.post(f"/cars/{bare.id}/gear", data={"pinion_teeth": "30"}).status_code == 422

"""Garage and cars as pages: what they show, what their forms keep, what they refuse and how."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from vibecheck.car.read import parse_car, read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.garage import Garage, StoredCar
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

CAR = {
    "name": "Dune 7",
    "layout": "rwd",
    "motor_poles": "4",
    "kv_rpm_per_v": "2 650",
    "cells": "4",
    "pinion_teeth": "20",
    "spur_teeth": "54",
    "internal_ratio": "2,6",
    "tyre_diameter_mm": "98.5",
    "wheel_max_rpm": "",
    "bench_max_wheel_rpm": "3000",
}
ROTOR = 'name = "Rotor"\n[[orders]]\nname = "shaft_turn"\nratio = 1\n'
EVIL = "<script>alert(1)</script>"
SLIPS = [
    ("name", "", "Name must be one line"),
    ("name", "two\nlines", "Name must be one line"),
    ("name", "x" * 81, "Name must be one line"),
    ("layout", "awd", "which wheels the motor drives"),
    ("motor_poles", "3", "even whole number"),
    ("kv_rpm_per_v", "fast", 'Got "fast"'),
    ("kv_rpm_per_v", "nan", 'Got "nan"'),
    ("kv_rpm_per_v", "inf", 'Got "inf"'),
    ("cells", "2.5", "whole number from 1 to 30"),
    ("cells", "1e400", "whole number"),
    ("pinion_teeth", "", "nothing was given"),
    ("spur_teeth", "-4", "from 1 to 500"),
    ("internal_ratio", "0", "above 0"),
    ("tyre_diameter_mm", "1001", "at most 1000"),
    ("wheel_max_rpm", "much", 'Got "much"'),
]


def words(answer: Any) -> str:
    """The words of a page, without its marks."""
    text = re.sub(r"<(script|style).*?</\1>|<[^>]*>", " ", answer.text, flags=re.DOTALL)
    return re.sub(r"\s+", " ", unescape(text))


def garage_of(app: Any) -> Garage:
    garage: Garage = app.state.garage
    return garage


@pytest.fixture
def saltflat(app: Any) -> StoredCar:
    return garage_of(app).add_car(shipped_car_path("saltflat8"))


# ---- the garage ------------------------------------------------------------------------


def test_an_empty_garage_tells_how_to_begin(app: Any, client: TestClient) -> None:
    shown = client.get("/")
    assert shown.status_code == 200
    assert 'href="/cars/new"' in shown.text
    assert "never says that a car may go out" in words(shown)
    assert "invented" in words(shown)
    # One of the three is added by a tap; a second tap adds no second one.
    for _ in range(2):
        added = client.post("/cars/example", data={"car": "lanternfish12"})
        assert added.status_code == 200
        assert "Lanternfish 12" in words(added)
    assert [car.name for car in garage_of(app).cars()] == ["Lanternfish 12"]
    wrong = client.post("/cars/example", data={"car": "../saltflat8"})
    assert wrong.status_code == 400


def test_open_checks_lead_on_and_hidden_cars_stay_behind(
    app: Any, client: TestClient, saltflat: StoredCar
) -> None:
    garage = garage_of(app)
    sold = garage.add_car(shipped_car_path("greylag10"))
    garage.hide_car(sold.id)
    garage.start_sitting(saltflat.id)
    shown = client.get("/")
    assert "Go on with bench check 1" in words(shown)
    before, _, behind = shown.text.partition("<details>")
    assert "Greylag 10" not in before
    assert "Greylag 10" in behind


def test_checks_are_listed_newest_first_and_in_portions(
    app: Any, client: TestClient, saltflat: StoredCar
) -> None:
    garage = garage_of(app)
    for _ in range(5):
        garage.close_sitting(garage.start_sitting(saltflat.id).id)
    shown = client.get("/checks", params={"newest": "2"})
    assert re.findall(r'href="/checks/(\d)"', shown.text) == ["5", "4"]
    older = re.search(r'href="(/checks\?[^"]*)">Show older', shown.text)
    assert older
    rest = client.get(unescape(older[1]))
    assert re.findall(r'href="/checks/(\d)"', rest.text) == ["5", "4", "3", "2", "1"]
    assert "Show older" not in rest.text
    of_car = client.get("/checks", params={"car": saltflat.id, "newest": "no number"})
    assert "Bench checks of Saltflat 8" in words(of_car)
    assert client.get("/checks", params={"car": "unknown"}).status_code == 404


# ---- add a car -------------------------------------------------------------------------


def test_a_car_by_numbers(app: Any, client: TestClient) -> None:
    shown = client.post("/cars/new", data=CAR)
    assert shown.status_code == 200
    assert shown.url.path.startswith("/cars/")
    (stored,) = garage_of(app).cars()
    gears = stored.car.drivetrain
    assert gears is not None
    assert (gears.kv_rpm_per_v, gears.internal_ratio, gears.tyre_diameter_mm) == (2650, 2.6, 98.5)
    assert gears.wheel_max_rpm is None
    assert gears.bench_max_wheel_rpm == 3000.0
    assert stored.car.layout == "rwd"
    assert [zone.name for zone in stored.car.zones][:1] == ["wheel_front_left"]


def test_a_slip_is_told_beside_its_field_and_nothing_is_lost(app: Any, client: TestClient) -> None:
    for key, value, told in SLIPS:
        shown = client.post("/cars/new", data={**CAR, key: value})
        assert shown.status_code == 422, (key, value)
        assert told in words(shown), (key, value)
        assert "Nothing was kept" in words(shown)
        assert f'href="#f-{key}"' in shown.text
        if key != "layout":
            field = re.search(rf'<input [^>]*id="f-{key}"[^>]*>', shown.text)
            assert field
            assert 'aria-invalid="true"' in field[0]
        for name, kept in CAR.items():
            if name not in (key, "layout") and kept:
                assert f'name="{name}" value="{kept}"' in shown.text
    assert garage_of(app).cars(hidden=True) == ()


def test_a_name_that_is_taken_makes_no_new_version(
    app: Any, client: TestClient, saltflat: StoredCar
) -> None:
    shown = client.post("/cars/new", data={**CAR, "name": "Saltflat 8"})
    assert shown.status_code == 422
    assert "has a car of that name already" in words(shown)
    assert len(garage_of(app).car_versions(saltflat.id)) == 1


def test_odd_numbers_are_taken_and_told(client: TestClient) -> None:
    shown = client.post("/cars/new", data={**CAR, "pinion_teeth": "54", "spur_teeth": "20"})
    assert shown.status_code == 200
    assert "check that the two counts are not swapped" in words(shown)


def test_a_car_by_its_file(app: Any, client: TestClient) -> None:
    text = shipped_car_path("greylag10").read_text("utf-8")
    shown = client.post("/cars/new", data={"text": text.replace("\n", "\r\n")})
    assert shown.status_code == 200
    (stored,) = garage_of(app).cars()
    assert stored.text == text
    changed = text.replace("kv_rpm_per_v = ", "kv_rpm_per_v = 1")
    asked = client.post("/cars/new", data={"text": changed})
    assert asked.status_code == 422
    assert "Greylag 10 is in the garage already" in words(asked)
    assert len(garage_of(app).car_versions(stored.id)) == 1
    client.post("/cars/new", data={"text": changed, "same": "yes"})
    assert len(garage_of(app).car_versions(stored.id)) == 2


def test_a_file_that_cannot_be_read_stays_in_its_box(app: Any, client: TestClient) -> None:
    for text, told in (
        ("", "Paste the car file"),
        ("name = ", "not valid TOML"),
        ('name = "A"\ncolour = "red"\n', "colour"),
        (f'name = "{EVIL}"\n', "neither a [drivetrain] nor"),
    ):
        shown = client.post("/cars/new", data={"text": text})
        assert shown.status_code == 422
        assert told in words(shown)
        box = re.search(r'<textarea[^>]*id="f-text"[^>]*>\n(.*?)</textarea>', shown.text, re.DOTALL)
        assert box
        assert unescape(box[1]) == text
        assert EVIL not in shown.text
    assert garage_of(app).cars(hidden=True) == ()


# ---- one car ---------------------------------------------------------------------------


def test_a_car_with_all_its_figures(client: TestClient, saltflat: StoredCar) -> None:
    shown = client.get(f"/cars/{saltflat.id}")
    told = words(shown)
    car = saltflat.car
    for zone in car.zones:
        for fastener in zone.fasteners:
            assert f"{fastener.count} × {fastener.name}, {fastener.thread}" in told
    # 46 / 26 and 46 / 26 × 2.85, worked out by hand.
    assert "gear ratio 1.769 motor turns per spur turn" in told
    assert "final ratio 5.042" in told
    assert "4000 wheel rpm" in told
    assert "Never full throttle" in told
    for part in ("history", "list", "gear", "plan?sensor=microphone", "plan?sensor=accelerometer"):
        assert f'href="/cars/{saltflat.id}/{part}"' in shown.text
    assert client.get("/cars/nothing").status_code == 404
    assert client.get("/cars/Saltflat 8").status_code == 404  # an address holds the id


def test_rename_hide_and_bring_back(app: Any, client: TestClient, saltflat: StoredCar) -> None:
    garage = garage_of(app)
    garage.add_car(shipped_car_path("greylag10"))
    at = f"/cars/{saltflat.id}"
    assert "Old Salt" in words(client.post(f"{at}/rename", data={"name": " Old Salt "}))
    for name, told in (
        ("Greylag 10", "Another car of the garage has, or had, the name"),
        ("  ", "one line of 1 to 80"),
        ("a\tb", "one line of 1 to 80"),
    ):
        refused = client.post(f"{at}/rename", data={"name": name})
        assert refused.status_code == 422
        assert told in words(refused)
    assert garage.find_car(saltflat.id).name == "Old Salt"
    client.post(f"{at}/hide", data={"back": "no"})
    assert garage.find_car(saltflat.id).hidden
    shown = client.get(at)
    assert "Put away: its history stays" in words(shown)
    assert "New bench check" not in shown.text
    client.post(f"{at}/hide", data={"back": "yes"})
    assert not garage.find_car(saltflat.id).hidden


def test_its_file_is_corrected_as_a_version(
    app: Any, client: TestClient, saltflat: StoredCar
) -> None:
    at = f"/cars/{saltflat.id}"
    assert client.get(f"{at}/file").status_code == 200
    better = saltflat.text.replace("M5x0.8", "M6x1.0")
    client.post(f"{at}/file", data={"text": better})
    assert garage_of(app).find_car(saltflat.id).text == better
    assert "Versions of its file (2)" in words(client.get(at))
    for text, told in (
        (better.replace('"Saltflat 8"', '"Another"'), "not Saltflat 8"),
        (better + "\nwings = 2\n", "wings"),
    ):
        refused = client.post(f"{at}/file", data={"text": text})
        assert refused.status_code == 422
        assert told in words(refused)
        assert "wings" not in garage_of(app).find_car(saltflat.id).text
    assert [car.name for car in garage_of(app).cars(hidden=True)] == ["Saltflat 8"]
    file = client.get(f"{at}/file.toml")
    assert parse_car(file.text) == parse_car(better)
    assert file.headers["content-disposition"] == 'attachment; filename="saltflat-8.toml"'


def test_plans_of_both_sensors_with_their_cautions(client: TestClient, saltflat: StoredCar) -> None:
    from vibecheck.car.plan import bench_plan

    at = f"/cars/{saltflat.id}/plan"
    for sensor in ("microphone", "accelerometer"):
        shown = client.get(at, params={"sensor": sensor})
        told = words(shown)
        for caution in bench_plan(saltflat.car, sensor).cautions:
            assert caution in told
    other = client.get(at, params={"sensor": "accelerometer", "sample_rate": "3200", "holds": "1"})
    plan = bench_plan(saltflat.car, "accelerometer", sample_rate_hz=3200.0, n_holds=1)
    assert f"{plan.holds[0].reference_rpm:.0f}" in words(other)
    for name, value, told in (
        ("holds", "9", "whole number from 1 to 4"),
        ("mains", "55", "must be 50 or 60"),
        ("resolution", "2", "from 0.001 to 0.5"),
        ("sensor", "nose", "Choose one of the two"),
        ("max_rpm", "slow", 'Got "slow"'),
    ):
        refused = client.get(at, params={name: value})
        assert refused.status_code == 422
        assert told in words(refused)


def test_a_bare_machine_needs_a_cap_for_its_plan(app: Any, client: TestClient) -> None:
    stored = garage_of(app).add_car_text(ROTOR)
    assert client.get(f"/cars/{stored.id}").status_code == 200
    asked = client.get(f"/cars/{stored.id}/plan")
    assert "say how fast it may turn" in words(asked)
    shown = client.get(f"/cars/{stored.id}/plan", params={"max_rpm": "3000"})
    assert "Never above 3000 reference rpm" in words(shown)


# ---- names of others, and what asking changes -------------------------------------------


def test_names_are_words_on_every_page(app: Any, client: TestClient, tmp_path: Path) -> None:
    text = shipped_car_path("saltflat8").read_text("utf-8").replace("Saltflat 8", EVIL)
    garage = garage_of(app)
    stored = garage.add_car_text(text.replace('name = "wheel nut"', 'name = "<i>nut"'))
    sitting = garage.start_sitting(stored.id)
    odd = tmp_path / "<img src=x>.wav"
    odd.write_bytes(b"no sound")
    garage.add_take(sitting.id, odd)
    garage.note_decision(sitting.id, "no_go", "</textarea><script>alert(2)</script>")
    at = f"/cars/{stored.id}"
    for path in (
        "/", "/checks", f"/checks?car={stored.id}", at, f"{at}/plan", f"{at}/file",
        f"{at}/checks/new", "/checks/1", "/checks/1/cautions", "/checks/1/spots",
        "/checks/1/result",
    ):  # fmt: skip
        shown = client.get(path)
        assert shown.status_code == (404 if path.endswith("result") else 200), path
        assert EVIL not in shown.text, path
        assert "<i>nut" not in shown.text, path
        assert "<img src=x>" not in shown.text, path
        assert "alert(2)</script>" not in shown.text, path
        assert not re.search(r"<script(?! type=\"module\" src=)", shown.text), path
        assert not re.search(r"<[^>]+ (style|on\w+)=", shown.text), path


def test_asking_changes_nothing(app: Any, client: TestClient, saltflat: StoredCar) -> None:
    garage = garage_of(app)
    garage.start_sitting(saltflat.id)
    before = garage.file.read_bytes()
    at = f"/cars/{saltflat.id}"
    for path in ("/", "/cars/new", at, f"{at}/plan", f"{at}/file", "/checks", "/checks/1"):
        assert client.get(path).status_code == 200
    for path in (f"{at}/rename", f"{at}/hide", "/checks/1/close", "/checks/1/decision",
                 "/checks/1/judge", "/cars/example"):  # fmt: skip
        assert client.get(path).status_code in (404, 405), path
    assert garage.file.read_bytes() == before


def test_the_shipped_cars_are_still_those_of_the_page(client: TestClient) -> None:
    told = words(client.get("/cars/new"))
    for key in ("saltflat8", "greylag10", "lanternfish12"):
        assert f"{read_car(shipped_car_path(key)).name} invented" in told


def test_paired_browsers_are_a_tap_away_where_there_can_be_any(tmp_path: Path) -> None:
    for lan in (False, True):
        app = create_app(Settings(data=tmp_path / "garage", lan=lan))
        with TestClient(app, base_url="http://127.0.0.1") as client:
            assert ('href="/pair"' in client.get("/").text) == lan

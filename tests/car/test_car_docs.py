"""The car file's reference cannot drift from what the reader knows."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from vibecheck.car.fields import CHOICES, KEYS, number_fields
from vibecheck.car.plain import car_to_dict, plan_to_dict
from vibecheck.car.plan import bench_plan
from vibecheck.car.plausibility import CODES
from vibecheck.car.profile import Bearing, Car, Drivetrain, Order
from vibecheck.car.read import parse_car, read_car
from vibecheck.car.shipped import shipped_car_path, shipped_cars
from vibecheck.car.zones import ZONE_NAMES, Fastener, Zone

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "car-file.md").read_text(encoding="utf-8")
SECTIONS = {
    "": "## At the top",
    "drivetrain": "## `[drivetrain]`",
    "orders": "## `[[orders]]`",
    "bearings": "## `[[bearings]]`",
    "zones": "## `[[zones]]`",
    "zones.fasteners": "### `[[zones.fasteners]]`",
}


def section(table: str) -> str:
    start = PAGE.index(SECTIONS[table])
    end = re.search(r"^##+ ", PAGE[start + 5 :], flags=re.MULTILINE)
    return PAGE[start : start + 5 + end.start()] if end else PAGE[start:]


def documented(table: str) -> dict[str, str]:
    rows = re.findall(r"^\| `(\w+)` \| (.*) \|$", section(table), flags=re.MULTILINE)
    return dict(rows)


@pytest.mark.parametrize("table", KEYS)
def test_every_key_is_documented_and_no_other(table: str) -> None:
    known = {key for key in KEYS[table] if key not in ("drivetrain", "bearings", "orders", "zones")}
    assert set(documented(table)) == known


@pytest.mark.parametrize("table", KEYS)
def test_every_range_and_choice_is_documented(table: str) -> None:
    rows = documented(table)
    for field in number_fields(table):
        text = rows[field.key].replace(" 000", "000")
        assert f"{field.high:.0f}" in text, field.key
        assert ("optional" in text) is not field.required, field.key
    for key, choices in CHOICES.items():
        if key in rows and not (table == "" and key == "shaft"):
            for choice in choices:
                assert f"`{choice}`" in rows[key]


def test_every_warning_zone_and_shipped_car_is_documented() -> None:
    assert set(re.findall(r"^\| `(\w+)` \| [^|]* \|$", PAGE, flags=re.MULTILINE)) >= set(CODES)
    for name in (*ZONE_NAMES, *(f"{car}.toml" for car in shipped_cars())):
        assert f"`{name}`" in PAGE


def test_the_examples_are_read() -> None:
    examples = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    assert len(examples) == 3
    cars = [parse_car(text) for text in examples]
    assert [car.name for car in cars] == ["Saltflat 8", "Test rotor", "Saltflat 8"]
    assert cars[2].zone("parachute").severity == 3


def test_the_reader_knows_every_field_of_the_values() -> None:
    derived = {"file"}
    assert set(Car.__dataclass_fields__) - derived <= set(KEYS[""])
    assert set(Drivetrain.__dataclass_fields__) == set(KEYS["drivetrain"])
    assert set(Bearing.__dataclass_fields__) == set(KEYS["bearings"])
    assert set(Order.__dataclass_fields__) == set(KEYS["orders"])
    assert set(Zone.__dataclass_fields__) == set(KEYS["zones"])
    assert set(Fastener.__dataclass_fields__) == set(KEYS["zones.fasteners"])


def test_every_json_member_is_documented() -> None:
    car = read_car(shipped_car_path())
    start = PAGE.index("## For programs")
    named = set(
        re.findall(r"`(\w+)`", " ".join(re.findall(r"^\| (`[^|]*`) \|", PAGE[start:], re.M)))
    )
    assert set(car_to_dict(car)) | set(plan_to_dict(bench_plan(car))) == named

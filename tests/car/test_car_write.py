"""What is written reads back as the same car; nothing is half-written or overwritten."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vibecheck.car.drivetrain import derive_orders
from vibecheck.car.fields import CHOICES, DRIVETRAIN_FIELDS, NumberField
from vibecheck.car.profile import Bearing, Car, Drivetrain, Order
from vibecheck.car.read import parse_car, read_car
from vibecheck.car.shipped import shipped_car_path
from vibecheck.car.write import car_to_toml, write_car
from vibecheck.car.zones import ZONE_NAMES, Fastener, Zone, default_zones, merge_zones
from vibecheck.errors import InputError

NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=("C", "Z"), include_characters=" "),
    min_size=1,
    max_size=30,
).filter(lambda text: bool(text.strip()) and text.isprintable())
SNAKE = st.from_regex(r"[a-z][a-z0-9]{0,8}(_[a-z0-9]{1,6}){0,2}", fullmatch=True)


def numbers(field: NumberField) -> st.SearchStrategy[Any]:
    if field.whole:
        counts = st.integers(int(field.low), int(field.high))
        return counts.map(lambda n: n + n % 2) if field.even else counts
    return st.floats(field.low, field.high, exclude_min=not field.low_allowed)


def optional(field: NumberField) -> st.SearchStrategy[Any]:
    return numbers(field) if field.required else st.none() | numbers(field)


DRIVETRAINS = st.fixed_dictionaries({f.key: optional(f) for f in DRIVETRAIN_FIELDS}).map(
    lambda values: Drivetrain(**values)
)
BEARINGS = st.builds(
    lambda shaft, balls, pitch, share, angle: Bearing(shaft, balls, share * pitch, pitch, angle),
    st.sampled_from(CHOICES["shaft"]),
    st.integers(3, 10),
    st.floats(1.0, 100.0),
    st.floats(0.05, 0.3),
    st.floats(0.0, 89.0),
)
FASTENERS = st.builds(
    Fastener,
    name=NAMES,
    thread=st.sampled_from(["M3x0.5", "M2.5x0.45", "M4x0.7", "M10x1.25", "M2.845x0.635"]),
    count=st.integers(1, 200),
    locking=st.sampled_from(CHOICES["locking"]),
    into=st.sampled_from(CHOICES["into"]),
)
ZONES = st.builds(
    Zone,
    name=st.sampled_from(ZONE_NAMES) | SNAKE.filter(lambda name: name != "centre"),
    severity=st.integers(1, 3),
    fasteners=st.lists(FASTENERS, max_size=3, unique_by=lambda f: f.name).map(tuple),
    check_effort=st.integers(1, 3),
    how_to_check=st.just("") | NAMES,
)
ORDERS = st.lists(
    st.builds(
        Order,
        SNAKE.map(lambda name: f"own_{name}"),
        st.floats(0.0, 10_000.0, exclude_min=True),
        st.sampled_from(CHOICES["kind"]),
    ),
    max_size=3,
    unique_by=lambda order: order.name,
).map(tuple)


@st.composite
def cars(draw: st.DrawFn) -> Car:
    drivetrain = draw(st.none() | DRIVETRAINS)
    bearings: tuple[Bearing, ...] = ()
    orders = draw(ORDERS)
    layout = draw(st.sampled_from(CHOICES["layout"]))
    shaft = "motor"
    if drivetrain is None:
        orders = (*orders, Order("first", 1.5, "other"))
        layout = draw(st.none() | st.just(layout))
        shaft = draw(SNAKE.filter(lambda name: not name.startswith(("own_", "first"))))
    else:
        bearings = tuple(draw(st.lists(BEARINGS, max_size=2)))
        orders = (*derive_orders(drivetrain, bearings), *orders)
    zones = tuple(draw(st.lists(ZONES, max_size=3, unique_by=lambda zone: zone.name)))
    if draw(st.booleans()):
        zones = merge_zones(default_zones(layout), zones)
    return Car(draw(NAMES), layout, drivetrain, orders, zones, bearings, shaft)


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None, max_examples=60)
@given(car=cars(), all_zones=st.booleans())
def test_every_car_reads_back_exactly(car: Car, all_zones: bool) -> None:
    assert parse_car(car_to_toml(car, all_zones=all_zones)) == car


def test_the_demo_car_reads_back(tmp_path: Path) -> None:
    car = read_car(shipped_car_path())
    path = write_car(car, tmp_path / "copy.toml")
    assert read_car(path) == car
    short = write_car(car, tmp_path / "short.toml", all_zones=False)
    assert read_car(short) == car
    assert "[[zones]]" not in short.read_text(encoding="utf-8")
    assert "# optional" not in short.read_text(encoding="utf-8")


def test_every_key_is_commented() -> None:
    car = read_car(shipped_car_path("lanternfish12"))
    text = car_to_toml(car)
    for field in DRIVETRAIN_FIELDS:
        assert field.meaning in text
    assert "# bench_max_wheel_rpm =" in text


def test_a_name_that_looks_like_toml_is_only_a_name() -> None:
    car = replace(read_car(shipped_car_path()), name='Bad "8" \\ # [x] = 1')
    assert parse_car(car_to_toml(car)).name == car.name


def good_car() -> Car:
    return read_car(shipped_car_path())


def test_a_car_that_breaks_a_rule_is_not_written(tmp_path: Path) -> None:
    car = good_car()
    assert car.drivetrain is not None
    path = tmp_path / "bad.toml"
    for bad, message in (
        (replace(car, name=""), "cannot be written as a car file: name must be one line"),
        (replace(car, name="a\udcffb"), "a name holds a character that is not valid text"),
        (
            replace(car, drivetrain=replace(car.drivetrain, pinion_teeth=0)),
            "pinion_teeth must be a whole number",
        ),
        (
            replace(car, drivetrain=replace(car.drivetrain, spur_teeth=0)),
            "spur_teeth must be a whole number",
        ),
        (replace(car, bearings=(Bearing("wheel", 0, 0.0, 0.0),)), "balls must be a whole number"),
        (replace(car, orders=car.orders[:3]), "orders are not those of its drivetrain"),
    ):
        with pytest.raises(InputError, match=message):
            write_car(bad, path)
        assert list(tmp_path.iterdir()) == []


def test_a_file_is_replaced_only_on_demand(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text("mine\n", encoding="utf-8")
    path.chmod(0o600)
    with pytest.raises(InputError, match=r"There is a file of that name already.*--force"):
        write_car(good_car(), path)
    assert path.read_text(encoding="utf-8") == "mine\n"
    write_car(good_car(), path, overwrite=True)
    assert read_car(path) == good_car()
    assert path.stat().st_mode & 0o777 == 0o600
    assert [p.name for p in tmp_path.iterdir()] == ["car.toml"]


def test_a_new_file_has_the_usual_permissions(tmp_path: Path) -> None:
    usual = tmp_path / "usual"
    usual.write_text("", encoding="utf-8")
    path = write_car(good_car(), tmp_path / "car.toml")
    assert path.stat().st_mode == usual.stat().st_mode


def test_places_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match="This is a folder"):
        write_car(good_car(), tmp_path)
    with pytest.raises(InputError, match="There is no such folder"):
        write_car(good_car(), tmp_path / "nowhere" / "car.toml")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="There is no such folder"):
        write_car(good_car(), tmp_path / "file" / "car.toml")
    with pytest.raises(InputError, match="cannot be written"):
        write_car(good_car(), tmp_path / ("x" * 300))

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("vibecheck.car.write.os.fsync", refuse)
    with pytest.raises(InputError, match="Writing is not permitted here"):
        write_car(good_car(), tmp_path / "car.toml")


def test_a_failure_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left on device"):
        write_car(good_car(), tmp_path / "car.toml")
    assert list(tmp_path.iterdir()) == []


def test_a_name_taken_meanwhile_is_not_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "car.toml"
    link = os.link

    def slow_link(source: str, target: str | Path) -> None:
        Path(target).write_text("theirs\n", encoding="utf-8")
        link(source, target)

    monkeypatch.setattr(os, "link", slow_link)
    with pytest.raises(InputError, match="There is a file of that name already"):
        write_car(good_car(), path)
    assert path.read_text(encoding="utf-8") == "theirs\n"


def test_file_systems_without_links_are_written_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no_links)
    assert read_car(write_car(good_car(), tmp_path / "car.toml")) == good_car()
    assert [p.name for p in tmp_path.iterdir()] == ["car.toml"]

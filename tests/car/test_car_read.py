"""A car file is read strictly: every bad input has one clear message."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.car.plausibility import CODES, car_warnings, undriven_zones
from vibecheck.car.profile import Order
from vibecheck.car.read import MAX_FILE_BYTES, parse_car, read_car
from vibecheck.car.shipped import shipped_car_path, shipped_cars
from vibecheck.car.zones import ZONE_NAMES, Fastener, default_zones, driven_wheels
from vibecheck.errors import CallError, InputError

HEAD = 'name = "Test 8"\nlayout = "4wd"\n'
DRIVETRAIN = """[drivetrain]
motor_poles = 4
kv_rpm_per_v = 2650
cells = 6
pinion_teeth = 26
spur_teeth = 46
internal_ratio = 2.85
tyre_diameter_mm = 104
bench_max_wheel_rpm = 4000
"""
GOOD = HEAD + DRIVETRAIN


def changed(**keys: str) -> str:
    lines = []
    for line in GOOD.splitlines():
        key = line.split(" =")[0]
        lines.append(f"{key} = {keys[key]}" if key in keys else line)
    return "\n".join(lines) + "\n"


def test_a_car_is_read(tmp_path: Path) -> None:
    path = tmp_path / "test8.toml"
    path.write_text(GOOD, encoding="utf-8")
    car = read_car(path)
    assert (car.name, car.layout, car.shaft, car.file) == ("Test 8", "4wd", "motor", "test8.toml")
    assert car.drivetrain is not None
    assert car.drivetrain.wheel_max_rpm is None
    assert [zone.name for zone in car.zones] == list(ZONE_NAMES)
    assert car.zone("wheel_front_left").severity == 3
    assert car_warnings(car) == ()


def test_a_byte_order_mark_and_windows_lines_are_read(tmp_path: Path) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert read_car(path).name == "Test 8"


def test_a_whole_number_may_be_written_as_a_fraction() -> None:
    car = parse_car(changed(pinion_teeth="26.0"))
    assert car.drivetrain is not None
    assert car.drivetrain.pinion_teeth == 26
    assert isinstance(car.drivetrain.pinion_teeth, int)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            GOOD.replace("pinion_teeth", "pinion_teath"),
            r'car, drivetrain.pinion_teath: There is no key "pinion_teath" in \[drivetrain\]. '
            r'Did you mean "pinion_teeth"\?',
        ),
        (GOOD + "colour = 1\n", r'no key "colour" in \[drivetrain\]. Known keys: motor_poles'),
        (HEAD + "spur_teeth = 46\n" + DRIVETRAIN, r'"spur_teeth" belongs in \[drivetrain\]'),
        (
            'name = "x"\n' + DRIVETRAIN + 'layout = "4wd"\n',
            r'"layout" belongs at the top of the file, before the first line in \[brackets\]',
        ),
        ('nam = "x"\n', r'no key "nam" at the top of a car file. Did you mean "name"\?'),
        (changed(pinion_teeth="0"), "pinion_teeth must be a whole number from 1 to 500. Got 0"),
        (changed(spur_teeth="-46"), "spur_teeth must be a whole number from 1 to 500. Got -46"),
        (changed(spur_teeth="46.5"), "whole number from 1 to 500. Got 46.5"),
        (changed(cells="true"), "cells must be a whole number from 1 to 30. Got true"),
        (changed(motor_poles="5"), "motor_poles must be an even whole number"),
        (changed(internal_ratio="-2.85"), "internal_ratio must be a number above 0.*Got -2.85"),
        (changed(internal_ratio="0"), "internal_ratio must be a number above 0.*Got 0"),
        (changed(internal_ratio="nan"), "internal_ratio must be a number above 0.*Got nan"),
        (changed(internal_ratio="inf"), "internal_ratio must be a number above 0.*Got inf"),
        (changed(kv_rpm_per_v="-inf"), "kv_rpm_per_v must be a number above 0.*Got -inf"),
        (
            changed(internal_ratio='"2,85"'),
            'Got "2,85" instead. Write the number without quotes: internal_ratio = 2.85',
        ),
        (changed(tyre_diameter_mm='"big"'), 'tyre_diameter_mm must be a number.*Got "big"'),
        (changed(kv_rpm_per_v="[1, 2]"), "kv_rpm_per_v must be a number.*Got a list"),
        (changed(kv_rpm_per_v="{a = 1}"), "kv_rpm_per_v must be a number.*Got a table"),
        (changed(cells="9" * 30), "cells must be.*Got a number of more than 18 digits"),
        (changed(bench_max_wheel_rpm="0"), "bench_max_wheel_rpm must be a number above 0"),
        (GOOD.replace("cells = 6\n", ""), "drivetrain.cells: cells is missing. It is the number"),
        (HEAD, r"neither a \[drivetrain\] nor an \[\[orders\]\] list.*vibecheck car new"),
        ("", "car, name: name is missing"),
        (changed(name="8"), "name must be text. Got 8"),
        (changed(name='""'), "name must be one line of 1 to 80 printable characters"),
        (changed(name=f'"{"x" * 81}"'), "name must be one line of 1 to 80"),
        (changed(name=r'"a\nb"'), "Got text with characters that cannot be printed"),
        (
            changed(layout='"awd"'),
            r'layout must be one of 4wd, rwd, fwd. Got "awd" instead. Did you mean "4wd"',
        ),
        (changed(layout="4"), "layout must be one of 4wd, rwd, fwd. Got 4 instead"),
        ('name = "x"\n' + DRIVETRAIN, "layout is missing. Choose one of: 4wd, rwd, fwd"),
        (HEAD + "drivetrain = 3\n", r"drivetrain must be a table. Got 3 instead"),
        (HEAD + "[[drivetrain]]\ncells = 6\n", "drivetrain must be a table. Got a list"),
        (GOOD + '[zones]\nname = "x"\n', r"zones must be a list of tables.*\[\[zones\]\]"),
        (HEAD + "default_zones = 1\n" + DRIVETRAIN, "default_zones must be true or false. Got 1"),
        (HEAD + 'shaft = "spur"\n' + DRIVETRAIN, 'shaft must be "motor" where there is'),
        ("name = Test 8\n", "not valid TOML: invalid value, line 1, column 8"),
        (GOOD + "cells = 6\ncells = 6\n", "not valid TOML: cannot overwrite a value, line 12"),
        (GOOD + "x = " + "9" * 5000, "not valid TOML: a number is too long"),
        (GOOD + "x = " + "[" * 5000, "not valid TOML"),
    ],
)
def test_bad_text_has_one_clear_message(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as info:
        parse_car(text, where="car")
    assert info.value.exit_code == 1
    assert "\n" not in str(info.value)


BEARING = '[[bearings]]\nshaft = "wheel"\nballs = 8\nball_mm = 3\npitch_mm = 12\n'
ZONE = '[[zones]]\nname = "motor_mount"\n'
SCREW = '[[zones.fasteners]]\nname = "screw"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (BEARING.replace("wheel", "axle"), "shaft must be one of motor, spur, wheel"),
        (BEARING.replace("8", "2"), "balls must be a whole number from 3 to 60"),
        (BEARING.replace("ball_mm = 3", "ball_mm = 6"), "8 balls of 6 mm do not fit on a circle"),
        (BEARING + "contact_deg = 90\n", "contact_deg must be a number from 0 to 89"),
        (BEARING.replace("balls = 8\n", ""), r"bearings\[1\].balls: balls is missing"),
        (ZONE + "severity = 4\n", r"zones\[motor_mount\].severity: severity must be.*1 to 3"),
        (ZONE + "severity = 0\n", "severity must be a whole number from 1 to 3. Got 0"),
        (ZONE + "severity = true\n", "severity must be a whole number from 1 to 3. Got true"),
        (ZONE + "check_effort = 9\n", "check_effort must be a whole number from 1 to 3"),
        (ZONE + "how_to_check = 1\n", "how_to_check must be text"),
        (ZONE + ZONE, 'two zones named "motor_mount"'),
        ('[[zones]]\nname = "centre"\n', 'A zone cannot be named "centre"'),
        ('[[zones]]\nname = "Motor Mount"\n', 'Got "Motor Mount" instead. Write "motor_mount"'),
        ('[[zones]]\nname = "8"\n', "lower-case letters.*Choose a name such as"),
        ("[[zones]]\nseverity = 1\n", r"zones\[1\].name: name is missing"),
        (ZONE + SCREW + 'locking = "nylon"\n', 'locking must be one of .*Did you mean "nylon_in'),
        (ZONE + SCREW + 'locking = "nilon_insert"\n', 'Did you mean "nylon_insert"'),
        (ZONE + SCREW + 'into = "aluminum"\n', 'Did you mean "aluminium"'),
        (ZONE + SCREW + 'into = "wood"\n', "into must be one of steel, aluminium, plastic"),
        (ZONE + SCREW + 'thread = "M5"\n', 'thread must be written.*Did you mean "M5x0.8"'),
        (ZONE + SCREW + "thread = 5\n", "thread must be text. Got 5"),
        (ZONE + SCREW + "count = 0\n", r"fasteners\[screw\].count: count must be a whole number"),
        (ZONE + SCREW + "torque = 1\n", r'no key "torque" in \[\[zones.fasteners\]\]'),
        (ZONE + SCREW + SCREW, 'two fasteners named "screw" in this zone'),
        (ZONE + "[[zones.fasteners]]\ncount = 1\n", r"fasteners\[1\].name: name is missing"),
        ('[[orders]]\nname = "mesh"\nratio = 3\n', 'The order "mesh" comes from'),
        ('[[orders]]\nname = "fan"\nratio = 0\n', "ratio must be a number above 0"),
        ('[[orders]]\nname = "fan"\nratio = 7\n' * 2, 'two orders named "fan"'),
        ('[[orders]]\nname = "fan"\n', r"orders\[fan\].ratio: ratio is missing"),
        ('[[orders]]\nname = "fan"\nratio = 7\nkind = "blade"\n', "kind must be one of shaft"),
        ('[[orders]]\nname = " "\nratio = 7\n', "name must"),
    ],
)
def test_bad_sections_have_one_clear_message(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_car(GOOD + text)


def test_a_bare_machine() -> None:
    car = parse_car(
        'name = "Rotor"\nshaft = "rotor"\n[[orders]]\nname = "rotor"\nratio = 1\nkind = "shaft"\n'
        '[[orders]]\nname = "blades"\nratio = 2\n'
    )
    assert car.drivetrain is None
    assert car.layout is None
    assert car.shaft == "rotor"
    assert car.orders == (Order("rotor", 1.0, "shaft"), Order("blades", 2.0, "other"))
    assert car.zones == ()
    assert car_warnings(car) == ()
    assert undriven_zones(car) == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (BEARING, r"bearings need a \[drivetrain\]"),
        ('[[orders]]\nname = "reference"\nratio = 2\n', "is the reference shaft.*must be 1. Got 2"),
        ('[[orders]]\nname = "blades"\nratio = 3\n', 'two orders named "blades"'),
    ],
)
def test_a_bare_machine_that_contradicts_itself(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_car('name = "Rotor"\n[[orders]]\nname = "blades"\nratio = 2\n' + text)


def test_a_car_may_add_an_order() -> None:
    car = parse_car(GOOD + '[[orders]]\nname = "fan"\nratio = 7\n')
    assert car.order("fan").ratio == 7.0
    assert [order.name for order in car.orders][:2] == ["motor", "electrical"]


def test_unreadable_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match=r"nothing.toml: There is no such file.*vibecheck car new"):
        read_car(tmp_path / "nothing.toml")
    with pytest.raises(InputError, match="This is a folder, not a car file"):
        read_car(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('name = "x"\nlayout = "4wd" # Rückwärts'.encode("latin-1"))
    with pytest.raises(InputError, match=r"not UTF-8 text \(line 2\)"):
        read_car(latin)
    sound = tmp_path / "sound.toml"
    sound.write_bytes(b"RIFF\x24\x00\xff\xffWAVEfmt ")
    with pytest.raises(InputError, match="not UTF-8"):
        read_car(sound)
    long = tmp_path / "long.toml"
    long.write_bytes(b"#" * (MAX_FILE_BYTES + 1))
    with pytest.raises(InputError, match="far too long for a car file"):
        read_car(long)
    with pytest.raises(InputError, match=r"cannot be read \(embedded null byte\)"):
        read_car("a\0b.toml")
    with pytest.raises(InputError, match="cannot be read"):
        read_car("x" * 5000)
    empty = tmp_path / "empty.toml"
    empty.write_bytes(b"")
    with pytest.raises(InputError, match="name is missing"):
        read_car(empty)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(InputError, match="Reading is not permitted"):
        read_car(latin)


@given(text=st.text(max_size=300) | st.text(alphabet='[]="\n #.xname0drivet', max_size=120))
def test_no_text_breaks_the_reader(text: str) -> None:
    with contextlib.suppress(InputError):  # the only error that may leave the reader
        parse_car(text)


@given(line=st.integers(0, 10), value=st.sampled_from(["", "=", '"x"', "[1]", "nan", "-1", "{}"]))
def test_a_damaged_line_breaks_nothing(line: int, value: str) -> None:
    lines = GOOD.splitlines()
    lines[line] = lines[line].split("=")[0] + "= " + value
    with contextlib.suppress(InputError):
        parse_car("\n".join(lines))


# Zones


def test_a_zone_of_the_file_changes_only_what_it_names() -> None:
    car = parse_car(GOOD + '[[zones]]\nname = "steering"\nseverity = 1\n')
    default = {zone.name: zone for zone in default_zones("4wd")}["steering"]
    assert car.zone("steering").severity == 1
    assert car.zone("steering").fasteners == default.fasteners
    assert car.zone("steering").how_to_check == default.how_to_check
    assert [zone.name for zone in car.zones] == list(ZONE_NAMES)


def test_a_zone_of_its_own_follows_and_fasteners_replace() -> None:
    car = parse_car(
        GOOD
        + '[[zones]]\nname = "parachute"\nhow_to_check = "Tug."\nfasteners = []\n'
        + ZONE
        + SCREW
    )
    assert [zone.name for zone in car.zones] == [*ZONE_NAMES, "parachute"]
    assert car.zone("motor_mount").fasteners == (Fastener("screw"),)
    assert car.zone("parachute").fasteners == ()


def test_only_the_zones_of_the_file() -> None:
    car = parse_car(HEAD + "default_zones = false\n" + DRIVETRAIN + ZONE)
    assert [zone.name for zone in car.zones] == ["motor_mount"]
    assert car.zones[0].fasteners  # what it does not name is still the default


@pytest.mark.parametrize("layout", ["4wd", "rwd", "fwd"])
def test_default_zones(layout: str) -> None:
    zones = default_zones(layout)
    assert [zone.name for zone in zones] == list(ZONE_NAMES)
    for zone in zones:
        assert zone.severity in (1, 2, 3)
        assert zone.check_effort in (1, 2, 3)
        assert zone.fasteners
        assert len(zone.how_to_check) > 40
        names = [fastener.name for fastener in zone.fasteners]
        assert len(names) == len(set(names))
        driven = zone.name in driven_wheels(layout)
        if zone.name.startswith("wheel_"):
            assert driven is ("wheel hex set screw" in names)
            assert driven is not ("stands still on the bench" in zone.how_to_check)
            assert zone.severity == 3
    car = parse_car(changed(layout=f'"{layout}"'))
    assert {w.code for w in car_warnings(car)} == set()


def test_layouts_differ_where_the_power_goes() -> None:
    count = {}
    for layout in ("4wd", "rwd", "fwd"):
        zone = {zone.name: zone for zone in default_zones(layout)}["driveline"]
        count[layout] = sum(fastener.count for fastener in zone.fasteners)
        text = {"4wd": "front and rear", "rwd": "each rear wheel", "fwd": "each front wheel"}
        assert text[layout] in zone.how_to_check
    assert count["4wd"] > count["rwd"] == count["fwd"]
    assert driven_wheels("rwd") == ("wheel_rear_left", "wheel_rear_right")
    assert default_zones(None) == ()


# What looks odd


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        (changed(pinion_teeth="50"), "pinion_larger_than_spur", "not swapped"),
        (changed(tyre_diameter_mm="10"), "tyre_diameter_unusual", "10 mm"),
        (changed(tyre_diameter_mm="300"), "tyre_diameter_unusual", "300 mm"),
        (changed(kv_rpm_per_v="150"), "kv_unusual", "150"),
        (changed(cells="14"), "cells_unusual", "14 cells"),
        (changed(motor_poles="28"), "poles_unusual", "28 poles"),
        (changed(internal_ratio="30"), "final_ratio_unusual", "motor turns per wheel turn"),
        (changed(kv_rpm_per_v="9000"), "speed_unusual", "km/h"),
        (GOOD.replace("bench_max_wheel_rpm = 4000\n", ""), "bench_cap_missing", "3650 rpm"),
        (GOOD + "wheel_max_rpm = 3000\n", "bench_cap_above_tyre", "lower one is used"),
        (changed(bench_max_wheel_rpm="15000"), "bench_cap_above_motor", "limits nothing"),
        (GOOD + "wheel_max_rpm = 9000\n", "tyre_overspeed_unloaded", "Never give full throttle"),
        (
            GOOD + ZONE + SCREW + 'locking = "threadlocker"\ninto = "plastic"\n',
            "threadlocker_on_plastic",
            "craze plastic",
        ),
        (GOOD + '[[zones]]\nname = "motor_mont"\n', "zone_name_close", 'write "motor_mount"'),
        (GOOD + '[[zones]]\nname = "parachute"\n', "zone_without_fasteners", "no fasteners"),
    ],
)
def test_odd_cars_are_used_with_a_finding(text: str, code: str, words: str) -> None:
    car = parse_car(text)
    found = {finding.code: finding for finding in car_warnings(car)}
    assert code in found
    assert words in f"{found[code].message} {found[code].advice}"
    assert set(found) <= set(CODES)
    assert found[code].weight in ("note", "limits")


def test_a_usual_car_has_no_finding() -> None:
    assert car_warnings(parse_car(GOOD)) == ()


def test_undriven_wheels() -> None:
    assert undriven_zones(parse_car(GOOD)) == ()
    assert undriven_zones(parse_car(changed(layout='"rwd"'))) == (
        "wheel_front_left",
        "wheel_front_right",
    )


# The shipped cars


def test_the_shipped_cars_are_read() -> None:
    assert shipped_cars() == ("greylag10", "lanternfish12", "saltflat8")
    layouts = {name: read_car(shipped_car_path(name)).layout for name in shipped_cars()}
    assert layouts == {"greylag10": "rwd", "lanternfish12": "fwd", "saltflat8": "4wd"}


def test_the_demo_car_is_the_one_of_the_contract() -> None:
    car = read_car(shipped_car_path())
    assert car.name == "Saltflat 8"
    assert car.drivetrain is not None
    assert car.drivetrain.motor_poles == 4
    assert car.drivetrain.kv_rpm_per_v == 2650.0
    assert (car.drivetrain.pinion_teeth, car.drivetrain.spur_teeth) == (26, 46)
    assert (car.drivetrain.wheel_max_rpm, car.drivetrain.bench_max_wheel_rpm) == (9000.0, 4000.0)
    nut = car.zone("wheel_front_left").fasteners[0]
    assert nut == Fastener("wheel nut", "M5x0.8", 1, "nylon_insert", "steel")


def test_a_shipped_car_that_is_not_there() -> None:
    with pytest.raises(CallError, match=r'no shipped car "saltflat".*Did you mean "saltflat8"'):
        shipped_car_path("saltflat")

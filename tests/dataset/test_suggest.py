"""Suggestions: what is short, in plain words; nothing that turns is ever slackened on purpose."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_set import CAR

from vibecheck.car.zones import ZONE_NAMES
from vibecheck.dataset.manifest import ManifestRow
from vibecheck.dataset.suggest import MAY_BE_SLACKENED, suggest

SNUG = (1.0, 0.0)


@pytest.fixture(scope="module")
def car_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cars") / "car.toml"
    path.write_text(CAR.format(name="Testbed"), encoding="utf-8")
    return path


def row(car_file: Path, k: int, **changes: object) -> ManifestRow:
    made = ManifestRow(
        file=car_file.with_name(f"{k}.wav"),
        car_file=car_file,
        sha256=f"{k:064x}",
        car="Testbed",
        check=f"check {k}",
        kind="baseline",
        sensor="microphone",
        spot="centre",
        state=dict.fromkeys(ZONE_NAMES, SNUG),
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def test_it_names_what_is_short(car_file: Path) -> None:
    loose = {**dict.fromkeys(ZONE_NAMES, SNUG), "driveline": (0.0, 0.5), "steering": None}
    rows = [row(car_file, 0), row(car_file, 1, kind="loose", state=loose)]
    found = suggest(rows, [(rows[0], 0.9), (rows[1], 0.52)])
    text = "\n".join(f"{one.what} {one.why} {one.how}" for one in found)
    assert "microphone at centre (1)" in text
    assert "Complete hand checks: steering (1)" in text
    assert "driveline (1 bench check of 1 car)" in text
    assert "motor_mount (0 bench checks of 0 cars)" in text
    assert "Other spots of Testbed: wheel_front_right, wheel_rear_left, motor_mount" in text
    assert "other kind of sensor: accelerometer" in text
    assert "check 1 (driveline, probability 0.52); check 0" in text


def test_a_rich_set_asks_for_other_cars(car_file: Path) -> None:
    rows = []
    for c in range(4):
        for _ in range(5):
            for place in (("microphone", "centre"), ("accelerometer", "motor_mount")):
                n = len(rows)
                rows.append(row(car_file, n, car=f"car {c}", sensor=place[0], spot=place[1]))
        state = dict.fromkeys(ZONE_NAMES, (0.0, 0.5))
        rows.append(row(car_file, len(rows), car=f"car {c}", kind="loose", state=state))
    (only,) = suggest(rows)
    assert only.what == "Takes of further cars"


states = st.dictionaries(
    st.sampled_from(ZONE_NAMES),
    st.sampled_from([SNUG, (0.0, 0.5), (0.3, 0.0), None]),
    min_size=len(ZONE_NAMES),
)
SLACKENING = re.compile(
    r"\b(slacken\w*|loosen\w*|undo\w*|unscrew\w*|back(ed|ing)? (it )?off)\b", re.I
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    drawn=st.lists(states, min_size=1, max_size=8),
    p=st.floats(0.0, 1.0),
    sensor=st.sampled_from(["microphone", "accelerometer"]),
)
def test_it_never_proposes_to_loosen_what_turns_or_holds_the_motor(
    car_file: Path, drawn: list[dict[str, tuple[float, float] | None]], p: float, sensor: str
) -> None:
    rows = [
        row(car_file, k, sensor=sensor, kind="loose", car=f"car {k % 3}", state=one)
        for k, one in enumerate(drawn)
    ]
    for one in suggest(rows, [(each, p) for each in rows]):
        text = f"{one.what}. {one.why} {one.how}"
        if one.slackens:
            assert one.slackens in ("body_and_aero", "battery_hold_down")
            assert re.search(r"body post|battery strap", one.how)
            assert not re.search(r"wheel_|motor|drive|gear|steering|nut", one.how)
            assert "no faster than 800 rpm" in one.how
            assert any("Every wheel nut, the motor mount and the driveline" in c
                       for c in one.cautions)  # fmt: skip
            assert any("the whole hand check" in c for c in one.cautions)
        else:
            # The word stands in a "never" only.
            for match in SLACKENING.finditer(text):
                assert text[: match.start()].rstrip().endswith("Never"), text


def test_the_list_of_what_may_be_slackened_is_closed() -> None:
    assert set(MAY_BE_SLACKENED) == {"body_and_aero", "battery_hold_down"}

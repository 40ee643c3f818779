"""The history as a page and as JSON: complete, honest, readable by programs."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from builders import make_car, make_result
from test_page import CLEARING, Page
from test_result_json import numbers, walk

from vibecheck.report.history_json import history_schema, history_to_dict
from vibecheck.report.history_page import history_to_html
from vibecheck.report.history_pictures import contributions_picture, drift_section, drift_words
from vibecheck.result import ZoneHistory, ZoneRisk
from vibecheck.risk.drift import KEY_FEATURES, DriftChart, TakeValues, drift_charts
from vibecheck.risk.history import CarHistory, read_history
from vibecheck.risk.log import CarLog, Disturbance, FastenerFinding, HandCheck
from vibecheck.risk.triage import rank_zones

DOC = Path(__file__).resolve().parents[2] / "docs" / "json.md"
BEGIN = datetime(2026, 3, 1, tzinfo=UTC)
CAR = make_car()


def made_up_log(n_checks: int = 12) -> CarLog:
    """A log in which the rear left wheel nut is found again and again."""
    checks = []
    for n in range(n_checks):
        findings = [
            FastenerFinding(zone.name, kind.name, "snug", kind.count)
            for zone in CAR.zones
            for kind in zone.fasteners
            if (zone.name, kind.name) != ("wheel_rear_left", "wheel nut") or n % 3
        ]
        if n % 3 == 0:
            findings.append(
                FastenerFinding(
                    "wheel_rear_left", "wheel nut", "loose", turned_deg=30.0, done=("tightened",)
                )
            )
        checks.append(
            HandCheck(f"h{n}", BEGIN + timedelta(days=n), 2.0 * n, tuple(findings), complete=True)
        )
    gears = Disturbance("gear_mesh", "pinion set screw", 23.0, BEGIN, "gear change")
    return CarLog(CAR.name, 2.0 * n_checks, tuple(checks), (gears,))


def made_up_takes(shift: float) -> list[TakeValues]:
    rng = np.random.default_rng(4)
    return [
        TakeValues(
            BEGIN + timedelta(days=n),
            float(n),
            "microphone",
            "centre",
            {
                name: float(rng.standard_normal()) + (shift if n >= 12 else 0.0)
                for name in KEY_FEATURES[:3]
            }
            | {KEY_FEATURES[3]: None},
            snug=n < 12,
        )
        for n in range(20)
    ]


def everything(
    shift: float = 0.0, log: CarLog | None = None
) -> tuple[CarHistory, CarLog, tuple[ZoneRisk, ...], tuple[DriftChart, ...]]:
    book = made_up_log() if log is None else log
    history = read_history(CAR.zones, book)
    return history, book, rank_zones(CAR.zones, None, history), drift_charts(made_up_takes(shift))


def page(**options: Any) -> Page:
    shift = options.pop("shift", 0.0)
    history, log, zones, charts = everything(shift, options.pop("log", None))
    return Page(history_to_html(CAR, history, log, zones, charts, created=BEGIN, **options))


def test_the_page_tells_the_whole_history() -> None:
    seen = page(shift=3.0)
    assert "wheel nut: found 4 times in 22 runs" in seen.text
    assert "pinion set screw: worked at 1 run ago" in seen.text
    assert "higher than when snug since" in seen.text
    assert "The hand check is due before every run" in seen.text
    for zone in CAR.zones:
        for kind in zone.fasteners:
            assert kind.name in seen.text
    pictures = [
        attributes for tag, attributes in seen.tags if tag == "svg" and "role" in attributes
    ]
    assert len(pictures) == 3 + 3
    assert all(attributes["aria-label"] for attributes in pictures)


def test_the_page_clears_nothing_and_loads_nothing() -> None:
    for shift in (0.0, 3.0):
        seen = page(shift=shift)
        assert not CLEARING.search(seen.text)
        assert not any(tag in ("script", "link", "img", "iframe") for tag, _ in seen.tags)
    assert "That clears nothing" in page().text


def test_simulated_is_said_where_it_is() -> None:
    assert "Simulated." in page(simulated=True).text
    assert "Simulated." not in page().text


def test_an_empty_log_still_ranks() -> None:
    seen = page(log=CarLog(CAR.name, 0.0, (), ()))
    assert "No hand check is in the log yet" in seen.text
    assert "What was found, and when?" not in seen.text


def test_names_are_escaped() -> None:
    bad = FastenerFinding("wheel_rear_left", "<b>nut</b>", "loose")
    log = CarLog("x", 2.0, (HandCheck("a", BEGIN, 1.0, (bad,), False),), ())
    history, book, zones, _ = everything(log=log)
    html = history_to_html(CAR, history, book, zones, created=BEGIN)
    assert "<b>nut</b>" not in html
    assert "&lt;b&gt;nut" in html


def validator() -> Any:
    schema = history_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


@pytest.mark.parametrize("log", [None, CarLog("x", 0.0, (), ())], ids=["log", "empty"])
def test_the_json_matches_its_schema(log: CarLog | None) -> None:
    history, _, zones, charts = everything(3.0, log)
    value = history_to_dict(CAR, history, zones, charts, created=BEGIN)
    again = json.loads(json.dumps(value, allow_nan=False))
    validator().validate(again)
    assert all(math.isfinite(number) for number in numbers(again))
    assert [zone["rank"] for zone in again["zones"]] == list(range(1, len(CAR.zones) + 1))
    assert again["advice"]["hand_check"]


def test_nothing_is_written_that_the_schema_does_not_know() -> None:
    root = history_schema()

    def compare(value: Any, schema: dict[str, Any], path: str) -> None:
        if "$ref" in schema:
            schema = root["$defs"][schema["$ref"].rsplit("/", 1)[-1]]
        if isinstance(value, list):
            for item in value:
                compare(item, schema["items"], path + "[]")
        elif isinstance(value, dict) and "properties" in schema:
            assert set(value) == set(schema["properties"]), path
            for key, item in value.items():
                compare(item, schema["properties"][key], f"{path}.{key}")

    history, _, zones, charts = everything(3.0)
    compare(history_to_dict(CAR, history, zones, charts, created=BEGIN), root, "history")


def test_the_page_on_the_format_describes_every_key() -> None:
    text = DOC.read_text(encoding="utf-8")
    root = history_schema()
    seen = dict(walk(root, root))
    assert len(seen) > 50
    for key, schema in seen.items():
        assert f"`{key}`" in text, f"{key} is not documented"
        if "properties" not in schema and key not in ("file", "version", "name", "hand_check"):
            assert schema["description"] in text, f"{key}: the page says something else"


def test_the_report_of_a_check_shows_what_log_and_sound_did() -> None:
    result = make_result(duration_s=2.0)
    seen = Page(result.to_html())
    assert "What comes from the log, what from the sound?" in seen.text
    assert "this car's log raises the odds 1.3-fold" in seen.text  # by hand: 0.05/0.95 ÷ 0.04/0.96
    picture = contributions_picture(result.zones)
    assert picture is not None
    assert "The log moved the" in picture.reading
    bare = [replace(zone, history=ZoneHistory(0.1)) for zone in result.zones]
    assert contributions_picture(bare) is None


def test_charts_that_signal_come_first_and_new_set_ups_begin_anew() -> None:
    charts = drift_charts(made_up_takes(3.0))
    assert [chart.feature for chart in charts if chart.chart.signals_now] == list(
        dict.fromkeys(chart.feature for chart in charts)
    )
    assert len(charts) == 3  # the fourth feature was never observed
    takes = made_up_takes(3.0)
    moved = [*takes[:-2], *(TakeValues(**{**vars(t), "setup": "pinion 24"}) for t in takes[-2:])]
    fresh = drift_charts(moved)
    assert all(len(chart.chart.points) == 2 for chart in fresh)
    assert re.search(r"begins once three snug ones", drift_words(fresh[0]))
    assert drift_charts([]) == ()

    # What has nothing to show yet is counted, and not drawn.
    begun, waiting = drift_section(charts, 3), drift_section(fresh, 3)
    assert (len(begun["drift"]), begun["n_hidden"], begun["n_waiting"]) == (3, len(charts) - 3, 0)
    assert (waiting["drift"], waiting["n_hidden"], waiting["n_waiting"]) == ([], 0, len(fresh))
    assert drift_section([], 3)["n_waiting"] == 0

"""The JSON form: valid against its schema, finite, documented key by key."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from builders import make_result, make_speed
from hypothesis import given
from hypothesis import strategies as st

from vibecheck.findings import Finding, QualityReport
from vibecheck.recording.take import Take
from vibecheck.result import CheckedTake
from vibecheck.result_json import all_findings, check_schema, finite, result_to_dict

DOC = Path(__file__).resolve().parents[2] / "docs" / "json.md"

# The keys of the public contract, written out here on purpose: a renamed key must fail.
CONTRACT = {
    "": "schema created car model takes zones verdict unfamiliar advice",
    "model": "name version trained_on n_takes",
    "takes": "file sha256 sensor spot sample_rate_hz duration_s channels quality speed features",
    "takes.quality": "verdict findings",
    "takes.quality.findings": "code message advice value limit",
    "takes.speed": "shaft time_s rpm sd_rpm confidence phases order_ambiguity",
    "takes.speed.phases": "name start_s end_s",
    "zones": "zone probability low high severity risk rank evidence history",
    "zones.evidence": "feature value reference z reading",
    "zones.history": "prior runs_since_hand_check finds",
    "unfamiliar": "score limit is_unfamiliar",
    "advice": "hand_check cautions",
}


def validator() -> Any:
    schema = check_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


def numbers(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        for item in value.values():
            yield from numbers(item)
    elif isinstance(value, list):
        for item in value:
            yield from numbers(item)
    elif isinstance(value, float):
        yield value


def walk(schema: dict[str, Any], root: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield every key of a schema with its own schema, references followed."""
    if "$ref" in schema:
        schema = root["$defs"][schema["$ref"].rsplit("/", 1)[-1]]
    for key, value in schema.get("properties", {}).items():
        target = value
        if "$ref" in value:
            target = root["$defs"][value["$ref"].rsplit("/", 1)[-1]]
        yield key, target
        yield from walk(value, root)
    if isinstance(schema.get("items"), dict):
        yield from walk(schema["items"], root)


@pytest.mark.parametrize("verdict", ["inspect_first", "nothing_stood_out", "cannot_tell"])
def test_results_match_the_schema(verdict):
    for options in ({}, {"heavy": True}, {"n_takes": 3, "sensor": "accelerometer"}):
        result = make_result(verdict, duration_s=3.0, **options)
        validator().validate(json.loads(result.to_json()))


def test_every_key_of_the_contract_is_there():
    whole = result_to_dict(make_result())
    for path, keys in CONTRACT.items():
        place: Any = whole
        for step in filter(None, path.split(".")):
            place = place[step]
            if isinstance(place, list):
                place = place[0]
        missing = set(keys.split()) - set(place)
        assert not missing, f"{path or 'result'}: {missing}"


def test_nothing_is_written_that_the_schema_does_not_know():
    root = check_schema()

    def compare(value: Any, schema: dict[str, Any], path: str) -> None:
        if "$ref" in schema:
            schema = root["$defs"][schema["$ref"].rsplit("/", 1)[-1]]
        if isinstance(value, list):
            for item in value:
                compare(item, schema["items"], path + "[]")
        elif isinstance(value, dict) and "properties" in schema:
            assert set(value) <= set(schema["properties"]), path
            for key, item in value.items():
                compare(item, schema["properties"][key], f"{path}.{key}")

    compare(result_to_dict(make_result(heavy=True)), root, "result")


def test_a_wrong_result_is_refused_by_the_schema():
    good = result_to_dict(make_result(duration_s=3.0))
    for key, wrong in (("verdict", "safe"), ("schema", "x"), ("created", "today"), ("zones", {})):
        with pytest.raises(jsonschema.ValidationError):
            validator().validate(good | {key: wrong})
    for key in ("advice", "takes", "unfamiliar"):
        with pytest.raises(jsonschema.ValidationError, match=f"'{key}' is a required property"):
            validator().validate({k: v for k, v in good.items() if k != key})


def test_the_page_on_the_format_describes_every_key():
    text = DOC.read_text(encoding="utf-8")
    root = check_schema()
    seen = dict(walk(root, root))
    assert len(seen) > 60
    for key, schema in seen.items():
        assert f"| `{key}` |" in text, f"{key} is not documented"
        if "properties" not in schema:
            assert "description" in schema, key
            assert schema["description"] in text, f"{key}: the page says something else"


def test_numbers_are_finite_and_the_undefined_is_null():
    result = make_result()
    odd = replace(
        result,
        zones=(
            replace(
                result.zones[0],
                evidence=(replace(result.zones[0].evidence[0], value=np.inf, z=np.nan),),
            ),
        ),
        unfamiliar=replace(result.unfamiliar, score=float("nan")),
    )
    value = json.loads(odd.to_json())
    assert all(math.isfinite(n) for n in numbers(value))
    assert value["zones"][0]["evidence"][0]["value"] is None
    assert value["zones"][0]["evidence"][0]["z"] is None
    assert value["unfamiliar"]["score"] is None
    assert value["takes"][0]["features"]["rattle_onset_rpm"] is None
    assert value["takes"][0]["features"]["impact_wheel_rate"] == 8.2
    validator().validate(value)


@given(st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True, width=64)))
def test_finite_keeps_six_digits_or_gives_none(value):
    got = finite(value)
    if value is None or not math.isfinite(value):
        assert got is None
    else:
        assert got is not None
        assert math.isclose(got, value, rel_tol=5.1e-6, abs_tol=1e-320)


def test_the_time_of_the_check_always_tells_its_offset():
    value = result_to_dict(make_result(duration_s=3.0, created=datetime(2031, 5, 4, 9, 30)))
    validator().validate(value)
    assert datetime.fromisoformat(value["created"]).tzinfo is not None


def test_zones_come_ordered_by_rank():
    result = make_result(duration_s=3.0)
    shuffled = replace(result, zones=tuple(reversed(result.zones)))
    assert [z["rank"] for z in result_to_dict(shuffled)["zones"]] == list(range(1, 14))


def test_speed_arrays_have_one_length_and_sensible_digits():
    speed = result_to_dict(make_result(duration_s=3.0))["takes"][0]["speed"]
    lengths = {len(speed[key]) for key in ("time_s", "rpm", "sd_rpm", "confidence")}
    assert lengths == {make_speed(3.0).time_s.size}
    assert all(round(t, 4) == t for t in speed["time_s"])
    assert all(round(r, 2) == r for r in speed["rpm"])


def test_no_speed_and_no_features_are_null_and_empty():
    take = Take(np.zeros(100), 100.0, file="x.wav", start=datetime(2030, 1, 2, tzinfo=UTC))
    checked = CheckedTake(take, QualityReport("unusable"), None, None)
    value = result_to_dict(replace(make_result(duration_s=3.0), takes=(checked,)))
    validator().validate(value)
    assert value["takes"][0]["speed"] is None
    assert value["takes"][0]["features"] == {}
    assert value["takes"][0]["start"] == "2030-01-02T00:00:00+00:00"


def test_findings_of_the_reader_join_those_of_the_gate_once():
    said = Finding("truncated", "From the gate.", "Do this.")
    again = Finding("truncated", "From the reader.", "Do that.")
    other = Finding("decimal_comma", "Commas were read as points.", "Nothing to do.", weight="note")
    take = Take(np.zeros(100), 100.0, findings=(again, other))
    merged = all_findings(take, QualityReport("limited", (said,)))
    assert merged == (said, other)


def test_the_words_of_the_file_survive():
    """Names in any script are written as they are, not escaped away."""
    result = make_result(duration_s=3.0, file="Prüfstand 走行.wav")
    assert "Prüfstand 走行.wav" in result.to_json()

"""Bench checks as pages: set-up, cautions, spots, what comes next, result, decision."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from vibecheck.bench.judge import Judge
from vibecheck.car.shipped import shipped_car_path
from vibecheck.garage import Garage, StoredCar
from vibecheck.report.words import percent, zone_words
from vibecheck.risk.log import FastenerFinding
from vibecheck.web.app import create_app
from vibecheck.web.pages.cautions import ACKNOWLEDGED_FOR, cautions_of
from vibecheck.web.settings import Settings

DEMO = Path(__file__).resolve().parents[2] / "vibecheck" / "data" / "demo"
SET_UP = {"runs": "2", "pinion_teeth": "26", "spur_teeth": "46", "cells": "6", "tyres": "foam"}
WORDS_THAT_CLEAR = re.compile(r"\b(safe|safely|pass|passed|healthy|good to go|all clear|OK)\b")


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


@pytest.fixture
def begun(app: Any, saltflat: StoredCar) -> StoredCar:
    garage_of(app).start_sitting(saltflat.id)
    return saltflat


@pytest.fixture(scope="module")
def judged_garage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A garage with one judged bench check, of the demo's second recording."""
    folder = tmp_path_factory.mktemp("judged") / "garage"
    with Garage.open(folder) as garage:
        car = garage.add_car(shipped_car_path("saltflat8"))
        sitting = garage.start_sitting(car.id)
        take = DEMO / "2-something-loose-wheel_rear_right.flac"
        garage.add_take(sitting.id, take, spot="wheel_rear_right")
        sitting = garage.sitting(sitting.id)
        judge = Judge(garage)
        judge.keep(sitting, judge.check(sitting))
    return folder


@pytest.fixture
def judged(judged_garage: Path, tmp_path: Path) -> Any:
    """An application over a copy of that garage."""
    shutil.copytree(judged_garage, tmp_path / "garage")
    return create_app(Settings(data=tmp_path / "garage"))


@pytest.fixture
def reader(judged: Any) -> Iterator[TestClient]:
    with TestClient(
        judged, base_url="http://127.0.0.1", headers={"origin": "http://127.0.0.1"}
    ) as client:
        yield client


# ---- set-up ----------------------------------------------------------------------------


def test_set_up_begins_as_the_file_and_last_time_say(
    app: Any, client: TestClient, saltflat: StoredCar
) -> None:
    at = f"/cars/{saltflat.id}/checks/new"
    shown = client.get(at)
    for key, value in (("pinion_teeth", "26"), ("spur_teeth", "46"), ("cells", "6"), ("runs", "0")):
        assert f'name="{key}" value="{value}"' in shown.text
    assert "feel every wheel nut and the motor mount" in words(shown)
    answer = client.post(at, data={**SET_UP, "pinion_teeth": "28", "runs": "2,5"})
    assert answer.url.path == "/checks/1/cautions"
    sitting = garage_of(app).sitting("1")
    assert sitting.set_up.words() == "pinion 28, spur 46, tyres foam, 6 cells"
    assert sitting.runs_since_last == 2.5
    # The cap of the cautions is that of the pinion that is fitted: 4000 rpm × 46 / 28 × 2.85.
    assert "4000 wheel rpm (18729 motor rpm)" in words(answer)
    again = client.get(at)
    assert "has an open bench check" in words(again)
    assert "<form" not in again.text
    client.post(at, data=SET_UP)
    assert len(garage_of(app).sittings()) == 1
    client.post("/checks/1/close", data={"yes": "1"})
    shown = client.get(at)
    assert 'name="tyres" value="foam"' in shown.text
    assert 'name="runs" value="1"' in shown.text
    garage_of(app).hide_car(saltflat.id)
    assert "was put away" in words(client.get(at))


def test_set_up_that_cannot_be(app: Any, client: TestClient, saltflat: StoredCar) -> None:
    for key, value, told in (
        ("runs", "-1", "from 0"),
        ("runs", "many", 'Got "many"'),
        ("runs", "nan", 'Got "nan"'),
        ("pinion_teeth", "0", "whole number from 1 to 500"),
        ("spur_teeth", "4.5", "whole number"),
        ("cells", "", "nothing was given"),
        ("tyres", "x" * 201, "at most 200 letters"),
    ):
        shown = client.post(f"/cars/{saltflat.id}/checks/new", data={**SET_UP, key: value})
        assert shown.status_code == 422, key
        assert told in words(shown), key
        assert f'name="{key}" value="{value}"' in shown.text
    assert garage_of(app).sittings() == ()


def test_a_clock_that_went_back_is_explained_and_may_be_right(
    app: Any, client: TestClient, saltflat: StoredCar
) -> None:
    garage = garage_of(app)
    ahead = Garage.open(garage.folder, now=lambda: datetime.now(UTC) + timedelta(days=400))
    ahead.close_sitting(ahead.start_sitting(saltflat.id).id)
    ahead.close()
    at = f"/cars/{saltflat.id}/checks/new"
    shown = client.post(at, data=SET_UP)
    assert shown.status_code == 422
    assert "The clock of this computer says" in words(shown)
    assert "Set it and try again" in words(shown) or "Then set it and try again" in words(shown)
    assert 'name="tyres" value="foam"' in shown.text
    assert len(garage.sittings()) == 1
    assert client.post(at, data={**SET_UP, "clock": "right"}).url.path == "/checks/2/cautions"


# ---- cautions --------------------------------------------------------------------------


def test_every_caution_is_needed(app: Any, client: TestClient, begun: StoredCar) -> None:
    at = "/checks/1/cautions"
    count = len(cautions_of(begun.car).to_acknowledge)
    boxes = re.findall(r'name="seen" value="(\w+)"', client.get(at).text)
    assert sorted(boxes) == sorted(["felt", *map(str, range(count))])
    for left_out in boxes:
        ticked = [box for box in boxes if box != left_out]
        shown = client.post(at, data={"seen": ticked})
        assert shown.status_code == 422
        assert "1 is not acknowledged yet" in words(shown)
        assert f'id="e-{left_out}"' in shown.text
        assert shown.text.count(" checked") == len(ticked)
    assert client.post(at, data={"seen": [*map(str, range(90, 100))]}).status_code == 422
    assert app.state.acknowledged == {}
    onward = client.post(at, data={"seen": boxes})
    assert onward.url.path == "/checks/1/spots"
    assert "First the cautions" not in words(onward)
    assert "You acknowledged these" in words(client.get(at))


def test_from_the_cautions_on_to_the_spot_that_was_asked_for(
    client: TestClient, begun: StoredCar
) -> None:
    count = len(cautions_of(begun.car).to_acknowledge)
    every = ["felt", *map(str, range(count))]
    for spot, target in (
        ("wheel_rear_left", "/checks/1/record?spot=wheel_rear_left"),
        ("//elsewhere", "/checks/1/spots"),
    ):
        shown = client.get("/checks/1/cautions", params={"spot": spot})
        assert ('name="spot"' in shown.text) == (spot == "wheel_rear_left")
        answer = client.post(
            "/checks/1/cautions", data={"seen": every, "spot": spot}, follow_redirects=False
        )
        assert answer.headers["location"] == target


def test_cautions_are_asked_again_on_another_day(
    app: Any, client: TestClient, begun: StoredCar
) -> None:
    key = garage_of(app).sitting("1").id
    app.state.acknowledged[key] = datetime.now(UTC) - ACKNOWLEDGED_FOR - timedelta(seconds=1)
    assert "First the cautions" in words(client.get("/checks/1/spots"))
    assert key not in app.state.acknowledged


def test_a_bare_machine_has_cautions_too(app: Any, client: TestClient) -> None:
    garage = garage_of(app)
    car = garage.add_car_text('name = "Rotor"\n[[orders]]\nname = "turn"\nratio = 1\n')
    answer = client.post(f"/cars/{car.id}/checks/new", data={"runs": "0", "tyres": ""})
    assert answer.url.path == "/checks/1/cautions"
    assert "Fix the machine to its stand" in words(answer)
    assert client.get("/checks/1/spots").status_code == 200
    assert client.get("/checks/1").status_code == 200


# ---- spots -----------------------------------------------------------------------------


def test_spots_on_the_car_and_in_their_order(
    app: Any, client: TestClient, begun: StoredCar, tmp_path: Path
) -> None:
    take = tmp_path / "one.wav"
    take.write_bytes(b"never read here")
    garage_of(app).add_take("1", take, spot="centre")
    shown = client.get("/checks/1/spots")
    told = words(shown)
    assert "1. centre of the car Done: 1 recording with the microphone" in told
    assert "2. motor mount Next: not recorded yet" in told
    picture = shown.text[shown.text.index("<svg") : shown.text.index("</svg>")]
    linked = re.findall(r'<a href="/checks/1/record\?spot=(\w+)" aria-label="([^"]*)"', picture)
    assert linked[0][0] in dict(linked)
    assert dict(linked)["centre"] == "centre of the car, recorded"
    assert dict(linked)["wheel_rear_left"] == "rear left wheel, to do"
    assert "/checks/1/record?spot=steering" in shown.text  # somewhere else
    assert "Unplug the battery when the takes are done" in told
    garage_of(app).close_sitting("1")
    assert "/record" not in client.get("/checks/1/spots").text


# ---- one bench check -------------------------------------------------------------------


def steps(shown: Any) -> dict[str, str]:
    """State of each step."""
    found = re.findall(
        r'<li class="(done|now|later)"[^>]*><div class="what">\d\. (.*?)</div>', shown.text
    )
    return {re.sub("<.*?>", "", title): state for state, title in found}


def test_the_steps_say_what_is_done_and_what_is_next(
    app: Any, client: TestClient, begun: StoredCar, tmp_path: Path
) -> None:
    garage = garage_of(app)
    shown = client.get("/checks/1")
    assert steps(shown) == {
        "Cautions": "now", "Record": "later", "Result": "later", "Hand check": "later",
        "Your decision": "later", "Close": "later",
    }  # fmt: skip
    assert "Next: cautions" in words(shown)
    app.state.acknowledged[garage.sitting("1").id] = datetime.now(UTC)
    assert steps(client.get("/checks/1"))["Record"] == "now"
    take = tmp_path / "one.wav"
    take.write_bytes(b"never read here")
    garage.add_take("1", take)
    shown = client.get("/checks/1")
    assert steps(shown)["Result"] == "now"
    assert "1 recording is not part of a result yet" in words(shown)
    assert "Not judged yet" in words(shown)
    nut = FastenerFinding("wheel_rear_right", "wheel nut", "took_a_turn", 1, 40.0, ("tightened",))
    garage.log_findings("1", "wheel_rear_right", "wheel nut", [nut])
    garage.finish_hand_check("1")
    shown = client.get("/checks/1")
    assert steps(shown)["Hand check"] == "done"
    assert "rear right wheel: wheel nut took a turn (40°); tightened" in words(shown)
    assert client.get("/checks/99").status_code == 404
    assert client.get("/checks/999999999999999999999").status_code == 404


def test_the_decision_is_the_owners(app: Any, client: TestClient, begun: StoredCar) -> None:
    garage = garage_of(app)
    empty = client.post("/checks/1/decision", data={"decision": "none", "note": "  "})
    assert empty.status_code == 422
    assert "nothing to keep yet" in words(empty)
    odd = client.post("/checks/1/decision", data={"decision": "perhaps", "note": "keep these"})
    assert odd.status_code == 422
    assert "keep these" in odd.text
    long = client.post("/checks/1/decision", data={"decision": "go", "note": "x" * 4001})
    assert "At most 4000 letters. These are 4001." in words(long)
    assert garage.sitting("1").decision is None
    kept = client.post("/checks/1/decision", data={"decision": "no_go", "note": "Mesh is notchy"})
    assert "vibecheck makes none, and clears no car" in words(kept)
    sitting = garage.sitting("1")
    assert (sitting.decision, sitting.note) == ("no_go", "Mesh is notchy")
    # A decision may be taken back, and stays possible once the check is closed.
    garage.close_sitting("1")
    client.post("/checks/1/decision", data={"decision": "none", "note": "Mesh is notchy"})
    assert garage.sitting("1").decision is None


def test_closing_reminds_of_the_hand_check(app: Any, client: TestClient, begun: StoredCar) -> None:
    assert "It is due before the car goes out" in words(client.get("/checks/1"))
    shown = client.post("/checks/1/close", data={"yes": "1"})
    assert "Closed, begun" in words(shown)
    assert not garage_of(app).sitting("1").is_open
    assert "Close bench check" not in words(shown)
    assert steps(shown)["Close"] == "done"


# ---- the result ------------------------------------------------------------------------


def test_no_result_yet(client: TestClient, begun: StoredCar) -> None:
    shown = client.get("/checks/1/result")
    assert shown.status_code == 404
    assert "has no result yet" in words(shown)
    plain = client.get("/checks/1/result.json")
    assert plain.status_code == 404
    assert "no result yet" in plain.json()["error"]["message"]
    for path in ("pictures", "report"):
        assert client.get(f"/checks/1/{path}").status_code == 404
    refused = client.post("/checks/1/judge", data={"yes": "1"})
    assert refused.status_code == 422
    assert "There is no recording to judge" in words(refused)


def test_the_result_ranks_as_it_was_kept(judged: Any, reader: TestClient) -> None:
    kept = garage_of(judged).result("1")
    assert kept is not None
    assert reader.get("/checks/1/result.json").json() == kept
    shown = reader.get("/checks/1/result")
    told = words(shown)
    listed = re.findall(r'<li id="zone-(\w+)"', shown.text)
    assert listed == [zone["zone"] for zone in kept["zones"]]
    picture = shown.text[shown.text.index('<svg class="panel car-picture') :]
    picture = picture[: picture.index("</svg>")]
    for zone in kept["zones"]:
        name, rank = zone_words(zone["zone"]), zone["rank"]
        chance = percent(zone["probability"])
        assert f"Rank {rank} {name}" in told
        heard = "" if zone["heard"] else ", not heard"
        label = f'href="#zone-{zone["zone"]}" aria-label="{rank}: {name}, {chance}{heard}"'
        assert label in picture
        for sign in zone["evidence"][:1]:
            assert sign["reading"] in told
    assert "The hand check is due." in told
    assert "Simulated." in told
    for caution in kept["advice"]["cautions"]:
        assert caution in told
    assert 'href="/checks/1/hand-check"' in shown.text
    assert 'href="/checks/1/pictures"' in shown.text  # works without a script


def test_no_page_clears_the_car(reader: TestClient) -> None:
    for path in ("/", "/checks/1", "/checks/1/result", "/checks/1/spots", "/checks/1/cautions"):
        found = WORDS_THAT_CLEAR.search(words(reader.get(path)))
        assert found is None, (path, found)


def test_a_result_that_cannot_tell_says_so(judged: Any, reader: TestClient) -> None:
    garage = garage_of(judged)
    kept = garage.result("1")
    assert kept is not None
    odd = {**kept["unfamiliar"], "is_unfamiliar": True}
    finding = {"code": "x", "message": "It is too short.", "advice": "Record longer.",
               "value": None, "limit": None, "weight": "refuses"}  # fmt: skip
    quality = {**kept["takes"][0]["quality"], "verdict": "unusable", "findings": [finding]}
    take = {**kept["takes"][0], "quality": quality, "speed": None}
    changed = {**kept, "verdict": "cannot_tell", "unfamiliar": odd, "zones": [], "takes": [take]}
    garage.set_result("1", changed)
    told = words(reader.get("/checks/1/result"))
    assert "Cannot tell from this recording" in told
    assert "Unfamiliar sound." in told
    assert "could not be used" in told
    assert "It is too short. Record longer." in told
    assert "No turning shaft was found" in told
    assert kept["advice"]["cautions"][0] in told
    assert "Cannot tell from this recording" in words(reader.get("/checks/1"))


def test_pictures_and_report_come_from_the_recording(judged: Any, reader: TestClient) -> None:
    garage = garage_of(judged)
    kept = garage.result("1")
    assert kept is not None
    shown = reader.get("/checks/1/pictures")
    assert shown.text.count("<figure>") == 4
    assert '<div id="part">' in shown.text
    # What the hand check found since moves the odds of a next judgement, not of this result.
    nut = FastenerFinding("wheel_rear_right", "wheel nut", "loose", 1, None, ("tightened",))
    garage.log_findings("1", "wheel_rear_right", "wheel nut", [nut])
    report = reader.get("/checks/1/report")
    assert report.status_code == 200
    assert "'sha256-" in report.headers["content-security-policy"]
    names = re.findall(r'<span class="name">(.*?)</span>', report.text)
    assert names == [zone_words(zone["zone"]) for zone in kept["zones"]]
    first = kept["zones"][0]
    assert percent(first["probability"]) in words(report)


def test_judged_again_while_it_is_open(judged: Any, reader: TestClient, tmp_path: Path) -> None:
    garage = garage_of(judged)
    before = garage.result("1")
    nothing = tmp_path / "nothing.wav"
    nothing.write_bytes(b"no sound")
    garage.add_take("1", nothing, spot="centre")
    assert "1 recording is not part of this result" in words(reader.get("/checks/1/result"))
    shown = reader.post("/checks/1/judge", data={"yes": "1"})
    assert "Not everything could be used: Left out: nothing.wav." in words(shown)
    assert str(garage.folder) not in shown.text
    after = garage.result("1")
    assert before is not None
    assert after is not None
    assert after["zones"] == before["zones"]
    garage.close_sitting("1")
    refused = reader.post("/checks/1/judge", data={"yes": "1"})
    assert refused.status_code == 422
    assert "closed: its result stays as it is" in words(refused)
    assert garage.result("1") == after


def test_a_recording_that_is_gone_is_said(judged: Any, reader: TestClient) -> None:
    for file in garage_of(judged).recordings.rglob("*.flac"):
        file.unlink()
    assert "its recording is gone from the garage" in words(reader.get("/checks/1"))
    assert reader.get("/checks/1/result").status_code == 200
    for path in ("pictures", "report"):
        shown = reader.get(f"/checks/1/{path}")
        assert shown.status_code in (200, 400, 409)
        assert "recording" in words(shown)
        assert str(garage_of(judged).folder) not in shown.text

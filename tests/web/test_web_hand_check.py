"""The hand check by big buttons: each answer kept at once, none taken twice or by accident."""

from __future__ import annotations

import io
import re
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from urllib.parse import urlencode
from urllib.request import urlopen

import pytest
from hand_check_page import Hand, form_for, forms, tap
from starlette.testclient import TestClient

from vibecheck.car.shipped import shipped_car_path
from vibecheck.cli import main
from vibecheck.garage import Garage, Sitting
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

WORDS_THAT_CLEAR = re.compile(r"(?<!fail-)\b(safe|passed|healthy|good to go|all clear|OK)\b")
PATH = "/checks/1/hand-check"


@pytest.fixture
def sitting(app: Any) -> Sitting:
    """An open bench check; a test taps faster than any hand, so that no tap is too soon."""
    app.state.tap_clock_s = Hand()
    garage: Garage = app.state.garage
    return garage.start_sitting(garage.add_car(shipped_car_path("saltflat8")).id)


def kept(app: Any) -> list[tuple[str, str, str, int]]:
    return [
        (one.zone, one.fastener, one.outcome, one.count) for one in app.state.garage.findings("1")
    ]


def test_from_the_first_zone_to_the_owners_own_words(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    shown = client.get(PATH)
    assert "1 of 13: Motor mount" in shown.text
    assert "2.5 mm hex driver" in shown.text
    assert "manual overrides it" in shown.text
    assert "battery unplugged" in shown.text
    shown = tap(client, shown.text, "loose", "motor screw")
    # On the disk before the next question is asked: another program sees it.
    with Garage.open(app.state.settings.data) as other:
        assert [one.outcome for one in other.findings("1")] == ["loose", "not_checked"]
    assert "How many of 2?" in shown.text
    form = form_for(shown.text, "motor screw")
    shown = client.post(
        form.action,
        data={**form.carried, "count": "1", "turned": "", "turned_deg": "270",
              "done": ["tightened", "threadlocker"]},
    )  # fmt: skip
    assert "The other one:" in shown.text
    assert "All others snug" in shown.text
    shown = tap(client, shown.text, "snug")
    assert "2 of 13" in shown.text
    for place in range(3, 14):
        shown = tap(client, shown.text, "snug")
        assert f"{place} of 13" in shown.text
    shown = tap(client, shown.text, "snug")
    assert shown.url.path == f"{PATH}/end"
    assert "motor mount: motor screw loose (270°); tightened, thread-locker" in shown.text
    assert "Due again after the first run" in shown.text
    assert "Record now: these takes become the baseline" in shown.text
    shown = client.post(f"{PATH}/decision", data={"decision": "no_go", "note": "second look"})
    assert "Kept: your decision" in shown.text
    assert not WORDS_THAT_CLEAR.search(shown.text)
    now = app.state.garage.sitting("1")
    assert (now.hand_check.complete, now.hand_check_done) == (True, True)
    assert (now.decision, now.note, now.left_snug) == ("no_go", "second look", True)
    (find,) = [one for one in now.hand_check.findings if one.outcome == "loose"]
    assert (find.count, find.turned_deg) == (1, 270.0)
    assert find.done == ("tightened", "threadlocker")
    shown = client.post(f"{PATH}/close", data={"close": "yes"})
    assert "This bench check is closed." in shown.text
    assert not app.state.garage.sitting("1").is_open


def test_the_terminal_goes_on_where_the_page_stopped(
    app: Any,
    client: TestClient,
    sitting: Sitting,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    shown = tap(client, client.get(PATH).text, "snug")
    second = form_for(shown.text).carried["zone"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("s\nq\n"))
    assert main(["hand-check", "--data", str(app.state.settings.data)]) == 0
    said = capsys.readouterr()
    assert "1 of 13 zones has an answer already" in said.out
    assert second in {zone for zone, *_ in kept(app)}, "the terminal asked for the same zone next"
    assert "3 of 13" in client.get(PATH).text


def test_a_second_tap_on_the_same_form_answers_no_other_zone(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    first = client.get(PATH).text
    once = tap(client, first, "snug")
    before = kept(app)
    twice = tap(client, first, "snug")
    assert twice.status_code == 200
    assert twice.url == once.url, "the same place as after the first tap"
    assert kept(app) == before
    find = form_for(once.text, "wheel nut")
    client.post(find.action, data={**find.carried, "answer": "loose"})
    again = client.post(find.action, data={**find.carried, "answer": "loose"})
    assert again.url.path == f"{PATH}/find"
    assert [one for one in kept(app) if one[2] == "loose"] == [
        ("wheel_front_left", "wheel nut", "loose", 1)
    ]


def test_a_late_tap_does_not_undo_what_was_answered_meanwhile(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    old = client.get(PATH).text
    tap(client, old, "loose", "motor screw")
    before = kept(app)
    late = tap(client, old, "snug")
    assert late.status_code == 409
    assert "answered in between" in late.text
    assert "Motor mount" in late.text
    assert kept(app) == before


def test_a_tap_at_once_after_the_page_is_not_taken(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    app.state.tap_clock_s.rests = False
    shown = tap(client, client.get(PATH).text, "snug")
    assert shown.status_code == 409
    assert "a double tap answers nothing" in shown.text
    assert kept(app) == []
    app.state.tap_clock_s.rests = True
    assert tap(client, shown.text, "snug").status_code == 200, "the next tap counts"
    assert kept(app)


def test_back_skip_and_jump_leave_what_was_answered(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    first = client.get(PATH).text
    skip = re.search(r'href="([^"]+)">Skip<', first)
    assert skip is not None
    second = client.get(skip[1]).text
    assert "2 of 13" in second
    assert kept(app) == []
    third = tap(client, second, "snug").text
    assert "3 of 13" in third
    back = re.search(r'href="([^"]+)">Back<', third)
    assert back is not None
    again = client.get(back[1]).text
    assert "Kept so far" in again
    assert "Answer this zone again" in again
    assert 'value="snug"' not in again, "no button may answer an answered zone by a slip"
    before = kept(app)
    assert len(re.findall(r"no answer yet", again)) == 12
    anew = client.get(f"{PATH}?zone=wheel_front_left&anew=all").text
    assert kept(app) == before
    tap(client, anew, "not_checked")
    assert {one[2] for one in kept(app)} == {"not_checked"}
    assert "1 of 13" in client.get(PATH).text, "the one that was skipped comes next"


def test_an_end_that_is_not_complete_says_so(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    shown = client.get(f"{PATH}/end")
    assert "Nothing was answered yet" in shown.text
    tap(client, client.get(PATH).text, "missing", "mount screw")
    shown = client.post(f"{PATH}/finish", data={"finish": "yes"})
    assert "not complete" in shown.text
    assert "Nothing was done about it." in shown.text
    assert "Put right what was left" in shown.text
    assert "Record the snug baseline" not in shown.text
    now = app.state.garage.sitting("1")
    assert now.hand_check_done
    assert not now.hand_check.complete


def test_an_angle_that_is_none_is_asked_again_with_what_was_typed(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    form = form_for(tap(client, client.get(PATH).text, "loose", "motor screw").text, "motor screw")
    for typed in ("ninety", "-1", "nan", "inf", "99999"):
        shown = client.post(form.action, data={**form.carried, "count": "2", "turned_deg": typed})
        assert shown.status_code == 422
        assert f'value="{typed}"' in shown.text
        assert "from 0 to 3600" in shown.text
    shown = client.post(form.action, data={**form.carried, "count": "99", "turned_deg": "22,5"})
    assert shown.status_code == 200
    (find,) = [one for one in app.state.garage.findings("1") if one.outcome == "loose"]
    assert (find.count, find.turned_deg) == (2, 22.5)


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/checks/9/hand-check", 404),
        (f"{PATH}?zone=nowhere", 404),
        (f"{PATH}/find?zone=motor_mount&fastener=motor+screw", 404),
        (f"{PATH}/find?zone=motor_mount&fastener=motor+screw&at=²", 404),
        ("/checks/9/hand-check/end", 404),
    ],
)
def test_what_is_not_there(client: TestClient, sitting: Sitting, path: str, status: int) -> None:
    assert client.get(path).status_code == status


def test_forms_that_no_page_made_change_nothing(
    app: Any, client: TestClient, sitting: Sitting
) -> None:
    carried = form_for(client.get(PATH).text).carried
    for data, status in (
        ({"zone": ""}, 404),
        ({**carried, "answer": "fine"}, 400),
        ({**carried, "answer": "loose"}, 400),
        ({**carried, "fastener": "no such screw", "answer": "snug"}, 404),
        ({"zone": "motor_mount", "answer": "snug"}, 409),
    ):
        assert client.post(PATH, data=data).status_code == status
    assert client.post(PATH, json={}).status_code == 415
    assert client.post(f"{PATH}/decision", data={"decision": "maybe"}).status_code == 400
    assert kept(app) == []


def test_a_closed_bench_check_is_read_only(app: Any, client: TestClient, sitting: Sitting) -> None:
    page = tap(client, client.get(PATH).text, "snug").text
    app.state.garage.close_sitting(sitting.id)
    before = kept(app)
    late = tap(client, page, "snug")
    assert late.status_code == 400
    assert "is closed" in late.text
    assert kept(app) == before
    shown = client.get(f"{PATH}/find?zone=motor_mount&fastener=motor+screw")
    assert shown.status_code == 404, "there is no find"
    shown = client.get(f"{PATH}?zone=motor_mount").text
    assert "its answers stay as they are" in shown
    assert not forms(shown)


def test_a_nut_that_is_spent_is_told(app: Any, client: TestClient) -> None:
    """The owner's own limit of removals goes into the walk."""
    with TestClient(
        create_app(Settings(data=app.state.settings.data, nut_removals=1)),
        base_url="http://127.0.0.1",
        headers={"origin": "http://127.0.0.1"},
    ) as strict:
        strict.app.state.tap_clock_s = Hand()  # type: ignore[attr-defined]
        garage = app.state.garage
        car = garage.add_car(shipped_car_path("saltflat8"))
        garage.start_sitting(car.id)
        shown = strict.get(f"{PATH}?zone=wheel_rear_left").text
        assert "after the first removal" in shown
        form = form_for(tap(strict, shown, "loose", "wheel nut").text, "wheel nut")
        strict.post(form.action, data={**form.carried, "done": "refitted"})
        strict.post(f"{PATH}/finish", data={"finish": "yes"})
        strict.post(f"{PATH}/close", data={"close": "yes"})
        garage.start_sitting(car.id)
        shown = strict.get("/checks/2/hand-check?zone=wheel_rear_left").text
        assert "fit a new one" in shown
        assert "found 1 time in 1 hand check" in shown


def test_the_same_form_from_several_hands_at_once(app: Any, sitting: Sitting, live: str) -> None:
    with urlopen(f"{live}{PATH}") as page:
        form = form_for(page.read().decode(), "motor screw")
    body = urlencode({**form.carried, "answer": "loose"}).encode()

    def send(_number: int) -> str:
        with urlopen(f"{live}{form.action}", data=body) as page:
            return str(page.url)

    with ThreadPoolExecutor(6) as hands:
        where = set(hands.map(send, range(6)))
    assert len(where) == 1, "all of them come to the question how many"
    assert [one[2:] for one in kept(app)] == [("loose", 1), ("not_checked", 1)]

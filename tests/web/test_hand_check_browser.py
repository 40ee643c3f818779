"""The hand check in a real browser of phone width: by keyboard alone, and by a hasty thumb."""

from __future__ import annotations

from typing import Any

import pytest
from hand_check_page import Hand
from made_up import GARAGE_CAR

from vibecheck.garage import Garage, Sitting

SMALL_CAR = (
    GARAGE_CAR
    + """\
[[zones]]
name = "motor_mount"
severity = 3
[[zones.fasteners]]
name = "motor screw"
count = 2
[[zones]]
name = "wheel_front_left"
severity = 3
[[zones.fasteners]]
name = "wheel nut"
thread = "M5x0.8"
locking = "nylon_insert"
[[zones]]
name = "steering"
severity = 2
[[zones.fasteners]]
name = "servo screw"
count = 4
"""
)
THUMB_PX, APART_PX = 48, 8
"""Least size of what a thumb hits, and least gap between two; common practice, no source."""
TARGETS = """
  [...document.querySelectorAll('main button, main a.button, main label.tick')]
  .filter(one => one.checkVisibility())
  .map(one => ({ text: one.innerText, box: one.getBoundingClientRect() }))"""
SMALL_TARGETS = f"""least => {TARGETS}
  .filter(one => Math.min(one.box.height, one.box.width) < least)
  .map(one => `${{one.text}}: ${{one.box.width}} × ${{one.box.height}}`)"""
CLOSE_TARGETS = f"""least => {{
  const all = {TARGETS};
  const gap = (a, b) =>
    Math.max(a.left - b.right, b.left - a.right, a.top - b.bottom, b.top - a.bottom);
  return all.flatMap((one, k) => all.slice(k + 1)
    .filter(other => gap(one.box, other.box) < least)
    .map(other => `${{one.text}} and ${{other.text}}`));
}}"""
FOCUSED = """() => {
  const now = document.activeElement;
  const label = now.labels && now.labels[0];
  return ((label || now).innerText || now.id || '').trim();
}"""


@pytest.fixture
def sitting(app: Any) -> Sitting:
    app.state.tap_clock_s = Hand()
    garage: Garage = app.state.garage
    return garage.start_sitting(garage.add_car_text(SMALL_CAR).id)


def press(tab: Any, wanted: str, key: str) -> None:
    """Tab on to what has that first line of text, and press a key there."""
    for _ in range(80):
        tab.keyboard.press("Tab")
        if tab.evaluate(FOCUSED).split("\n")[0] == wanted:
            tab.keyboard.press(key)
            return
    raise AssertionError(f"the keyboard never reached {wanted!r} on {tab.url}")


def test_by_keyboard_alone(app: Any, tab: Any, live: str, sitting: Sitting) -> None:
    tab.set_default_timeout(5000)
    tab.goto(f"{live}/checks/1/hand-check")
    tab.wait_for_selector("text=1 of 3: Motor mount")
    assert tab.evaluate(SMALL_TARGETS, THUMB_PX) == []
    assert tab.evaluate(CLOSE_TARGETS, APART_PX) == []
    press(tab, "Loose", "Enter")
    tab.wait_for_selector("text=How many of 2?")
    assert tab.evaluate(SMALL_TARGETS, THUMB_PX) == []
    press(tab, "not measured", "ArrowDown")
    tab.keyboard.press("ArrowDown")  # a quarter
    press(tab, "tightened", "Space")
    press(tab, "Keep and go on", "Enter")
    tab.wait_for_selector("text=The other one:")
    press(tab, "All others snug", "Enter")
    tab.wait_for_selector("text=2 of 3: Front left wheel")
    press(tab, "Skip", "Enter")
    tab.wait_for_selector("text=3 of 3: Steering")
    press(tab, "Nothing here was checked", "Enter")
    tab.wait_for_selector("text=2 of 3: Front left wheel")
    press(tab, "All 3 zones: 2 answered", "Enter")
    tab.wait_for_selector("text=4 × servo screw not checked")
    press(tab, "All snug", "Enter")
    tab.wait_for_selector("text=What the hand check found")
    assert "not complete" in tab.inner_text("main")
    assert "motor screw loose (90°); tightened" in tab.inner_text("main")
    press(tab, "none", "ArrowUp")  # no go
    press(tab, "Your own words", "a")
    press(tab, "Keep decision and words", "Enter")
    tab.wait_for_selector("text=Kept: your decision")
    now = app.state.garage.sitting("1")
    assert {(one.zone, one.outcome, one.count) for one in now.hand_check.findings} == {
        ("motor_mount", "loose", 1),
        ("motor_mount", "snug", 1),
        ("wheel_front_left", "snug", 1),
        ("steering", "not_checked", 4),
    }
    assert now.hand_check_done
    assert (now.decision, now.note) == ("no_go", "a")


def test_a_hasty_thumb_answers_one_zone(app: Any, tab: Any, live: str, sitting: Sitting) -> None:
    """A button that is hit twice at once stands for one answer, of the zone that was shown."""
    tab.set_default_timeout(5000)
    tab.goto(f"{live}/checks/1/hand-check")
    taken = app.state.tap_clock_s()
    # The hand has rested until now; from now on no time passes.
    app.state.tap_clock_s = lambda: taken
    tab.dblclick(".hc-huge")
    tab.wait_for_selector("text=2 of 3: Front left wheel")
    assert {one.zone for one in app.state.garage.findings("1")} == {"motor_mount"}

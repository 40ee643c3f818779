"""A garage in which every page has something to show, and every address that the page serves.

Its recordings are the package's demo, which is simulated; its hand checks are made up.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from made_up import GARAGE_CAR
from starlette.routing import Route

from vibecheck.garage import Sitting
from vibecheck.risk.log import FastenerFinding
from vibecheck.web.access.guard import wrap
from vibecheck.web.access.names import CERTIFICATE_PATH
from vibecheck.web.access.pages import ROUTES as ACCESS_ROUTES
from vibecheck.web.app import create_app, page_routes
from vibecheck.web.settings import Settings

DEMO = Path(__file__).resolve().parents[2] / "vibecheck" / "data" / "demo"
# Few zones: a page of a list shows the same for each of them, and axe-core looks at each.
SMALL_CAR = (
    GARAGE_CAR
    + """\
wheel_max_rpm = 9000
bench_max_wheel_rpm = 4000
[[zones]]
name = "wheel_rear_right"
severity = 3
how_to_check = "Grip the wheel at 12 and 6 o'clock and rock it."
[[zones.fasteners]]
name = "wheel nut"
thread = "M5x0.8"
locking = "nylon_insert"
[[zones.fasteners]]
name = "wheel hex set screw"
locking = "set_screw_flat"
[[zones]]
name = "motor_mount"
severity = 3
[[zones.fasteners]]
name = "motor screw"
count = 2
locking = "threadlocker"
into = "aluminium"
[[zones]]
name = "battery_hold_down"
severity = 2
[[zones.fasteners]]
name = "hold-down screw"
count = 4
into = "plastic"
[[zones]]
name = "steering"
severity = 3
[[zones.fasteners]]
name = "servo screw"
count = 4
"""
)
BARE_CAR = """\
name = "Bare rig"
layout = "rwd"
[[orders]]
name = "motor"
ratio = 1.0
kind = "shaft"
"""

ADDRESSES: dict[str, tuple[str, ...]] = {
    "/": ("/",),
    "/cars/new": ("/cars/new",),
    "/cars/{car_id}": ("/cars/{car}", "/cars/{bare}"),
    "/cars/{car_id}/plan": ("/cars/{car}/plan",),
    "/cars/{car_id}/file": ("/cars/{car}/file",),
    "/cars/{car_id}/file.toml": ("/cars/{car}/file.toml",),
    "/cars/{car_id}/history": (
        "/cars/{car}/history?simulated=1",
        "/cars/{bare}/history?zone=steering",
    ),
    "/cars/{car_id}/history.json": ("/cars/{car}/history.json",),
    "/cars/{car_id}/list": ("/cars/{car}/list",),
    "/cars/{car_id}/gear": (
        "/cars/{car}/gear?pinion_teeth=30&said=kept",
        "/cars/{car}/gear?pinion_teeth=many",
        "/cars/{bare}/gear",
    ),
    "/cars/{car_id}/checks/new": ("/cars/{bare}/checks/new",),
    "/checks": ("/checks",),
    "/checks/{n}": ("/checks/2", "/checks/1", "/checks/3"),
    "/checks/{n}/cautions": ("/checks/2/cautions",),
    "/checks/{n}/spots": ("/checks/2/spots",),
    "/checks/{n}/record": ("/checks/2/record?spot=centre", "/checks/2/record?spot=motor_mount"),
    "/checks/{n}/upload": ("/checks/2/upload",),
    "/checks/{n}/result": ("/checks/2/result",),
    "/checks/{n}/pictures": ("/checks/2/pictures",),
    "/checks/{n}/result.json": ("/checks/2/result.json",),
    "/checks/{n}/report": ("/checks/2/report",),
    "/checks/{n}/hand-check": (
        "/checks/2/hand-check?zone=motor_mount",
        "/checks/2/hand-check?zone=steering",
        "/checks/1/hand-check?zone=wheel_rear_right",
    ),
    "/checks/{n}/hand-check/find": (
        "/checks/2/hand-check/find?zone=motor_mount&fastener=motor+screw",
    ),
    "/checks/{n}/hand-check/end": (
        "/checks/2/hand-check/end",
        "/checks/1/hand-check/end",
        "/checks/3/hand-check/end",
    ),
}
# Without pairing; `test_axe_pages` looks at those for strangers and paired browsers too.
ADDRESSES |= {
    "/pair": ("/pair",),
    "/certificate": ("/certificate",),
    CERTIFICATE_PATH: (),
}
"""By the path of the route; ``{car}`` and ``{bare}`` are ids of cars of the garage."""


def get_paths() -> list[str]:
    """Return the path of every route that answers GET."""
    found = [
        route.path_format
        for route in [*page_routes(), *ACCESS_ROUTES]
        if isinstance(route, Route) and "GET" in (route.methods or ())
    ]
    return sorted(set(found))


def full_garage(folder: Path) -> tuple[Any, dict[str, str]]:
    """Return a guarded application over a garage with something on every page, and its cars' ids.

    Bench check 1 is closed: all snug, a baseline. Number 2 is open: takes, a result, finds that
    are not done with. Number 3, of a bare car, has nothing yet.
    """
    settings = Settings(data=folder / "garage")
    app = create_app(settings)
    garage, judge = app.state.garage, app.state.judge
    car = garage.add_car_text(SMALL_CAR)
    first = garage.start_sitting(car.id)
    garage.log_hand_check(
        first.id,
        *(
            FastenerFinding(zone.name, one.name, "snug", one.count)
            for zone in car.car.zones
            for one in zone.fasteners
        ),
    )
    garage.finish_hand_check(first.id)
    garage.add_take(first.id, DEMO / "1-baseline-centre.flac")
    garage.note_decision(first.id, "no_go", "Look again at the steering.")
    garage.close_sitting(first.id)
    second: Sitting = garage.start_sitting(car.id, runs_since_last=3.0)
    for spot in ("centre", "wheel_rear_right"):
        garage.add_take(second.id, DEMO / f"2-something-loose-{spot}.flac", spot=spot)
    second = garage.sitting(second.id)
    judge.keep(second, judge.check(second))
    garage.log_hand_check(
        second.id,
        FastenerFinding("motor_mount", "motor screw", "loose", 1, 90.0, ("tightened",)),
        FastenerFinding("motor_mount", "motor screw", "not_checked", 1),
        FastenerFinding("wheel_rear_right", "wheel nut", "took_a_turn", 1, 270.0),
        FastenerFinding("wheel_rear_right", "wheel hex set screw", "missing", 1),
    )
    app.state.acknowledged[second.id] = second.date
    bare = garage.add_car_text(BARE_CAR)
    third = garage.start_sitting(bare.id)
    garage.close_sitting(third.id)
    return wrap(app, settings), {"car": car.id, "bare": bare.id}

"""The car from above: every zone at its place, in words and numbers, and none over another."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from vibecheck.car.profile import Car, Order
from vibecheck.car.read import read_car
from vibecheck.car.shipped import shipped_car_path, shipped_cars
from vibecheck.car.zones import Zone
from vibecheck.report.car_picture import WIDTH, car_from_above, text_width
from vibecheck.report.words import zone_words

SVG = "{http://www.w3.org/2000/svg}"


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" '))


def shipped(name: str) -> Car:
    return read_car(shipped_car_path(name))


def drawn_texts(root: ElementTree.Element) -> list[tuple[float, float, float, float, str]]:
    """Left, top, right, bottom and words of each text, as wide as wide letters are."""
    found = []
    for text in root.iter(f"{SVG}text"):
        size, x, y = (float(text.attrib[key]) for key in ("font-size", "x", "y"))
        words = text.text or ""
        width = text_width(words, size, bold=text.get("font-weight") == "700")
        left = x - width / 2 if text.get("text-anchor") == "middle" else x
        found.append((left, y - 0.75 * size, left + width, y + 0.2 * size, words))
    return found


@pytest.mark.parametrize("name", shipped_cars())
@pytest.mark.parametrize(
    "said", ["31 %", "not heard, under 1 %", "a good deal more than fits here"]
)
def test_no_words_lie_over_others_or_outside(name: str, said: str) -> None:
    car = shipped(name)
    zones = [zone.name for zone in car.zones]
    ranks = {zone: place for place, zone in enumerate(zones, 1)}
    for spots in ({}, {"centre": said}):
        words = dict.fromkeys(zones, said) | spots
        texts = drawn_texts(parsed(car_from_above(car, ranks=ranks, words=words)))
        assert len(texts) > 2 * len(zones)
        for place, one in enumerate(texts):
            assert one[0] >= 0.0, one
            assert one[2] <= WIDTH, one
            for other in texts[place + 1 :]:
                apart = (
                    one[2] <= other[0]
                    or other[2] <= one[0]
                    or one[3] <= other[1]
                    or other[3] <= one[1]
                )
                assert apart, (one, other)


@pytest.mark.parametrize("name", shipped_cars())
def test_every_zone_is_there_with_its_number(name: str) -> None:
    car = shipped(name)
    ranks = {zone.name: place for place, zone in enumerate(reversed(car.zones), 1)}
    links = {zone: f"#{zone}" for zone in ranks}
    root = parsed(car_from_above(car, ranks=ranks, links=links))
    labels = {a.attrib["href"]: a.attrib["aria-label"] for a in root.iter(f"{SVG}a")}
    assert labels == {f"#{zone}": f"{rank}: {zone_words(zone)}" for zone, rank in ranks.items()}
    first = next(root.iter(f"{SVG}a"))
    assert first.attrib["href"] == f"#{car.zones[-1].name}"  # the keyboard goes by rank
    numbers = {text.text for text in root.iter(f"{SVG}text")}
    assert {str(rank) for rank in ranks.values()} <= numbers
    assert "front" in numbers


def test_the_first_three_stand_out_without_colour() -> None:
    car = shipped("saltflat8")
    ranks = {zone.name: place for place, zone in enumerate(car.zones, 1)}
    root = parsed(car_from_above(car, ranks=ranks))
    widths = [float(r.get("stroke-width", 0)) for r in root.iter(f"{SVG}rect") if r.get("stroke")]
    ordered = sorted(widths, reverse=True)
    assert ordered[0] > ordered[1] > ordered[2] > ordered[3]


def test_it_is_told_to_those_who_do_not_see_it() -> None:
    car = shipped("saltflat8")
    root = parsed(car_from_above(car, ranks={"gear_mesh": 1}, words={"gear_mesh": "31 %"}))
    assert root.get("role") == "img"
    assert (root[0].text or "").startswith("Saltflat 8 from above")
    assert "1: gear mesh, 31 %" in (root[1].text or "")
    linked = parsed(car_from_above(car, links={"centre": "/there?a=1&b=2"}))
    assert linked.get("role") == "group"  # an image would hide its links
    link = next(linked.iter(f"{SVG}a"))
    assert link.attrib == {"href": "/there?a=1&b=2", "aria-label": "centre of the car"}


def test_rear_and_front_drive_lie_where_they_are() -> None:
    def middle_y(name: str) -> float:
        root = parsed(car_from_above(shipped(name)))
        return next(float(t.attrib["y"]) for t in root.iter(f"{SVG}text") if t.text == "driveline")

    assert middle_y("lanternfish12") < middle_y("saltflat8") < middle_y("greylag10")


def test_zones_of_its_own_are_listed_and_a_bare_machine_has_only_those() -> None:
    own = Zone("very_long_name_of_a_camera_arm_that_the_owner_made_on_a_rainy_evening")
    car = shipped("saltflat8")
    root = parsed(car_from_above(replace(car, zones=(*car.zones, own))))
    assert "Also on this car:" in {text.text for text in root.iter(f"{SVG}text")}
    bare = Car("Rotor", None, None, (Order("reference", 1.0),), (own,), shaft="reference")
    told = parsed(car_from_above(bare))[1].text or ""
    assert "camera arm" in told
    parsed(car_from_above(replace(bare, zones=())))


def test_names_are_escaped() -> None:
    car = replace(shipped("saltflat8"), name="<script>alert(1)</script>")
    svg = car_from_above(car, words={"steering": "<b>"}, links={"steering": '"><script>'})
    assert "<script" not in svg
    assert "<b>" not in svg

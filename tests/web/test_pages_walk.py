"""One walk through the pages in a real browser of phone width, from no car to the cautions' end."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from web_server import served

from vibecheck.car.shipped import shipped_car_path
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

DEMO = Path(__file__).resolve().parents[2] / "vibecheck" / "data" / "demo"

# Words of the picture that lie over others or outside of it, as the browser draws them.
COLLISIONS = """
() => {
  const picture = document.querySelector("svg.car-picture"), whole = picture.getBoundingClientRect();
  const texts = [...picture.querySelectorAll("text")].map((one) => [one.textContent, one.getBoundingClientRect()]);
  const found = [];
  texts.forEach(([words, a], place) => {
    if (a.left < whole.left || a.right > whole.right || a.bottom > whole.bottom) found.push(words);
    for (const [other, b] of texts.slice(place + 1)) {
      const over = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const under = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (over > 1 && under > 4) found.push(`${words} / ${other}`);
    }
  });
  return found;
}
"""  # noqa: E501
WIDER = "() => document.documentElement.scrollWidth > innerWidth"
SMALLEST_LETTERS = """
() => Math.min(...[...document.querySelectorAll("svg.car-picture text")].map((one) => {
  const scale = one.ownerSVGElement.getBoundingClientRect().width / 360;
  return scale * parseFloat(one.getAttribute("font-size"));
}))
"""


def test_from_no_car_to_the_recorder_door(tab: Any, live: str, app: Any) -> None:
    slips: list[str] = []
    tab.on("pageerror", lambda error: slips.append(str(error)))
    tab.goto(live)
    tab.click("a:has-text('Add your car')")
    # The file that is chosen is read into the box; nothing is sent yet.
    tab.set_input_files("#f-choose", shipped_car_path("greylag10"))
    tab.wait_for_function("document.getElementById('f-text').value.includes('Greylag 10')")
    assert app.state.garage.cars() == ()
    tab.click("text=Add the car of this file")
    tab.click("text=New bench check")
    tab.fill("#f-tyres", "foam, glued")
    tab.click("button:has-text('Begin')")
    boxes = tab.locator("input[name=seen]")
    tab.click("text=I have read and done all of this")
    assert "not acknowledged yet" in tab.inner_text(".errors")
    for place in range(boxes.count()):
        boxes.nth(place).press("Space")
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.textContent").startswith("I have read")
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/checks/1/spots")
    assert tab.evaluate(COLLISIONS) == []
    assert not tab.evaluate(WIDER)
    assert tab.get_by_role("link", name="rear left wheel, to do").count() == 1
    # The picture's links are reached by the keyboard.
    tab.locator("svg.car-picture a").first.focus()
    assert tab.evaluate("document.activeElement.getAttribute('aria-label')")
    assert slips == []


def test_the_zones_are_there_before_the_pictures(browser: Any, tmp_path: Path) -> None:
    app = create_app(Settings(data=tmp_path / "garage"))
    garage = app.state.garage
    sitting = garage.start_sitting(garage.add_car(shipped_car_path("saltflat8")).id)
    garage.add_take(sitting.id, DEMO / "2-something-loose-centre.flac")
    sitting = garage.sitting("1")
    app.state.judge.keep(sitting, app.state.judge.check(sitting))
    with served(app) as live:
        context = browser.new_context(viewport={"width": 360, "height": 740}, color_scheme="dark")
        tab = context.new_page()
        tab.goto(f"{live}/checks/1/result", wait_until="domcontentloaded")
        assert tab.locator("ol.zones > li").count() == 13
        tab.wait_for_selector("#drawn figure")
        assert tab.locator("#drawn figure svg").count() == 4
        assert tab.inner_text("#drawing") == ""
        assert tab.evaluate(COLLISIONS) == []
        assert tab.evaluate(SMALLEST_LETTERS) >= 11.5
        assert not tab.evaluate(WIDER)
        # A tap on the picture leads to its zone in the list.
        tab.get_by_role("link", name="gear mesh").first.click()
        assert tab.evaluate("location.hash") == "#zone-gear_mesh"
        # The picture is drawn dark on white: it stays on white in the dark.
        shade = "getComputedStyle(document.querySelector('svg.car-picture')).backgroundColor"
        assert tab.evaluate(shade) == "rgb(255, 255, 255)"
        context.close()
        plain = browser.new_context(java_script_enabled=False)
        tab = plain.new_page()
        tab.goto(f"{live}/checks/1/result")
        tab.click("text=Show the pictures")
        assert tab.locator("figure svg").count() == 4
        plain.close()


def test_long_names_fit_on_the_narrowest_phone(tab: Any, live: str, app: Any) -> None:
    garage = app.state.garage
    text = shipped_car_path("saltflat8").read_text("utf-8")
    text = text.replace('"Saltflat 8"', f'"{"W" * 80}"').replace('"wheel nut"', f'"{"nut" * 25}"')
    car = garage.add_car_text(f'{text}\n[[zones]]\nname = "{"x" * 80}"\n')
    garage.start_sitting(car.id)
    # WCAG 2.2, 1.4.10: no sideways scrolling at 320 pixels.
    tab.set_viewport_size({"width": 320, "height": 640})
    for path in ("/", f"/cars/{car.id}", f"/cars/{car.id}/plan", "/checks/1", "/checks/1/spots"):
        tab.goto(live + path)
        assert not tab.evaluate(WIDER), path

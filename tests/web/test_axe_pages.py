"""Every page, in a real browser: axe-core finds no violation of WCAG 2.2 AA, on a phone and wide,
light and dark; all of it is reached by keyboard, stands still where motion is unwanted, and prints.

Level and tags: the rules of axe-core that belong to WCAG 2.0, 2.1 and 2.2, levels A and AA.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unicodedata import normalize

import pytest
from access_bed import BASE, LAN, guarded_bed
from axe_bed import ADDRESSES, full_garage, get_paths
from web_server import served

from vibecheck.web.access.certificate import local_certificate, right_now

axe_core = pytest.importorskip("axe_playwright_python.base", reason="axe-core is not installed")

ALL_RULES = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
OF_THE_LOOK = {"type": "rule", "values": ["color-contrast", "target-size"]}
"""Those whose answer width or colours can change."""
PHONE, WIDE = {"width": 360, "height": 740}, {"width": 1200, "height": 800}
LOOKS = (
    (PHONE, "light", ALL_RULES),
    (PHONE, "dark", OF_THE_LOOK),
    (WIDE, "dark", ALL_RULES),
    (WIDE, "light", OF_THE_LOOK),
)
NARROWEST_PX = 320
"""WCAG 2.2, 1.4.10: no scrolling in two dimensions down to here."""
MOST_STOPS = 400
# What is folded up, and stages that a script shows later.
OPEN_ALL = """() => {
  document.querySelectorAll('details').forEach(one => { one.open = true; });
  document.querySelectorAll('[hidden]').forEach(one => { one.hidden = false; });
}"""
RUN_AXE = """async rules => {
  const options = { runOnly: rules, resultTypes: ['violations'], preload: false };
  const words = node => `${node.target.join(' ')} (${node.failureSummary.replace(/\\s+/g, ' ')})`;
  const found = await axe.run(options);
  return found.violations.map(one => `${one.id}: ` + one.nodes.map(words).join(' | '));
}"""
# What the keyboard must reach: one of each group of radio buttons, and everything else.
STOPS = """() => {
  const wanted = 'a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]';
  const groups = new Set();
  window.stops = [...document.querySelectorAll(wanted)].filter(one => {
    const there = one.checkVisibility({ visibilityProperty: true });
    if (one.tabIndex < 0 || one.disabled || !there) return false;
    if (one.type !== 'radio') return true;
    const isFirst = !groups.has(one.name);
    groups.add(one.name);
    return isFirst;
  });
  return window.stops.map(one => one.outerHTML.slice(0, 120));
}"""
# Where the focus is, and what marks it: an outline of its own or of what is around it.
FOCUS = """() => {
  const now = document.activeElement;
  if (!now || now === document.body) return null;
  const isNow = one => one === now ||
    (now.type === 'radio' && one.type === 'radio' && one.name === now.name);
  const outlined = one => {
    const style = getComputedStyle(one);
    const isThick = style.outlineStyle === 'auto' || parseFloat(style.outlineWidth) >= 2;
    return style.outlineStyle !== 'none' && isThick;
  };
  const drawn = one => getComputedStyle(one).stroke !== 'none';
  let marked = outlined(now) || [...now.querySelectorAll('.mark-focus')].some(drawn);
  for (let one = now.parentElement, k = 0; one && k < 2; one = one.parentElement, k++)
    marked = marked || (one !== document.body && outlined(one));
  const box = now.getBoundingClientRect();
  return { place: window.stops.findIndex(isNow), marked, html: now.outerHTML.slice(0, 120),
    shown: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth };
}"""


@pytest.fixture(scope="module")
def bed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, dict[str, str]]]:
    """Address of a full garage, served, and the ids of its cars."""
    app, ids = full_garage(tmp_path_factory.mktemp("axe"))
    with served(app) as address:
        yield address, ids


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    """One tab for all pages, of somebody who wants no motion."""
    context = browser.new_context(viewport=PHONE, reduced_motion="reduce")
    yield context.new_page()
    context.close()


CASES = [address for path in get_paths() for address in ADDRESSES.get(path, ())] + ["/nowhere"]


def test_every_page_is_looked_at() -> None:
    """A new page needs an address in `axe_bed.ADDRESSES`."""
    assert [path for path in get_paths() if path not in ADDRESSES] == []


@pytest.mark.parametrize("address", CASES)
def test_nobody_is_shut_out(page: Any, bed: tuple[str, dict[str, str]], address: str) -> None:
    base, ids = bed
    where = base + address.format(**ids)
    if ".json" in where or ".toml" in where:
        assert page.request.get(where).status == 200
    else:
        assert what_is_wrong(page, where) == []


@pytest.mark.parametrize("who", ["stranger", "wrong code", "paired", "certificate"])
def test_nobody_is_shut_out_of_the_pairing(page: Any, tmp_path: Path, who: str) -> None:
    """Served as `serve --lan` does, without a network: the tab asks the application itself."""
    certificate = local_certificate(tmp_path / "garage", [LAN], ["bench.local"], now=right_now())
    with guarded_bed(tmp_path, certificate=certificate) as lan:
        visitor = lan.paired() if who == "paired" else lan.browser()

        def answer(route: Any) -> None:
            asked = route.request
            method = "POST" if who == "wrong code" and asked.url.endswith("/pair") else "GET"
            got = visitor.request(
                method, asked.url, data={"code": "0"} if method == "POST" else None
            )
            route.fulfill(status=got.status_code, headers=dict(got.headers), body=got.content)

        page.route(f"{BASE}/**", answer)
        try:
            path = "/certificate" if who == "certificate" else "/pair"
            assert what_is_wrong(page, BASE + path) == []
        finally:
            page.unroute(f"{BASE}/**")


def what_is_wrong(page: Any, where: str) -> list[str]:
    """Open a page and return what is wrong with it for somebody."""
    page.set_viewport_size(PHONE)
    page.emulate_media(color_scheme="light", reduced_motion="reduce", media="screen")
    wrong: list[str] = []

    def listen(message: Any) -> None:
        # A page that says what was wrong comes with a status that the console repeats.
        if message.type == "error" and "the server responded with a status" not in message.text:
            wrong.append(f"console: {message.text}")

    page.on("console", listen)
    page.on("pageerror", lambda error: wrong.append(f"script: {error}"))
    answer = page.goto(where)
    expected = (404,) if where.endswith("/nowhere") else (200, 403, 422)
    assert answer.status in expected, f"{where}: {answer.status}"
    wrong += walk_by_keyboard(page)
    page.evaluate(OPEN_ALL)
    page.evaluate(axe_core.AXE_SCRIPT)
    for size, scheme, rules in LOOKS:
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme)
        for violation in page.evaluate(RUN_AXE, rules):
            wrong.append(f"axe at {size['width']} px, {scheme}: {violation}")
    for width in (PHONE["width"], NARROWEST_PX):
        page.set_viewport_size({"width": width, "height": 740})
        over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        if over > 0:
            wrong.append(f"at {width} px it is {over} px too wide")
    moving = page.evaluate(
        "document.getAnimations().filter(one => one.playState === 'running').length"
    )
    if moving:
        wrong.append(f"{moving} animations run although no motion is wanted")
    if page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") != "auto":
        wrong.append("scrolling moves although no motion is wanted")
    wrong += printed(page)
    page.remove_listener("console", listen)
    return wrong


def walk_by_keyboard(page: Any) -> list[str]:
    """Press the tab key through a page; return what it does not reach, or reaches unseen."""
    stops = page.evaluate(STOPS)
    reached: set[int] = set()
    wrong = []
    for _ in range(min(len(stops), MOST_STOPS) + 5):
        page.keyboard.press("Tab")
        now = page.evaluate(FOCUS)
        if now is None or now["place"] in reached:
            break
        reached.add(now["place"])
        if not now["marked"]:
            wrong.append(f"keyboard: nothing marks the focus on {now['html']}")
        if not now["shown"]:
            wrong.append(f"keyboard: the focus is out of sight on {now['html']}")
    page.evaluate("document.activeElement.blur()")
    missed = [html for place, html in enumerate(stops[:MOST_STOPS]) if place not in reached]
    return wrong + [f"keyboard: never reached {html}" for html in missed]


def printed(page: Any) -> list[str]:
    """Print a page to a file; return what is wrong with the file."""
    from pypdf import PdfReader

    page.emulate_media(media="print", color_scheme="light")
    title = page.inner_text("h1")
    text = PdfReader(io.BytesIO(page.pdf())).pages[0].extract_text()
    page.emulate_media(media="screen")
    # Fonts print "fl" as one sign.
    on_paper, heading = ("".join(normalize("NFKC", one).split()) for one in (text, title))
    if heading not in on_paper:
        return [f"print: the heading {title!r} is not on the first sheet"]
    return []

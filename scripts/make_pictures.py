"""Draw the README's pictures from the demo's second check.

``report.png`` holds the two printed sheets of its report. ``phone.png`` holds three pages of the
browser's face at a phone's width, served over a garage of the shipped demo on this machine.

    python scripts/make_pictures.py        (needs chromium, pdftoppm and the dev packages)
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import uvicorn
from PIL import Image
from playwright.sync_api import sync_playwright

from vibecheck.demo import read_story, run_story
from vibecheck.risk.walk import same_for_all
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

IMAGES = Path(__file__).resolve().parent.parent / "docs" / "images"
REPORT, PHONE = IMAGES / "report.png", IMAGES / "phone.png"
WIDTH, HEIGHT, GAP, COLOURS = 360, 720, 24, 64


def filled(data: Path) -> tuple[Any, str]:
    """Return the application over a garage with the demo's first two checks, and the car's id."""
    story = read_story()
    folder = Path(str(story.folder))
    app = create_app(Settings(data=data))
    garage = app.state.garage
    car = garage.add_car(folder / story.car_file)
    for number, chapter in enumerate(story.chapters[:2]):
        sitting = garage.start_sitting(car.id)
        for file, spot in zip(chapter.files, chapter.spots, strict=True):
            garage.add_take(sitting.id, folder / file, spot=spot)
        app.state.judge.keep(sitting, app.state.judge.check(garage.sitting(sitting.id)))
        if number == 0:
            for zone in car.car.zones:
                garage.log_hand_check(sitting.id, *same_for_all(zone, "snug"))
            garage.finish_hand_check(sitting.id)
            garage.close_sitting(sitting.id)
        app.state.acknowledged[sitting.id] = datetime.now(UTC)
    return app, car.id


def browser_of(playwright: Any) -> Any:
    """Start Debian's Chromium."""
    return playwright.chromium.launch(
        executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
    )


def printed(page: Path, folder: Path) -> list[Image.Image]:
    """Print a page on A4 and return its sheets."""
    with sync_playwright() as playwright:
        browser = browser_of(playwright)
        tab = browser.new_page()
        tab.goto(page.as_uri())
        tab.pdf(path=str(folder / "sheets.pdf"), prefer_css_page_size=True)
        browser.close()
    call = ["pdftoppm", "-r", "80", "-png", str(folder / "sheets.pdf"), str(folder / "sheet")]
    subprocess.run(call, check=True)
    return [Image.open(path).convert("RGB") for path in sorted(folder.glob("sheet-*.png"))]


def side_by_side(pictures: list[Image.Image], out: Path) -> None:
    """Write pictures beside each other into one file of few colours."""
    width = sum(one.width for one in pictures) + GAP * (len(pictures) - 1)
    sheet = Image.new("RGB", (width, max(one.height for one in pictures)), "white")
    x = 0
    for one in pictures:
        sheet.paste(one, (x, 0))
        x += one.width + GAP
    sheet.quantize(COLOURS).save(out, optimize=True)
    print(out.relative_to(IMAGES.parents[1]))


def photographed(address: str) -> list[Image.Image]:
    """Return one picture a page."""
    pages = (("/checks/2/spots", "h1"), ("/checks/2/result", "h1"), ("/checks/2/hand-check", "h1"))
    shots = []
    with sync_playwright() as playwright:
        browser = browser_of(playwright)
        context = browser.new_context(
            viewport={"width": WIDTH, "height": HEIGHT}, device_scale_factor=1.5
        )
        for path, anchor in pages:
            tab = context.new_page()
            tab.goto(address + path)
            tab.wait_for_selector(anchor)
            tab.wait_for_timeout(300)
            shots.append(Image.open(BytesIO(tab.screenshot())).convert("RGB"))
        browser.close()
    return shots


def main() -> int:
    """Write the pictures."""
    with tempfile.TemporaryDirectory() as folder:
        pages = Path(folder)
        run_story(read_story(), pages)
        second = sorted(pages.glob("2-*.html"))[0]
        side_by_side(printed(second, pages), REPORT)
    with tempfile.TemporaryDirectory() as data:
        app, _car = filled(Path(data))
        listener = socket.socket()
        listener.bind(("127.0.0.1", 0))
        config = uvicorn.Config(app, log_level="warning", ws="none")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.05)
        shots = photographed(f"http://127.0.0.1:{listener.getsockname()[1]}")
        server.should_exit = True
        thread.join(10)
        listener.close()
    side_by_side(shots, PHONE)
    return 0


if __name__ == "__main__":
    sys.exit(main())

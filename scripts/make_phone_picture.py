"""Draw docs/images/phone.png: three pages of the demo's second check as a phone shows them.

Serves the page over a garage of the shipped demo on this machine and photographs it with Chromium.

    python scripts/make_phone_picture.py        (needs chromium and the dev packages)
"""

from __future__ import annotations

import shutil
import socket
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

from vibecheck.demo import read_story
from vibecheck.risk.walk import same_for_all
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

OUT = Path(__file__).resolve().parent.parent / "docs" / "images" / "phone.png"
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


def photographed(address: str) -> list[Image.Image]:
    """Return one picture a page."""
    pages = (("/checks/2/spots", "h1"), ("/checks/2/result", "h1"), ("/checks/2/hand-check", "h1"))
    shots = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
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
    """Write the picture."""
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
    width = sum(shot.width for shot in shots) + GAP * (len(shots) - 1)
    sheet = Image.new("RGB", (width, shots[0].height), "white")
    x = 0
    for shot in shots:
        sheet.paste(shot, (x, 0))
        x += shot.width + GAP
    sheet.quantize(COLOURS).save(OUT, optimize=True)
    print(OUT.relative_to(OUT.parents[2]))
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""How heavy is the recorder page, and how soon is a sound seen? In Chromium, slowed down 4 times.

``Emulation.setCPUThrottlingRate`` slows the page's own thread, which is what draws; workers and the
sound thread of this machine keep their speed, which a phone's would not. A microphone is simulated:

- frames, long tasks, lost samples: a file that the fake microphone plays (simulated spin-up);
- from sound to picture: a tone that begins at a known moment inside a stream of the page itself,
  so that the microphone's own delay is not in it. Seen is a tone when its row of the picture has
  become bright, asked for in every frame;
- from stop to ranked zones: the marks that the page sets, for a take of 20 s, with the time that
  each call of the server took.

Usage, with the threads of linear algebra bound as in the other measurements::

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python scripts/bench_web_live.py [--seconds 20]
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr
from figures import figure

from vibecheck.car.shipped import shipped_car_path
from vibecheck.recording.read import read_take
from vibecheck.web.app import create_app
from vibecheck.web.settings import Settings

TAKE = Path(__file__).parent.parent / "vibecheck/data/demo/2-something-loose-centre.flac"
FAKE_RATE_HZ = 44_100
THROTTLE = 4
TONE_HZ = 3000.0
QUANTILES = (("median", 0.5), ("p95", 0.95), ("p99", 0.99), ("longest", 1.0))

WATCH = """() => {
  const seen = window.seen = { frames: [], long: [] };
  let last = performance.now();
  const next = (now) => { seen.frames.push(now - last); last = now; requestAnimationFrame(next); };
  requestAnimationFrame(next);
  new PerformanceObserver((list) => {
    for (const one of list.getEntries()) seen.long.push(one.duration);
  }).observe({ type: "longtask" });
}"""

# The stream that the page gets instead of a microphone: faint noise, and a tone on demand.
TONE_STREAM = """
navigator.mediaDevices.getUserMedia = async () => {
  const context = new AudioContext();
  await context.resume();
  const to = new MediaStreamAudioDestinationNode(context);
  const noise = context.createBuffer(1, context.sampleRate, context.sampleRate);
  noise.getChannelData(0).forEach((_, k, all) => { all[k] = (Math.random() - 0.5) * 1e-3; });
  const hiss = new AudioBufferSourceNode(context, { buffer: noise, loop: true });
  hiss.connect(to);
  hiss.start();
  window.tone = (hz) => {
    const source = new OscillatorNode(context, { frequency: hz });
    const gain = new GainNode(context, { gain: 0.25 });
    source.connect(gain).connect(to);
    // The next block that is computed begins at currentTime.
    const at = context.currentTime + 0.05;
    source.start(at);
    source.stop(at + 0.4);
    return performance.now() + 1000 * (at - context.currentTime);
  };
  return to.stream;
};
"""
# The row of the picture that holds the tone; bright when any of the newest columns is.
DELAY = """async ([hz, rows]) => {
  const canvas = document.getElementById("picture");
  const pen = canvas.getContext("2d");
  const row = rows - 1 - Math.floor((rows * Math.log(hz / 40)) / Math.log(20000 / 40));
  const bright = () => {
    const { data, width } = pen.getImageData(0, row - 1, canvas.width, 3);
    let most = 0, white = -1;
    for (let k = 0; k < width; k += 1) {
      if (data[4 * k] === 255 && data[4 * k + 1] === 255 && data[4 * k + 2] === 255) white = k;
    }
    if (white < 0) return 0;
    for (let back = 1; back <= 4; back += 1) {
      const k = (white - 1 - back + 2 * width) % width;
      for (let y = 0; y < 3; y += 1) most = Math.max(most, data[4 * (y * width + k) + 1]);
    }
    return most;
  };
  const quiet = bright();
  const began = window.tone(hz);
  for (;;) {
    await new Promise((resolve) => requestAnimationFrame(resolve));
    const now = performance.now();
    if (bright() > quiet + 60) return now - began;
    if (now - began > 2000) return null;
  }
}"""


def fake_file(folder: Path, seconds: float) -> Path:
    """Write a simulated spin-up for the fake microphone, with quiet before it."""
    take = read_take(TAKE)
    spin = soxr.resample(take.mono(), take.sample_rate_hz, FAKE_RATE_HZ)
    quiet = np.resize(spin[:FAKE_RATE_HZ], round((6.0 + seconds) * FAKE_RATE_HZ) - spin.size)
    path = folder / "fake.wav"
    soundfile.write(path, np.concatenate([quiet, spin]), FAKE_RATE_HZ, subtype="PCM_16")
    return path


@contextmanager
def served(data: Path) -> Iterator[tuple[int, Any]]:
    """Serve a garage with one open bench check whose cautions were acknowledged."""
    import uvicorn

    from vibecheck.web.access.guard import wrap

    app = create_app(Settings(data=data))
    garage = app.state.garage
    sitting = garage.start_sitting(garage.add_car(shipped_car_path()).id)
    app.state.acknowledged[sitting.id] = datetime.now(UTC)
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    guarded = wrap(app, app.state.settings)
    config = uvicorn.Config(guarded, log_level="warning", access_log=False, ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    try:
        yield listener.getsockname()[1], app
    finally:
        server.should_exit = True
        thread.join(10)


def open_page(browser: Any, port: int, *, throttle: int, script: str = "") -> Any:
    tab = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    if script:
        tab.add_init_script(script)
    tab.goto(f"http://127.0.0.1:{port}/checks/1/record?spot=centre")
    session = tab.context.new_cdp_session(tab)
    session.send("Emulation.setCPUThrottlingRate", {"rate": throttle})
    return tab


def frames(browser: Any, port: int, seconds: float, throttle: int) -> None:
    """Record and look at the page's own thread meanwhile."""
    tab = open_page(browser, port, throttle=throttle)
    calls: list[tuple[str, float]] = []
    tab.on(
        "requestfinished",
        lambda r: calls.append((f"{r.method} {r.url.rpartition('/')[2]}", r.timing["responseEnd"])),
    )
    tab.click("#turn-on")
    tab.click("#start:not([disabled])", timeout=30_000)
    tab.wait_for_selector("#script:visible", timeout=30_000)
    tab.evaluate(WATCH)
    tab.wait_for_timeout(1000 * seconds)
    seen = tab.evaluate("window.seen")
    lost = tab.inner_text("#lost")
    tab.click("#stop")
    tab.wait_for_selector("#keep:visible", timeout=60_000)
    marks = tab.evaluate(
        "performance.getEntriesByType('mark').map((one) => [one.name, one.startTime])"
    )
    at = dict(marks)
    took = np.array(seen["frames"][2:])
    print(f"\nslowed down {throttle} times, {tab.inner_text('#after-title')}")
    shares = [f"{words} {np.quantile(took, q):.1f} ms" for words, q in QUANTILES]
    print(f"  frames: {took.size}, {', '.join(shares)}")
    print(f"  over 33 ms: {np.mean(took > 33.4):.2%} of the frames")
    long = seen["long"]
    print(f"  tasks over 50 ms: {len(long)}" + (f", longest {max(long):.0f} ms" if long else ""))
    print(f"  lost while recording: {lost}")
    ready_ms = at["vibecheck-looked"] - at["vibecheck-stop"]
    figure(
        f"recorder page slowed {throttle} ×: stop of a {seconds:.0f} s take to ranked zones",
        f"{ready_ms:.0f} ms, {lost}",
        f"one frame of the screen: median {np.median(took):.1f} ms, longest {took.max():.0f} ms",
        f"{ready_ms / np.median(took):.0f} frames",
        "≤ 2 s",
        ready_ms <= 2000.0,
    )
    print(f"  stop to ranked zones: {at['vibecheck-looked'] - at['vibecheck-stop']:.0f} ms, of it")
    for name in ("finish", "look"):
        spent = [ms for call, ms in calls if call.endswith(name)]
        if spent:
            print(f"    {name}: {spent[-1]:.0f} ms")
    tab.context.close()


def delay(browser: Any, port: int, throttle: int, tries: int) -> None:
    """Measure from a tone's first sample to the frame that shows it."""
    tab = open_page(browser, port, throttle=throttle, script=TONE_STREAM)
    tab.click("#turn-on")
    tab.wait_for_selector("#start:not([disabled])", timeout=30_000)
    took = []
    for _ in range(tries):
        tab.wait_for_timeout(900)
        took.append(tab.evaluate(DELAY, [TONE_HZ, 200]))
    seen = np.array([one for one in took if one is not None])
    late_ms = float(np.quantile(seen, 0.95))
    figure(
        f"recorder page slowed {throttle} ×: from sound to picture, p95",
        f"{late_ms:.0f} ms",
        f"median {np.median(seen):.0f} ms",
        f"{late_ms / np.median(seen):.1f} × the median",
        "< 150 ms",
        late_ms < 150.0,
    )
    print(
        f"\nfrom sound to picture, slowed down {throttle} times ({seen.size} of {tries} tones seen)"
    )
    print(
        f"  median {np.median(seen):.0f} ms, p95 {np.quantile(seen, 0.95):.0f} ms, longest "
        f"{seen.max():.0f} ms"
    )
    tab.context.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--tries", type=int, default=25)
    parser.add_argument("--chromium", default=shutil.which("chromium"))
    asked = parser.parse_args()
    from playwright.sync_api import sync_playwright

    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} before")
    with (
        tempfile.TemporaryDirectory() as folder,
        served(Path(folder) / "garage") as (port, _app),
        sync_playwright() as playwright,
    ):
        fake = fake_file(Path(folder), asked.seconds)
        flags = [
            "--no-sandbox",
            "--disable-gpu",
            "--use-fake-ui-for-media-stream",
            "--use-fake-device-for-media-stream",
            f"--use-file-for-fake-audio-capture={fake}%noloop",
        ]
        browser = playwright.chromium.launch(
            executable_path=asked.chromium, headless=True, args=flags
        )
        print(json.dumps({"browser": browser.version}))
        for throttle in (1, THROTTLE):
            frames(browser, port, asked.seconds, throttle)
        for throttle in (1, THROTTLE):
            delay(browser, port, throttle, asked.tries)
        browser.close()
    print(f"load {os.getloadavg()[0]:.1f} after")


if __name__ == "__main__":
    main()

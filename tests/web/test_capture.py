"""The recorder in a real browser, whose microphone plays a file.

The recordings played are simulated. What is proved here is proved for Chromium and its fake
microphone: phones, Firefox and Safari are not.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from uploads_bed import bench_check, samples_of, served_at

import vibecheck
from vibecheck.car.shipped import shipped_car_path
from vibecheck.web.app import create_app
from vibecheck.web.pages import record
from vibecheck.web.settings import Settings

RATE = 44_100
"""Chromium hands files of this rate through untouched; others it resamples crudely."""
LEAD_S = 4.0
"""Quiet before the spin-up: the page is still counting down then."""
MICROPHONE = ("--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream")


@dataclass(frozen=True)
class Played:
    """What the fake microphone plays."""

    path: Path
    samples: NDArray[np.float32]

    @property
    def flags(self) -> tuple[str, ...]:
        return (*MICROPHONE, f"--use-file-for-fake-audio-capture={self.path}%noloop")


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """A simulated spin-up at the fake microphone's own rate, with more of its quiet before it."""
    import soundfile
    import soxr

    samples, rate = samples_of()
    spin = soxr.resample(samples, rate, RATE)
    quiet = np.resize(spin[:RATE], round(LEAD_S * RATE))
    path = tmp_path_factory.mktemp("played") / "spin.wav"
    soundfile.write(path, np.concatenate([quiet, spin]), RATE, subtype="PCM_16")
    return Played(path, soundfile.read(path, dtype="float32")[0])


@pytest.fixture(scope="module")
def noise(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """Noise, of which each second is like no other: any stretch of it can be found again."""
    import soundfile

    path = tmp_path_factory.mktemp("noise") / "noise.wav"
    values = np.random.default_rng(7).normal(0.0, 0.1, 20 * RATE)
    soundfile.write(path, values, RATE, subtype="PCM_16")
    return Played(path, soundfile.read(path, dtype="float32")[0])


@pytest.fixture(scope="module")
def spinning(launch: Callable[..., Any], played: Played) -> Any:
    return launch(*played.flags)


@pytest.fixture(scope="module")
def hissing(launch: Callable[..., Any], noise: Played) -> Any:
    return launch(*noise.flags)


@pytest.fixture
def phone(spinning: Any) -> Iterator[Any]:
    """A tab whose microphone plays the spin-up."""
    yield from tab_of(spinning)


@pytest.fixture
def noisy_phone(hissing: Any) -> Iterator[Any]:
    """A tab whose microphone plays noise."""
    yield from tab_of(hissing)


def tab_of(browser: Any) -> Iterator[Any]:
    """A tab of phone width; a fault of the page, or a breach of its policy, fails the test."""
    context = browser.new_context(viewport={"width": 360, "height": 740})
    tab = context.new_page()
    faults: list[str] = []
    tab.on("pageerror", lambda error: faults.append(str(error)))
    tab.on(
        "console",
        lambda said: faults.append(said.text) if "Content Security" in said.text else None,
    )
    yield tab
    context.close()
    assert not faults


@pytest.fixture
def hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    """Count down from one, after a glance at the room."""
    monkeypatch.setattr(record, "ROOM_S", 0.2)
    monkeypatch.setattr(record, "COUNT_FROM", 1)


def open_recorder(tab: Any, port: int, spot: str = "centre") -> None:
    tab.goto(f"http://127.0.0.1:{port}/checks/1/record?spot={spot}")
    tab.wait_for_selector("#turn-on")


def start_recording(tab: Any) -> None:
    tab.click("#turn-on")
    tab.click("#start:not([disabled])", timeout=15_000)
    tab.wait_for_selector("#script:visible", timeout=15_000)


def wait_recorded(tab: Any, seconds: float) -> None:
    # By hand: the page's policy forbids what Playwright's own waiting evaluates.
    for _ in range(600):
        if float(tab.inner_text("#elapsed").split()[0]) >= seconds:
            return
        tab.wait_for_timeout(50)
    raise AssertionError(f"{seconds} s were never recorded")


def wait_looked(tab: Any) -> None:
    tab.wait_for_selector("#keep:visible", timeout=30_000)


def keep(tab: Any) -> None:
    tab.click("#keep")
    tab.wait_for_selector("#stage-kept:visible", timeout=20_000)


def aligned(
    recorded: NDArray[np.float32], played: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the stretches of both that belong together, by their cross-correlation."""
    from scipy.signal import correlate

    found = correlate(played, recorded, mode="full", method="fft")
    lag = int(np.argmax(found)) - (recorded.size - 1)
    assert lag >= 0
    n = min(recorded.size, played.size - lag)
    return recorded[:n], played[lag : lag + n]


def share_found(recorded: NDArray[np.float32], played: NDArray[np.float32]) -> float:
    """Return how much of a recording lies in what was played, in its order, by tenths of a second.

    On a machine that is short of time Chromium's fake microphone itself leaves out a hundredth of a
    second here and there, which the page counts; what was sent must hold all the rest.
    """
    from scipy.signal import correlate

    n = RATE // 10
    places = []
    for at in range(0, recorded.size - n, n):
        piece = recorded[at : at + n]
        place = int(np.argmax(correlate(played, piece, mode="valid", method="fft")))
        same = np.abs(played[place : place + n] - piece).max() < 2.0 / 32_768
        places.append(place if same else None)
    found = [place for place in places if place is not None]
    assert found == sorted(found)
    return len(found) / len(places)


def feed_motion(tab: Any) -> None:
    """Give the tab a motion sensor at rest (Chromium's sensor emulation)."""
    tab.context.grant_permissions(["accelerometer", "gyroscope"])
    session = tab.context.new_cdp_session(tab)
    for kind in ("accelerometer", "linear-acceleration", "gyroscope"):
        session.send("Emulation.setSensorOverrideEnabled", {"enabled": True, "type": kind})
        xyz = {"x": 0.3, "y": 0.1, "z": 9.8} if kind == "accelerometer" else dict.fromkeys("xyz", 0)
        session.send("Emulation.setSensorOverrideReadings", {"type": kind, "reading": {"xyz": xyz}})


def axe_says(tab: Any) -> list[str]:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found = axe.run(tab, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]})
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found.response["violations"]]


def record_spin_up(phone: Any, played: Played) -> None:
    """Record the whole spin-up, once more where samples were lost, as an owner would."""
    for _ in range(3):
        phone.wait_for_selector("#start:not([disabled])", timeout=15_000)
        assert "are off: the browser says so itself" in phone.inner_text("#processing")
        assert "quiet enough" in phone.inner_text("#room")
        phone.keyboard.press("Enter")  # the button has the focus: the other hand is not free
        phone.wait_for_selector("#script:visible", timeout=15_000)
        assert phone.inner_text("#big") == "Motor off, quiet"
        wait_recorded(phone, played.samples.size / RATE - LEAD_S - 0.6)
        assert phone.evaluate("document.documentElement.scrollWidth") <= 360
        phone.keyboard.press("Enter")
        wait_looked(phone)
        if "0 samples lost" in phone.inner_text("#after-title"):
            return
        phone.click("#redo")
    pytest.skip("this machine is too busy to play a file to the browser without losing samples")


@pytest.mark.usefixtures("hurry")
def test_the_stored_recording_is_what_was_played_and_ranks_alike(
    tmp_path: Path, phone: Any, played: Played
) -> None:
    app = create_app(Settings(data=tmp_path))
    sitting = bench_check(app)
    with served_at(app) as port:
        open_recorder(phone, port)
        feed_motion(phone)
        phone.check("#motion")
        phone.click("#turn-on")
        record_spin_up(phone, played)
        assert axe_says(phone) == []
        shown = [item.get_attribute("data-zone") for item in phone.query_selector_all("#zones li")]
        assert "simulated" in phone.inner_text("#answer")
        keep(phone)
        phone.click("#result-link")
        phone.wait_for_url("**/checks/1/result")
        assert "simulated" in phone.inner_text("main")
    takes = {take.sensor: take for take in app.state.garage.sitting(sitting.id).takes}
    assert set(takes) == {"microphone", "accelerometer"}

    stored, rate = samples_of(takes["microphone"].path)
    assert rate == RATE
    got, sent = aligned(stored, played.samples)
    assert got.size > 10 * RATE
    assert np.corrcoef(got, sent)[0, 1] >= 0.99
    assert abs(20.0 * np.log10(np.std(got) / np.std(sent))) < 0.5
    for piece, wanted in zip(np.array_split(got, 50), np.array_split(sent, 50), strict=True):
        assert np.abs(piece - wanted).max() < 2.0 / 32_768  # no gap, no shift, anywhere

    # The command on the stored file ranks as the page showed and kept.
    car = shipped_car_path()
    command = [sys.executable, "-m", "vibecheck", "check", str(takes["microphone"].path)]
    done = subprocess.run(
        [*command, "--car", str(car), "--json", "-"], capture_output=True, text=True, check=True
    )
    ranked = [zone["zone"] for zone in json.loads(done.stdout)["zones"]]
    assert shown == ranked[: len(shown)]
    kept = app.state.garage.result(sitting.id)
    assert [zone["zone"] for zone in kept["zones"]] == ranked
    # The same stretch of what was recorded and of the file that was played gets about the same
    # chances (they differ by the browser's rounding, which may carry a feature over a threshold),
    # and the same ranks in the zones that are shown; so does the whole recording.
    ranks, chances = [], []
    for samples in (got, sent):
        heard = vibecheck.Take(samples=samples, sample_rate_hz=RATE)
        result = vibecheck.check([heard], vibecheck.read_car(car))
        ranks.append([one.zone for one in sorted(result.zones, key=lambda zone: zone.rank)])
        chances.append({one.zone: one.probability for one in result.zones})
    assert chances[0] == pytest.approx(chances[1], abs=0.03)
    assert ranks[0][: len(shown)] == ranks[1][: len(shown)] == shown

    motion = takes["accelerometer"]
    take = vibecheck.read_take(motion.path, sensor="accelerometer", **motion.reading)
    assert take.unit == "m/s^2"
    assert 20.0 < take.sample_rate_hz <= 61.0
    assert take.duration_s > 8.0
    np.testing.assert_allclose(take.samples.mean(axis=1), (0.3, 0.1, 9.8), atol=0.06)


@pytest.mark.usefixtures("hurry")
def test_dead_network_and_reload_lose_nothing(
    tmp_path: Path, noisy_phone: Any, noise: Played
) -> None:
    phone = noisy_phone
    app = create_app(Settings(data=tmp_path))
    sitting = bench_check(app)
    dead = False

    def through(route: Any) -> None:
        route.abort() if dead else route.continue_()

    with served_at(app) as port:
        phone.context.route("**/uploads**", through)
        open_recorder(phone, port)
        start_recording(phone)
        wait_recorded(phone, 1.5)
        dead = True
        wait_recorded(phone, 2.5)
        phone.click("#stop")
        phone.wait_for_selector("text=The recording is kept in this browser", timeout=15_000)
        assert phone.is_visible("#redo")
        assert phone.is_hidden("#keep")
        title = phone.inner_text("#after-title")
        phone.reload()
        phone.wait_for_selector("#found:visible")
        phone.click("#found-use")
        phone.wait_for_selector("text=The recording is kept in this browser", timeout=15_000)
        dead = False
        phone.evaluate("window.dispatchEvent(new Event('online'))")
        wait_looked(phone)
        assert phone.inner_text("#after-title") == title.replace("Recorded", "Found again")
        keep(phone)
        phone.reload()
        phone.wait_for_timeout(200)
        assert phone.is_hidden("#found")
    (take,) = app.state.garage.sitting(sitting.id).takes
    stored = samples_of(take.path)[0]
    assert stored.size > 2.4 * RATE
    assert share_found(stored, noise.samples) > 0.85


@pytest.mark.usefixtures("hurry")
def test_reload_while_recording_and_restart_of_the_server_lose_nothing(
    tmp_path: Path, noisy_phone: Any, noise: Played
) -> None:
    phone = noisy_phone
    app = create_app(Settings(data=tmp_path))
    sitting = bench_check(app)
    with served_at(app) as port:
        open_recorder(phone, port)
        start_recording(phone)
        wait_recorded(phone, 1.2)
    app = create_app(Settings(data=tmp_path))
    app.state.acknowledged[sitting.id] = record_moment()
    wait_recorded(phone, 2.2)
    with served_at(app, port):
        phone.on("dialog", lambda dialog: dialog.accept())
        phone.reload()
        phone.wait_for_selector("#found:visible")
        assert "its end is missing" in phone.inner_text("#found-words")
        phone.click("#found-use")
        wait_looked(phone)
        keep(phone)
        assert phone.inner_text("#kept-words").startswith("The recording is in the bench check.")
    (take,) = app.state.garage.sitting(sitting.id).takes
    stored = samples_of(take.path)[0]
    assert stored.size > 2.2 * RATE - 2 * 8_192  # the piece in the making is what a reload loses
    assert share_found(stored, noise.samples) > 0.85


def record_moment() -> Any:
    from datetime import UTC, datetime

    return datetime.now(UTC)


# ---- trouble, each with its words and a way on ------------------------------------------------

STASH = """
const asked = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async (wanted) => (window.stream = await asked(wanted));
"""
GAIN_ON = """
const said = MediaStreamTrack.prototype.getSettings;
MediaStreamTrack.prototype.getSettings = function () {
  const settings = { ...said.call(this), autoGainControl: true };
  delete settings.noiseSuppression;
  return settings;
};
"""


@pytest.mark.usefixtures("hurry")
def test_what_stays_on_is_named_and_a_hidden_page_or_a_call_ends_the_recording(
    tmp_path: Path, noisy_phone: Any
) -> None:
    phone = noisy_phone
    app = create_app(Settings(data=tmp_path))
    bench_check(app)
    phone.add_init_script(STASH + GAIN_ON)
    with served_at(app) as port:
        open_recorder(phone, port)
        phone.click("#turn-on")
        phone.wait_for_selector("#processing:visible")
        words = phone.inner_text("#processing")
        assert "Still on in this browser: automatic gain" in words
        assert "does not say whether it does this: noise suppression" in words
        start = phone.locator("#start:not([disabled])")
        start.click()
        phone.wait_for_selector("#script:visible")
        wait_recorded(phone, 0.8)
        phone.evaluate(
            "Object.defineProperty(document, 'visibilityState', {value: 'hidden'});"
            "document.dispatchEvent(new Event('visibilitychange'))"
        )
        phone.wait_for_selector("#trouble:visible")
        assert "went out of sight" in phone.inner_text("#trouble")
        assert phone.get_attribute("#trouble a", "href") == "/checks/1/upload?spot=centre"
        wait_looked(phone)
        assert "cannot be used" in phone.inner_text("#quality")
        phone.click("#redo")
        phone.wait_for_selector("#start:not([disabled])")
        phone.wait_for_timeout(200)
        assert not [one for one in (tmp_path / "incoming").iterdir() if one.name != "kept"]
        phone.evaluate("window.stream.getTracks()[0].dispatchEvent(new Event('mute'))")
        assert "silenced the microphone" in phone.inner_text("#trouble")
        phone.click("#again-microphone")
        phone.wait_for_selector("#stage-ready:visible")
        phone.evaluate("window.stream.getTracks()[0].dispatchEvent(new Event('ended'))")
        assert "was taken away" in phone.inner_text("#trouble")


def test_refused_missing_and_untrusted_microphones_each_have_their_words(
    tmp_path: Path, launch: Callable[..., Any]
) -> None:
    app = create_app(Settings(data=tmp_path))
    bench_check(app)
    browser = launch("--host-resolver-rules=MAP bench.test 127.0.0.1")
    with served_at(app) as port:
        tab = browser.new_page()
        for name, words in (
            ("NotAllowedError", "was not allowed"),
            ("NotFoundError", "No microphone was found"),
            ("NotReadableError", "another app may be using it"),
        ):
            tab.goto(f"http://127.0.0.1:{port}/checks/1/record?spot=centre")
            tab.evaluate(
                "name => { navigator.mediaDevices.getUserMedia = "
                "() => Promise.reject(new DOMException('no', name)); }",
                name,
            )
            tab.click("#turn-on")
            tab.wait_for_selector("#trouble:visible")
            assert words in tab.inner_text("#trouble")
            assert tab.is_visible("#trouble a")
        tab.close()
    from web_server import served

    with served(app) as address:
        tab = browser.new_page()
        tab.goto(f"http://bench.test:{address.rpartition(':')[2]}/checks/1/record?spot=centre")
        assert "came without encryption" in tab.inner_text("#trouble")
        tab.click("#trouble a")
        assert tab.get_attribute("#fresh", "capture") is not None
        tab.close()


def test_cautions_come_first(tmp_path: Path, client: Any, app: Any) -> None:
    sitting = bench_check(app, acknowledged=False)
    answer = client.get("/checks/1/record?spot=motor_mount", follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/checks/1/cautions?spot=motor_mount"
    app.state.acknowledged[sitting.id] = record_moment()
    page = client.get("/checks/1/record?spot=motor_mount")
    assert page.status_code == 200
    assert "nobody in line with them" in page.text
    assert client.get("/checks/1/record?spot=roof").status_code == 400
    assert client.get("/checks/7/record").status_code == 404
    app.state.garage.close_sitting(sitting.id)
    assert client.get("/checks/1/record").status_code == 400
    assert client.get("/checks/1/upload").status_code == 400


# ---- files made elsewhere -----------------------------------------------------------------------


def test_files_go_on_after_a_reload_and_are_kept(tmp_path: Path, tab: Any) -> None:
    import soundfile

    app = create_app(Settings(data=tmp_path / "garage"))
    sitting = bench_check(app)
    samples, rate = samples_of()
    file = tmp_path / "my spin.wav"
    soundfile.write(file, samples, int(rate), subtype="FLOAT")
    wrong = tmp_path / "notes.docx"
    wrong.write_text("no recording")
    pieces: list[int] = []

    def through(route: Any) -> None:
        if route.request.method == "PATCH":
            pieces.append(int(route.request.headers["upload-offset"]))
            if len(pieces) == 2:
                route.abort()
                return
        route.continue_()

    with served_at(app) as port:
        tab.context.route("**/uploads/**", through)
        tab.goto(f"http://127.0.0.1:{port}/checks/1/upload?spot=motor_mount")
        tab.set_input_files("#files", [file, wrong])
        assert "not a kind of file" in tab.inner_text(".card >> nth=1")
        assert tab.input_value(".spot >> nth=0") == "motor_mount"
        tab.click(".send >> nth=0")
        tab.wait_for_selector("text=It goes on by itself")
        tab.reload()
        assert "my spin.wav" in tab.inner_text("#unfinished")
        tab.set_input_files("#files", file)
        tab.click(".send")
        tab.wait_for_selector(".decide:visible", timeout=20_000)
        assert axe_says(tab) == []
        assert pieces.count(0) == 1  # what was there is not sent again
        assert pieces[-1] == 2 * 2**20
        tab.click(".keep")
        tab.wait_for_selector("text=Kept in the bench check")
        assert tab.is_hidden("#unfinished")
    (take,) = app.state.garage.sitting(sitting.id).takes
    assert (take.spot, take.file_name) == ("motor_mount", "my spin.wav")
    assert take.path.read_bytes() == file.read_bytes()
    assert time.time() - take.path.stat().st_mtime < 120

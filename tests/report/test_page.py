"""The HTML page: self-contained, escaped, complete, small; and it prints to two sheets."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from builders import make_findings, make_result, make_speed, make_take

from vibecheck.car.profile import Car
from vibecheck.findings import QualityReport
from vibecheck.recording.take import Take
from vibecheck.report import words
from vibecheck.report.page import Link, result_to_html
from vibecheck.result import CheckedTake, CheckResult, Unfamiliar

CLEARING = re.compile(r"\b(ok|okay|pass|passed|safe|safely|healthy|all clear)\b", re.IGNORECASE)
VOID = {"meta", "br", "img", "link", "input", "hr"}


class Page(HTMLParser):
    """Collects tags, attributes and visible text, and checks that tags are closed in order."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def take_figures(page: Page) -> list[str]:
    """Pictures of recordings; that of history and sound belongs to none."""
    names = [attributes.get("id") or "" for tag, attributes in page.tags if tag == "figure"]
    return [name for name in names if name != "contributions"]


@pytest.fixture(scope="module")
def usual() -> CheckResult:
    return make_result()


@pytest.fixture(scope="module")
def usual_html(usual: CheckResult) -> str:
    return usual.to_html()


def test_the_page_says_everything_a_check_found(usual, usual_html):
    text = Page(usual_html).text
    assert "Inspect first: rear left wheel" in text
    assert "72 % (43 to 94 %)" in text
    assert usual.hand_check in text
    for caution in usual.cautions:
        assert caution in text
    for zone in usual.zones:
        assert words.zone_words(zone.zone) in text
        assert zone.how_to_check in text
        for evidence in zone.evidence:
            assert evidence.reading in text
    for finding in usual.takes[0].quality.findings:
        assert finding.message in text
        assert finding.advice in text
    assert "What could not be heard: body and aero and steering." in text
    assert "trained on simulated recordings" in text
    assert words.SIMULATED_REMARK in text
    assert "1 × wheel nut M5x0.8" in text


def test_the_four_pictures_are_there_as_questions(usual_html):
    page = Page(usual_html)
    for question in (
        "What was loud, and when?",
        "Which turning part is louder than when snug?",
        "At which speed is it loudest?",
        "Does it knock in step with a part?",
    ):
        assert question in page.text
    assert len(take_figures(page)) == 4


def test_the_page_loads_nothing_and_runs_nothing(usual_html):
    page = Page(usual_html)
    for tag, attributes in page.tags:
        assert tag not in {"script", "link", "iframe", "object", "embed", "img"}
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in {"href", "src", "xlink:href", "action", "srcset", "data", "poster"}:
                assert (value or "").startswith("data:image/png;base64,")
    rest = re.sub(r"base64,[A-Za-z0-9+/=]+", "", usual_html)
    assert not re.search(r"https?:|//[a-z]|@import|url\(", rest)
    policy = next(
        a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv") is not None
    )
    assert policy == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def test_hostile_names_are_shown_as_text():
    evil = '<script>alert("x")</script>'
    result = make_result(file=f"{evil}.wav", car_name=evil + "'\"&", notes=(evil,))
    html = result.to_html()
    assert "<script" not in html
    assert evil in Page(html).text


def test_hostile_words_from_every_field_are_escaped():
    evil = "<img src=x onerror=alert(1)>"
    result = make_result()
    zone = replace(
        result.zones[0],
        zone=evil,
        how_to_check=evil,
        evidence=(replace(result.zones[0].evidence[0], reading=evil, file=evil),),
    )
    car = replace(result.car, orders=(*result.car.orders, replace(result.car.orders[0], name=evil)))
    car = replace(
        car, orders=tuple(replace(o, ratio=7.7) if o.name == evil else o for o in car.orders)
    )
    hostile = replace(
        result,
        car=car,
        zones=(zone,),
        hand_check=evil,
        cautions=(evil,),
        model=replace(result.model, name=evil),
    )
    page = Page(result_to_html(hostile, links=[Link(evil, evil)], story=evil, title=evil))
    assert "img" not in {tag for tag, _ in page.tags}
    assert page.text.count(evil) >= 8


@pytest.mark.parametrize("verdict", ["inspect_first", "nothing_stood_out", "cannot_tell"])
def test_no_page_clears_a_car(verdict):
    text = Page(make_result(verdict).to_html()).text
    assert not CLEARING.search(text)
    assert "The hand check is due" in text


def test_without_baseline_it_asks_for_one():
    text = Page(make_result(with_baseline=False).to_html()).text
    assert "Which turning part is loud?" in text
    assert "record one right after a complete hand check" in text


def test_a_blind_check_says_what_it_cannot_do():
    blind = Car("unknown machine", None, None, (), shaft="reference")
    text = Page(make_result("cannot_tell", car=blind, zones=()).to_html()).text
    assert words.BLIND_REMARK in text
    assert "In which order do I check by hand?" not in text


def test_unfamiliar_sound_is_said():
    text = Page(make_result(unfamiliar=Unfamiliar(9.0, 3.0, True)).to_html()).text
    assert words.UNFAMILIAR_REMARK in text


def test_only_the_first_takes_are_pictured_and_the_rest_is_named():
    page = Page(make_result(n_takes=6, duration_s=4.0, with_baseline=False).to_html())
    assert page.text.count("What was loud, and when?") == 4
    assert "take5.wav" in page.text
    assert "Pictures are drawn for the first 4 recordings." in page.text


def test_a_take_without_speed_shows_its_spectrogram_alone():
    result = make_result("cannot_tell")
    silent = Take(np.zeros((1, 16000), np.float32), 16000.0, file="silence.wav")
    checked = CheckedTake(silent, QualityReport("unusable", make_findings()), None, None)
    page = Page(replace(result, takes=(checked,)).to_html())
    assert len(take_figures(page)) == 1
    assert "No turning shaft was found in this recording." in page.text
    assert "could not be used" in page.text


@pytest.mark.parametrize(
    ("n_samples", "rate"), [(2, 48000.0), (40, 100.0), (700, 60.0), (4000, 200.0)]
)
def test_odd_takes_still_make_a_page(n_samples, rate):
    """Two samples, low rates, a run of a few turns: a page, never a traceback."""
    samples = np.random.default_rng(0).normal(size=(3, n_samples)).astype(np.float32)
    take = Take(samples, rate, sensor="accelerometer", unit="m/s^2", file="odd.csv")
    speed = make_speed(max(take.duration_s, 0.1))
    checked = CheckedTake(take, QualityReport("limited"), speed, None)
    assert "odd.csv" in Page(replace(make_result(), takes=(checked,)).to_html()).text


def test_an_accelerometer_is_shown_in_its_unit():
    assert "dB re 1 m/s²" in Page(make_result(sensor="accelerometer").to_html()).text


def test_the_page_of_a_long_take_stays_small():
    """Limit of the product: 1.5 MB for one take of 30 s at 48 kHz."""
    html = make_result(duration_s=30.0, sample_rate_hz=48000.0, heavy=True).to_html()
    assert len(html.encode()) <= 1_500_000
    images = re.findall(r"data:image/png;base64,([A-Za-z0-9+/=]+)", html)
    assert len(images) == 2
    assert all(base64.b64decode(image).startswith(b"\x89PNG") for image in images)


def test_the_map_masks_what_the_take_cannot_show(usual_html):
    """Orders above half the sample rate at the moment are white, not drawn (16 kHz, order 60)."""
    assert "nan" not in usual_html.lower().replace("nan-", "")


chromium = shutil.which("chromium") or shutil.which("chromium-browser")


def browse(folder: Path, *options: str) -> str:
    """Run a headless browser once and return what it wrote."""
    call = [str(chromium), "--headless", "--no-sandbox", f"--user-data-dir={folder / 'profile'}"]
    done = subprocess.run([*call, *options], check=True, capture_output=True, timeout=60, text=True)
    return done.stdout


@pytest.mark.skipif(chromium is None, reason="no chromium here to print with")
@pytest.mark.parametrize(
    "options",
    [{}, {"heavy": True}, {"verdict": "nothing_stood_out", "with_baseline": False}],
    ids=["usual", "heavy", "quiet"],
)
def test_one_take_prints_to_two_sheets_of_a4(tmp_path: Path, options):
    from pypdf import PdfReader

    page, sheet = tmp_path / "page.html", tmp_path / "page.pdf"
    page.write_text(make_result(**options).to_html(), encoding="utf-8")
    browse(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={sheet}", page.as_uri())
    pages = PdfReader(sheet).pages
    assert len(pages) == 2
    # A4 is 210 mm × 297 mm (ISO 216), 595 × 842 points.
    assert [round(float(v)) for v in pages[0].mediabox[2:]] == [595, 842]
    assert "The hand check is due" in pages[0].extract_text()
    assert "What was loud, and when?" in pages[1].extract_text()


@pytest.mark.skipif(chromium is None, reason="no chromium here to look with")
def test_a_phone_needs_no_sideways_scrolling(tmp_path: Path):
    """The page tells its own width through its title, which a headless browser can dump."""
    html = make_result(file="a" * 90 + ".wav", heavy=True).to_html()
    probe = (
        "<script>document.title=document.documentElement.scrollWidth+' '+"
        "Math.min(...[...document.querySelectorAll('svg text')].map(t=>"
        "parseFloat(getComputedStyle(t).fontSize)*t.ownerSVGElement.getBoundingClientRect().width/"
        "t.ownerSVGElement.viewBox.baseVal.width))</script></body>"
    )
    html = re.sub(r"<meta http-equiv[^>]*>", "", html).replace("</body>", probe)
    # Headless windows have a least width: a frame of a phone's width holds the page instead.
    (tmp_path / "page.html").write_text(html, encoding="utf-8")
    (tmp_path / "frame.html").write_text(
        "<body style='margin:0'><iframe style='border:0' id='f' width=412 height=900 "
        "src='page.html'></iframe><script>f.onload=()=>{document.body.dataset.seen="
        "f.contentDocument.title}</script></body>",
        encoding="utf-8",
    )
    frame = (tmp_path / "frame.html").as_uri()
    dump = ("--allow-file-access-from-files", "--virtual-time-budget=4000", "--dump-dom")
    dom = browse(tmp_path, *dump, frame)
    seen = re.search(r'data-seen="(\d+) ([\d.]+)"', dom)
    assert seen is not None
    assert int(seen[1]) <= 412
    assert float(seen[2]) >= 12.0


def test_pictures_use_the_snug_take_of_the_same_spot_only():
    from vibecheck.report.views import matching_baseline

    result = make_result()
    speed = make_speed(6.0)
    elsewhere = CheckedTake(
        make_take(speed, 6.0, spot="motor_mount", file="other.wav"),
        QualityReport("usable"),
        speed,
        None,
    )
    both = replace(result, baseline_takes=(*result.baseline_takes, elsewhere))
    matching = [c.take.file for c in matching_baseline(both.takes[0], both)]
    assert matching == ["snug0.wav", "snug1.wav"]

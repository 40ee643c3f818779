"""The report as a whole: verdict, merging, false alarms, odd input, documentation."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from quality_signals import CAR, SpinUp, accelerometer, codes, finding, spin_up

import vibecheck
from vibecheck.findings import Finding
from vibecheck.quality import assess_quality
from vibecheck.recording.take import Take
from vibecheck.track import OrderAmbiguity, Phase, SpeedTrack

PACKAGE = Path(vibecheck.__file__).parent
DOCS = PACKAGE.parent / "docs" / "findings.md"


class TestVerdict:
    @pytest.mark.parametrize(
        ("weights", "verdict"),
        [
            ((), "usable"),
            (("note", "note"), "usable"),
            (("note", "limits"), "limited"),
            (("limits", "refuses", "note"), "unusable"),
        ],
    )
    def test_follows_the_weightiest(
        self, clean: SpinUp, weights: tuple[Any, ...], verdict: str
    ) -> None:
        findings = tuple(
            Finding(f"made_up_{i}", "It is.", "Do.", weight=weight)
            for i, weight in enumerate(weights)
        )
        report = assess_quality(replace(clean.take, findings=findings), clean.speed, CAR)
        assert report.verdict == verdict
        order = ["refuses", "limits", "note"]
        ranks = [order.index(each.weight) for each in report.findings]
        assert ranks == sorted(ranks)

    def test_the_readers_findings_are_kept_and_not_doubled(self, clean: SpinUp) -> None:
        read = Finding("clock_jitter", "Said by the reader.", "Do.", 0.2, 0.01, "limits")
        take = replace(clean.take, findings=(read,), clock_jitter=0.2)
        assert finding(assess_quality(take, clean.speed, CAR), "clock_jitter") is read

    def test_the_weightier_of_two_is_kept(self, clean: SpinUp) -> None:
        read = Finding("clock_jitter", "Said by the reader.", "Do.", 0.2, 0.01, "note")
        take = replace(clean.take, findings=(read,), clock_jitter=0.2)
        report = assess_quality(take, clean.speed, CAR)
        assert finding(report, "clock_jitter").weight == "limits"

    def test_sentences(self, clean: SpinUp) -> None:
        x = np.clip(8.0 * clean.x, -1, 1) + 0.02
        report = assess_quality(clean.with_samples(x), replace(clean.speed, phases=()), CAR)
        assert len(report.findings) >= 5
        for each in report.findings:
            assert each.message.endswith(".")
            assert each.message[0].isupper()
            assert each.advice.endswith(".")
            words = f"{each.message} {each.advice}".lower()
            assert not re.search(r"\b(ok|pass(ed)?|safe|healthy|all clear)\b", words)

    def test_the_take_is_left_as_it_was(self, clean: SpinUp) -> None:
        before = clean.take.samples.copy()
        assess_quality(clean.take, clean.speed, CAR)
        np.testing.assert_array_equal(clean.take.samples, before)


SHORT = (("idle", 1.5), ("run_up", 2.5), ("hold", 2.5), ("coast_down", 2.0), ("idle", 1.5))


@pytest.mark.parametrize("seed", range(50))
def test_a_clean_spin_up_is_usable(seed: int) -> None:
    rng = np.random.default_rng(1000 + seed)
    values = {
        "top_rpm": rng.uniform(9000.0, 18_000.0),
        "level": 10 ** rng.uniform(-1.7, -1.0),
        "noise": 10 ** rng.uniform(-3.8, -3.1),
        "exponent": rng.uniform(1.0, 2.2),
        "broadband": rng.uniform(0.1, 1.5),
        "phases": SHORT,
    }
    if seed % 5 == 0:
        made = accelerometer(seed, **{**values, "level": 6.0, "noise": 0.03})
    else:
        made = spin_up(seed, sample_rate_hz=44_100.0 if seed % 2 else 48_000.0, **values)
    report = assess_quality(made.take, made.speed, CAR)
    assert [each for each in report.findings if each.weight != "note"] == []
    assert report.verdict == "usable"
    if seed % 5:
        assert assess_quality(made.take).verdict == "usable"


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_array_gets_a_report(data: st.DataObject) -> None:
    draw = data.draw
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    shape = (draw(st.integers(1, 3)), draw(st.sampled_from([2, 3, 17, 100, 999, 5000, 30_000])))
    x = rng.standard_normal(shape) * 10.0 ** rng.uniform(-6, 1)
    kind = draw(st.sampled_from(["noise", "zero", "constant", "sign", "half", "steps", "nan"]))
    if kind == "zero":
        x[:] = 0.0
    elif kind == "constant":
        x[:] = 0.3
    elif kind == "sign":
        x = np.sign(x)
    elif kind == "half":
        x[:, : shape[1] // 2] = 0.0
    elif kind == "steps":
        x = np.round(8.0 * x) / 8.0
    elif kind == "nan":
        x[:, ::7] = np.nan
    sensor = draw(st.sampled_from(["microphone", "accelerometer"]))
    take = Take(
        x,
        draw(st.sampled_from([1.0, 60.0, 952.0, 3200.0, 8000.0, 48_000.0, 192_000.0])),
        sensor=sensor,
        unit="full_scale" if sensor == "microphone" else "m/s^2",
        codec=draw(st.sampled_from(["pcm", "aac"])),
        bit_rate_bps=draw(st.sampled_from([None, 1e4, 2e5])),
        clock_jitter=draw(st.sampled_from([None, 0.05, 0.5])),
    )
    length = take.duration_s
    n = draw(st.integers(1, 40))
    time_s = (np.arange(n) + 0.5) * length / n
    edges = np.concatenate([[0.0], np.sort(rng.uniform(0, length, 3)), [length]])
    rpm = np.where(time_s < edges[1], 0.0, rng.uniform(100.0, 20_000.0))
    names = ("idle", "run_up", "hold", "coast_down")
    track = SpeedTrack(
        time_s,
        rpm,
        0.01 * rpm,
        np.full(n, rng.uniform()),
        tuple(Phase(*each) for each in zip(names, edges[:-1], edges[1:], strict=True)),
        order_ambiguity=OrderAmbiguity(2.0, 0.1, False, ""),
    )
    speed = draw(st.sampled_from([None, track]))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        report = assess_quality(take, speed, draw(st.sampled_from([None, CAR])))
    assert len(codes(report)) == len(report.findings)
    for each in report.findings:
        assert each.value is None or np.isfinite(each.value)


def emitted_codes() -> set[str]:
    """Codes in the sources of the quality gate and of the readers."""
    found = set()
    for folder in ("quality", "recording"):
        for path in (PACKAGE / folder).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            found |= set(re.findall(r"Finding\(\s*\"(\w+)\"", text))
            found |= set(re.findall(r"\bcode\s*=\s*\"(\w+)\"", text))
            found |= set(re.findall(r"\"(missing_\w+)\"", text)) if folder == "quality" else set()
    return found


class TestDocumentation:
    def test_each_code_is_documented(self) -> None:
        headings = "\n".join(
            line for line in DOCS.read_text(encoding="utf-8").splitlines() if line[:4] == "### "
        )
        documented = set(re.findall(r"`(\w+)`", headings))
        assert emitted_codes() - documented == set(), "add these to docs/findings.md"
        assert documented - emitted_codes() == set(), "no source emits these any more"

    def test_the_scan_sees_the_codes(self) -> None:
        assert {"clipped", "missing_hold", "speech_present", "time_gaps"} <= emitted_codes()

    def test_each_section_says_what_to_do(self) -> None:
        sections = DOCS.read_text(encoding="utf-8").split("\n### ")[1:]
        for section in sections:
            assert "**Do:**" in section, section.splitlines()[0]

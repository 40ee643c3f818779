"""The privacy pass: voices go, the car stays, and the report says what was done."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from small_set import CAR, small_set

from vibecheck.car.read import read_car
from vibecheck.dataset.manifest import ManifestRow, read_manifest
from vibecheck.dataset.privacy import PrivacyOptions, high_pass, private_copy
from vibecheck.features.extract import extract_features
from vibecheck.model.store import SHIPPED, load_model
from vibecheck.recording.read import read_take
from vibecheck.speed import track_speed
from vibecheck.whole_file import file_hash

RATE = 48_000
ROOT = Path(__file__).resolve().parents[2]


def voice(length_s: float, seed: int) -> np.ndarray:
    """Pulses of moving pitch through moving formants, in syllables of 100 to 200 ms."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(length_s * RATE)) / RATE
    pitch = 130.0 + 25.0 * np.sin(2 * np.pi * 0.7 * time_s) + 10.0 * np.sin(5.0 * time_s)
    turns = np.cumsum(pitch) / RATE
    formants = (
        550.0 + 200.0 * np.sin(2 * np.pi * 2.1 * time_s),
        1500.0 + 450.0 * np.sin(2 * np.pi * 1.7 * time_s),
    )
    sound = np.zeros(time_s.size)
    for k in range(1, 28):
        shape = sum(1.0 / (1.0 + ((k * pitch - centre) / 120.0) ** 2) for centre in formants)
        sound += (0.02 + shape) / np.sqrt(k) * np.sin(2 * np.pi * k * turns)
    gate = np.zeros(time_s.size)
    at = 0.1
    while at < length_s - 0.3:
        width = rng.uniform(0.1, 0.2)
        inside = (time_s >= at) & (time_s < at + width)
        gate[inside] = np.sin(np.pi * (time_s[inside] - at) / width)
        at += width + rng.choice([0.05, 0.1, 0.3])
    sound *= gate
    return sound / np.sqrt(np.mean(sound**2))


@pytest.fixture
def spoken(tmp_path: Path) -> tuple[ManifestRow, np.ndarray]:
    """A spin-up of 10 s with somebody speaking in its first 3 s, and the speech alone."""
    rng = np.random.default_rng(4)
    time_s = np.arange(10 * RATE) / RATE
    hz = np.interp(time_s, [0.0, 3.4, 5.0, 8.0, 10.0], [0.0, 0.0, 150.0, 150.0, 40.0])
    turns = np.cumsum(hz) / RATE
    tone = sum(np.cos(2 * np.pi * order * turns) for order in (1.0, 2.0, 20.0)) * (hz > 0)
    car = 0.05 * tone + (0.002 + 0.01 * hz / 150.0) * rng.standard_normal(time_s.size)
    speech = np.where(time_s < 3.0, 0.01 * voice(10.0, 1), 0.0)
    file = tmp_path / "spoken.wav"
    soundfile.write(file, car + speech, RATE, subtype="PCM_16")
    (tmp_path / "car.toml").write_text(CAR.format(name="Testbed"), encoding="utf-8")
    row = ManifestRow(
        file=file,
        car_file=tmp_path / "car.toml",
        sha256=file_hash(file),
        car="Testbed",
        check="one",
        kind="speech",
        sensor="microphone",
        spot="centre",
        state={"motor_mount": (1.0, 0.0)},
    )
    return row, speech


def envelope(x: np.ndarray) -> np.ndarray:
    """Level of the telephone band every 20 ms."""
    spectrum = np.fft.rfft(x)
    hertz = np.fft.rfftfreq(x.size, 1 / RATE)
    band = np.fft.irfft(np.where((hertz > 300) & (hertz < 3400), spectrum, 0), x.size)
    return np.sqrt(np.mean(band[: x.size // 960 * 960].reshape(-1, 960) ** 2, axis=1))


def test_voices_are_heard_masked_and_gone(
    spoken: tuple[ManifestRow, np.ndarray], tmp_path: Path
) -> None:
    row, speech = spoken
    out = tmp_path / "out.flac"
    report = private_copy(row, out, PrivacyOptions())
    assert report.syllables_before >= 8
    assert report.syllables_after == 0
    assert 2.5 < report.masked_s < 4.5
    assert report.masked_s < report.searched_s + 1.0 < report.duration_s
    before, _ = soundfile.read(row.file)
    after, _ = soundfile.read(out)
    whole = slice(0, int(2.8 * RATE))
    spoken_level = envelope(speech[whole])
    assert np.corrcoef(envelope(before[whole]), spoken_level)[0, 1] > 0.9
    assert abs(np.corrcoef(envelope(after[whole]), spoken_level)[0, 1]) < 0.3
    # The words' own waveform is gone as well.
    assert abs(np.corrcoef(after[whole], speech[whole])[0, 1]) < 0.1
    # The hold stays as it was, sample for sample, but for the high-pass.
    hold = slice(int(5.5 * RATE), int(7.5 * RATE))
    changed = np.std(after[hold] - before[hold]) / np.std(before[hold])
    assert changed < 10 ** (-30 / 20)


def test_without_voices_and_high_pass_samples_stay_and_tags_go(tmp_path: Path) -> None:
    row = read_manifest(small_set(tmp_path / "set"))[0]
    tagged = row.file.with_name("tagged.wav")
    samples, rate = soundfile.read(row.file, dtype="int16")
    with soundfile.SoundFile(tagged, "w", rate, 1, subtype="PCM_16") as stream:
        stream.comment = "recorded at home"
        stream.write(samples)
    assert b"recorded at home" in tagged.read_bytes()
    out = tmp_path / "out.flac"
    report = private_copy(
        replace(row, file=tagged), out, PrivacyOptions(high_pass_hz=0.0, mask_speech=False)
    )
    assert (report.masked_s, report.syllables_before, report.removed_db) == (0.0, 0, None)
    again, _ = soundfile.read(out, dtype="int16")
    np.testing.assert_array_equal(again, samples)
    assert b"recorded at home" not in out.read_bytes()
    assert soundfile.info(out).subtype == "PCM_16"


def test_wide_samples_stay_wide(tmp_path: Path) -> None:
    row = read_manifest(small_set(tmp_path / "set"))[0]
    wide = row.file.with_name("wide.wav")
    samples, rate = soundfile.read(row.file)
    soundfile.write(wide, samples + 2.0**-20, rate, subtype="PCM_24")
    out = tmp_path / "out.flac"
    options = PrivacyOptions(high_pass_hz=0.0, mask_speech=False)
    private_copy(replace(row, file=wide), out, options)
    assert soundfile.info(out).subtype == "PCM_24"
    np.testing.assert_allclose(soundfile.read(out)[0], samples + 2.0**-20, atol=2.0**-23)


def test_high_pass_by_its_own_definition() -> None:
    """Nothing under half the edge, everything above it, no phase shift."""
    time_s = np.arange(2 * RATE) / RATE
    for hertz, gain in ((20.0, 0.0), (29.0, 0.0), (45.0, 0.5), (61.0, 1.0), (1000.0, 1.0)):
        tone = np.cos(2 * np.pi * hertz * time_s)
        made = high_pass(tone[None, :], RATE, 60.0)[0]
        middle = slice(RATE // 2, 3 * RATE // 2)
        assert np.abs(made - gain * tone)[middle].max() < 0.03


def test_features_hardly_move(tmp_path: Path) -> None:
    """A take without voices says the same after the pass, in spreads between snug takes."""
    rows = read_manifest(ROOT / "datasets" / "demo" / "manifest.csv")
    row = next(one for one in rows if one.sensor == "microphone" and one.kind == "baseline")
    out = tmp_path / "out.flac"
    report = private_copy(row, out, PrivacyOptions())
    assert report.syllables_before == 0
    car = read_car(row.car_file)
    vectors = []
    for file in (row.file, out):
        take = read_take(file, sensor="microphone", spot=row.spot)
        vectors.append(extract_features(take, track_speed(take, car), car))
    one, two = vectors
    both = ~one.missing & ~two.missing
    assert both.sum() >= 0.97 * (~one.missing).sum()
    scale = load_model(SHIPPED).populations["microphone"].scale
    moved = np.abs(one.values - two.values)[both] / scale[both]
    assert np.median(moved) < 0.15
    assert np.quantile(moved, 0.9) < 1.0

"""What a phone's recorder does to the sound: lossy codecs and dropouts."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, correlate, sosfilt

from vibecheck.errors import CallError
from vibecheck.simulator import Phone, draw_phone
from vibecheck.simulator.codec import CODECS, codec_available, compress
from vibecheck.simulator.phone import applied_codec, record_with_phone

RATE = 48_000


def clicks(n: int, rate: int) -> np.ndarray:
    """Ringing clicks over soft noise: what a codec must keep in place."""
    rng = np.random.default_rng(5)
    force = 1e-3 * rng.standard_normal(n)
    force[rng.integers(0, n, 40)] = 1.0
    sections = butter(2, (400.0, 4000.0), btype="bandpass", fs=rate, output="sos")
    sound = sosfilt(sections, force)
    return (0.5 * sound / np.abs(sound).max()).astype(np.float32)


@pytest.mark.parametrize("codec", CODECS)
@pytest.mark.parametrize("rate", [48_000, 44_100])
def test_a_codec_keeps_time_and_length_and_gives_the_same_again(codec: str, rate: int) -> None:
    if not codec_available(codec, rate):
        with pytest.raises(CallError, match=f"cannot encode {codec} at {rate} Hz"):
            compress(np.zeros(rate, dtype=np.float32), rate, codec, 64.0)
        return
    sound = clicks(2 * rate + 17, rate)
    heard = compress(sound, rate, codec, 96.0)
    assert heard.size == sound.size
    middle = slice(rate // 2, -rate // 2)
    match = correlate(heard[middle], sound[middle], mode="same")
    assert abs(int(match.argmax()) - match.size // 2) <= 1
    assert np.corrcoef(heard[middle], sound[middle])[0, 1] > 0.95
    assert not np.array_equal(heard, sound)
    assert heard.tobytes() == compress(sound, rate, codec, 96.0).tobytes()
    # Fewer bits keep less (the definition of a lossy codec; common practice, no source).
    poor = compress(sound, rate, codec, 24.0)
    assert np.std(poor - sound) > np.std(heard - sound)


def test_a_codec_gives_the_same_bytes_in_another_process() -> None:
    code = (
        "import hashlib, numpy as np; from vibecheck.simulator import Phone; "
        "from vibecheck.simulator.phone import record_with_phone; "
        "x = (0.1 * np.random.default_rng(1).standard_normal(24000)).astype(np.float32); "
        "print([hashlib.sha256(record_with_phone(x, Phone('p', codec=c), 3).tobytes()).hexdigest()"
        " for c in ('aac', 'opus', 'vorbis')])"
    )
    outputs = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
        ).stdout
        for _ in range(2)
    }
    assert len(outputs) == 1


def test_a_phone_without_its_encoder_says_so_and_stores_losslessly(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sound = clicks(RATE, RATE)
    plain = Phone("plain", full_scale_db=94.0)
    lossy = replace(plain, codec="aac")
    assert applied_codec(plain) == ""
    assert applied_codec(lossy) == "aac 64 kbit/s"
    monkeypatch.setattr("vibecheck.simulator.codec.ENCODER", {"aac": "no such", "opus": "none"})
    assert applied_codec(lossy) == ""
    stored = record_with_phone(sound, lossy, 3)
    assert stored.tobytes() == record_with_phone(sound, plain, 3).tobytes()


def test_opus_cannot_run_at_every_rate() -> None:
    assert not codec_available("opus", 44_100)
    assert applied_codec(Phone("odd", sample_rate_hz=44_100, codec="opus")) == ""
    with pytest.raises(CallError, match=r"codec must be one of aac, opus, vorbis\. Got 'mp9'"):
        codec_available("mp9", 48_000)


def test_dropouts_are_silent_or_missing_blocks() -> None:
    sound = np.full(4 * RATE, 0.5, dtype=np.float32)
    sound *= np.sin(np.arange(sound.size) * 0.13).astype(np.float32)
    plain = Phone("plain", full_scale_db=94.0)
    whole = record_with_phone(sound, plain, 5)
    gappy = replace(plain, dropouts_per_s=2.0)
    silent = record_with_phone(sound, gappy, 5)
    assert silent.size == whole.size
    gone = np.flatnonzero(silent != whole)
    assert not silent[gone].any()
    edges = np.flatnonzero(np.diff(gone) > 40)
    lengths = np.diff(np.concatenate(([-1], edges, [gone.size - 1])))
    assert 2 <= lengths.size <= 20
    assert lengths.min() > 0.004 * RATE
    cut = record_with_phone(sound, replace(gappy, dropouts_cut=True), 5)
    assert 0.005 * RATE <= whole.size - cut.size <= 20 * 0.04 * RATE
    first = int(gone[0])
    assert np.array_equal(cut[: first - 1], whole[: first - 1])
    assert cut.tobytes() == record_with_phone(sound, replace(gappy, dropouts_cut=True), 5).tobytes()


def test_most_phones_store_losslessly_and_gaps_are_rare() -> None:
    phones = [draw_phone(seed) for seed in range(400)]
    assert 0.14 < np.mean([bool(phone.codec) for phone in phones]) < 0.26
    assert {phone.codec for phone in phones} == {"", *CODECS}
    assert 0.005 < np.mean([phone.dropouts_per_s > 0.0 for phone in phones]) < 0.07
    for phone in phones:
        if phone.codec:
            assert codec_available(phone.codec, phone.sample_rate_hz) or phone.codec != "aac"
            assert 32.0 <= phone.kbit_s <= 160.0
    assert draw_phone(3) == phones[3]

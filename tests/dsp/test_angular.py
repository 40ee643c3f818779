"""Time to shaft angle and back: closed forms, amplitude, purity, round trip, folding."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.dsp import angular
from vibecheck.dsp.angular import PASS_SHARE, PhaseTrack, to_angle, to_time
from vibecheck.dsp.spectrum import short_time_power
from vibecheck.errors import CallError

FS = 48_000.0


def ramp(start_hz: float, stop_hz: float, duration_s: float, step_s: float = 0.02) -> PhaseTrack:
    time = np.append(np.arange(0.0, duration_s, step_s), duration_s)
    return PhaseTrack(time, start_hz + (stop_hz - start_hz) * time / duration_s)


# ---- phase: closed forms, recomputed ----------------------------------------------------


def test_linear_ramp() -> None:
    # 10 → 60 Hz in 10 s: 350 turns, the hundredth at 4.633250 s.
    track = ramp(10.0, 60.0, 10.0)
    assert track.revolutions_at(10.0) == pytest.approx(350.0, abs=1e-9)
    assert track.time_at(100.0) == pytest.approx(4.633250, abs=1e-6)
    assert track.revolutions[-1] == pytest.approx(350.0, abs=1e-9)


def test_exponential_ramp() -> None:
    # 10 → 100 Hz in 10 s: 390.865 turns; straight pieces of 1 ms come within 1e-6.
    time = np.linspace(0.0, 10.0, 10_001)
    track = PhaseTrack(time, 10.0 * 10.0 ** (time / 10.0))
    assert track.revolutions_at(10.0) == pytest.approx(390.865, abs=1e-3)


def test_viscous_coast_down() -> None:
    # 100 Hz, τ = 2 s, 5 s: f0 τ (1 − e^{−t/τ}) = 183.583 turns.
    time = np.linspace(0.0, 5.0, 5001)
    assert PhaseTrack(time, 100.0 * np.exp(-time / 2.0)).revolutions_at(5.0) == pytest.approx(
        183.583, abs=1e-3
    )


@given(
    rates=st.lists(st.floats(0.5, 400.0), min_size=2, max_size=12),
    places=st.lists(st.floats(-0.1, 1.2), min_size=1, max_size=5),
)
@settings(deadline=None, max_examples=100)
def test_time_and_turns_are_inverse(rates: list[float], places: list[float]) -> None:
    track = PhaseTrack(0.3 + np.arange(len(rates)), rates)
    time = np.array(places) * len(rates)
    np.testing.assert_allclose(track.time_at(track.revolutions_at(time)), time, atol=1e-9)


def test_ends_are_held() -> None:
    track = PhaseTrack([1.0, 2.0], [10.0, 20.0])
    np.testing.assert_allclose(track.revolutions_at([0.0, 1.0, 3.0]), [0.0, 10.0, 45.0])
    np.testing.assert_allclose(track.rate_at([0.0, 3.0]), [10.0, 20.0])
    np.testing.assert_allclose(track.scaled(0.5).rate_hz, [5.0, 10.0])


def test_stretches_leave_out_the_standing_shaft() -> None:
    track = PhaseTrack(np.arange(7.0), [0.0, 5.0, 9.0, 0.0, 0.0, 3.0, 3.0])
    assert track.stretches(8.0, 1.0) == [(1.0, 2.0), (5.0, 8.0)]
    assert track.stretches(8.0, 4.0) == [(1.0, 2.0)]


# ---- resampling -------------------------------------------------------------------------


@pytest.mark.parametrize("order", [1.0, 7.5, 20.0, 50.0])
def test_order_through_a_run_up_of_4000_rpm_per_second(order: float) -> None:
    # Required: amplitude within 0.1 dB, spurious orders at least 70 dB down.
    track = ramp(2000.0 / 60.0, 25_000.0 / 60.0, 5.75)
    time = np.arange(int(5.75 * FS)) / FS
    x = np.cos(2 * np.pi * order * track.revolutions_at(time) + 0.4)
    x[order * track.rate_at(time) > 0.49 * FS] = 0.0
    per_turn, turns = 160, 32
    (stretch,) = to_angle(x, FS, track, per_turn)
    short = short_time_power(
        stretch.samples, per_turn, turns * per_turn, turns * per_turn // 2, window="blackman_harris"
    )
    rate = np.interp(
        short.time_s + 0.5 * turns,
        stretch.n_turns * np.linspace(0, 1, stretch.rate_hz.size),
        stretch.rate_hz,
    )
    power = short.power[order * rate < 0.97 * PASS_SHARE * FS]
    line = np.abs(short.frequency_hz - order) < 5.0 / turns
    wanted = short.frequency_hz <= per_turn / 3
    level = 10 * np.log10(2.0 * power[:, line].max(axis=1))
    spurious = 10 * np.log10(2.0 * power[:, wanted & ~line].max())
    assert power.shape[0] > 50
    assert np.abs(level).max() < 0.01
    assert spurious < -85.0


def test_nothing_folds_back_where_the_shaft_is_slow() -> None:
    # A steady 15 kHz tone is far above the wanted orders until the shaft is fast.
    track = ramp(20.0, 300.0, 6.0)
    x = np.cos(2 * np.pi * 15_000.0 * np.arange(int(6 * FS)) / FS)
    (stretch,) = to_angle(x, FS, track, 96)
    short = short_time_power(stretch.samples, 96, 32 * 96, 16 * 96, window="blackman_harris")
    wanted = short.frequency_hz <= 32.0
    # 32 orders at 300 turns a second are 9.6 kHz: the tone never belongs there.
    assert 10 * np.log10(2.0 * short.power[:, wanted].max()) < -80.0


@given(
    seed=st.integers(0, 2**32 - 1),
    start=st.floats(15.0, 60.0),
    stop=st.floats(15.0, 60.0),
    fs=st.sampled_from([8000.0, 11_025.0]),
)
@settings(deadline=None, max_examples=15)
def test_round_trip(seed: int, start: float, stop: float, fs: float) -> None:
    """Orders below the grid's limit come back from angle as they were in time."""
    rng = np.random.default_rng(seed)
    track = ramp(start, stop, 2.0)
    time = np.arange(int(2.0 * fs)) / fs
    turns = track.revolutions_at(time)
    x = np.zeros(time.size)
    for order in rng.uniform(0.2, 30.0, 5):
        x += rng.standard_normal() * np.cos(2 * np.pi * (order * turns + rng.random()))
    (stretch,) = to_angle(x, fs, track, 96)
    first, back = to_time(stretch, stretch.samples, track, fs)
    inner = slice(200, back.size - 200)
    error = back[inner] - x[first : first + back.size][inner]
    assert np.sqrt(np.mean(error**2)) < 2e-3 * np.sqrt(np.mean(x**2))


@given(a=st.floats(-5, 5), b=st.floats(-5, 5), seed=st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=15)
def test_linear(a: float, b: float, seed: int) -> None:
    x, y = np.random.default_rng(seed).standard_normal((2, 4000))
    track = ramp(10.0, 30.0, 1.0)
    sx, sy, s = (to_angle(v, 4000.0, track, 48)[0].samples for v in (x, y, a * x + b * y))
    np.testing.assert_allclose(s, a * sx + b * sy, atol=2e-5 * (1 + abs(a) + abs(b)))


def test_kernel_beats_the_cubic_it_replaces() -> None:
    # Four-point cubic between samples: error (3/128)(2π/n)⁴ at n samples a cycle; 2.264e-4 at
    # n = 20, 3.53e-3 at n = 10 (closed form, recomputed). Ours at n = 10:
    n = 2000
    x = np.sin(2 * np.pi * np.arange(n) / 10.0).astype(np.float32)
    edges = 100.5 + 16.0 * np.arange(100)
    values = angular.read_between(x, edges, np.full(100, 16.0))
    truth = np.sin(2 * np.pi * (100.5 + np.arange(values.size)) / 10.0)
    assert np.abs(values - truth).max() < 2e-4


def test_each_run_gets_a_stretch_on_the_same_grid() -> None:
    time = np.linspace(0.0, 6.0, 301)
    track = PhaseTrack(time, np.where((time > 2.5) & (time < 3.5), 0.0, 30.0))
    parts = to_angle(np.ones(6 * 8000), 8000.0, track, 48)
    assert len(parts) == 2
    assert parts[0].end_s <= 2.51
    assert parts[1].start_s >= 3.49
    # A constant stays a constant away from the take's ends.
    for part in parts:
        np.testing.assert_allclose(part.samples[200:-200], 1.0, atol=1e-4)
        assert not part.samples.flags.writeable


@pytest.mark.parametrize(
    ("time", "rate", "match"),
    [
        ([0.0], [1.0], "two arrays of equal length"),
        ([0.0, 1.0], [1.0], "two arrays of equal length"),
        ([0.0, 0.0], [1.0, 1.0], "time_s must rise"),
        ([0.0, 1.0], [1.0, -1.0], "rate_hz must be finite and zero or more"),
        ([0.0, 1.0], [1.0, np.nan], "rate_hz must be finite and zero or more"),
    ],
)
def test_wrong_tracks(time: list[float], rate: list[float], match: str) -> None:
    with pytest.raises(CallError, match=match):
        PhaseTrack(np.array(time), np.array(rate))


def test_too_coarse_a_grid() -> None:
    with pytest.raises(CallError, match="samples_per_turn must be at least 6"):
        to_angle(np.zeros(100), 100.0, PhaseTrack(np.array([0.0, 1.0]), np.array([9.0, 9.0])), 5)

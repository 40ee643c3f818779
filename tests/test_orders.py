"""Orders of signals whose phase is known: amplitude, resolution, masking, removal, averaging."""

from __future__ import annotations

import gc
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.car.profile import Order
from vibecheck.dsp.angular import PhaseTrack, long_transform, to_angle
from vibecheck.dsp.order_lines import LongSpectrum, order_segments
from vibecheck.dsp.statistics import kurtosis
from vibecheck.errors import CallError, InputError
from vibecheck.orders import (
    angular_take,
    order_cuts,
    order_spectrum,
    order_speed_map,
    prominent_orders,
    residual,
    synchronous_average,
)
from vibecheck.orders import grid as order_grid
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack

FS = 16_000.0
DURATION_S = 8.0
PHASES = (
    Phase("idle", 0.0, 0.5),
    Phase("run_up", 0.5, 3.0),
    Phase("hold", 3.0, 6.0),
    Phase("coast_down", 6.0, 8.0),
)


def spin_up(top_rpm: float = 9000.0, low_rpm: float = 1500.0) -> SpeedTrack:
    time = np.arange(0.0, DURATION_S + 0.01, 0.02)
    rpm = np.interp(time, [0.0, 0.49, 0.5, 3.0, 6.0, 8.0], [0, 0, low_rpm, top_rpm, top_rpm, 1200])
    return SpeedTrack(time, rpm, np.ones_like(rpm), np.ones_like(rpm), PHASES)


def turns_of(speed: SpeedTrack) -> tuple[np.ndarray, np.ndarray]:
    time = np.arange(int(DURATION_S * FS)) / FS
    track = PhaseTrack(speed.time_s, speed.rpm / 60.0)
    return track.revolutions_at(time), track.rate_at(time)


def take_of(lines: dict[float, float], speed: SpeedTrack, noise: float = 0.0, **more: Any) -> Take:
    turns, rate = turns_of(speed)
    x = noise * np.random.default_rng(5).standard_normal(turns.size)
    for order, amplitude in lines.items():
        x += (
            amplitude
            * np.cos(2 * np.pi * order * turns + order)
            * ((rate > 0.0) & (order * rate < 0.5 * FS))
        )
    return Take(x, FS, **more)


SPEED = spin_up()
LINES = {1.0: 0.5, 2.5: 0.02, 13.0: 1.0, 0.37: 0.1}
TAKE = take_of(LINES, SPEED, noise=0.01)


# ---- order spectrum ---------------------------------------------------------------------


def test_amplitudes_are_true_on_and_between_bins() -> None:
    spectrum = order_spectrum(TAKE, SPEED)
    assert spectrum.resolution == pytest.approx(1.0 / 32.0)
    for order, amplitude in LINES.items():
        assert 20 * np.log10(spectrum.at(order) / amplitude) == pytest.approx(0.0, abs=0.1)
    peak = spectrum.amplitude[np.argmin(np.abs(spectrum.order - 13.0))]
    assert peak == pytest.approx(1.0, rel=0.01)
    assert spectrum.amplitude_db()[np.argmin(np.abs(spectrum.order - 1.0))] == pytest.approx(
        20 * np.log10(0.5), abs=0.1
    )
    assert spectrum.unit == "full_scale"


@pytest.mark.parametrize(("turns", "resolution"), [(32, 0.03125), (8, 0.125), (64, 0.015625)])
def test_resolution_is_one_over_the_turns(turns: int, resolution: float) -> None:
    # ΔO = 1/(turns in a block): 32 turns → .03125 (definition).
    spectrum = order_spectrum(TAKE, SPEED, resolution=1.0 / turns)
    assert np.diff(spectrum.order) == pytest.approx(resolution)
    assert spectrum.noise_bandwidth == pytest.approx(1.5 * resolution, rel=1e-6)


@given(gain=st.floats(1e-3, 1e3), order=st.floats(0.5, 14.0))
@settings(deadline=None, max_examples=8)
def test_amplitude_goes_with_the_gain(gain: float, order: float) -> None:
    take = take_of({order: gain}, SPEED)
    assert order_spectrum(take, SPEED, max_order=16.0).at(order) == pytest.approx(gain, rel=0.01)


def test_orders_beyond_the_band_are_masked() -> None:
    """8 kHz is order 53 at 9 000 rpm, and order 320 at 1 500 rpm."""
    spectrum = order_spectrum(TAKE, SPEED, max_order=150.0, phase="hold")
    top = 0.45 * FS / 150.0
    assert np.isfinite(spectrum.amplitude[spectrum.order < 0.98 * top]).all()
    assert np.isnan(spectrum.amplitude[spectrum.order > 1.02 * top]).all()
    assert np.isnan(spectrum.at(100.0))
    assert np.isnan(spectrum.prominence_db(100.0))
    whole = order_spectrum(TAKE, SPEED, max_order=150.0)
    # In the slow parts order 60 can be seen, so the whole run has a value for it.
    seen = np.argmin(np.abs(whole.order - 60.0))
    assert np.isfinite(whole.amplitude[seen])
    assert 0.0 < whole.coverage[seen] < 1.0
    assert whole.coverage[32] == 1.0


def test_a_codec_cut_off_masks_too() -> None:
    cut = take_of(LINES, SPEED, noise=0.01, bandwidth_hz=3000.0)
    spectrum = order_spectrum(cut, SPEED, max_order=30.0, phase="hold")
    assert np.isnan(spectrum.amplitude[spectrum.order > 3000.0 / 150.0 + 0.1]).all()
    assert np.isfinite(spectrum.at(13.0))


def test_phase_picks_its_own_segments() -> None:
    speed = SPEED
    turns, _ = turns_of(speed)
    time = np.arange(turns.size) / FS
    x = np.where((time > 3.0) & (time < 6.0), np.cos(2 * np.pi * 5.0 * turns), 0.0)
    take = Take(x, FS)
    hold = order_spectrum(take, speed, phase="hold")
    run_up = order_spectrum(take, speed, phase="run_up")
    assert hold.at(5.0) == pytest.approx(1.0, rel=0.02)
    assert run_up.at(5.0) < 0.3
    assert hold.phase == "hold"


def test_other_shaft_counts_its_own_turns() -> None:
    wheel = order_spectrum(TAKE, SPEED, shaft_ratio=0.37, max_order=8.0)
    assert wheel.at(1.0) == pytest.approx(0.1, rel=0.02)
    assert wheel.at(1.0 / 0.37) == pytest.approx(0.5, rel=0.02)
    assert wheel.shaft_ratio == 0.37


def test_short_run_gets_a_coarser_resolution_by_itself() -> None:
    take = TAKE.cut(3.0, 3.4)  # 60 turns
    time = np.linspace(0.0, 0.4, 21)
    speed = SpeedTrack(time, np.full(21, 9000.0), np.ones(21), np.ones(21))
    spectrum = order_spectrum(take, speed)
    assert spectrum.resolution > 1.0 / 32.0
    assert spectrum.at(13.0, 0.5) == pytest.approx(1.0, rel=0.05)
    with pytest.raises(InputError, match="fewer than 128 turns"):
        order_spectrum(take, speed, resolution=1.0 / 128.0)


def test_strongest_channel_is_used_and_gravity_is_not() -> None:
    x = np.stack([np.full(TAKE.n_samples, 9.81), TAKE.samples[0], 0.1 * TAKE.samples[0]])
    take = Take(x, FS, sensor="accelerometer", unit="m/s^2", channel_names=("x", "y", "z"))
    assert order_spectrum(take, SPEED).at(13.0) == pytest.approx(1.0, rel=0.01)


def test_gaps_read_as_zero() -> None:
    x = np.array(TAKE.samples)
    x[0, 1000:1010] = np.nan
    assert order_spectrum(Take(x, FS), SPEED).at(13.0) == pytest.approx(1.0, rel=0.01)


# ---- map --------------------------------------------------------------------------------


def test_map_shows_each_order_at_each_speed_and_masks_the_rest() -> None:
    grid = order_speed_map(TAKE, SPEED, max_order=80.0, n_speeds=30)
    assert grid.amplitude.shape == (30, grid.order.size)
    column = grid.amplitude[:, np.argmin(np.abs(grid.order - 13.0))]
    heard = grid.n_segments > 0
    assert heard.sum() > 20
    np.testing.assert_allclose(column[heard & (grid.rpm < 8500)], 1.0, rtol=0.08)
    hidden = grid.order[np.newaxis, :] * grid.rpm[:, np.newaxis] / 60.0 > 0.5 * FS
    assert np.isnan(grid.amplitude[hidden]).all()
    assert np.isnan(grid.amplitude_db()[hidden]).all()
    assert np.isfinite(grid.amplitude[heard][:, grid.order < 20.0]).all()


def test_map_follows_an_amplitude_that_depends_on_speed() -> None:
    turns, rate = turns_of(SPEED)
    take = Take(rate / 150.0 * np.cos(2 * np.pi * 4.0 * turns), FS)
    grid = order_speed_map(take, SPEED, max_order=16.0, n_speeds=12)
    column = grid.amplitude[:, np.argmin(np.abs(grid.order - 4.0))]
    heard = (grid.n_segments > 0) & (grid.rpm > 3000)
    np.testing.assert_allclose(column[heard], grid.rpm[heard] / 9000.0, rtol=0.12)


# ---- cuts -------------------------------------------------------------------------------


def test_cut_follows_amplitude_and_phase() -> None:
    turns, _ = turns_of(SPEED)
    amplitude = 0.5 + 0.4 * np.sin(2 * np.pi * turns / 400.0)
    x = amplitude * np.cos(2 * np.pi * 3.0 * turns + 0.7) + np.cos(2 * np.pi * 7.0 * turns)
    cuts = order_cuts(Take(x, FS), SPEED, [Order("blade", 3.0), 7.0])
    assert cuts.names == ("blade", "7")
    at = PhaseTrack(SPEED.time_s, SPEED.rpm / 60.0).revolutions_at(cuts.time_s)
    inner = (at > at[0] + 40) & (at < at[-1] - 40)
    truth = 0.5 + 0.4 * np.sin(2 * np.pi * at / 400.0)
    np.testing.assert_allclose(cuts.amplitude[0][inner], truth[inner], atol=0.005)
    np.testing.assert_allclose(cuts.phase_rad[0][inner], 0.7, atol=0.01)
    np.testing.assert_allclose(cuts.amplitude[1][inner], 1.0, atol=0.005)
    # At the ends too it stays near: the loss of the filter is made good there.
    np.testing.assert_allclose(cuts.amplitude[1], 1.0, atol=0.15)
    np.testing.assert_allclose(cuts.rpm, SPEED.rpm_at(cuts.time_s), rtol=1e-6)


def test_cut_is_masked_where_the_order_is_out_of_band() -> None:
    cuts = order_cuts(TAKE, SPEED, [40.0, 70.0])
    limit = 60.0 * 0.45 * FS / 70.0
    assert not cuts.observable[1][cuts.rpm > 1.01 * limit].any()
    assert np.isnan(cuts.amplitude[1][~cuts.observable[1]]).all()
    assert np.isnan(cuts.phase_rad[1][~cuts.observable[1]]).all()
    assert cuts.observable[0].all()


def test_narrow_cut_makes_its_own_transform() -> None:
    cuts = order_cuts(TAKE, SPEED, [13.0], half_width=0.02)
    np.testing.assert_allclose(np.median(cuts.amplitude[0]), 1.0, rtol=0.01)


# ---- synchronous average ----------------------------------------------------------------


def test_average_recovers_the_waveform_of_one_shaft() -> None:
    """A sawtooth-like waveform once per wheel turn beneath a motor order and noise."""
    ratio = 0.37
    turns, rate = turns_of(SPEED)
    wheel = 2 * np.pi * ratio * turns
    wave = np.cos(wheel) + 0.5 * np.cos(2 * wheel + 1.0) + 0.25 * np.cos(5 * wheel - 0.5)
    other = 2.0 * np.cos(2 * np.pi * turns) + np.random.default_rng(1).standard_normal(turns.size)
    average = synchronous_average(
        Take((wave + other) * (rate > 0), FS), SPEED, ratio, n_turns=32, max_order=10.0
    )
    angle = 2 * np.pi * average.turn
    truth = np.cos(angle) + 0.5 * np.cos(2 * angle + 1.0) + 0.25 * np.cos(5 * angle - 0.5)
    shifts = [np.roll(average.waveform, k) for k in range(average.turn.size)]
    best = min(np.sqrt(np.mean((s - truth) ** 2)) for s in shifts)
    assert best < 0.15
    assert average.n_turns % 32 == 0
    assert 0.1 < average.share < 0.35  # 0.656 of 0.656 + 2 + what noise the grid keeps


def test_average_without_alignment_keeps_the_phase() -> None:
    turns, rate = turns_of(SPEED)
    average = synchronous_average(
        Take(np.cos(2 * np.pi * turns - 1.0) * (rate > 0), FS),
        SPEED,
        align=False,
        max_order=8.0,
        phase="hold",
    )
    truth = np.cos(2 * np.pi * average.turn - 1.0)
    np.testing.assert_allclose(average.waveform, truth, atol=0.005)
    assert average.share == pytest.approx(1.0, abs=0.01)


# ---- residual ---------------------------------------------------------------------------


def knocks(turns: np.ndarray, ratio: float, seed: int = 2) -> np.ndarray:
    """Short ringing bursts near every turn of a shaft, with scatter in time and strength."""
    rng = np.random.default_rng(seed)
    x = np.zeros(turns.size)
    starts = np.searchsorted(turns, np.arange(1.0, turns[-1] * ratio) / ratio)
    ring = np.exp(-np.arange(160) / 25.0) * np.sin(2 * np.pi * 4300.0 / FS * np.arange(160))
    for start in starts[starts > int(0.6 * FS)]:
        begin = start + rng.integers(0, 20)
        if begin + ring.size < x.size:
            x[begin : begin + ring.size] += rng.uniform(0.5, 1.5) * ring
    return x


def test_residual_removes_tones_and_keeps_knocks() -> None:
    turns, _ = turns_of(SPEED)
    knock = knocks(turns, 0.37)
    take = Take(TAKE.samples[0] + knock, FS)
    rest = residual(take, SPEED, list(LINES))
    inner = slice(int(1.0 * FS), int(7.5 * FS))
    clean = knock + 0.01 * np.random.default_rng(5).standard_normal(turns.size)
    error = rest.take.samples[0][inner] - clean[inner]
    # Tones of 0.8 r.m.s. leave less than 3 % behind; the knocks keep their shape and kurtosis.
    assert np.sqrt(np.mean(error**2)) < 0.03 * np.sqrt(np.mean(TAKE.samples[0] ** 2))
    assert np.corrcoef(rest.take.samples[0][inner], clean[inner])[0, 1] > 0.98
    assert kurtosis(take.samples[0][inner]) < 3.0
    assert kurtosis(rest.take.samples[0][inner]) == pytest.approx(
        float(kurtosis(clean[inner])), rel=0.15
    )
    tones = {order: 0.5 * a**2 for order, a in LINES.items()}
    total = sum(tones.values()) + np.mean(clean[inner] ** 2)
    assert rest.removed_share == pytest.approx(sum(tones.values()) / total, abs=0.03)
    assert rest.removed[2] == pytest.approx(tones[13.0] / total, abs=0.03)
    assert rest.take.sample_rate_hz == FS
    assert rest.take.n_samples == take.n_samples


def test_residual_leaves_the_idle_part_alone() -> None:
    rest = residual(TAKE, SPEED, [1.0, 13.0])
    idle = slice(0, int(0.49 * FS))
    np.testing.assert_array_equal(
        rest.take.samples[0][idle], TAKE.samples[0][idle].astype(np.float32)
    )


def test_residual_finds_the_lines_by_itself() -> None:
    rest = residual(TAKE, SPEED)
    np.testing.assert_allclose(np.sort(rest.orders), sorted(LINES), atol=0.01)
    assert rest.removed_share > 0.99


def test_residual_of_noise_takes_next_to_nothing() -> None:
    take = Take(np.random.default_rng(0).standard_normal(int(DURATION_S * FS)), FS)
    rest = residual(take, SPEED)
    assert rest.removed_share < 0.02


def test_residual_of_several_channels_keeps_each() -> None:
    x = np.stack([TAKE.samples[0], 3.0 * TAKE.samples[0], np.zeros(TAKE.n_samples)])
    take = Take(x, FS, sensor="accelerometer", unit="m/s^2", channel_names=("x", "y", "z"))
    rest = residual(take, SPEED, list(LINES)).take
    assert rest.channel_names == ("x", "y", "z")
    inner = slice(int(1.0 * FS), int(7.5 * FS))
    np.testing.assert_allclose(rest.samples[1][inner], 3.0 * rest.samples[0][inner], atol=1e-3)
    assert not rest.samples.flags.writeable


def test_prominent_orders_of_noise_are_few() -> None:
    take = Take(np.random.default_rng(3).standard_normal(int(DURATION_S * FS)), FS)
    assert prominent_orders(order_spectrum(take, SPEED)).size <= 2


# ---- the shared grid --------------------------------------------------------------------


def test_grid_is_made_once_and_shared() -> None:
    take = take_of({1.0: 1.0}, SPEED)
    first = angular_take(take, SPEED)
    assert angular_take(take, SPEED, max_order=3.0).stretches is first.stretches
    assert angular_take(take, SPEED, shaft_ratio=0.5).stretches is not first.stretches
    assert angular_take(take, spin_up()).stretches is not first.stretches


def test_grid_goes_with_the_take() -> None:
    take = take_of({1.0: 1.0}, SPEED)
    angular_take(take, SPEED)
    gc.collect()  # takes of other tests may still wait to be collected
    before = len(order_grid._kept)
    del take
    gc.collect()
    assert len(order_grid._kept) == before - 1


# ---- wrong calls ------------------------------------------------------------------------


def still() -> SpeedTrack:
    time = np.linspace(0.0, DURATION_S, 100)
    return SpeedTrack(time, np.zeros(100), np.zeros(100), np.ones(100))


def test_a_standing_shaft_has_no_orders() -> None:
    with pytest.raises(InputError, match="shaft does not turn"):
        order_spectrum(TAKE, still())


def test_less_than_a_turn() -> None:
    time = np.array([0.0, 4.0, 8.0])
    speed = SpeedTrack(time, np.array([0.0, 0.5, 0.0]), np.ones(3), np.ones(3))
    with pytest.raises(InputError, match="less than one turn"):
        order_spectrum(TAKE, speed)


def test_missing_phase_names_those_there_are() -> None:
    time = np.linspace(0.0, DURATION_S, 100)
    speed = SpeedTrack(
        time, np.full(100, 6000.0), np.ones(100), np.ones(100), (Phase("hold", 0.0, 8.0),)
    )
    with pytest.raises(InputError, match=r'no phase "coast_down".*hold'):
        order_spectrum(TAKE, speed, phase="coast_down")


@pytest.mark.parametrize(
    ("call", "match"),
    [
        ({"max_order": 0.0}, "max_order must be a positive number"),
        ({"max_order": float("nan")}, "max_order must be a positive number"),
        ({"resolution": 2.0}, "resolution must be above 0 and at most 1"),
        ({"resolution": 0.0}, "resolution must be above 0 and at most 1"),
        ({"shaft_ratio": -1.0}, "shaft_ratio must be a positive number"),
        ({"window": "hanning"}, "The window must be one of"),
    ],
)
def test_wrong_calls(call: dict[str, Any], match: str) -> None:
    with pytest.raises(CallError, match=match):
        order_spectrum(TAKE, SPEED, **call)


def test_more_wrong_calls() -> None:
    with pytest.raises(CallError, match="n_speeds must be at least 1"):
        order_speed_map(TAKE, SPEED, n_speeds=0)
    with pytest.raises(CallError, match="orders must be one or more positive numbers"):
        order_cuts(TAKE, SPEED, [])
    with pytest.raises(CallError, match="orders must be one or more positive numbers"):
        residual(TAKE, SPEED, [1.0, -2.0])
    with pytest.raises(CallError, match="half_width must be above zero"):
        residual(TAKE, SPEED, [1.0], half_width=0.0)
    with pytest.raises(CallError, match="n_turns must be at least 1"):
        synchronous_average(TAKE, SPEED, n_turns=0)
    with pytest.raises(InputError, match="fewer than 100000 turns"):
        synchronous_average(TAKE, SPEED, n_turns=100_000)


def test_signal_core_refuses_what_its_grid_cannot_show() -> None:
    track = PhaseTrack(np.array([0.0, 4.0]), np.array([20.0, 20.0]))
    (stretch,) = to_angle(np.ones(32_000), 8000.0, track, 24)
    with pytest.raises(CallError, match="max_order must be at most 8"):
        order_segments([stretch], 4, 9.0)
    spectrum = LongSpectrum(stretch, 0.1)
    with pytest.raises(CallError, match="needs more points"):
        spectrum.demodulate(2.0, 0.1, 8)
    n_fft, lines = long_transform(stretch, 10.0)
    assert lines.size == n_fft // 2 + 1
    # A band beyond the grid holds nothing.
    assert spectrum.band(20.0, 0.1)[1].size == 0
    assert np.abs(spectrum.demodulate(20.0, 0.1, 256)).max() == 0.0

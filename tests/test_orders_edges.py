"""Orders at the edges: bins by hand, short runs, single turns, several channels, phases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vibecheck.errors import CallError, InputError
from vibecheck.orders import (
    OrderSpectrum,
    angular_take,
    order_cuts,
    order_spectrum,
    order_speed_map,
    prominent_orders,
    residual,
    synchronous_average,
)
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack

RATE = 8_000.0


def spectrum_of(amplitude: np.ndarray, resolution: float = 0.125) -> OrderSpectrum:
    order = resolution * np.arange(amplitude.size)
    return OrderSpectrum(
        order, amplitude, "full_scale", resolution, 1.5 * resolution, 4, np.ones(amplitude.size)
    )


def steady(rev_per_s: float = 50.0, seconds: float = 4.0) -> SpeedTrack:
    time = np.linspace(0.0, seconds, int(50 * seconds) + 1)
    rpm = np.full(time.size, 60.0 * rev_per_s)
    phases = (Phase("run_up", 0.0, 1.0), Phase("hold", 1.0, seconds))
    return SpeedTrack(time, rpm, np.ones(time.size), np.ones(time.size), phases)


def cosine(order: float, rev_per_s: float = 50.0, seconds: float = 4.0) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    wave: np.ndarray = np.cos(2 * np.pi * order * rev_per_s * time)
    return wave


# ---- a spectrum by hand -----------------------------------------------------------------


def test_a_line_is_the_root_of_the_power_of_its_bins() -> None:
    # By hand: bins 0.3, 0.6, 1.0, 0.6, 0.3 around order 2, over a noise bandwidth of 1.5 bins.
    amplitude = np.zeros(33)
    amplitude[14:19] = [0.3, 0.6, 1.0, 0.6, 0.3]
    spectrum = spectrum_of(amplitude)
    assert spectrum.at(2.0) == pytest.approx(np.sqrt(1.9 / 1.5))
    # Half a bin reaches the bin itself at least.
    for half_width in (0.0, 0.01, 0.0625):
        assert spectrum.at(2.0, half_width) == pytest.approx(np.sqrt(1.0 / 1.5))
    assert spectrum.at(2.0, 0.13) == pytest.approx(np.sqrt(1.72 / 1.5))
    assert np.isnan(spectrum.at(9.0))
    amplitude[18] = np.nan
    assert np.isnan(spectrum_of(amplitude).at(2.0))
    assert spectrum_of(amplitude).at(2.0, 0.13) == pytest.approx(np.sqrt(1.72 / 1.5))


def test_prominence_is_over_the_median_within_one_order() -> None:
    # By hand: a bin of 1.0 over 0.01 all around: 40 dB. What lies further off has no say.
    amplitude = np.full(65, 5.0)
    amplitude[9:24] = 0.01  # orders 1.125 to 2.875, all within one order of 2
    amplitude[16] = 1.0
    assert spectrum_of(amplitude).prominence_db(2.0) == pytest.approx(40.0, abs=1e-6)
    # A peak one bin beside it is found within 1.5 bins, not within half a bin.
    assert spectrum_of(amplitude).prominence_db(2.125) == pytest.approx(40.0, abs=1e-6)
    assert spectrum_of(amplitude).prominence_db(2.125, 0.0) == pytest.approx(0.0, abs=1e-6)
    # The mean value of the signal, order 0, is no surrounding.
    low = np.full(65, 0.01)
    low[0], low[4] = 1e6, 1.0
    assert spectrum_of(low).prominence_db(0.5) == pytest.approx(40.0, abs=1e-6)
    assert np.isnan(spectrum_of(np.full(65, np.nan)).prominence_db(2.0))
    assert np.isnan(spectrum_of(amplitude).prominence_db(99.0))
    assert np.isfinite(spectrum_of(np.zeros(65)).prominence_db(2.0))


def test_decibels_are_over_the_reference() -> None:
    spectrum = spectrum_of(np.array([1.0, 0.1, np.nan]))
    assert spectrum.amplitude_db()[:2] == pytest.approx([0.0, -20.0])
    assert spectrum.amplitude_db(0.01)[:2] == pytest.approx([40.0, 20.0])
    assert np.isnan(spectrum.amplitude_db()[2])


def bells(lines: dict[float, float], n: int = 400, resolution: float = 0.125) -> OrderSpectrum:
    """Lines whose log power is a parabola: interpolation between bins is then exact."""
    order = resolution * np.arange(n)
    power = np.full(n, 1e-12)
    for at, level in lines.items():
        power += level * np.exp(-(((order - at) / resolution) ** 2))
    return spectrum_of(np.sqrt(power), resolution)


def test_lines_are_found_between_bins_in_their_order() -> None:
    lines = {2.03: 1.0, 7.5: 10.0, 11.94: 0.1, 20.06: 3.0}
    np.testing.assert_allclose(prominent_orders(bells(lines)), sorted(lines), atol=1e-4)


def test_the_strongest_lines_are_kept() -> None:
    lines = {2.0: 1.0, 7.5: 10.0, 12.0: 0.1, 20.0: 3.0}
    np.testing.assert_allclose(prominent_orders(bells(lines), most=2), [7.5, 20.0], atol=1e-4)
    np.testing.assert_allclose(prominent_orders(bells(lines), most=1), [7.5], atol=1e-4)
    many = {1.0 + n: 1.0 + 0.01 * n for n in range(40)}
    np.testing.assert_allclose(
        prominent_orders(bells(many)), [1.0 + n for n in range(8, 40)], atol=1e-3
    )


def test_a_line_needs_twelve_decibels() -> None:
    for over_db, found in ((11.0, 0), (13.0, 1)):
        amplitude = np.ones(200)
        amplitude[80] = 10 ** (over_db / 20)
        assert prominent_orders(spectrum_of(amplitude)).size == found
        assert prominent_orders(spectrum_of(amplitude), least_db=over_db - 1.0).size == 1


def test_the_foot_of_the_window_at_zero_is_no_line() -> None:
    for place, found in ((1, 0), (2, 0), (3, 1), (4, 1)):
        amplitude = np.full(200, 1e-3)
        amplitude[place] = 1.0
        assert prominent_orders(spectrum_of(amplitude)).size == found
    assert prominent_orders(spectrum_of(np.zeros(200))).size == 0
    assert prominent_orders(spectrum_of(np.full(200, np.nan))).size == 0
    # Nor is the last bin, which has no neighbour.
    last = np.full(200, 1e-3)
    last[-1] = 1.0
    assert prominent_orders(spectrum_of(last)).size == 0


# ---- from a take ------------------------------------------------------------------------


def test_a_short_run_takes_half_as_many_turns_until_four_segments_fit() -> None:
    # By hand: 50 turns; segments overlap by half: of 32 turns 2 fit, of 16 turns 5.
    take = Take(cosine(3.0, seconds=1.0), RATE)
    spectrum = order_spectrum(take, steady(seconds=1.0), max_order=8.0)
    assert spectrum.resolution == 1.0 / 16.0
    assert spectrum.n_segments >= 4
    # Asked for, 32 turns are taken with the segments there are.
    asked = order_spectrum(take, steady(seconds=1.0), max_order=8.0, resolution=1.0 / 32.0)
    assert asked.resolution == 1.0 / 32.0
    assert 1 <= asked.n_segments < 4


def test_a_spectrum_and_a_map_carry_the_unit_of_the_take() -> None:
    take = Take(cosine(3.0), RATE, sensor="accelerometer", unit="m/s^2", channel_names=("x",))
    speed = steady()
    assert order_spectrum(take, speed, max_order=8.0).unit == "m/s^2"
    grid = order_speed_map(take, speed, max_order=8.0, n_speeds=1)
    assert grid.unit == "m/s^2"
    assert order_cuts(take, speed, [3.0]).unit == "m/s^2"
    assert synchronous_average(take, speed, max_order=8.0).unit == "m/s^2"
    # A steady run fills the one bin of a map.
    assert grid.rpm == pytest.approx([3000.0], rel=1e-3)
    assert grid.amplitude[0, np.argmin(np.abs(grid.order - 3.0))] == pytest.approx(1.0, rel=0.01)
    assert grid.order[1] == pytest.approx(1.0 / 16.0)


def test_a_map_of_a_wheel_is_against_the_speed_of_the_reference_shaft() -> None:
    speed = steady()
    grid = order_speed_map(
        Take(cosine(3.0), RATE), speed, max_order=16.0, n_speeds=3, shaft_ratio=0.5, phase="hold"
    )
    assert grid.rpm[grid.n_segments > 0] == pytest.approx(3000.0, rel=1e-3)
    row = grid.amplitude[np.argmax(grid.n_segments)]
    assert row[np.argmin(np.abs(grid.order - 6.0))] == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize("max_order", [0.5, 1.0, 3.0])
def test_any_highest_order_above_zero_will_do(max_order: float) -> None:
    take = Take(cosine(0.25), RATE)
    spectrum = order_spectrum(take, steady(), max_order=max_order)
    assert spectrum.order.max() == pytest.approx(max_order, abs=1.0 / 32.0)
    assert spectrum.at(0.25) == pytest.approx(1.0, rel=0.02)


def test_the_highest_order_is_64_or_what_the_take_can_show() -> None:
    # By hand: 0.45 of 8 kHz are 3600 Hz: order 72 at 50 turns a second, 36 at 100.
    take = Take(cosine(3.0), RATE)
    assert order_spectrum(take, steady()).order.max() == pytest.approx(64.0)
    assert order_spectrum(take, steady(100.0)).order.max() == pytest.approx(36.0, abs=0.1)


def test_turns_that_take_too_long_are_left_out() -> None:
    """From a crawl of 0.6 turns a second to 50: slower than 1 a second nothing is analysed."""
    time = np.linspace(0.0, 8.0, 401)
    rpm = np.where(time < 4.0, 36.0, 3000.0)
    speed = SpeedTrack(time, rpm, np.ones(401), np.ones(401))
    grid = angular_take(Take(np.zeros(64_000), RATE), speed, max_order=4.0)
    turns = sum(stretch.samples.size for stretch in grid.stretches) / grid.samples_per_turn
    assert turns == pytest.approx(200.0, abs=2.5)
    assert grid.shaft_ratio == 1.0
    # A shaft of a tenth the speed is analysed down to a tenth of that.
    slow = angular_take(Take(np.zeros(64_000), RATE), speed, max_order=4.0, shaft_ratio=0.1)
    assert slow.track.time_at(np.array([10.0]))[0] > 4.0


def test_cuts_step_finely_enough_for_their_band() -> None:
    # A band of half width 1 holds what changes once a turn: two points a turn show it.
    speed, take = steady(), Take(cosine(3.0), RATE)
    for half_width, most_turns in ((1.0, 0.5), (0.2, 2.5), (0.05, 10.0)):
        cuts = order_cuts(take, speed, [3.0, 12.0], half_width=half_width)
        assert np.diff(cuts.time_s).max() * 50.0 <= most_turns
        assert np.median(cuts.amplitude[0]) == pytest.approx(1.0, rel=0.005)
        assert np.median(cuts.amplitude[1]) == pytest.approx(0.0, abs=0.005)
        assert cuts.order == pytest.approx([3.0, 12.0])


@pytest.mark.parametrize("order", [3.0, 12.0])
def test_a_cut_alone_reads_as_beside_a_higher_one(order: float) -> None:
    alone = order_cuts(Take(cosine(order), RATE), steady(), [order])
    assert np.median(alone.amplitude[0]) == pytest.approx(1.0, rel=0.01)


# ---- synchronous average and residual ---------------------------------------------------


def test_single_turns_may_be_averaged() -> None:
    speed = steady()
    average = synchronous_average(
        Take(cosine(2.0), RATE), speed, n_turns=1, max_order=8.0, align=False
    )
    np.testing.assert_allclose(average.waveform, np.cos(4 * np.pi * average.turn), atol=0.02)
    assert 190 <= average.n_turns <= 200


def test_an_average_keeps_to_its_phase() -> None:
    time = np.arange(32_000) / RATE
    x = np.where(time < 0.8, 5.0, 1.0) * cosine(2.0)
    average = synchronous_average(
        Take(x, RATE), steady(), n_turns=8, max_order=8.0, phase="hold", align=False
    )
    assert np.abs(average.waveform).max() == pytest.approx(1.0, abs=0.02)
    assert 140 <= average.n_turns <= 156
    assert average.n_turns % 8 == 0
    with pytest.raises(InputError, match="fewer than 190 turns") as caught:
        synchronous_average(Take(x, RATE), steady(), n_turns=190, max_order=8.0, phase="run_up")
    assert caught.value.advice


def test_the_share_of_an_average_is_that_of_its_power() -> None:
    # By hand: the shaft's own line has power 0.5, what beats against it over the block 0.125.
    x = cosine(2.0) + 0.5 * cosine(2.5)
    average = synchronous_average(Take(x, RATE), steady(), n_turns=64, max_order=8.0, align=False)
    assert average.share == pytest.approx(0.8, abs=0.01)


def test_what_is_removed_is_a_share_of_all_channels() -> None:
    # By hand: channel x holds a line of power 0.5 and another of 0.125, y the second alone with
    # power 0.125. Without the first 0.25 of 0.75 are left.
    x = np.stack([cosine(2.0) + 0.5 * cosine(5.5), 0.5 * cosine(5.5)])
    take = Take(x, RATE, sensor="accelerometer", unit="m/s^2", channel_names=("x", "y"))
    one = residual(take, steady(), [2.0])
    assert one.removed_share == pytest.approx(2 / 3, abs=0.02)
    assert one.removed == pytest.approx([2 / 3], abs=0.02)
    assert one.orders == pytest.approx([2.0])
    inner = slice(4_000, -4_000)
    np.testing.assert_allclose(one.take.samples[0][inner], x[1][inner], atol=0.02)
    both = residual(take, steady(), [2.0, 5.5])
    assert both.removed == pytest.approx([2 / 3, 1 / 3], abs=0.02)
    assert both.removed_share == pytest.approx(1.0, abs=0.02)


def test_nothing_is_taken_where_no_line_stands_out() -> None:
    take = Take(np.zeros(32_000), RATE)
    rest = residual(take, steady())
    assert (rest.orders.size, rest.removed.size, rest.removed_share) == (0, 0, 0.0)
    assert rest.take is take


def test_a_run_that_stops_is_told_with_advice() -> None:
    speed = steady()
    still = replace(speed, rpm=np.zeros(speed.rpm.size))
    with pytest.raises(InputError, match="does not turn") as caught:
        order_spectrum(Take(cosine(2.0), RATE), still)
    assert caught.value.advice
    time = np.array([0.0, 2.0, 4.0])
    slow = SpeedTrack(time, np.array([0.0, 3.0, 0.0]), np.ones(3), np.ones(3))
    with pytest.raises(InputError, match="less than one turn") as caught:
        order_spectrum(Take(cosine(2.0), RATE, file="slow.wav"), slow)
    assert caught.value.advice
    assert caught.value.where == "slow.wav"
    with pytest.raises(InputError, match=r'in the phase "run_up"') as caught:
        order_spectrum(Take(cosine(2.0), RATE), speed, resolution=1 / 128, phase="run_up")
    assert caught.value.advice


def test_samples_far_from_zero_keep_their_digits() -> None:
    """A small line on gravity, in double precision."""
    x = 9.81 + 1e-3 * cosine(2.0)
    take = Take(x, RATE, sensor="accelerometer", unit="m/s^2", channel_names=("z",))
    assert order_spectrum(take, steady()).at(2.0) == pytest.approx(1e-3, rel=0.01)


def test_the_last_grids_are_kept() -> None:
    take, speed = Take(cosine(2.0), RATE), steady()
    first = angular_take(take, speed, max_order=8.0)
    assert angular_take(take, speed, max_order=8.0).stretches is first.stretches
    assert angular_take(take, speed, max_order=4.0).max_order == 4.0
    assert angular_take(take, speed, max_order=40.0).stretches is not first.stretches
    half = angular_take(take, speed, max_order=8.0, shaft_ratio=0.5)
    assert half.shaft_ratio == 0.5
    assert half.stretches is not first.stretches


# ---- what drifts, what is just in and just out ------------------------------------------


def test_blocks_that_drift_are_turned_to_fit() -> None:
    # By hand: the line slips by 0.002 turns a turn, over 200 turns by 0.4: left as it is, the mean
    # keeps sin(0.4 π) / (0.4 π) = 0.757 of it.
    take = Take(cosine(1.002), RATE)
    call = {"n_turns": 8, "max_order": 20.0}
    drifted = synchronous_average(take, steady(), align=False, **call)  # type: ignore[arg-type]
    assert np.abs(drifted.waveform).max() == pytest.approx(0.757, abs=0.01)
    turned = synchronous_average(take, steady(), **call)  # type: ignore[arg-type]
    assert np.abs(turned.waveform).max() == pytest.approx(1.0, abs=0.02)
    assert turned.share == pytest.approx(1.0, abs=0.03)
    # The first block stays where it is.
    assert np.argmax(turned.waveform) / turned.turn.size == pytest.approx(0.0, abs=0.03) or (
        np.argmax(turned.waveform) / turned.turn.size > 0.96
    )


def test_a_block_belongs_where_its_middle_lies() -> None:
    # By hand: blocks of 8 turns last 0.16 s; those with their middle from 1 s on begin at 0.96 s.
    time = np.arange(32_000) / RATE
    x = np.where(time < 0.95, 5.0, 1.0) * cosine(2.0)
    average = synchronous_average(
        Take(x, RATE), steady(), n_turns=8, max_order=8.0, phase="hold", align=False
    )
    assert np.abs(average.waveform).max() == pytest.approx(1.0, abs=0.02)
    assert average.n_turns == 19 * 8


@pytest.mark.parametrize("start_s", [0.003, 0.007, 0.011, 0.013, 0.018])
def test_whole_turns_are_taken_wherever_the_run_begins(start_s: float) -> None:
    time = np.array([0.0, start_s, start_s + 1e-6, 4.0])
    speed = SpeedTrack(time, np.array([0.0, 0.0, 3000.0, 3000.0]), np.ones(4), np.ones(4))
    average = synchronous_average(Take(cosine(2.0), RATE), speed, n_turns=1, max_order=8.0)
    assert np.abs(average.waveform).max() == pytest.approx(1.0, abs=0.03)
    assert 197 <= average.n_turns <= 199
    once = synchronous_average(Take(cosine(2.0), RATE), speed, n_turns=150, max_order=8.0)
    assert once.n_turns == 150


def test_the_average_of_silence_is_silence() -> None:
    average = synchronous_average(Take(np.zeros(32_000), RATE), steady(), max_order=8.0)
    assert average.share == 0.0
    assert not average.waveform.any()
    faint = synchronous_average(Take(1e-6 * cosine(2.0), RATE), steady(), max_order=8.0)
    assert faint.share == pytest.approx(1.0, abs=0.01)
    assert residual(Take(1e-6 * cosine(2.0), RATE), steady(), [2.0]).removed_share > 0.98


def test_phases_of_one_name_count_together() -> None:
    speed = steady()
    two = (Phase("hold", 0.0, 1.0), Phase("run_up", 1.0, 3.0), Phase("hold", 3.0, 4.0))
    average = synchronous_average(
        Take(cosine(2.0), RATE),
        replace(speed, phases=two),
        n_turns=10,
        max_order=8.0,
        phase="hold",
    )
    assert average.n_turns == 100


def test_bins_at_the_reach_count_and_masked_ones_hide() -> None:
    amplitude = np.zeros(33)
    amplitude[14:19] = [0.3, 0.6, 1.0, 0.6, 0.3]
    assert spectrum_of(amplitude).at(2.0, 0.125) == pytest.approx(np.sqrt(1.72 / 1.5))
    amplitude[15] = np.nan
    assert np.isnan(spectrum_of(amplitude).prominence_db(2.0))
    assert np.isfinite(spectrum_of(amplitude).prominence_db(2.0, 0.0))


def test_two_equal_bins_are_one_line_between_them() -> None:
    amplitude = np.full(200, 1e-3)
    amplitude[80:82] = 1.0
    np.testing.assert_allclose(prominent_orders(spectrum_of(amplitude)), [80.5 * 0.125])
    # A line of an only bin lies in it.
    amplitude[81] = 1e-3
    np.testing.assert_allclose(prominent_orders(spectrum_of(amplitude)), [80 * 0.125])


def test_a_line_stands_out_of_what_is_near() -> None:
    # The same peak in a loud stretch of two orders: over the median of those, not of all.
    amplitude = np.full(400, 1e-3)
    amplitude[192:209] = 0.5
    amplitude[200] = 1.0
    assert prominent_orders(spectrum_of(amplitude)).size == 0
    assert prominent_orders(spectrum_of(amplitude), least_db=5.0).size >= 1


def test_too_few_turns_are_told() -> None:
    time = np.array([0.0, 0.05, 0.1])
    short = SpeedTrack(time, np.full(3, 1500.0), np.ones(3), np.ones(3))
    with pytest.raises(InputError, match="fewer than 4 turns in one go in this take") as caught:
        order_spectrum(Take(cosine(3.0, seconds=0.1), RATE), short, max_order=8.0)
    assert caught.value.advice


def test_a_map_ends_at_the_order_asked_for() -> None:
    grid = order_speed_map(Take(cosine(3.0), RATE), steady(), max_order=8.0, n_speeds=2)
    assert grid.order.max() == pytest.approx(8.0)
    seen = np.isfinite(grid.amplitude) & (grid.amplitude > 0)
    np.testing.assert_allclose(
        grid.amplitude_db()[seen], 20 * np.log10(grid.amplitude[seen]), atol=1e-6
    )
    np.testing.assert_allclose(grid.amplitude_db(10.0)[seen], grid.amplitude_db()[seen] - 20.0)


def test_a_band_that_ends_beyond_what_is_shown_is_masked() -> None:
    # By hand: 3600 Hz are order 72 at 50 turns a second; the band is 0.5 wide to either side.
    cuts = order_cuts(Take(cosine(3.0), RATE), steady(), [71.4, 71.6, 72.4], half_width=0.5)
    assert cuts.observable.all(axis=1).tolist() == [True, False, False]
    assert not cuts.observable[1:].any()


def test_an_idle_begin_does_not_lower_what_can_be_shown() -> None:
    # A fifth of the take stands still; then 100 turns a second: order 36.
    time = np.linspace(0.0, 4.0, 201)
    speed = SpeedTrack(time, np.where(time < 0.8, 0.0, 6000.0), np.ones(201), np.ones(201))
    assert order_spectrum(Take(cosine(3.0), RATE), speed).order.max() == pytest.approx(
        36.0, abs=0.1
    )


def test_what_is_outside_the_run_keeps_every_digit() -> None:
    x = np.stack([9.81 + 1e-9 * cosine(3.0), cosine(2.0)])
    take = Take(x, RATE, sensor="accelerometer", unit="m/s^2", channel_names=("z", "x"))
    time = np.linspace(0.0, 4.0, 201)
    speed = SpeedTrack(time, np.where(time < 2.0, 0.0, 3000.0), np.ones(201), np.ones(201))
    rest = residual(take, speed, [2.0]).take
    np.testing.assert_array_equal(rest.samples[:, :15_000], take.samples[:, :15_000])


def test_runs_with_a_pause_between_are_averaged_together() -> None:
    time = np.linspace(0.0, 4.0, 401)
    speed = SpeedTrack(
        time, np.where((time > 1.5) & (time < 2.5), 0.0, 3000.0), np.ones(401), np.ones(401)
    )
    take = Take(cosine(2.0), RATE)
    average = synchronous_average(take, speed, n_turns=10, max_order=8.0)
    assert average.n_turns in (130, 140, 150)
    assert average.share == pytest.approx(1.0, abs=0.05)
    # By hand: a second line that beats against the turns takes half of the power.
    both = Take(cosine(2.0) + cosine(2.5), RATE)
    halved = synchronous_average(both, speed, n_turns=10, max_order=8.0)
    assert halved.share == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("shaft_ratio", [0.0, -1.0, np.inf, np.nan])
def test_a_shaft_must_turn_with_the_reference(shaft_ratio: float) -> None:
    with pytest.raises(CallError, match="shaft_ratio must be a positive number"):
        order_spectrum(Take(cosine(2.0), RATE), steady(), shaft_ratio=shaft_ratio)

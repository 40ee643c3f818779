"""Orders, number by number: widths of bands, counts of points and turns, lines by hand."""

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
from vibecheck.orders.grid import (
    channel_samples,
    highest_order,
    in_phase,
    phase_track,
    strongest_channel,
)
from vibecheck.recording.take import Take
from vibecheck.track import Phase, SpeedTrack

RATE = 8_000.0


def steady(rev_per_s: float = 50.0, seconds: float = 4.0, *phases: Phase) -> SpeedTrack:
    time = np.linspace(0.0, seconds, round(100 * seconds) + 1)
    ones = np.ones(time.size)
    return SpeedTrack(time, 60.0 * rev_per_s * ones, ones, ones, phases)


def cosine(order: float, rev_per_s: float = 50.0, seconds: float = 4.0) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    wave: np.ndarray = np.cos(2 * np.pi * order * rev_per_s * time)
    return wave


def with_pause(*runs: tuple[float, float], rev_per_s: float = 50.0) -> SpeedTrack:
    """Runs at one speed between the times given, in four seconds."""
    time = np.linspace(0.0, 4.0, 801)
    on = np.any([(time >= a) & (time <= b) for a, b in runs], axis=0)
    return SpeedTrack(time, np.where(on, 60.0 * rev_per_s, 0.0), np.ones(801), np.ones(801))


def spectrum_of(amplitude: np.ndarray, resolution: float = 0.125) -> OrderSpectrum:
    order = resolution * np.arange(amplitude.size)
    return OrderSpectrum(
        order, amplitude, "full_scale", resolution, 1.5 * resolution, 4, np.ones(amplitude.size)
    )


# ---- cuts -------------------------------------------------------------------------------


def test_a_cut_above_64_orders_is_followed() -> None:
    speed = steady(20.0)
    cut = order_cuts(Take(0.3 * cosine(100.0, 20.0), RATE), speed, [100.0])
    assert cut.observable.all()
    assert np.median(cut.amplitude) == pytest.approx(0.3, rel=0.01)


def test_a_band_grows_by_a_thousandth_of_its_order() -> None:
    # Order 60 is followed within 0.05 + 0.06 = 0.11: the inner half of that whole (closed form:
    # raised cosine from there to nothing).
    for offset, want in ((0.05, 1.0), (0.0825, 0.5), (0.12, 0.0)):
        take = Take(cosine(60.0 + offset, 40.0), RATE)
        for orders in ([60.0], [2.0, 60.0]):
            cut = order_cuts(take, steady(40.0), orders)
            assert np.median(cut.amplitude[-1]) == pytest.approx(want, abs=0.03)
        rest = residual(take, steady(40.0), [60.0])
        assert 1.0 - rest.removed_share == pytest.approx((1.0 - want) ** 2, abs=0.03)
        assert rest.removed[0] == pytest.approx(want**2, abs=0.03)


def test_cuts_have_a_point_every_two_turns_or_as_their_band_asks() -> None:
    # Two turns, or 0.4 over the half width; the transform is at most a little longer than asked.
    take = Take(cosine(3.0), RATE)
    for half_width, turns in ((0.05, 2.0), (0.5, 0.4 / 0.503), (1.0, 0.4 / 1.003)):
        cut = order_cuts(take, steady(), [3.0], half_width=half_width)
        step_turns = np.median(np.diff(cut.time_s)) * 50.0
        assert 0.96 * turns < step_turns <= turns + 1e-9
        assert cut.time_s[0] == pytest.approx(0.0, abs=0.01)
        assert 4.0 - 2 * turns / 50.0 < cut.time_s[-1] <= 4.0


def test_cuts_span_runs_with_a_pause_between() -> None:
    speed = with_pause((0.0, 1.0), (2.0, 3.9))
    cut = order_cuts(Take(cosine(3.0), RATE), speed, [3.0, 7.0])
    assert cut.amplitude.shape == cut.observable.shape == (2, cut.time_s.size)
    first, second = cut.time_s < 1.1, cut.time_s > 1.9
    assert np.all(first | second)
    assert first.sum() > 15
    assert second.sum() > 35
    for part in (first, second):
        assert np.median(cut.amplitude[0, part]) == pytest.approx(1.0, abs=0.02)
    alone = order_cuts(Take(cosine(3.0), RATE), speed, [3.0])
    assert alone.amplitude.shape == (1, cut.time_s.size)


@pytest.mark.parametrize("orders", [[0.0], [1.0, 0.0], [], [-1.0], [float("nan")]])
def test_orders_to_follow_are_positive(orders: list[float]) -> None:
    with pytest.raises(CallError, match="orders must be one or more positive numbers"):
        order_cuts(Take(cosine(3.0), RATE), steady(), orders)


# ---- the grid ---------------------------------------------------------------------------


def test_a_take_that_shows_less_than_one_order_is_asked_for_one() -> None:
    # 50 samples a second show 22.5 Hz; the shaft makes 50 turns a second.
    take = Take(np.zeros(4 * 50), 50.0)
    assert angular_take(take, steady()).max_order == 1.0


def test_a_grid_has_six_points_a_turn_at_least() -> None:
    take = Take(cosine(1.0), RATE)
    sizes = {
        order: angular_take(take, steady(), max_order=order).samples_per_turn for order in (4.0,)
    }
    one = angular_take(Take(cosine(1.0), RATE), steady(), max_order=1.0)
    two = angular_take(Take(cosine(1.0), RATE), steady(), max_order=2.0)
    assert one.samples_per_turn == two.samples_per_turn == 6
    assert sizes[4.0] == 12


def test_a_finer_grid_is_made_where_the_kept_one_is_too_coarse() -> None:
    take = Take(cosine(1.0), RATE)
    speed = steady()
    four = angular_take(take, speed, max_order=4.0)
    assert (four.channel, four.shaft_ratio, four.max_order) == (0, 1.0, 4.0)
    again = angular_take(take, speed, max_order=3.0)
    assert again.stretches is four.stretches
    assert (again.channel, again.shaft_ratio, again.max_order) == (0, 1.0, 3.0)
    assert again.limit_hz == four.limit_hz
    five = angular_take(take, speed, max_order=5.0)
    assert five.samples_per_turn == 15
    # The last two are kept: of a third, the first is made anew.
    wheel = angular_take(take, speed, max_order=5.0, shaft_ratio=0.5)
    assert wheel.shaft_ratio == 0.5
    assert angular_take(take, speed, max_order=5.0).stretches is five.stretches
    assert angular_take(take, speed, max_order=5.0, shaft_ratio=0.5).stretches is wheel.stretches
    assert angular_take(take, speed, max_order=3.0).stretches is not four.stretches


def test_a_quick_shaft_is_analysed_from_one_turn_a_second() -> None:
    # Twice the reference's 0.7 turns a second are 1.4.
    seconds = 20.0
    take = Take(np.zeros(round(seconds * RATE)), RATE)
    grid = angular_take(take, steady(0.7, seconds), max_order=4.0, shaft_ratio=2.0)
    assert sum(part.n_turns for part in grid.stretches) == pytest.approx(28.0, abs=1.5)


def test_less_than_one_turn_is_told_with_advice() -> None:
    with pytest.raises(InputError) as caught:
        angular_take(Take(cosine(1.0, seconds=0.01), RATE), steady(50.0, 0.01), max_order=4.0)
    assert str(caught.value).startswith("The shaft makes less than one turn in this take.")
    assert caught.value.advice == "Record a longer spin-up."


@pytest.mark.parametrize(("slow", "seen"), [(3.9, False), (4.1, True)])
def test_a_fiftieth_of_the_top_speed_is_too_slow(slow: float, seen: bool) -> None:
    time = np.array([0.0, 1.999, 2.0, 4.0])
    rpm = 60.0 * np.array([200.0, 200.0, slow, slow])
    speed = SpeedTrack(time, rpm, np.ones(4), np.ones(4))
    grid = angular_take(Take(np.zeros(32_000), RATE), speed, max_order=4.0)
    assert (grid.stretches[-1].end_s > 2.5) is seen


def test_a_shaft_that_stands_is_told_with_advice() -> None:
    with pytest.raises(InputError, match="The shaft does not turn in this take") as caught:
        angular_take(Take(cosine(1.0), RATE), steady(0.0))
    assert caught.value.advice == (
        "Record a spin-up with the motor running, or give the car's own profile."
    )


def test_gravity_and_gaps_are_taken_out_of_a_channel() -> None:
    x = np.stack([9.81 + cosine(1.0), cosine(1.0)])
    take = Take(x, RATE, sensor="accelerometer", unit="m/s^2", channel_names=("x", "y"))
    np.testing.assert_allclose(channel_samples(take, 0), cosine(1.0), atol=2e-6)
    assert channel_samples(take, 0).dtype == np.float32
    # Gaps read as zero before the mean is taken off: two samples of 32 000 hardly move it.
    for gap in (np.nan, np.inf, -np.inf):
        gaps = 3.0 + cosine(1.0)
        gaps[[10, 20]] = gap
        read = channel_samples(Take(gaps, RATE), 0)
        np.testing.assert_allclose(read[[10, 20]], -3.0, atol=1e-3)
        np.testing.assert_allclose(read[21:], cosine(1.0)[21:], atol=1e-3)
        assert np.mean(read, dtype=np.float64) == pytest.approx(0.0, abs=1e-6)


def test_a_long_offset_keeps_its_digits() -> None:
    # A mean in single precision would be off by thousandths here (pairwise sums of 1000.1).
    x = (1000.1 + 0.25 * cosine(1.0)).astype(np.float32)
    read = channel_samples(Take(x, RATE), 0)
    assert np.mean(read, dtype=np.float64) == pytest.approx(0.0, abs=5e-5)


@pytest.mark.parametrize("strongest", [0, 1])
def test_of_two_channels_the_stronger_is_used(strongest: int) -> None:
    x = np.stack([cosine(1.0), cosine(1.0)])
    x[1 - strongest] = 50.0 + 0.1 * x[1 - strongest]
    take = Take(x, RATE, sensor="accelerometer", unit="m/s^2", channel_names=("x", "y"))
    assert strongest_channel(take) == strongest


def test_turns_are_those_of_the_reference_shaft_unless_told() -> None:
    speed = SpeedTrack(np.array([0.0, 2.0]), np.array([600.0, 1200.0]), np.ones(2), np.ones(2))
    assert phase_track(speed).rate_hz.tolist() == [10.0, 20.0]
    assert phase_track(speed, 0.5).rate_hz.tolist() == [5.0, 10.0]
    with pytest.raises(InputError, match=r"^The shaft does not turn"):
        phase_track(replace(speed, rpm=np.zeros(2)))


def test_the_highest_order_is_what_a_slow_shaft_shows() -> None:
    # By hand: speeds 0 (not counted) and 1 to 101 turns a second; a tenth of those lies below 11.
    time = np.arange(103) * 0.01
    rpm = 60.0 * np.concatenate([[0.0], np.arange(1.0, 102.0), [0.0]])
    track = phase_track(SpeedTrack(time, rpm, np.ones(103), np.ones(103)))
    assert highest_order(Take(np.zeros(8_000), RATE), track) == pytest.approx(3_600.0 / 11.0)


def test_an_order_at_the_limit_is_observable() -> None:
    grid = replace(angular_take(Take(cosine(1.0), RATE), steady(), max_order=4.0), limit_hz=100.0)
    seen = grid.observable(np.array([1.9, 2.0, 2.1]), np.array([50.0, 47.0]))
    assert seen.tolist() == [[True, True, False], [True, True, True]]


def test_a_phase_holds_its_ends_and_a_missing_one_is_told() -> None:
    speed = steady(50.0, 4.0, Phase("run_up", 0.0, 1.0), Phase("hold", 2.0, 3.0))
    times = np.array([0.0, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5])
    assert in_phase(speed, times, "hold").tolist() == [False] * 3 + [True] * 3 + [False]
    assert in_phase(speed, times, None).all()
    with pytest.raises(InputError) as caught:
        in_phase(speed, times, "coast_down")
    assert caught.value.advice == "Phases that were found: run_up, hold."
    with pytest.raises(InputError) as caught:
        in_phase(steady(), times, "hold")
    assert caught.value.advice == "Phases that were found: none."


def test_a_run_with_too_few_turns_is_told_with_advice() -> None:
    take = Take(cosine(3.0, seconds=0.05), RATE)
    with pytest.raises(InputError, match="fewer than 32 turns in one go in this take") as caught:
        order_spectrum(take, steady(50.0, 0.05), max_order=8.0, resolution=1 / 32)
    assert caught.value.advice == "Ask for a coarser order resolution, or record a longer run."


# ---- spectrum and map -------------------------------------------------------------------


@pytest.mark.parametrize(("turns", "segments", "length"), [(81, 4, 32), (79, 8, 16)])
def test_four_segments_are_enough(turns: int, segments: int, length: int) -> None:
    # Half-overlapping segments of 32 turns: four of them take 80 turns.
    speed = steady(50.0, turns / 50.0)
    found = order_spectrum(Take(cosine(3.0, seconds=turns / 50.0), RATE), speed, max_order=8.0)
    assert found.resolution == pytest.approx(1.0 / length)
    assert found.n_segments == segments


@pytest.mark.parametrize("resolution", [0.0, -0.1, 1.001, float("nan"), float("inf")])
def test_a_resolution_lies_between_zero_and_one(resolution: float) -> None:
    with pytest.raises(CallError, match="resolution must be above 0 and at most 1"):
        order_spectrum(Take(cosine(3.0), RATE), steady(), resolution=resolution)


def test_a_resolution_of_one_order_takes_single_turns() -> None:
    found = order_spectrum(Take(cosine(3.0), RATE), steady(), max_order=8.0, resolution=1.0)
    assert found.resolution == 1.0
    assert found.amplitude[3] == pytest.approx(1.0, rel=0.02)
    # A third of an order is three turns, a little over half an order two.
    for resolution, want in ((0.34, 1 / 3), (0.4, 1 / 2), (0.6, 1 / 2), (0.7, 1.0)):
        found = order_spectrum(
            Take(cosine(3.0), RATE), steady(), max_order=8.0, resolution=resolution
        )
        assert found.resolution == pytest.approx(want)


def test_a_map_has_48_speeds_and_keeps_to_its_phase() -> None:
    time = np.linspace(0.0, 4.0, 401)
    rpm = np.interp(time, [0.0, 2.0, 4.0], [1200.0, 3000.0, 3000.0])
    phases = (Phase("run_up", 0.0, 2.0), Phase("hold", 2.0, 4.0))
    speed = SpeedTrack(time, rpm, np.ones(401), np.ones(401), phases)
    take = Take(cosine(3.0), RATE)
    whole = order_speed_map(take, speed, max_order=8.0)
    assert whole.rpm.shape == (48,)
    assert whole.amplitude.shape == (48, whole.order.size)
    held = order_speed_map(take, speed, max_order=8.0, phase="hold")
    assert held.rpm.min() > 2700.0
    assert whole.rpm.min() < 1700.0


def test_a_map_of_one_speed_is_narrow() -> None:
    one = order_speed_map(Take(cosine(3.0), RATE), steady(), max_order=8.0, n_speeds=4)
    assert np.ptp(one.rpm) < 0.01
    assert one.rpm[0] == pytest.approx(3000.0, abs=0.01)


# ---- lines by hand ----------------------------------------------------------------------


def test_the_power_of_a_line_ends_two_and_a_half_bins_away() -> None:
    amplitude = np.zeros(41)
    amplitude[20] = 1.0
    amplitude[[17, 23]] = 5.0
    assert spectrum_of(amplitude).at(2.5) == pytest.approx(np.sqrt(1.0 / 1.5))
    amplitude[[18, 22]] = 0.5
    assert spectrum_of(amplitude).at(2.5) == pytest.approx(np.sqrt(1.5 / 1.5))


def test_prominence_by_hand() -> None:
    amplitude = np.ones(41)
    amplitude[20] = 10.0
    spectrum = spectrum_of(amplitude)
    assert spectrum.prominence_db(2.5) == pytest.approx(20.0)
    # One and a half bins reach the next bin, not the one after.
    assert spectrum.prominence_db(2.625) == pytest.approx(20.0)
    assert spectrum.prominence_db(2.75) == pytest.approx(0.0)
    # A bin at the half width itself counts.
    assert spectrum.prominence_db(2.75, 0.25) == pytest.approx(20.0)
    assert spectrum.prominence_db(2.75, 0.24) == pytest.approx(0.0)
    assert np.isnan(spectrum.prominence_db(9.0))


def test_prominence_is_over_the_bins_within_one_order_without_zero() -> None:
    # By hand, in bins of half an order. Around order 2: orders 1 to 3, the outer two included.
    spectrum = spectrum_of(np.array([0.0, 0.0, 2.0, 4.0, 100.0, 8.0, 16.0, 0.0]), 0.5)
    assert spectrum.prominence_db(2.0, 0.1) == pytest.approx(20 * np.log10(100.0 / 8.0))
    # Around order 1: orders 0.5 to 2, of which the median is the mean of the middle two.
    spectrum = spectrum_of(np.array([50.0, 1.0, 10.0, 3.0, 4.0, 99.0]), 0.5)
    assert spectrum.prominence_db(1.0, 0.1) == pytest.approx(20 * np.log10(10.0 / 3.5))


def test_a_masked_line_has_no_prominence() -> None:
    amplitude = np.ones(41)
    amplitude[20] = 10.0
    amplitude[30] = np.nan
    spectrum = spectrum_of(amplitude)
    # Bins around it that are masked are passed over; one at the line itself hides it.
    assert spectrum.prominence_db(3.0) == pytest.approx(0.0)
    assert spectrum.prominence_db(2.5 + 0.875) == pytest.approx(0.0)
    assert np.isnan(spectrum.prominence_db(3.75))
    assert np.isnan(spectrum.prominence_db(3.625))


@pytest.mark.parametrize(("height", "found"), [(3.95, 0), (4.02, 1)])
def test_twelve_decibels_over_the_median_make_a_line(height: float, found: int) -> None:
    # 12 dB is a ratio of 3.98 (recomputed).
    amplitude = np.ones(81)
    amplitude[40] = height
    assert prominent_orders(spectrum_of(amplitude)).size == found


def test_other_demands_than_twelve_decibels() -> None:
    amplitude = np.ones(81)
    amplitude[[30, 60]] = [9.0, 12.0]
    assert prominent_orders(spectrum_of(amplitude), least_db=20.0).tolist() == [7.5]
    assert prominent_orders(spectrum_of(amplitude), least_db=19.0).tolist() == [3.75, 7.5]
    assert prominent_orders(spectrum_of(amplitude), most=1).tolist() == [7.5]


def test_what_is_within_one_order_of_a_line_decides() -> None:
    # Loud from 1.4 orders away on: within one order the floor is low. The window holds 17 bins.
    amplitude = np.full(121, 10.0)
    amplitude[46:75] = 1.0
    amplitude[60] = 6.0
    assert prominent_orders(spectrum_of(amplitude)).tolist() == [7.5]
    amplitude = np.full(121, 10.0)
    amplitude[55:65] = 1.0
    amplitude[60] = 6.0
    assert 7.5 in prominent_orders(spectrum_of(amplitude)).tolist()
    amplitude[55] = 10.0
    assert 7.5 not in prominent_orders(spectrum_of(amplitude)).tolist()


def test_masked_bins_are_no_floor() -> None:
    amplitude = np.full(81, 0.01)
    amplitude[40] = 0.1
    amplitude[60:] = np.nan
    assert prominent_orders(spectrum_of(amplitude)).tolist() == [5.0]
    # The bin beside the mask is no line by the mask alone.
    amplitude[40] = 0.01
    assert prominent_orders(spectrum_of(amplitude)).size == 0
    amplitude[57] = 0.1
    assert prominent_orders(spectrum_of(amplitude)).tolist() == [57 * 0.125]
    # Nor are a few masked bins between others.
    amplitude = np.full(81, 0.01)
    amplitude[60:63] = np.nan
    assert prominent_orders(spectrum_of(amplitude)).size == 0


@pytest.mark.parametrize("resolution", [0.5, 1.0])
def test_coarse_spectra_are_held_against_five_bins(resolution: float) -> None:
    # By hand: among bins of 1 a line of 6 over three bins of 2 and so on; the median of five is 1.
    amplitude = np.full(41, 5.0)
    amplitude[18:21] = 1.0
    amplitude[20] = 6.0
    amplitude[21] = 1.0
    assert 20 * resolution in prominent_orders(spectrum_of(amplitude, resolution)).tolist()
    amplitude[18] = 5.0
    amplitude[19] = 5.0
    assert 20 * resolution not in prominent_orders(spectrum_of(amplitude, resolution)).tolist()


# ---- synchronous average and residual ---------------------------------------------------


def test_an_average_keeps_the_orders_asked_for() -> None:
    take = Take(cosine(2.0) + 0.5 * cosine(20.0), RATE)
    few = synchronous_average(take, steady(), n_turns=10, max_order=8.0)
    assert few.waveform.size == few.turn.size == 24
    np.testing.assert_allclose(few.waveform, np.cos(4 * np.pi * few.turn), atol=0.02)
    many = synchronous_average(Take(take.samples[0], RATE), steady(), n_turns=10, max_order=24.0)
    assert many.waveform.size == 72
    assert many.shaft_ratio == 1.0


@pytest.mark.parametrize("shaft_ratio", [0.5, 2.0])
def test_an_average_says_of_which_shaft(shaft_ratio: float) -> None:
    found = synchronous_average(
        Take(cosine(2.0 * shaft_ratio), RATE), steady(), shaft_ratio, n_turns=10, max_order=8.0
    )
    assert found.shaft_ratio == shaft_ratio
    assert np.abs(found.waveform).max() == pytest.approx(1.0, abs=0.02)
    assert found.n_turns in (int(200 * shaft_ratio), int(200 * shaft_ratio) - 10)


def test_blocks_are_64_turns_long() -> None:
    assert synchronous_average(Take(cosine(2.0), RATE), steady(), max_order=8.0).n_turns == 192


def test_blocks_of_an_odd_number_of_points_are_turned_to_fit() -> None:
    # 25 or 27 points a turn, whatever the orders: a drift of a fifth of a turn per block.
    time = np.arange(32_000) / RATE
    block = np.floor(time * 50.0 / 10.0)
    x = np.cos(2 * np.pi * (50.0 * time - 0.2 * block))
    average = synchronous_average(Take(x, RATE), steady(), n_turns=10, max_order=25 / 3)
    assert average.waveform.size == 25
    assert np.abs(average.waveform).max() == pytest.approx(1.0, abs=0.06)
    plain = synchronous_average(Take(x, RATE), steady(), n_turns=10, max_order=25 / 3, align=False)
    assert np.abs(plain.waveform).max() < 0.2


def test_a_run_too_short_for_a_block_is_passed_over() -> None:
    speed = with_pause((0.0, 0.1), (1.0, 3.9))
    average = synchronous_average(Take(cosine(2.0), RATE), speed, n_turns=10, max_order=8.0)
    assert average.n_turns == 140
    with pytest.raises(InputError, match="fewer than 400 turns in one go") as caught:
        synchronous_average(Take(cosine(2.0), RATE), speed, n_turns=400, max_order=8.0)
    assert caught.value.advice == "Average over fewer turns, or record a longer run."


def test_single_turns_of_a_run_that_begins_anywhere_keep_to_their_phase() -> None:
    # Ten turns a second from 0.23 s on; turns with their middle up to 2 s are in the run-up. The
    # first whole one begins a tenth of a turn or more after the start.
    time = np.array([0.0, 0.23, 0.23 + 1e-6, 4.0])
    rpm = 600.0 * np.array([0.0, 0.0, 1.0, 1.0])
    phases = (Phase("run_up", 0.0, 2.0), Phase("hold", 2.0, 4.0))
    speed = SpeedTrack(time, rpm, np.ones(4), np.ones(4), phases)
    seconds = np.arange(32_000) / RATE
    loud = np.where(seconds < 1.93, 1.0, 3.0)
    x = loud * np.cos(2 * np.pi * 20.0 * (seconds - 0.23))
    average = synchronous_average(
        Take(x, RATE), speed, n_turns=1, max_order=4.0, phase="run_up", align=False
    )
    assert average.n_turns in (17, 18)
    assert np.abs(average.waveform).max() == pytest.approx(1.0, abs=0.13)


@pytest.mark.parametrize("gain", [1e-5, 1.0, 1e3])
def test_what_is_removed_does_not_go_with_the_gain(gain: float) -> None:
    x = gain * (cosine(2.0) + 0.5 * cosine(5.5))
    rest = residual(Take(x, RATE), steady(), [2.0])
    assert rest.removed_share == pytest.approx(0.8, abs=0.02)
    assert rest.removed[0] == pytest.approx(0.8, abs=0.02)


def test_an_order_above_64_is_removed() -> None:
    take = Take(cosine(100.0, 20.0) + cosine(3.0, 20.0), RATE)
    rest = residual(take, steady(20.0), [100.0])
    assert rest.removed_share == pytest.approx(0.5, abs=0.02)
    np.testing.assert_allclose(
        rest.take.samples[0, 14_000:18_000], cosine(3.0, 20.0)[14_000:18_000], atol=0.03
    )
    # Five turns from an end too: a wide band loses less there than a narrow one.
    np.testing.assert_allclose(
        rest.take.samples[0, 4_000:28_000], cosine(3.0, 20.0)[4_000:28_000], atol=0.06
    )


def test_bands_that_overlap_are_taken_out_once() -> None:
    x = cosine(90.0, 20.0) + cosine(3.0, 20.0)
    rest = residual(Take(x, RATE), steady(20.0), [90.0, 90.05, 99.95, 100.0])
    np.testing.assert_allclose(
        rest.take.samples[0, 8_000:24_000], cosine(3.0, 20.0)[8_000:24_000], atol=0.03
    )


def test_samples_infinite_both_ways_read_as_nought() -> None:
    x = cosine(2.0)
    x[[100, 200]] = np.inf, -np.inf
    got = order_spectrum(Take(x, RATE), steady(), max_order=8.0)
    assert np.isfinite(got.amplitude).all()

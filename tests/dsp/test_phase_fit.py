"""The phase fit along a track, each step against its closed form or the Cramér–Rao bound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibecheck.dsp import tracking_refine as refinement
from vibecheck.dsp.tracking_lines import Amplitudes

HOP_S = 0.01
N = 80


def lines_along(
    orders: tuple[float, ...],
    true_hz: np.ndarray,
    *,
    size: tuple[float, ...] | None = None,
    noise: float = 1.0,
    hop_share: float = 1.0,
    slip: float = 0.0,
) -> Amplitudes:
    """Noise-free amplitudes ``A exp(j 2 pi h phi)`` of lines whose shaft turns at a known speed.

    ``noise`` is the variance that the fit is told of; frames do not overlap by default.
    """
    sizes = np.array(size or [100.0] * len(orders))[:, np.newaxis]
    phi = refinement.turns(true_hz, HOP_S)
    value = sizes * np.exp(2j * np.pi * (np.array(orders)[:, np.newaxis] * phi + 0.1))
    shape = value.shape
    return Amplitudes(
        value.astype(np.complex64),
        np.full(shape, noise, np.float32),
        np.ones(shape, bool),
        np.full(shape, hop_share, np.float32),
        np.array(orders),
        np.full(len(orders), slip),
    )


def far(speed: np.ndarray, sd: float = 100.0) -> np.ndarray:
    return np.full(speed.size, sd)


def bound_hz(orders: tuple[float, ...], snr: tuple[float, ...], span: int) -> float:
    """Cramér–Rao bound of a constant speed offset over ``span`` independent frames.

    The phase of a line of power over noise variance ``snr`` has variance ``1 / (2 snr)`` per frame
    (Rife & Boorstyn 1974; value from memory), and a phase slope ``2 pi h``.
    """
    t = (np.arange(span) - span // 2) * HOP_S
    information = sum(2 * s * (2 * np.pi * h) ** 2 for h, s in zip(orders, snr, strict=True))
    return float(1.0 / np.sqrt(information * np.sum(t**2)))


# --- one fit -----------------------------------------------------------------------------------


@pytest.mark.parametrize("span", [5, 9, 17])
@pytest.mark.parametrize("error_hz", [-0.4, 0.05, 0.3])
def test_an_error_of_the_speed_is_found_in_every_frame(span: int, error_hz: float) -> None:
    truth = np.full(N, 50.0)
    guess = truth - error_hz
    step, _ = refinement.fit_step(lines_along((2.0, 3.0), truth), guess, HOP_S, span, far(guess))
    # The small-angle fit reads sin for the angle: within a twentieth here.
    limit = 0.001 + 0.6 * (2 * np.pi * 3.0 * error_hz * HOP_S * span / 2) ** 2
    np.testing.assert_allclose(step, error_hz, rtol=min(limit, 0.5))


@pytest.mark.parametrize("span", [5, 9, 17, 33])
def test_a_small_error_is_found_to_the_last_digits_also_at_the_ends(span: int) -> None:
    truth = np.full(N, 50.0)
    guess = truth - 0.002
    step, _ = refinement.fit_step(lines_along((2.0,), truth), guess, HOP_S, span, far(guess))
    np.testing.assert_allclose(step, 0.002, rtol=0.03)


def test_an_error_of_the_slope_counts_where_it_is_seen() -> None:
    # The speed passes through the guess in the middle: the correction is the line itself.
    t = (np.arange(N) - N / 2) * HOP_S
    truth = 50.0 + 0.2 * t
    guess = np.full(N, 50.0)
    step, _ = refinement.fit_step(lines_along((2.0,), truth), guess, HOP_S, 9, far(guess))
    np.testing.assert_allclose(step, 0.2 * t, atol=5e-4)


@pytest.mark.parametrize("span", [5, 9, 17])
@pytest.mark.parametrize(
    ("orders", "size"),
    [((2.0,), (100.0,)), ((2.0, 5.0), (100.0, 30.0)), ((1.0, 3.0, 7.0), (50.0, 80.0, 20.0))],
)
def test_the_spread_is_the_cramer_rao_bound(
    span: int, orders: tuple[float, ...], size: tuple[float, ...]
) -> None:
    truth = np.full(N, 50.0)
    made = lines_along(orders, truth, size=size, noise=4.0)
    _, sd = refinement.fit_step(made, truth, HOP_S, span, far(truth))
    want = bound_hz(orders, tuple(a**2 / 4.0 for a in size), span)
    inner = slice(span, -span)
    np.testing.assert_allclose(sd[inner], want, rtol=0.02)
    # At the ends half the frames see the slope, and it is no longer told apart from the offset.
    assert sd[0] > 2.0 * want


def test_a_weak_line_knows_less_than_its_power() -> None:
    # Of a power of twice the noise, a fifth of that over the span is noise (mean over 5 frames).
    truth = np.full(N, 50.0)
    made = lines_along((3.0,), truth, size=(np.sqrt(2.0),), noise=1.0)
    _, sd = refinement.fit_step(made, truth, HOP_S, 5, far(truth, 1e4))
    want = bound_hz((3.0,), (2.0 - 0.2,), 5)
    np.testing.assert_allclose(sd[10:-10], want, rtol=0.02)


def test_overlapping_frames_know_less() -> None:
    truth = np.full(N, 50.0)
    apart = lines_along((3.0,), truth)
    overlapping = lines_along((3.0,), truth, hop_share=0.25)
    _, sd = refinement.fit_step(apart, truth, HOP_S, 17, far(truth))
    _, wider = refinement.fit_step(overlapping, truth, HOP_S, 17, far(truth))
    trend = refinement.overlap_variance(0.25, 17)[1]
    np.testing.assert_allclose(wider[20:-20] / sd[20:-20], np.sqrt(trend), rtol=0.01)
    # Each line has the overlap of its own window.
    both = lines_along((3.0, 3.0), truth)
    both.hop_share[1] = 0.25
    _, mixed = refinement.fit_step(both, truth, HOP_S, 17, far(truth))
    want = 1.0 / np.sqrt(1.0 / sd**2 + 1.0 / wider**2)
    np.testing.assert_allclose(mixed[20:-20], want[20:-20], rtol=0.01)


@pytest.mark.parametrize("prior_hz", [0.03, 2.0])
def test_silence_leaves_the_track_and_its_prior(prior_hz: float) -> None:
    truth = np.full(N, 50.0)
    made = lines_along((2.0, 5.0), truth)
    silent = replace(made, valid=np.zeros_like(made.valid))
    step, sd = refinement.fit_step(silent, truth - 0.2, HOP_S, 9, far(truth, prior_hz))
    np.testing.assert_allclose(step, 0.0, atol=1e-9)
    np.testing.assert_allclose(sd, prior_hz, rtol=1e-6)
    faint = replace(made, value=(made.value * np.complex64(0.001)))
    step, sd = refinement.fit_step(faint, truth - 0.2, HOP_S, 9, far(truth, prior_hz))
    np.testing.assert_allclose(step, 0.0, atol=1e-9)
    np.testing.assert_allclose(sd, prior_hz, rtol=1e-6)


def test_a_prior_as_sure_as_the_lines_halves_the_step() -> None:
    # Two equal witnesses, one of which says 0: half the step, and the spread over root two.
    truth = np.full(N, 50.0)
    made = lines_along((2.0,), truth, size=(10.0,))
    known = bound_hz((2.0,), (100.0,), 9)
    guess = truth - 0.3 * known
    step, sd = refinement.fit_step(made, guess, HOP_S, 9, far(guess, known))
    np.testing.assert_allclose(step[10:-10], 0.15 * known, rtol=0.03)
    np.testing.assert_allclose(sd[10:-10], known / np.sqrt(2.0), rtol=0.02)


def test_lines_are_weighted_by_what_they_know() -> None:
    # Two lines that disagree: the mean is weighted by order squared times power (closed form).
    speed = np.full(N, 50.0)
    one = lines_along((2.0,), speed + 0.001, size=(100.0,))
    two = lines_along((6.0,), speed + 0.003, size=(40.0,))
    both = Amplitudes(
        *(
            np.concatenate([getattr(one, name), getattr(two, name)])
            for name in ("value", "noise", "valid", "hop_share", "order", "slip")
        )
    )
    step, _ = refinement.fit_step(both, speed, HOP_S, 9, far(speed))
    weight = np.array([4.0 * 100.0**2, 36.0 * 40.0**2])
    want = float(weight @ [0.001, 0.003] / weight.sum())
    np.testing.assert_allclose(step[10:-10], want, rtol=0.02)


@pytest.mark.parametrize("slip", [0.001, 0.004])
def test_an_uncertain_order_places_the_speed_no_better(slip: float) -> None:
    truth = np.full(N, 50.0)
    made = lines_along((3.0,), truth, slip=slip)
    _, sd = refinement.fit_step(made, truth, HOP_S, 17, far(truth))
    known = bound_hz((3.0,), (1e4,), 17)
    np.testing.assert_allclose(sd[20:-20], np.hypot(known, slip * 50.0), rtol=0.02)


def test_a_path_whose_gain_changes_widens_the_spread() -> None:
    # d ln A / dt = g: the phase slope is in doubt by twice that (PATH_SHARE is its square).
    truth = np.full(N, 50.0)
    made = lines_along((3.0,), truth)
    rate = 4.0
    gain = np.exp(rate * (np.arange(N) - N / 2) * HOP_S)
    made = replace(made, value=(made.value * gain).astype(np.complex64))
    step, sd = refinement.fit_step(made, truth, HOP_S, 5, far(truth))
    np.testing.assert_allclose(step[10:-10], 0.0, atol=1e-3)
    want = 2.0 * rate / (2 * np.pi * 3.0)
    np.testing.assert_allclose(sd[20:-20], want, rtol=0.03)
    # A steady gain is in no doubt.
    _, sd = refinement.fit_step(lines_along((3.0,), truth), truth, HOP_S, 5, far(truth))
    assert np.all(sd[20:-20] < 0.05 * want)


@pytest.mark.parametrize("scatter", [0.0, 0.1, 0.4])
def test_a_phase_that_scatters_widens_the_spread(scatter: float) -> None:
    # The phase goes up and down by `scatter` radian from frame to frame, where the noise that the
    # fit is told of would scatter it by a hundredth.
    truth = np.full(N, 50.0)
    made = lines_along((3.0,), truth)
    sign = np.where(np.arange(N) % 2 == 0, 1.0, -1.0)
    made = replace(made, value=(made.value * np.exp(1j * scatter * sign)).astype(np.complex64))
    _, sd = refinement.fit_step(made, truth, HOP_S, 17, far(truth))
    inner = sd[20:-20]
    known = bound_hz((3.0,), (1e4,), 17)
    if not scatter:
        np.testing.assert_allclose(inner, known, rtol=0.02)
        return
    # Noise variance sin^2 A^2 across, of which half lies at right angles: ratio 2 sin^2 snr over
    # 14 of 17 degrees of freedom, believed beyond its own uncertainty; coherent part cos^2.
    ratio = 2.0 * np.sin(scatter) ** 2 * 1e4 / (14.0 / 17.0) / (1.0 + np.sqrt(2.0 / 17.0))
    np.testing.assert_allclose(inner, known * np.sqrt(ratio) / np.cos(scatter), rtol=0.03)


def test_frames_that_are_not_valid_say_nothing() -> None:
    truth = np.full(N, 50.0)
    made = lines_along((2.0,), truth)
    made.value[:, 40:] = 7.0 + 3.0j
    valid = made.valid.copy()
    valid[:, 40:] = False
    guess = truth - 0.002
    step, sd = refinement.fit_step(replace(made, valid=valid), guess, HOP_S, 9, far(guess))
    np.testing.assert_allclose(step[:38], 0.002, rtol=0.03)
    np.testing.assert_allclose(step[45:], 0.0, atol=1e-9)
    np.testing.assert_allclose(sd[45:], 100.0, rtol=1e-6)
    # The four last seen frames alone know more than three of them.
    assert sd[39] < sd[42] < sd[45]


@settings(max_examples=15, deadline=None)
@given(st.floats(0.01, 100.0), st.floats(-3, 3))
def test_gain_and_phase_of_the_path_do_not_matter(gain: float, phase: float) -> None:
    rng = np.random.default_rng(8)
    truth = np.full(N, 50.0)
    made = lines_along((2.0, 3.0), truth, size=(3.0, 5.0))
    noisy = made.value + (
        rng.standard_normal(made.value.shape) + 1j * rng.standard_normal(made.value.shape)
    ) * np.sqrt(0.5)
    guess = truth - 0.1
    want = refinement.fit_step(
        replace(made, value=noisy.astype(np.complex64)), guess, HOP_S, 9, far(guess)
    )
    turned = replace(
        made,
        value=(noisy * gain * np.exp(1j * phase)).astype(np.complex64),
        noise=(made.noise * gain**2).astype(np.float32),
    )
    got = refinement.fit_step(turned, guess, HOP_S, 9, far(guess))
    np.testing.assert_allclose(got[0], want[0], rtol=2e-2, atol=1e-4)
    np.testing.assert_allclose(got[1], want[1], rtol=2e-2)


# --- the first correction ----------------------------------------------------------------------


@pytest.mark.parametrize("error_hz", [-8.0, 0.5, 8.0])
def test_neighbouring_frames_catch_great_errors(error_hz: float) -> None:
    # Up to half a turn per hop on the highest order: 5 (8 Hz) (0.01 s) = 0.4 turns.
    truth = np.full(N, 100.0)
    guess = truth - error_hz
    step = refinement.pulse_pair_step(lines_along((2.0, 5.0), truth), guess, HOP_S)
    np.testing.assert_allclose(step, error_hz, rtol=1e-3)


def test_a_pair_belongs_to_the_middle_between_its_frames() -> None:
    t = np.arange(N) * HOP_S
    truth = 100.0 + 4.0 * t
    guess = np.full(N, 100.0)
    step = refinement.pulse_pair_step(lines_along((2.0,), truth), guess, HOP_S)
    np.testing.assert_allclose(step[5:-5], 4.0 * t[5:-5], atol=2e-3)


def test_pairs_in_noise_correct_nothing() -> None:
    truth = np.full(N, 100.0)
    made = lines_along((2.0,), truth, size=(0.5,))
    # Five pairs add up to 5 x 0.25 over the noise, less than twice the root of five.
    assert np.all(refinement.pulse_pair_step(made, truth - 1.0, HOP_S) == 0.0)
    louder = lines_along((2.0,), truth, size=(1.1,))
    step = refinement.pulse_pair_step(louder, truth - 1.0, HOP_S)
    np.testing.assert_allclose(step[5:-5], 1.0, rtol=1e-3)


def test_pairs_are_weighted_by_strength_and_order() -> None:
    speed = np.full(N, 100.0)
    one = lines_along((2.0,), speed + 1.0, size=(4.0,))
    two = lines_along((5.0,), speed + 2.0, size=(2.0,))
    both = Amplitudes(
        *(
            np.concatenate([getattr(one, name), getattr(two, name)])
            for name in ("value", "noise", "valid", "hop_share", "order", "slip")
        )
    )
    step = refinement.pulse_pair_step(both, speed, HOP_S)
    # Sums of five pairs, 80 and 20, each less twice the root of five, times order squared.
    weight = (np.array([80.0, 20.0]) - 2 * np.sqrt(5.0)) * np.array([4.0, 25.0])
    np.testing.assert_allclose(step[5:-5], weight @ [1.0, 2.0] / weight.sum(), rtol=1e-3)


# --- helpers -----------------------------------------------------------------------------------


def test_frames_that_do_not_overlap_are_independent() -> None:
    assert refinement.overlap_variance(1.0, 9) == (1.0, 1.0)
    assert refinement.overlap_variance(2.0, 5) == (1.0, 1.0)
    # Half overlapping Hann frames correlate by a sixth (closed form; Welch 1967, value from
    # memory): the mean's factor is 1 + 2 (4/5) / 6.
    assert refinement.overlap_variance(0.5, 5)[0] == pytest.approx(1 + 2 * 0.8 / 6, abs=1e-5)
    # Slopes -2..2: neighbours' products add up to 4, over a sum of squares of 10.
    assert refinement.overlap_variance(0.5, 5)[1] == pytest.approx(1 + 2 * 0.4 / 6, abs=1e-5)


@pytest.mark.parametrize("span", [5, 9, 17])
def test_the_projection_is_the_slope_of_the_fitted_parabola(span: int) -> None:
    # Against a general least-squares routine, at the ends on the frames that there are.
    rng = np.random.default_rng(9)
    speed = 80.0 + rng.standard_normal(40)
    phase = refinement.turns(speed, HOP_S)
    level, smooth = refinement.projected(speed, HOP_S, span), refinement.smoothed(speed, span)
    half = span // 2
    for frame in (0, 1, half, 20, 38, 39):
        seen = np.arange(max(0, frame - half), min(40, frame + half + 1))
        x = (seen - frame) * HOP_S
        assert level[frame] == pytest.approx(np.polyfit(x, phase[seen], 2)[1], rel=1e-9)
        assert smooth[frame] == pytest.approx(np.polyfit(x, speed[seen], 2)[2], rel=1e-9)


def test_two_answers_agree_within_their_spread() -> None:
    n = 200
    short, sd = np.full(n, 50.0), np.full(n, 0.5)
    longer_sd = np.full(n, 0.3)  # the difference has a spread of 0.4
    assert refinement._agree(short, sd, short + 0.47, longer_sd, 5).all()
    assert not refinement._agree(short, sd, short + 0.49, longer_sd, 5).any()  # 1.2 on average
    one = short.copy()
    one[100] += 1.59
    assert refinement._agree(short, sd, one, longer_sd, 5).all()
    one[100] += 0.02  # four spreads in one frame
    assert np.flatnonzero(~refinement._agree(short, sd, one, longer_sd, 5)).tolist() == [100]
    # As sure as each other: half the shorter one's spread is left.
    assert refinement._agree(short, sd, short + 0.29, sd, 5).all()
    assert not refinement._agree(short, sd, short + 0.31, sd, 5).any()
    # On average over 11 frames: four in a row at 3.5 spreads are too many, three are not.
    few, many = short.copy(), short.copy()
    few[100:103] += 3.5 * 0.4
    many[100:104] += 3.5 * 0.4
    assert refinement._agree(short, sd, few, longer_sd, 5).all()
    bad = np.flatnonzero(~refinement._agree(short, sd, many, longer_sd, 5))
    assert bad.tolist() == list(range(98, 106))


# --- the whole refinement ----------------------------------------------------------------------


def test_a_steady_speed_is_read_with_the_longest_span_but_one() -> None:
    truth = np.full(N, 50.0)
    made = lines_along((2.0, 3.0), truth)
    guess = truth + 0.3 * np.sin(np.arange(N) / 9.0)
    found = refinement.refine(made, guess, HOP_S, far(guess, 0.5))
    assert np.all(found.span == 17)
    np.testing.assert_allclose(found.speed_hz, 50.0, atol=2e-3)
    want = bound_hz((2.0, 3.0), (1e4, 1e4), 17)
    np.testing.assert_allclose(found.sd_hz[20:-20], want, rtol=0.03)


@pytest.mark.parametrize(("frames", "span"), [(8, 5), (9, 5), (16, 5), (17, 9), (32, 9), (33, 17)])
def test_a_short_run_has_short_spans(frames: int, span: int) -> None:
    truth = np.full(frames, 50.0)
    found = refinement.refine(lines_along((2.0,), truth), truth - 0.01, HOP_S, far(truth, 0.5))
    assert np.all(found.span == span)
    np.testing.assert_allclose(found.speed_hz, 50.0, atol=2e-3)


@pytest.mark.parametrize("error_hz", [-2.0, 2.0])
def test_a_correction_stays_within_three_priors(error_hz: float) -> None:
    truth = np.full(N, 50.0)
    guess = truth - error_hz
    # Pairs alone would give the whole error back; three tenths are believed, and what is left
    # scatters the phase so that the fits add little.
    found = refinement.refine(lines_along((2.0,), truth), guess, HOP_S, far(guess, 0.1))
    back = (found.speed_hz - guess) * np.sign(error_hz)
    assert np.all(back > 0.3)
    assert np.all(back < 0.6)


def test_a_bend_is_read_with_shorter_spans() -> None:
    # A knee of 100 Hz/s beside straight parts: long spans there, short ones at the knee.
    t = (np.arange(160) - 80) * HOP_S
    truth = 100.0 + 100.0 * np.maximum(t, 0.0)
    made = lines_along((2.0, 5.0), truth, size=(30.0, 30.0))
    found = refinement.refine(made, truth, HOP_S, far(truth, 1.0))
    assert np.all(found.span[:20] == 17)
    assert np.all(found.span[-18:] == 17)
    assert np.all(found.span[76:84] == 5)
    straight = np.abs(t) > 0.15
    np.testing.assert_allclose(found.speed_hz[straight], truth[straight], atol=5e-3)
    assert abs(found.speed_hz[80] - truth[80]) < 0.5

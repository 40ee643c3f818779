"""Order tracking and the speed's accuracy: closed forms and bounds."""

from __future__ import annotations

import numpy as np
from outside_check import Check, Other, check, held

from vibecheck.dsp.angular import SAMPLES_PER_ORDER, PhaseTrack, read_between, to_angle
from vibecheck.dsp.order_lines import order_segments
from vibecheck.dsp.tracking_refine import turns

A = "vibecheck.dsp.angular"
TRACK = f"{A}.PhaseTrack"
ORD = "vibecheck.orders"
BOUND = "Kay, Estimation Theory (1993); Rife & Boorstyn, IEEE Trans. IT-20 (1974) 591–598"


def ramp(low: float, high: float, duration: float) -> PhaseTrack:
    time = np.linspace(0.0, duration, 11)
    return PhaseTrack(time, low + (high - low) * time / duration)


def sampled(rate: np.ndarray, time: np.ndarray) -> float:
    return float(PhaseTrack(time, rate).revolutions_at(time[-1]))


FINE = np.linspace(0.0, 10.0, 10_001)
COAST = np.linspace(0.0, 5.0, 5001)


def coulomb() -> list[float]:
    # 80 turns a second, 16 less each second: stands after 5 s and 200 turns.
    track = PhaseTrack(np.array([0.0, 5.0, 6.0]), np.array([80.0, 0.0, 0.0]))
    return [float(track.time_at(200.0 - 1e-9)), float(track.revolutions_at(6.0))]


def bins_of_a_block() -> list[float]:
    track = PhaseTrack(np.array([0.0, 4.0]), np.array([20.0, 20.0]))
    (stretch,) = to_angle(np.ones(4 * 8000), 8000.0, track, 96)
    made = order_segments([stretch], 32, 10.0)
    return [float(made.order[1]), 96.0 / SAMPLES_PER_ORDER]


def reading_error(per_cycle: int) -> float:
    n = 2000
    x = np.sin(2 * np.pi * np.arange(n) / per_cycle).astype(np.float32)
    values = read_between(x, 100.5 + 16.0 * np.arange(100), np.full(100, 16.0))
    truth = np.sin(2 * np.pi * (100.5 + np.arange(values.size)) / per_cycle)
    return float(np.abs(values - truth).max())


CHECKS: tuple[Check, ...] = (
    check(
        "linear ramp", (f"{TRACK}.revolutions_at", f"{TRACK}.time_at", f"{TRACK}.revolutions"),
        "10 to 60 Hz in 10 s: turns; time of turn 100, s", "f0·t + k·t²/2", "recomputed",
        (350.0, 4.633250),
        lambda: [
            float((t := ramp(10.0, 60.0, 10.0)).revolutions_at(10.0)), float(t.time_at(100.0))
        ], 5e-7,
    ),
    check(
        "exponential ramp", f"{TRACK}.revolutions_at",
        "10 to 100 Hz in 10 s: turns (straight pieces of 1 ms)", "f0·T/ln(f1/f0)·(f1/f0 − 1)",
        "recomputed", 390.865, lambda: sampled(10.0 * 10.0 ** (FINE / 10.0), FINE), 5e-4,
    ),
    check(
        "viscous coast-down", f"{TRACK}.revolutions_at",
        "100 Hz, τ = 2 s, 5 s: turns (straight pieces of 1 ms)", "f0·τ·(1 − e^(−t/τ))",
        "recomputed", 183.583, lambda: sampled(100.0 * np.exp(-COAST / 2.0), COAST), 5e-4,
    ),
    check(
        "Coulomb coast-down", (f"{TRACK}.revolutions_at", f"{TRACK}.time_at"),
        "80 Hz, 16 Hz/s: time to stand, s, and turns", "f0/|ḟ| and f0²/(2|ḟ|)", "recomputed",
        (5.0, 200.0), coulomb, 1e-4,
    ),
    check(
        "tracker's turns", "vibecheck.dsp.tracking_refine.turns",
        "10 to 60 Hz in 10 s: turns", "f0·t + k·t²/2", "recomputed", 350.0,
        lambda: float(turns(np.linspace(10.0, 60.0, 1001), 0.01)[-1]), 1e-9,
    ),
    held(
        "turns of a speed track", ("vibecheck.track.SpeedTrack.revolutions",
                                   "vibecheck.track.SpeedTrack.rpm_at"),
        "10 to 60 Hz in 10 s: 350 turns", "f0·t + k·t²/2", "recomputed",
        "tests/test_ground.py::test_turns_of_a_linear_ramp",
    ),
    held(
        "coast-down curves", "vibecheck.dsp.tracking_coast.coast_curves",
        "the curves solve f' = −(a + b·f + c·f²)", "equation of motion", "recomputed",
        "tests/test_speed_coast.py::test_curves_obey_friction_and_drag",
    ),
    check(
        "order resolution", ("vibecheck.dsp.order_lines.order_segments", f"{A}.to_angle",
                             f"{A}.AngularStretch.n_turns"),
        "32 turns: order resolution; 96 points a turn: highest order offered (a third, not the "
        "bare half of 48)", "1/turns; points per turn/2", "recomputed", (0.03125, 32.0),
        bins_of_a_block, 1e-9, also=(Other(48.0, "the bare limit, points per turn/2"),),
    ),
    *(
        check(
            f"reading between samples, {n} per cycle", f"{A}.read_between",
            f"{n} samples per cycle, mid-point: our largest error, under those of simpler rules",
            "(2π/n)²/8 and (3/128)(2π/n)⁴", "recomputed", 0.0, lambda n=n: reading_error(n), cubic,
            also=(
                Other(linear, "linear between two samples"), Other(cubic, "cubic through four"),
            ),
        )
        for n, linear, cubic in ((10, 0.0489, 0.00353), (20, 0.0123, 2.264e-4))
    ),
    check(
        "reading between samples, 50 per cycle", f"{A}.read_between",
        "50 samples per cycle, mid-point: our largest error, under that of linear reading but over "
        "that of the cubic (the kernel's own floor of −85 dB)", "(2π/n)²/8 and (3/128)(2π/n)⁴",
        "recomputed", 0.0, lambda: reading_error(50), 0.00197,
        also=(
            Other(0.00197, "linear between two samples"), Other(5.84e-6, "cubic through four"),
        ),
    ),
    held(
        "orders through a run-up", (f"{A}.to_angle", f"{A}.read_between", f"{A}.pass_limit_hz",
                                    f"{A}.to_time"),
        "amplitude within 0.01 dB, spurious orders −85 dB; and back to time",
        "simulated tones of known phase", "recomputed",
        "tests/dsp/test_angular.py::test_order_through_a_run_up_of_4000_rpm_per_second",
        "tests/dsp/test_angular.py::test_nothing_folds_back_where_the_shaft_is_slow",
        "tests/dsp/test_angular.py::test_round_trip",
    ),
    held(
        "order amplitudes", (f"{ORD}.spectrum.order_spectrum", f"{ORD}.spectrum.OrderSpectrum.at",
                             f"{ORD}.spectrum.OrderSpectrum.amplitude_db",
                             f"{ORD}.spectrum.order_speed_map",
                             f"{ORD}.spectrum.OrderSpeedMap.amplitude_db"),
        "tones of known amplitude, on and between bins, at every speed",
        "simulated tones of known phase", "recomputed",
        "tests/test_orders.py::test_amplitudes_are_true_on_and_between_bins",
        "tests/test_orders.py::test_resolution_is_one_over_the_turns",
        "tests/test_orders.py::test_map_follows_an_amplitude_that_depends_on_speed",
    ),
    held(
        "order cuts", (f"{ORD}.cuts.order_cuts",
                       "vibecheck.dsp.order_lines.LongSpectrum.demodulate",
                       "vibecheck.dsp.order_lines.LongSpectrum.band",
                       "vibecheck.dsp.order_lines.LongSpectrum.end_loss"),
        "amplitude and phase of a swept tone", "simulated tones of known phase", "recomputed",
        "tests/test_orders.py::test_cut_follows_amplitude_and_phase",
    ),
    held(
        "synchronous average and residual", (
            f"{ORD}.synchronous.synchronous_average", f"{ORD}.synchronous.residual",
            f"{ORD}.synchronous.prominent_orders", f"{ORD}.spectrum.OrderSpectrum.prominence_db",
            "vibecheck.dsp.order_lines.LongSpectrum.synchronous",
            "vibecheck.dsp.order_lines.LongSpectrum.mean_squares",
        ),
        "a known waveform comes back; tones go, knocks stay", "simulated waveforms", "recomputed",
        "tests/test_orders.py::test_average_recovers_the_waveform_of_one_shaft",
        "tests/test_orders.py::test_residual_removes_tones_and_keeps_knocks",
    ),
    held(
        "envelope order spectrum", (
            "vibecheck.impulses.envelope.envelope_order_spectrum",
            "vibecheck.impulses.envelope.EnvelopeOrderSpectrum.at",
            "vibecheck.impulses.envelope.EnvelopeOrderSpectrum.strongest",
        ),
        "modulation depth of a known carrier; false alarms as promised", "closed form",
        "recomputed", "tests/test_impulses.py::test_modulation_depth_is_read_true",
        "tests/test_impulses.py::test_noise_alone_raises_no_alarm_more_often_than_promised",
    ),
    held(
        "Cramér–Rao bound", ("vibecheck.dsp.tracking.track", "vibecheck.speed.track_speed",
                             "vibecheck.dsp.tracking_refine.fit_step",
                             "vibecheck.dsp.tracking_refine.refine"),
        "steady tone: variance of the speed not below 12·fs²/((2π)²·η·N·(N² − 1)), with Σh²η over "
        "orders, and within 3 dB of it; spans nest, so the bound of the longest window holds",
        BOUND, "from memory, recomputed",
        "tests/test_speed.py::test_steady_tone_nears_the_cramer_rao_bound",
        "tests/test_speed.py::test_interval_covers_in_ramps",
    ),
    held(
        "noise of overlapping frames", "vibecheck.dsp.tracking_refine.overlap_variance",
        "against simulated noise", "simulation", "recomputed",
        "tests/dsp/test_tracking_parts.py::test_overlap_variance_against_simulated_noise",
    ),
    held(
        "likeliest path", ("vibecheck.dsp.tracking_path.likeliest_path",
                           "vibecheck.dsp.tracking_path.Path.within"),
        "posterior against the full matrix of the hidden Markov model", "closed form",
        "recomputed",
        "tests/dsp/test_tracking_parts.py::test_posterior_agrees_with_the_full_matrix",
    ),
    held(
        "line amplitudes", ("vibecheck.dsp.tracking_lines.two_bin_weights",
                            "vibecheck.dsp.tracking_lines.line_amplitudes",
                            "vibecheck.dsp.tracking_front.short_time_levels"),
        "tones between bins read their amplitude and phase", "closed form", "recomputed",
        "tests/dsp/test_tracking_parts.py::test_two_bins_read_the_amplitude_between_them",
        "tests/dsp/test_tracking_parts.py::"
        "test_levels_read_amplitude_and_phase_at_the_frame_centre",
    ),
    held(
        "speed of a tachometer", ("vibecheck.speed.track_speed", "vibecheck.dsp.tracking.track"),
        "110 coast-downs: median error at most 0.10 turns/s (outside data); ridge of a spectrum: "
        "0.10", "once-per-turn edges of a public data set", "published, recomputed",
        "tests/test_speed_outside.py::test_rotor_coast_downs_against_the_tachometer",
    ),
)  # fmt: skip

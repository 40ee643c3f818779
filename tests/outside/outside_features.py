"""Features of the catalogue that meet a closed form."""

from __future__ import annotations

import numpy as np
from outside_check import Check, check, held

from vibecheck.features.spectral import line_over_background_db

F = "vibecheck.features"
SIGNS = "tests/features/test_signs.py::"
BANDS = "tests/features/test_bands.py::"
ANTONI = "Antoni, MSSP 20 (2006) 282–307: definition published, formulas from memory"
W = f"{F}.workings.Workings"


def line_by_hand() -> float | None:
    power, order = np.ones(200), 0.1 * np.arange(200)
    power[100] = 1000.0
    return line_over_background_db(power, order, 10.0, 0.1, 3.0)


CHECKS: tuple[Check, ...] = (
    held(
        "peakiness", (f"{F}.impact.peakiness_of", f"{W}.frame_peakiness_db", f"{W}.framed",
                      "feature:peakiness_*", "feature:thump_*", "feature:idle_peakiness"),
        "10·log10(1 + SK/2): Gaussian noise 0 dB, bursts of duty 0.1 10 dB, a tone −3.01 dB",
        ANTONI, "published, from memory, recomputed",
        f"{SIGNS}test_peakiness_of_gaussian_noise_is_zero_db",
        f"{SIGNS}test_peakiness_of_gated_noise", f"{SIGNS}test_peakiness_of_a_tone_is_minus_3_db",
    ),
    held(
        "band powers", (f"{W}.bank", f"{F}.workings.Bank.rows_of", f"{W}.band_signal"),
        "white noise: each band holds its share of the power", "Parseval", "recomputed",
        f"{SIGNS}test_band_power_is_parsevals",
    ),
    held(
        "mesh sidebands", (f"{F}.mesh.mesh_signal", f"{F}.mesh.measure", "feature:mesh_side_*",
                           "feature:mesh_am_depth"),
        "modulation 0.4: sidebands at −13.98 dB", "m/2 of the carrier", "recomputed",
        f"{SIGNS}test_sidebands_of_a_modulated_mesh",
    ),
    held(
        "mesh line in a resonance", "feature:mesh_at_*",
        "twice as strong near 2 kHz: 6 dB there, nothing elsewhere", "20·log10 2", "recomputed",
        f"{BANDS}test_the_mesh_line_sweeps_through_a_resonance",
    ),
    held(
        "time constant", (f"{F}.speed_signs.measure", "feature:coast_down_time_constant"),
        "viscous coast-down of τ = 2 s: log2 τ = 1", "f0·e^(−t/τ)", "recomputed",
        f"{SIGNS}test_time_constant_of_a_viscous_coast_down",
    ),
    held(
        "share of a line", (f"{F}.order_levels.measure", "feature:order_share_*"),
        "all power in one line: −1.76 dB", "2/3 of a Hann window's power in its middle bin",
        "recomputed", f"{BANDS}test_share_of_a_pure_tone_is_nearly_the_whole",
    ),
    held(
        "onset of a rattle", (f"{F}.onset.measure", "feature:rattle_onset_run_up",
                              "feature:rattle_stop_coast_down",
                              "vibecheck.impulses.onset.burst_onset"),
        "knocks above a known speed: that speed is found", "simulated knocks", "recomputed",
        f"{SIGNS}test_onset_is_the_speed_at_which_knocks_begin",
        "tests/test_impulses.py::test_onset_and_end_of_a_rattle",
    ),
    check(
        "line over its surroundings", f"{F}.spectral.line_over_background_db",
        "a line of a thousand times the median, dB", "10·log10", "recomputed", 30.0,
        lambda: line_by_hand() or float("nan"), 1e-9,
        held_by=(f"{SIGNS}test_line_over_background_by_hand",),
    ),
)  # fmt: skip

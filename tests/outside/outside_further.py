"""Model, history, gearing and simulator: outside values that tests of the suite hold."""

from __future__ import annotations

from outside_check import Check, check, held

from vibecheck.simulator.elements import contact
from vibecheck.simulator.ranges import stiffness_at

S = "vibecheck.simulator"
MODEL = "vibecheck.model"
T = "tests/simulator/"


def preloaded() -> float:
    made = stiffness_at(400.0, 2e7)
    depth = (400.0 / made) ** (2 / 3)
    return contact(depth, 0.0, made, 0.0, 1.0)[1]


CHECKS: tuple[Check, ...] = (
    held(
        "change of gear", tuple(
            f"vibecheck.car.gear_change.{n}" for n in (
                "change_gear", "GearChange.heat_factor", "GearChange.run_time_factor",
                "GearChange.cap_before", "GearChange.cap_after",
            )
        ),
        "figures by hand; the reflected torque does the work of the pull", "closed form",
        "recomputed", "tests/car/test_gear_change.py::test_figures_by_hand",
        "tests/car/test_gear_change.py::test_reflected_torque_does_the_work_of_the_pull",
    ),
    held(
        "bench plan", ("vibecheck.car.plan.bench_plan", "vibecheck.car.plan_search.clearance",
                       "vibecheck.car.plan_search.choose_speeds"),
        "turns that part two tones (Hann, −6 dB width 2 bins); tones as far apart as claimed",
        "Harris, Proc. IEEE 66 (1978) 51–83", "from memory, recomputed",
        "tests/car/test_car_plan.py::test_close_pairs_say_how_many_turns_would_part_them",
        "tests/car/test_car_plan_claims.py::test_tones_are_as_far_apart_as_claimed",
    ),
    held(
        "noise floor", ("vibecheck.dsp.tracking_whiten.noise_floor",
                        "vibecheck.dsp.tracking_whiten.whiten"),
        "mean of the noise, from its median", "gamma distribution", "recomputed",
        "tests/dsp/test_tracking_parts.py::test_noise_floor_is_the_mean_of_the_noise",
    ),
    held(
        "straight track", "vibecheck.dsp.tracking_refine.projected",
        "slope of the fitted parabola of a straight track", "closed form", "recomputed",
        "tests/dsp/test_tracking_parts.py::test_a_straight_track_projects_onto_itself",
    ),
    held(
        "model's own scorers", tuple(
            f"{MODEL}.scorers.{n}" for n in (
                "LinearScorer.log_odds", "TreeScorer.log_odds", "BlendScorer.log_odds",
                "averaged_log_odds",
            )
        ),
        "log-odds equal to those of the fitted estimators", "scikit-learn", "recomputed",
        "tests/model/test_scorers.py::test_equal_to_scikit_learn",
    ),
    held(
        "signed logistic regression",
        "vibecheck.training.estimators.SignedLogisticRegression.decision_function",
        "without signs: weights within 1e-4", "sklearn LogisticRegression", "recomputed",
        "tests/training/test_estimators.py::"
        "test_without_signs_it_is_scikit_learns_logistic_regression",
    ),
    held(
        "bringing heads together", (f"{MODEL}.coherence.Coherence.shares",
                                    "vibecheck.training.cohere.fit_coherence",
                                    "vibecheck.training.cohere.calibrated",
                                    "vibecheck.training.cohere.nonconformity"),
        "true log ratios keep their weight (Bayes' rule); sets cover checks of other cars",
        "drawn normal log ratios", "recomputed",
        "tests/training/test_cohere.py::test_true_log_ratios_keep_their_weight",
        "tests/training/test_cohere.py::test_sets_cover_checks_of_other_cars",
    ),
    held(
        "distance from a baseline", (f"{MODEL}.baseline.baseline_centre",
                                     f"{MODEL}.baseline.baseline_z",
                                     f"{MODEL}.baseline.pooled_spread"),
        "median, √(1 + 1/n), spread within cars; snug takes spread by one", "drawn takes",
        "recomputed", "tests/model/test_baseline.py::test_z_by_hand",
        "tests/model/test_baseline.py::test_pooled_spread_finds_the_spread_within_cars",
        "tests/model/test_baseline.py::"
        "test_distances_of_snug_takes_spread_by_one_whatever_the_baseline",
    ),
    held(
        "own cars' shift", ("vibecheck.training.adjust.fit_shift",),
        "a drawn shift is found", "simulation", "recomputed",
        "tests/training/test_with_own.py::"
        "test_a_shift_is_found_where_there_is_one_and_none_where_there_is_none",
    ),
    held(
        "bootstrap over cars", ("vibecheck.training.metrics.over_cars",),
        "values alike within a car: the interval is that of the cars", "percentile bootstrap",
        "recomputed", "tests/training/test_metrics.py::test_bootstrap_draws_whole_cars",
    ),
    held(
        "zone history", ("vibecheck.risk.prior.zone_prior", "vibecheck.risk.prior.kind_priors",
                         "vibecheck.risk.history.read_history",
                         "vibecheck.risk.triage.rank_zones"),
        "negative binomial chance of a find; updates and ranking by hand; intervals hold the "
        "true rate", "closed form, simulation", "recomputed",
        "tests/risk/test_fusion.py::test_prior_is_the_negative_binomial_chance_of_a_find",
        "tests/risk/test_history.py::test_the_update_by_hand",
        "tests/risk/test_history.py::test_the_interval_holds_the_true_rate",
        "tests/risk/test_fusion.py::test_odds_of_history_times_ratio_of_the_vibration_by_hand",
    ),
    held(
        "signals by chance", ("vibecheck.risk.drift.signals_by_chance",),
        "rates of several charts add", "1/ARL", "from memory, recomputed",
        "tests/risk/test_drift.py::test_rates_of_chance_signals_add",
    ),
    check(
        "stiffness at a preload", f"{S}.ranges.stiffness_at",
        "20 MN/m wanted at 400 N: slope of the contact there, N/m", "1.5·F/d", "recomputed", 2e7,
        preloaded, 1e-9, relative=True,
    ),
    held(
        "slider in a plane", f"{S}.elements.slip_2d", "never over its limit; along a line the "
        "plain Jenkins element", "closed form", "recomputed",
        f"{T}test_simulator_elements.py::test_slider_in_a_plane_holds_at_most_its_limit",
    ),
    held(
        "bore on an axle", f"{S}.elements.bore_force", "carried round without slip: no rub; μ·N",
        "closed form", "recomputed",
        f"{T}test_simulator_elements.py::test_a_bore_carried_round_with_its_axle_does_not_rub",
    ),
    held(
        "simulated pit in time", f"{S}.disturbance_forces.bearing_force",
        "strikes at the ball pass rate with slip and jitter", "Randall & Antoni, MSSP 25 (2011)",
        "from memory", f"{T}test_simulator_disturbances.py::"
        "test_impacts_come_at_the_ball_pass_rate_with_slip_and_jitter",
    ),
    held(
        "tumbling stone", (f"{S}.disturbance_forces.stone_path",
                           f"{S}.disturbance_forces.stone_force"),
        "pinned above 42.3/√D rpm; flies as Davis's parabola; pinned it is an unbalance",
        "Davis, Trans. AIME 61 (1919) 250–296; critical speed of a mill",
        "from memory, common practice",
        f"{T}test_simulator_disturbances.py::"
        "test_a_stone_is_pinned_from_where_centrifugal_force_carries_its_weight",
        f"{T}test_simulator_disturbances.py::test_a_tumbling_stone_flies_as_daviss_parabola",
        f"{T}test_simulator_disturbances.py::test_a_pinned_stone_is_an_unbalance",
    ),
    held(
        "chassis under a force", f"{S}.disturbance_forces.chassis_answer",
        "answers as a body on its stand", "closed form", "recomputed",
        f"{T}test_simulator_disturbances.py::test_the_chassis_answers_as_a_body_on_its_stand",
    ),
    held(
        "motion at a spot", f"{S}.accelerometer.motion_at", "a rigid chassis moves as one body",
        "kinematics of small rotations", "recomputed",
        f"{T}test_simulator_places.py::test_a_rigid_chassis_moves_as_one_body_at_every_spot",
    ),
    held(
        "simulated accelerometer", f"{S}.accelerometer.record_with_accelerometer",
        "counts, clips, folds 2000 Hz at 3200 to 1200; noise √bandwidth", "closed form",
        "recomputed",
        f"{T}test_simulator_recording.py::test_an_accelerometer_counts_clips_folds_and_keeps_time",
    ),
    held(
        "simulated phone and room", (f"{S}.phone.record_with_phone", f"{S}.room.add_room"),
        "full scale at the stated level; noise at the stated level; the far field keeps its "
        "level", "closed form; common practice", "recomputed, common practice",
        f"{T}test_simulator_recording.py::"
        "test_a_sine_at_the_phones_limit_just_reaches_full_scale",
        f"{T}test_simulator_recording.py::"
        "test_the_room_adds_noise_hum_a_second_motor_and_speech",
        f"{T}test_simulator_recording.py::test_a_far_sound_comes_with_more_of_the_room",
    ),
    held(
        "whole car", (f"{S}.run.run_car", f"{S}.motion.integrate", f"{S}.elements.spin_step",
                      f"{S}.motion_drive.step_drive", f"{S}.motion_drive.mesh_force"),
        "speeds obey the gearing; snug it answers as the assembled linear system; without losses "
        "it keeps its energy", "closed form, numpy.linalg", "recomputed",
        f"{T}test_simulator_motion.py::test_speeds_obey_the_gearing",
        f"{T}test_simulator_whole_car.py::"
        "test_a_snug_car_answers_as_the_assembled_linear_system",
        f"{T}test_simulator_whole_car.py::test_a_car_without_losses_keeps_its_energy",
    ),
    held(
        "sound at a place", f"{S}.sound.radiate", "arrives after its way through the air",
        "distance over the speed of sound", "recomputed",
        f"{T}test_simulator_places.py::test_sound_reaches_a_place_after_its_way_through_the_air",
    ),
    held(
        "area over cars", "vibecheck.training.metrics.auc_over_cars",
        "its value is the area checked above", "sklearn.metrics", "recomputed",
        "tests/training/test_metrics.py::test_roc_area_by_hand_and_against_scikit_learn",
    ),
)  # fmt: skip

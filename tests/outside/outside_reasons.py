"""Computed public quantities without an outside check, each with the reason why.

A name listed here that gains a check, or goes away, must leave the list: a test says so.
"""

from __future__ import annotations

REASONS: dict[str, str] = {
    "feature": (
        "A ratio or share in dB defined by this catalogue (docs/features.md states the "
        "formula): no outside value; tests/features shows that it rises with its cause and not "
        "with others."
    ),
    "working": (
        "A working value of the features or of the quality view: means, cuts and axes of "
        "quantities that are checked themselves."
    ),
    "quality": (
        "A judgement of the recording with thresholds of its own: judged by detection and false "
        "alarms on made signals (tests/quality, scripts/bench_quality.py), not by a value."
    ),
    "tracking": (
        "A step of the speed tracker that weighs evidence its own way: the speed that comes out "
        "is checked against the Cramér–Rao bound, known phases and a tachometer; each step has "
        "tests of its own (tests/dsp/test_tracking_parts.py)."
    ),
    "words": "Reads, lists, words or stores values; computes none.",
    "model": (
        "A part of this model's own design (inputs, heads, sums of checked values): no outside "
        "value; checked by hand in tests/model and by held-out cars in its card."
    ),
    "training": (
        "Orchestrates fits and evaluations whose parts are checked: tests/training holds it on "
        "sets with a known answer."
    ),
    "drawn": (
        "Draws a value at random within ranges stated in docs/simulator.md: tests hold the "
        "ranges and the seed."
    ),
    "simulated": (
        "Brings simulated parts together or shapes a simulated disturbance of no measured "
        "counterpart; what it is made of is checked, and tests/simulator shows the effect."
    ),
}

_NAMES: dict[str, str] = {
    "feature": """
        feature:burst_share feature:comb_wheel feature:envelope_motor_1
        feature:envelope_motor_1_coast_down feature:envelope_motor_2 feature:envelope_restless
        feature:envelope_skewness_coast_down feature:envelope_skewness_driven
        feature:envelope_spur_1 feature:envelope_spur_1_coast_down feature:envelope_spur_2
        feature:envelope_wheel_1 feature:envelope_wheel_1_coast_down feature:envelope_wheel_2
        feature:envelope_wheel_2_coast_down feature:envelope_wheel_comb feature:envelope_wheel_half
        feature:flicker_12500_driven feature:flicker_1250_driven feature:flicker_125_driven
        feature:flicker_2000_driven feature:flicker_200_driven feature:flicker_3150_driven
        feature:flicker_315_driven feature:flicker_5000_driven feature:flicker_500_driven
        feature:flicker_8000_driven feature:flicker_800_driven feature:idle_level_low
        feature:idle_level_mid feature:knock_comb_motor_high feature:knock_comb_motor_mid
        feature:knock_comb_motor_top feature:knock_comb_spur_high feature:knock_comb_spur_low
        feature:knock_comb_spur_mid feature:knock_comb_wheel_even feature:knock_comb_wheel_high
        feature:knock_comb_wheel_low feature:knock_comb_wheel_mid feature:knock_comb_wheel_sharp
        feature:knock_comb_wheel_top feature:knock_height_high_coast_down
        feature:knock_height_high_driven feature:knock_height_low_coast_down
        feature:knock_height_low_driven feature:knock_height_mid_coast_down
        feature:knock_height_mid_driven feature:knock_height_top_coast_down
        feature:knock_height_top_driven feature:knock_stray_line feature:level_jump
        feature:line_motor_1 feature:line_motor_2 feature:line_motor_3 feature:line_motor_3half
        feature:line_spur_1 feature:line_spur_2 feature:line_spur_half feature:line_wheel_1
        feature:line_wheel_2 feature:line_wheel_3 feature:line_wheel_3half feature:line_wheel_half
        feature:mesh_1_purity_coast_down feature:mesh_1_purity_driven feature:mesh_2_over_1
        feature:mesh_2_purity_coast_down feature:mesh_2_purity_driven feature:mesh_level
        feature:mesh_pm_depth feature:mesh_power_change feature:motor_2_over_1 feature:motor_skirt
        feature:overlay_motor_1 feature:power_change_high feature:power_change_low
        feature:power_change_mid feature:rattle_share_coast_down feature:rattle_share_run_up
        feature:resonance_motor_height feature:rise_high feature:rise_mid feature:speed_ripple
        feature:unsteady_motor_1 feature:unsteady_wheel_1 feature:wheel_2_over_1
        features.colour.band_level_db features.colour.measure features.extract.extract_features
        features.harmonics.LowOrders.angular features.harmonics.LowOrders.spectrum
        features.harmonics.LowOrders.usual_hz features.harmonics.measure
        features.impact.envelope_spectrum features.impact.measure features.impact.segment_spectrum
        features.knocks.measure features.onset.broad_peakiness
        features.onset.difference_at_matched_speed features.resonance.measure
        features.resonance.order_cut features.thumps.measure features.tones.ThirdOctaves.relative
        features.tones.measure features.tones.reference_hz
    """,
    "working": """
        car.plan_search.Surroundings.other_distance_hz car.plan_search.Surroundings.own_score
        car.plan_search.Surroundings.resolvable_hz car.plan_search.mains_lines
        car.plan_search.planned_lines dsp.angular.AngularStretch.transform
        dsp.angular.PhaseTrack.scaled dsp.angular.PhaseTrack.stretches dsp.angular.long_transform
        dsp.levels.runs dsp.long_transform.long_ifft dsp.long_transform.long_rfft
        dsp.spectrum.ShortTimePower.step_hz dsp.statistics.middle
        dsp.tracking_whiten.Whitened.floor_db dsp.tracking_whiten.Whitened.log_power
        dsp.tracking_front.Front.level features.vector.FeatureVector.as_dict
        features.workings.Workings.at_angles features.workings.Workings.band_log_envelopes
        features.workings.Workings.bin_hz features.workings.Workings.broad_rows
        features.workings.Workings.frame_length features.workings.Workings.frame_level_db
        features.workings.Workings.frame_step_s features.workings.Workings.frame_time_s
        features.workings.Workings.log_envelope features.workings.Workings.log_power
        features.workings.Workings.low_band features.workings.Workings.order_ratio
        features.workings.Workings.shaft_hz features.workings.Workings.top_hz
        features.workings.Workings.times_of_angles features.workings.Workings.turns
        features.workings.usable_channels orders.cuts.order_ratios
        orders.grid.AngularTake.samples_per_turn orders.grid.angular_take
        orders.grid.channel_samples orders.grid.frequency_limit_hz orders.grid.highest_order
        orders.grid.phase_track orders.grid.strongest_channel quality.view.View.fast_power
        quality.view.View.frame_of_block quality.view.View.frame_step_s quality.view.View.idle_power
        quality.view.View.level_of quality.view.View.median_of quality.view.View.nyquist_hz
        quality.view.View.rpm quality.view.View.seconds quality.view.decibel quality.view.look_at
        risk.control_chart.ControlChart.n_judged risk.control_chart.ControlChart.signal_since
        simulator.disturbance_forces.disturbed simulator.disturbance_forces.radial_axes
        simulator.disturbance_forces.radial_channels simulator.disturbance_forces.shaft_turns
        simulator.disturbance_forces.wire_force simulator.elements.place_in_turn
        simulator.motion_drive.soft_sign simulator.parameters.SimulatedCar.internal_ratio
        simulator.run.Run.n_samples simulator.script.ThrottleScript.duration_s
        simulator.sound.speed_at_rate track.Phase.duration_s track.SpeedTrack.phases_named
    """,
    "quality": """
        dsp.levels.flat_top_share dsp.levels.repeated_runs dsp.levels.stuck_runs
        quality.assess_quality quality.band.bandwidth quality.band.clock_jitter
        quality.band.low_bit_rate quality.band.top_speed_hz quality.band.usable_bandwidth_hz
        quality.levels.clipped quality.levels.dc_offset quality.levels.dead_channel
        quality.levels.dropouts quality.levels.handling_knocks quality.levels.low_level_over_noise
        quality.levels.mains_hum quality.levels.silence quality.others.second_motor
        quality.others.speech_present quality.others.spoken_syllables quality.phases.missing_phases
        quality.phases.over_speed quality.phases.speed_reading quality.phases.too_short
        quality.processing.level_moves
    """,
    "tracking": """
        dsp.tracking.tidied dsp.tracking.without_blips dsp.tracking_coast.follow_coast_down
        dsp.tracking_coast.learnt_lines dsp.tracking_coast.with_coast
        dsp.tracking_evidence.candidate_evidence dsp.tracking_evidence.line_evidence
        dsp.tracking_evidence.line_votes dsp.tracking_evidence.resolution
        dsp.tracking_evidence.serves dsp.tracking_evidence.sharpened
        dsp.tracking_evidence.speaking_frequencies dsp.tracking_whiten.vote_table
        dsp.tracking_whiten.without_standing dsp.tracking_front.decorrelated
        dsp.tracking_level.expectation dsp.tracking_level.loudness_db
        dsp.tracking_level.loudness_votes dsp.tracking_lines.strongest
        dsp.tracking_path.candidate_grid dsp.tracking_path.pooled dsp.tracking_path.speed_cells
        dsp.tracking_phases.split_phases dsp.tracking_phases.stretches
        dsp.tracking_readings.Jump.rival dsp.tracking_readings.impossible_jumps
        dsp.tracking_readings.likelier_reading dsp.tracking_readings.reading_evidence
        dsp.tracking_readings.rejoined dsp.tracking_readings.rival_ratios
        dsp.tracking_readings.strongest_rival dsp.tracking_readings.support
        dsp.tracking_refine.pulse_pair_step
    """,
    "words": """
        car.fields.NumberField.check car.fields.number_fields car.plan_words.spots
        car.plausibility.car_warnings car.profile.Car.order car.profile.Car.zone car.read.parse_car
        car.read.read_car car.strict_table.StrictTable.number car.usual.usual_car
        car.zones.default_zones car.zones.merge_zones model.archive.array_of
        model.coherence.Coherence.arrays
        model.coherence.Coherence.from_arrays model.evidence.named_evidence model.evidence.strongest
        model.heads.Head.arrays model.heads.Head.from_arrays model.looseness.LoosenessModel.card
        model.looseness.LoosenessModel.unfamiliar_limit model.population.Population.arrays
        model.population.Population.from_arrays model.scorers.BlendScorer.arrays
        model.scorers.LinearScorer.arrays model.scorers.Scorer.arrays
        model.scorers.TreeScorer.arrays model.store.load_model model.store.load_skops
        model.store.model_from_arrays model.store.model_to_arrays
        model.unfamiliar.Familiarity.arrays model.unfamiliar.Familiarity.from_arrays
        risk.history.CarHistory.of_zone risk.history.KindHistory.removals risk.kind_log.read_kinds
        risk.log.findings_of risk.log.finds_in risk.walk.answers_of risk.walk.due_after_first_run
        risk.walk.left_open risk.walk.same_for_all risk.walk.zones_to_check
        simulator.states.check_states training.card.describe_data training.card_parts.ends
        training.card_parts.number training.cohere.Heard.select training.gather.gather
        training.lineage.lineage_of training.material.open_manifest training.metrics.Figure.as_dict
        training.plots.share_axes training.predictions.Predictions.join
        training.predictions.Predictions.select training.table.FeatureTable.baseline_of
        training.table.FeatureTable.evidence training.table.FeatureTable.labelled
        training.table.FeatureTable.load training.table.FeatureTable.n_takes
        training.table.FeatureTable.select training.table.FeatureTable.some_baseline_of
        training.table.FeatureTable.vector training.workers.jobs_for
    """,
    "model": """
        model.calibration.shares_of_wheels model.coherence.Coherence.group_line
        model.coherence.Coherence.group_prior model.coherence.Coherence.loudest
        model.heads.Head.feature_contributions model.heads.Head.line model.heads.Head.log_ratio
        model.inputs.InputLayout.check_row model.inputs.InputLayout.groups
        model.inputs.InputLayout.n_columns model.inputs.InputLayout.signs
        model.inputs.InputLayout.strengths model.inputs.InputLayout.summaries
        model.inputs.InputLayout.to_features model.inputs.InputLayout.wheel_rows
        model.inputs.contrasts model.inputs.squashed model.judgement.bring_together
        model.judgement.group_sizes model.judgement.unheard model.looseness.LoosenessModel.assess
        model.looseness.LoosenessModel.candidates model.looseness.LoosenessModel.columns_of
        model.looseness.LoosenessModel.unfamiliar_of model.looseness.LoosenessModel.wheel_shares
        model.looseness.LoosenessModel.zone_odds model.looseness.observed_share
        model.population.Population.standard model.scorers.BlendScorer.contributions
        model.scorers.LinearScorer.contributions model.scorers.Scorer.contributions
        model.scorers.Scorer.log_odds model.scorers.TreeScorer.contributions
        model.unfamiliar.Familiarity.score model.unfamiliar.choose_shrinkage risk.drift.drift_charts
        risk.prior.population_rate_per_run risk.triage.something_loose training.adjust.adjusted
        training.adjust.shifted training.estimators.RidgeAndTrees.decision_function
        training.figures.reliability training.heldout.combined_word training.heldout.dependence_of
        training.heldout.wheel_shares_of
    """,
    "training": """
        training.build.build_table training.build.measure_take training.evaluate.Mode.takes
        training.evaluate.base_rates training.evaluate.cross_validate training.evaluate.predict
        training.fit.fit_model training.fit.held_out_scores training.rows.Measured.of
        training.rows.fit_population training.rows.head_rows training.with_own.adapt
        training.with_own.compare training.with_own.join_tables training.with_own.without
        training.workflow.measured training.workflow.train training.workflow.train_on
    """,
    "drawn": """
        simulator.accelerometer.draw_accelerometer simulator.disturbances.draw_disturbance
        simulator.draw.draw_car simulator.draw_chassis.draw_chassis
        simulator.draw_chassis.plate_shape simulator.draw_decks.draw_decks
        simulator.draw_drive.draw_driveline simulator.draw_drive.draw_mesh
        simulator.draw_modes.draw_modes simulator.knocks.draw_knocks simulator.knocks.knock_motion
        simulator.knocks.knock_sound simulator.phone.draw_phone simulator.ranges.Draw.flat
        simulator.ranges.Draw.log simulator.ranges.Draw.whole simulator.room.draw_surroundings
        simulator.script.ThrottleScript.phases simulator.script.ThrottleScript.throttle
        simulator.script.draw_script simulator.second_car.second_car_sound
        simulator.second_car.second_car_speed simulator.sound.spot_position
        simulator.sound.with_roughness simulator.states.draw_sitting
    """,
    "simulated": """
        simulator.build_drive.mesh_tables simulator.codec.compress simulator.simulate.simulate
        simulator.simulate.simulate_spots simulator.sound.patch_weights
    """,
}


def _full(name: str) -> str:
    return name if name.startswith("feature:") else f"vibecheck.{name}"


REASON_OF: dict[str, str] = {
    _full(name): reason for reason, names in _NAMES.items() for name in names.split()
}
"""Reason (a key of `REASONS`) of each quantity."""

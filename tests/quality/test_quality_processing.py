"""Findings on what moved the level: automatic gain, noise suppression, a moved phone."""

from __future__ import annotations

import numpy as np
import pytest
from quality_signals import CAR, SpinUp, automatic_gain, codes, finding, spin_up

from vibecheck.quality import assess_quality


class TestAutomaticGain:
    @pytest.mark.parametrize("seed", [1, 2, 3])
    @pytest.mark.parametrize("exponent", [1.0, 2.0])
    def test_an_evened_out_level(self, seed: int, exponent: float) -> None:
        made = spin_up(seed, exponent=exponent)
        x = automatic_gain(made.x.astype(float), 48000.0)
        report = assess_quality(made.with_samples(x), made.speed, CAR)
        assert finding(report, "automatic_gain").weight == "limits"

    def test_a_moved_floor_after_an_abrupt_stop(self) -> None:
        phases = (("idle", 3.0), ("run_up", 4.0), ("hold", 4.0), ("idle", 4.0))
        made = spin_up(2, phases=phases, exponent=1.0)
        x = automatic_gain(made.x.astype(float), 48000.0)
        found = finding(assess_quality(made.with_samples(x), made.speed, CAR), "automatic_gain")
        assert found.weight == "limits"
        assert "the room's noise" in found.message

    @pytest.mark.parametrize("exponent", [1.0, 1.5, 2.5])
    def test_a_fixed_gain(self, exponent: float) -> None:
        made = spin_up(3, exponent=exponent)
        assert "automatic_gain" not in codes(assess_quality(made.take, made.speed, CAR))

    def test_a_louder_room_afterwards_is_not_gain(self, clean: SpinUp) -> None:
        x = clean.x
        rng = np.random.default_rng(0)
        x[-96_000:] += 0.003 * rng.standard_normal(96_000).astype(np.float32)
        report = assess_quality(clean.with_samples(x), clean.speed, CAR)
        assert "automatic_gain" not in codes(report)

    def test_overload_is_not_called_gain_where_the_level_still_rises(self, clean: SpinUp) -> None:
        x = np.clip(3.0 * clean.x / np.abs(clean.x).max(), -1.0, 1.0)
        report = assess_quality(clean.with_samples(x), clean.speed, CAR)
        assert "automatic_gain" not in codes(report)


class TestNoiseSuppression:
    def suppressed(self, clean: SpinUp, fade_s: float) -> np.ndarray:
        running = np.clip((clean.time_s - 3.0) / fade_s, 0.0, 1.0) ** 2
        return np.asarray(clean.x * (clean.rpm > 1500.0) * running)

    def test_muted_pauses(self, clean: SpinUp) -> None:
        take = clean.with_samples(self.suppressed(clean, 0.1))
        report = assess_quality(take, clean.speed, CAR)
        assert finding(report, "noise_suppression").weight == "limits"
        assert not codes(report) & {"automatic_gain", "level_moves", "dropouts", "mains_hum"}

    def test_a_fade_in_at_steady_speed_is_told(self, clean: SpinUp) -> None:
        take = clean.with_samples(self.suppressed(clean, 7.0) ** 1.0)
        assert (
            "fade in"
            not in finding(assess_quality(take, clean.speed, CAR), "noise_suppression").message
        )
        fade = np.clip((clean.time_s - 5.9) / 4.0, 0.01, 1.0) ** 2
        take = clean.with_samples(self.suppressed(clean, 0.1) * fade)
        assert (
            "fade in"
            in finding(assess_quality(take, clean.speed, CAR), "noise_suppression").message
        )

    def test_beeps_in_a_muted_pause_do_not_hide_it(self, clean: SpinUp) -> None:
        x = self.suppressed(clean, 0.1)
        x[20_000:40_000] += 0.05 * np.sin(0.3 * np.arange(20_000))
        report = assess_quality(clean.with_samples(x), clean.speed, CAR)
        assert "noise_suppression" in codes(report)
        assert "handling_knocks" not in codes(report)

    def test_a_quiet_room(self) -> None:
        # −80 dB re full scale.
        made = spin_up(2, noise=1e-4)
        assert "noise_suppression" not in codes(assess_quality(made.take, made.speed, CAR))


class TestLevelMoves:
    @pytest.mark.parametrize("factor", [0.35, 3.0])
    @pytest.mark.parametrize("at_s", [7.5, 8.5])
    def test_a_moved_phone(self, clean: SpinUp, factor: float, at_s: float) -> None:
        x = clean.x * np.where(clean.time_s < at_s, 1.0, factor)
        found = finding(assess_quality(clean.with_samples(x), clean.speed, CAR), "level_moves")
        assert found.weight == "limits"
        assert found.value == pytest.approx(abs(20 * np.log10(factor)), abs=1.5)

    def test_a_rattle_that_starts_is_no_moved_phone(self, clean: SpinUp) -> None:
        # Only the upper bands rise.
        rng = np.random.default_rng(0)
        hiss = np.diff(rng.standard_normal(clean.x.size + 1))
        x = clean.x + 0.15 * hiss * (clean.time_s > 8.0) * (clean.rpm > 0)
        assert "level_moves" not in codes(assess_quality(clean.with_samples(x), clean.speed, CAR))

    def test_a_step_of_speed_is_no_moved_phone(self) -> None:
        made = spin_up(2, phases=(("idle", 2.0), ("run_up", 0.5), ("hold", 5.0), ("idle", 3.0)))
        assert "level_moves" not in codes(assess_quality(made.take, made.speed, CAR))

    def test_still(self, clean: SpinUp) -> None:
        assert "level_moves" not in codes(assess_quality(clean.take, clean.speed, CAR))

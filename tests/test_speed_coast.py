"""Stage 2 after the throttle has closed: steep coast-downs, unnamed gears, lines that stand."""

from __future__ import annotations

import numpy as np
import pytest
from speed_signals import RATE, SpinUp, a_car, additive, relative_error

from vibecheck.dsp.tracking_coast import FRICTION, RATES, coast_curves
from vibecheck.speed import track_speed

TOP = 20_000 / 60


def steep_script(down_s: float, tail_s: float = 1.2) -> np.ndarray:
    """Idle 0.8 s, run-up to 20 000 rpm in 2 s, hold 1.5 s, coast to a stop by dry friction."""
    edges = np.cumsum([0.8, 2.0, 1.5, down_s, tail_s])
    t = np.arange(round(edges[-1] * RATE)) / RATE
    down = TOP * (1.0 - (t - edges[2]) / down_s)
    return np.select(
        [t < e for e in edges],
        [0 * t, TOP * (t - 0.8) / 2.0, 0 * t + TOP, down, 0 * t],
    )


def quietens(spin: SpinUp, seed: int) -> SpinUp:
    """Broadband noise that grows with speed, as a car's does (common practice, no source)."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(spin.samples.size) * 1.5 * spin.speed_hz / TOP
    return SpinUp(spin.samples + noise, spin.speed_hz)


def test_curves_obey_friction_and_drag() -> None:
    # f' = -(c0 + c1 f): the slope falls in a straight line with the speed (closed form), from the
    # rate named, at the moment named, and the curve never rises.
    time_s = np.arange(0.0, 3.0, 1e-3)
    curves = coast_curves(time_s, np.array([0.5]))[0]
    assert curves.shape == (RATES.size * len(FRICTION), time_s.size)
    assert np.all(curves[:, time_s <= 0.5] == 1.0)
    slope = np.gradient(curves, time_s, axis=1)
    assert np.all(slope <= 1e-12)
    q = np.repeat(FRICTION, RATES.size)[:, np.newaxis]
    rate = np.tile(RATES, len(FRICTION))[:, np.newaxis]
    moving = (curves > 0.01) & (time_s > 0.51)
    want = -rate * (curves + q) / (1.0 + q)
    assert np.allclose(slope[moving], want[moving], rtol=1e-3)


@pytest.mark.parametrize("down_s", [0.8, 1.0, 2.0])
def test_a_steep_coast_down_is_followed(down_s: float) -> None:
    # 20 000 rpm to rest in 0.8 s: 25 000 rpm/s.
    spin = quietens(additive(steep_script(down_s), -8.0, 21, (1.0, 2.0, 26.0)), 22)
    track = track_speed(spin.take(), a_car())
    truth = spin.at(track.time_s)
    down = (track.time_s > 4.35) & (truth > 0.3 * TOP)
    error = np.abs(track.rpm[down] / 60 / truth[down] - 1)
    assert np.mean(error < 0.03) > 0.85
    assert track.phases_named("coast_down")


def test_an_unnamed_gear_does_not_pass_for_the_mesh() -> None:
    # Under load the mesh (26) and an inner gear (23.4) speak; unloaded, the inner gear alone. Read
    # as the mesh it would put the shaft a tenth too low.
    speed = steep_script(1.6)
    after = np.arange(speed.size) / RATE > 4.3
    mesh = additive(speed, -6.0, 23, (1.0, 2.0, 26.0, 52.0))
    inner = additive(speed, -3.0, 24, (23.4, 46.8))
    samples = np.where(after, 0.0, mesh.samples) + inner.samples
    spin = quietens(SpinUp(samples, speed), 25)
    track = track_speed(spin.take(), a_car())
    truth = spin.at(track.time_s)
    down = (track.time_s > 4.4) & (truth > 0.3 * TOP)
    error = np.abs(track.rpm[down] / 60 / truth[down] - 1)
    assert np.median(error) < 0.01
    assert np.mean(error < 0.03) > 0.8


def test_a_line_that_stands_is_no_hold_after_the_hold() -> None:
    # From the end of the hold on a line of the room at 1 300 Hz is heard: as the mesh it would be
    # 3 000 rpm.
    speed = steep_script(0.9)
    spin = quietens(additive(speed, -8.0, 26, (1.0, 2.0, 26.0)), 27)
    t = np.arange(speed.size) / RATE
    spin = SpinUp(spin.samples + (t > 4.3) * np.sin(2 * np.pi * 1300.0 * t), speed)
    track = track_speed(spin.take(), a_car())
    assert relative_error(track, spin)[1] < 0.2
    late = [p for p in track.phases_named("hold") if p.start_s > 4.35]
    assert sum(p.duration_s for p in late) < 0.2

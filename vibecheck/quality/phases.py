"""Findings on the spin-up itself: phases, length, speed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from vibecheck.findings import Finding
from vibecheck.quality.view import View
from vibecheck.track import PhaseName

# Shortest stretch of each phase that is of use, in seconds (common practice, no source). Idle: a
# noise floor from some 20 frames. Run-up and coast-down: long enough to pass through resonances.
# Hold: an order spectrum with some tens of wheel turns.
SHORTEST_PHASE_S: dict[PhaseName, float] = {
    "idle": 0.5,
    "run_up": 0.5,
    "hold": 1.0,
    "coast_down": 0.5,
}
_PHASES: dict[PhaseName, tuple[str, str, str]] = {
    "idle": (
        "missing_idle",
        "There is no long enough stretch with the motor off, so the room's noise is unknown.",
        "Leave the motor off for the first three seconds of the recording.",
    ),
    "run_up": (
        "missing_run_up",
        "There is no long enough run-up, so it cannot be told at which speed a rattle starts.",
        "Start recording with the motor off, then raise the throttle slowly over a few seconds.",
    ),
    "hold": (
        "missing_hold",
        "There is no long enough stretch at steady speed.",
        "Hold the throttle still for about five seconds after the run-up.",
    ),
    "coast_down": (
        "missing_coast_down",
        "There is no long enough coast-down, so run-up and coast-down cannot be compared.",
        "Let go of the throttle without braking and keep recording until the wheels stand still.",
    ),
}

# Three seconds hold no run-up and no hold worth the name; a third of a second holds nothing.
SHORT_S, TOO_SHORT_S = 3.0, 0.3
# Telling 1/2 from 1/3 of a turn takes 4/(1/6) = 24 turns with a Hann window (its main lobe is four
# bins wide, and a bin is one over the number of turns); six turns show nothing but the turn itself.
SHORT_TURNS, TOO_SHORT_TURNS = 24.0, 6.0

# Average probability of the reported state while running. Half: as likely wrong as right.
CONFIDENCE = 0.6

# The track's own uncertainty must not raise a false caution.
_OVER_SPEED_SIGMAS = 2.0
# A wheel does not get there and back in less.
_OVER_SPEED_S = 0.3


def missing_phases(view: View) -> Iterator[Finding]:
    """A spin-up is idle, run-up, hold, coast-down; each has its use."""
    if view.speed is None or not view.speed.running.any():
        return
    for name, (code, message, advice) in _PHASES.items():
        seconds = sum(phase.duration_s for phase in view.speed.phases_named(name))
        shortest = SHORTEST_PHASE_S[name]
        if seconds < shortest:
            yield Finding(code, message, advice, round(seconds, 3), shortest, "limits")


def too_short(view: View) -> Iterator[Finding]:
    """Too few seconds, or too few turns of the slowest shaft."""
    advice = "Record at least 12 seconds: 3 s motor off, 4 s run-up, 5 s steady, then let it coast."
    seconds = view.take.duration_s
    if seconds < SHORT_S:
        yield Finding(
            "too_short",
            f"The recording is only {seconds:.2g} s long.",
            advice,
            round(seconds, 3),
            SHORT_S,
            "refuses" if seconds < TOO_SHORT_S else "limits",
        )
        if seconds < TOO_SHORT_S:
            return
    if view.speed is None or not view.speed.running.any():
        return
    ratio, shaft = 1.0, view.speed.shaft + " shaft"
    if view.car is not None and view.car.has_order("wheel"):
        ratio, shaft = view.car.order("wheel").ratio, "wheels"
    turns = float(view.speed.revolutions[-1]) * ratio
    if turns < SHORT_TURNS:
        yield Finding(
            "too_short",
            f"The recording holds only {turns:.0f} turns of the {shaft}.",
            advice,
            round(turns, 1),
            SHORT_TURNS,
            "refuses" if turns < TOO_SHORT_TURNS else "limits",
        )


def speed_reading(view: View) -> Iterator[Finding]:
    """The speed could not be read, or has two readings."""
    speed = view.speed
    if speed is None:
        return
    if not speed.running.any():
        yield Finding(
            "speed_not_found",
            "No turning shaft could be found in the recording.",
            "Check that the car ran during the recording, that the car file is the right one, and "
            "that the phone was close to it.",
            0.0,
            CONFIDENCE,
            "refuses",
        )
        return
    confidence = float(np.mean(speed.confidence[speed.running]))
    if confidence < CONFIDENCE:
        yield Finding(
            "speed_not_found",
            f"The speed is uncertain for much of the run (confidence {confidence:.2f} on average).",
            "Put the phone closer, clear of the wheels, and check the pinion and spur teeth in the "
            "car file.",
            round(confidence, 3),
            CONFIDENCE,
            "limits",
        )
    other = speed.order_ambiguity
    if other is not None and not other.resolved:
        yield Finding(
            "speed_ambiguous",
            other.message or f"The speed may as well be {other.ratio:g} times what is shown.",
            "Compare with the speed you ran; check motor poles and gear teeth in the car file.",
            round(other.ratio, 4),
            None,
            "limits",
        )


def over_speed(view: View) -> Iterator[Finding]:
    """The wheels turned faster than the bench cap or the tyres' limit: do not repeat."""
    car, speed = view.car, view.speed
    if car is None or car.drivetrain is None or speed is None or not speed.running.any():
        return
    if not car.has_order("wheel"):
        return
    sure = speed.running & (speed.confidence >= CONFIDENCE)
    if not sure.any():
        return
    lowest = (speed.rpm - _OVER_SPEED_SIGMAS * speed.sd_rpm)[sure] * car.order("wheel").ratio
    step_s = float(np.median(np.diff(speed.time_s))) if speed.time_s.size > 1 else 1.0
    # The speed that was exceeded for long enough, in all.
    top = float(np.sort(lowest)[::-1][min(lowest.size - 1, int(_OVER_SPEED_S / step_s))])
    tyre, cap = car.drivetrain.wheel_max_rpm, car.drivetrain.bench_max_wheel_rpm
    if tyre is not None and top > tyre:
        limit, what = tyre, "what the tyres are trusted for"
    elif cap is not None and top > cap:
        limit, what = cap, "the bench limit in the car file"
    else:
        return
    other = speed.order_ambiguity
    doubtful = (other is not None and not other.resolved) or np.mean(
        speed.confidence[speed.running]
    ) < CONFIDENCE
    yield Finding(
        "over_speed",
        (
            f"The wheels turned at {top:.0f} rpm, above {what} ({limit:.0f} rpm)"
            + (", if the speed was read right." if doubtful else ".")
        ),
        "Do not repeat this: tyres balloon and can burst, and a free wheel can turn twice as fast "
        "as the others. Look the tyres and wheels over before the next spin-up, and use less "
        "throttle.",
        round(top, 0),
        limit,
        "note",
    )

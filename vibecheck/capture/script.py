"""Recording at the bench: the throttle script as it is called out, step by step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from vibecheck.capture.note import Sensor
from vibecheck.car.plan import BenchPlan, Step
from vibecheck.errors import CallError

Phase = Literal["idle", "run_up", "hold", "coast_down"]

LEAST_HOLD_S, MOST_HOLD_S = 3.0, 60.0

FIRST_IDLE = "Motor off, hands off. Quiet: this is the noise of the room."
LAST_IDLE = "Wheels at rest, motor off. Stay quiet until it ends."
FIRST_REST = "Motor off, hands off. Do not touch the bench: this is the car at rest."
LAST_REST = "Wheels at rest, motor off. Touch nothing until it ends."
WITHOUT_A_CAR = (
    Step("idle", 4.0, 0.0, 0.0, FIRST_IDLE),
    Step("run_up", 6.0, 0.0, 0.0, "Squeeze the trigger slowly and evenly from rest."),
    Step("hold", 8.0, 0.0, 0.0, "Hold the trigger still, well below full throttle."),
    Step(
        "coast_down",
        7.0,
        0.0,
        0.0,
        "Let go of the trigger, do not brake: let everything run out by itself.",
    ),
    Step("idle", 3.0, 0.0, 0.0, LAST_IDLE),
)
"""For a car that has no car file yet."""


@dataclass(frozen=True)
class ScriptStep:
    """One step to call out.

    Attributes
    ----------
    phase : {"idle", "run_up", "hold", "coast_down"}
    big : str
        Two words at most, in capitals: readable from where the owner stands.
    words : str
        The same as a sentence.
    seconds : float
    """

    phase: Phase
    big: str
    words: str
    seconds: float


@dataclass(frozen=True)
class Now:
    """Where in the script a moment lies.

    Attributes
    ----------
    index : int
        Of the step, from 0.
    step : ScriptStep
    seconds_left : float
        Of this step; 0 once the script is over.
    following : ScriptStep or None
    is_over : bool
    """

    index: int
    step: ScriptStep
    seconds_left: float
    following: ScriptStep | None
    is_over: bool


@dataclass(frozen=True)
class Script:
    """What to do with the throttle, in order; never empty."""

    steps: tuple[ScriptStep, ...]

    @property
    def seconds(self) -> float:
        """Length of the whole script."""
        return sum(step.seconds for step in self.steps)

    def step_at(self, time_s: float) -> Now:
        """Return what is due at a moment.

        Parameters
        ----------
        time_s : float
            Since the recording began. A step begins on its first moment; before 0 the first one is
            due, past the end the last.
        """
        end_s = 0.0
        for index, step in enumerate(self.steps):
            end_s += step.seconds
            if time_s < end_s:
                following = self.steps[index + 1] if index + 1 < len(self.steps) else None
                left = min(step.seconds, end_s - time_s)
                return Now(index, step, left, following, is_over=False)
        return Now(len(self.steps) - 1, self.steps[-1], 0.0, None, is_over=True)

    def lasting(self, seconds: float) -> Script:
        """Return the script with its holds made longer or shorter to fill a time.

        Parameters
        ----------
        seconds : float
            Of the whole script. All other steps keep their length.

        Raises
        ------
        CallError
            If the holds would have to be shorter than 3 s or longer than 60 s.
        """
        holds = [step for step in self.steps if step.phase == "hold"]
        held_s = sum(step.seconds for step in holds)
        others_s = self.seconds - held_s
        least, most = others_s + LEAST_HOLD_S * len(holds), others_s + MOST_HOLD_S * len(holds)
        if not (math.isfinite(seconds) and least <= seconds <= most):
            raise CallError(
                f"--seconds must be from {math.ceil(least)} to {math.floor(most)} for this car's "
                f"throttle script. Got {seconds:g} instead.",
                advice="Idle, run-up and coast-down keep their length; the holds share the rest.",
            )
        # What is above the least is shared in the same proportion as before.
        spare = held_s - LEAST_HOLD_S * len(holds)
        wanted = seconds - others_s - LEAST_HOLD_S * len(holds)
        fitted = []
        for step in self.steps:
            if step.phase == "hold":
                share = (step.seconds - LEAST_HOLD_S) / spare if spare > 0 else 1 / len(holds)
                step = replace(step, seconds=min(MOST_HOLD_S, LEAST_HOLD_S + wanted * share))
            fitted.append(step)
        return Script(tuple(fitted))


def script_of(plan: BenchPlan | None) -> Script:
    """Return the script of a bench plan, or the usual one where no car is known."""
    if plan is None:
        return script_from(WITHOUT_A_CAR)
    return script_from(plan.script, plan.band.sensor)


def script_from(steps: Sequence[Step], sensor: Sensor = "microphone") -> Script:
    """Put the steps of a plan into words that are called out while it records."""
    first, last = (FIRST_IDLE, LAST_IDLE) if sensor == "microphone" else (FIRST_REST, LAST_REST)
    made = []
    for index, step in enumerate(steps):
        words = step.words
        if step.phase == "idle":
            words = first if index == 0 else last
        made.append(ScriptStep(step.phase, _big(steps, index), words, step.seconds))
    return Script(tuple(made))


def _big(steps: Sequence[Step], index: int) -> str:
    phase = steps[index].phase
    if phase == "run_up":
        return "RUN UP" if all(step.phase != "hold" for step in steps[:index]) else "FASTER"
    if phase == "hold":
        return "HOLD"
    if phase == "coast_down":
        return "LET GO"
    return "MOTOR OFF" if index == 0 else "WAIT"

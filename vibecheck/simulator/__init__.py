"""Equations of motion of a car on the bench (needs the ``simulator`` extra).

Shares no analysis code with the rest, so that its tests are evidence. The parts, in order:

================  =================================================================
`draw`            draw an invented car from ranges: `draw_car` (`parameters`, `names`)
`states`          fastener states, and what else differs between bench checks
`script`          throttle: idle, run-up, holds, coast-down
`elements`        laws of single joints: contact, friction, clearance (compiled)
`motion`          the equations of motion (compiled), by part: `motion_wheel`,
                  `motion_motor`, `motion_drive`; their numbers: `parts`, `build`
`run`             integrate one run
`ringing`         the bank of structural modes (compiled)
`disturbances`    what sounds odd with nothing loose: `disturbance_forces`, `second_car`
`sound`           radiation; then `room` and `phone`
`accelerometer`   mounting, bandwidth, noise, clock
`simulate`        labelled recordings: `simulate`, `simulate_spots`
================  =================================================================
"""

from vibecheck.simulator.accelerometer import Accelerometer, draw_accelerometer
from vibecheck.simulator.disturbances import (
    DISTURBANCE_KINDS,
    Disturbances,
    draw_disturbance,
)
from vibecheck.simulator.draw import draw_car
from vibecheck.simulator.parameters import WHEELS, ZONES, SimulatedCar
from vibecheck.simulator.phone import Phone, draw_phone
from vibecheck.simulator.profile import profile_toml
from vibecheck.simulator.room import Surroundings, draw_surroundings
from vibecheck.simulator.script import ThrottleScript, draw_script
from vibecheck.simulator.simulate import SimulatedRecording, Truth, simulate, simulate_spots
from vibecheck.simulator.states import SNUG, Conditions, FastenerState

__all__ = [
    "DISTURBANCE_KINDS",
    "SNUG",
    "WHEELS",
    "ZONES",
    "Accelerometer",
    "Conditions",
    "Disturbances",
    "FastenerState",
    "Phone",
    "SimulatedCar",
    "SimulatedRecording",
    "Surroundings",
    "ThrottleScript",
    "Truth",
    "draw_accelerometer",
    "draw_car",
    "draw_disturbance",
    "draw_phone",
    "draw_script",
    "draw_surroundings",
    "profile_toml",
    "simulate",
    "simulate_spots",
]

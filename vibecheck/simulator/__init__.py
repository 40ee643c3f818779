"""Equations of motion of a car on the bench (needs the ``simulator`` extra).

Shares no analysis code with the rest, so that its tests are evidence. The parts, in order:

=================  ================================================================
`parameters`       an invented car, drawn from ranges: `draw_car`
`states`           fastener states, and what else differs between bench checks
`script`           throttle: idle, run-up, holds, coast-down
`elements`         laws of single joints: contact, friction, clearance (compiled)
`motion`           the equations of motion (compiled)
`run`              integrate one run
`ringing`          the bank of structural modes (compiled)
`sound`            radiation, room, phone
`accelerometer`    mounting, bandwidth, noise, clock
`simulate`         labelled recordings: `simulate`, `simulate_spots`
=================  ================================================================
"""

from vibecheck.simulator.accelerometer import Accelerometer, draw_accelerometer
from vibecheck.simulator.parameters import WHEELS, ZONES, SimulatedCar, draw_car
from vibecheck.simulator.profile import profile_toml
from vibecheck.simulator.script import ThrottleScript, draw_script
from vibecheck.simulator.simulate import SimulatedRecording, Truth, simulate, simulate_spots
from vibecheck.simulator.sound import Phone, Surroundings, draw_phone, draw_surroundings
from vibecheck.simulator.states import SNUG, Conditions, FastenerState

__all__ = [
    "SNUG",
    "WHEELS",
    "ZONES",
    "Accelerometer",
    "Conditions",
    "FastenerState",
    "Phone",
    "SimulatedCar",
    "SimulatedRecording",
    "Surroundings",
    "ThrottleScript",
    "Truth",
    "draw_accelerometer",
    "draw_car",
    "draw_phone",
    "draw_script",
    "draw_surroundings",
    "profile_toml",
    "simulate",
    "simulate_spots",
]

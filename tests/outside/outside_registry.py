"""All outside checks, and the outside values that have nothing here to be compared with."""

from __future__ import annotations

import outside_fasteners
import outside_features
import outside_fits
import outside_further
import outside_gearing
import outside_libraries
import outside_mechanics
import outside_orders
import outside_spectra
import outside_statistics
import outside_windows
from outside_check import Check

SECTIONS: dict[str, tuple[Check, ...]] = {
    "Bearings, gears, speeds, sensors": outside_gearing.CHECKS,
    "Windows": outside_windows.CHECKS,
    "Spectra, statistics, levels": outside_spectra.CHECKS,
    "Orders and speed": outside_orders.CHECKS,
    "Features": outside_features.CHECKS,
    "Fasteners": outside_fasteners.CHECKS,
    "Statistics": outside_statistics.CHECKS,
    "Simulated mechanics": outside_mechanics.CHECKS,
    "Model, history and simulator, held by tests": outside_further.CHECKS,
    "Signals in other libraries": outside_libraries.CHECKS,
    "Fits and distributions in other libraries": outside_fits.CHECKS,
}
CHECKS: tuple[Check, ...] = tuple(one for section in SECTIONS.values() for one in section)

NOT_COMPUTED: tuple[tuple[str, str], ...] = (
    ("planetary sets, Willis' equation, a three-stage gearbox, belt pass", "no car file has them"),
    ("universal joints (±1.54 % at 10°, twice per turn)",
     "no angle is in the car file; only knocks twice per turn are counted"),
    ("six-step commutation ripple (4 884 Hz)", "only the electrical order itself is planned for"),
    ("triangle, Hamming, Blackman and Hann² windows", "not offered"),
    ("A- and C-weighting, levels in dB(A), limits of hearing",
     "sound is uncalibrated: no level is shown as a sound pressure"),
    ("mel spectra and cepstra", "not used: bands are third-octaves and fixed bands"),
    ("octave bands", "only third-octaves are formed"),
    ("damping from half-power points, loss factor, viscous loss per cycle",
     "no damping is estimated from a take"),
    ("turbine shaft with clearance", "a design problem; nothing here sizes a shaft"),
    ("impact limit of the bilinear oscillator, grazing, ball on a shaken table, sub-harmonics",
     "behaviour of a simulated joint, not a number that is reported"),
    ("four-parameter Iwan joint, microslip exponents", "joints are made of Jenkins elements"),
    ("moments of inertia", "parameters are drawn, not derived from a shape"),
    ("order smear, shortest window of a sweep, timing jitter", "design choices, no result"),
    ("Vold–Kalman filter", "orders are cut from one long transform instead"),
    ("embedding, load factors, critical slip, loss of preload per degree",
     "no remaining preload is estimated: only the hand finds it"),
    ("Junker, DIN 65151, DIN 25201-4, ISO 16130, NASM1312-7 tests",
     "tests of fasteners say nothing about signatures"),
    ("ISO 21940-11 balance grades", "no unbalance is measured"),
    ("ISO 10816-1 and 20816-1 zones", "made for machines on bearing housings, not for a car of a "
     "few kg on a soft stand"),
    ("CUSUM charts", "charts are exponentially weighted averages"),
    ("gauge repeatability and reproducibility, d2 constants", "no gauge study is run"),
    ("microphone sensitivity at 94 dB, noise and rates of sensor chips", "no calibration is "
     "claimed, and the rate is read from the take"),
    ("rates of phone applications and browsers (60 to 200 Hz)", "the rate is read from the take"),
    ("hoop stress of a ballooning tyre (1.35 MPa at 35 m/s)",
     "limits are the maker's; the car file holds them"),
    ("battery charging", "advice in words; common practice, no source"),
)  # fmt: skip

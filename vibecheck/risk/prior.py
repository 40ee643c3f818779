"""How often a zone is found loose before anybody listens.

Without a hand-check history a zone starts from a rate of finds per run for its kind of
fasteners: common practice, no source. The rate is the mean of a Gamma prior, so that a
history can update it: finds ~ Poisson(rate × runs) gives Gamma(shape + finds, runs0 + runs)
(Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from vibecheck.car.zones import WHEEL_ZONES, Zone
from vibecheck.result import ZoneHistory

# Finds per run, common practice, no source. Wheel nuts and the motor mount carry the
# largest alternating loads and are undone most often.
_RATE_PER_RUN = {
    **dict.fromkeys(WHEEL_ZONES, 0.04),
    "motor_mount": 0.04,
    "gear_mesh": 0.04,
    "driveline": 0.03,
    "chassis_screws": 0.03,
}
_OTHER_RATE_PER_RUN = 0.02
# A locked joint is found loose less often; factors from common practice, no source.
_LOCKING_FACTOR = {
    "none": 1.5,
    "spring_washer": 1.2,
    "serrated": 1.0,
    "set_screw_flat": 1.2,
    "nylon_insert": 1.0,
    "threadlocker": 0.7,
}
# The prior is worth this many finds: weak, so that a car's own history soon speaks.
_PRIOR_FINDS = 0.5


@dataclass(frozen=True)
class ZoneRecord:
    """What a car's log says about one zone.

    Attributes
    ----------
    runs : float
        Runs covered by hand checks, > 0 where there is a log.
    finds : int
        How often the zone was found with a loose or missing fastener.
    runs_since_hand_check : int or None
        Runs since the zone was last checked by hand; ``None`` where unknown (taken as one).
    """

    runs: float = 0.0
    finds: int = 0
    runs_since_hand_check: int | None = None


def population_rate_per_run(zone: Zone) -> float:
    """Finds per run of a zone of this kind, before any history of the car."""
    rate = _RATE_PER_RUN.get(zone.name, _OTHER_RATE_PER_RUN)
    factors = [_LOCKING_FACTOR[fastener.locking] for fastener in zone.fasteners]
    return rate * max(factors, default=1.0)


def chance_of_a_find(shape: float, exposure: float, runs: float) -> float:
    """Chance of at least one find in ``runs``, the rate being Gamma(``shape``, ``exposure``).

    1 - E[exp(-rate × runs)] = 1 - (exposure / (exposure + runs))^shape: the negative binomial
    predictive distribution at zero (Gelman et al., as above, section 2.7).
    """
    return -math.expm1(shape * (math.log(exposure) - math.log(exposure + runs)))


def zone_history(zone: Zone, record: ZoneRecord | None = None) -> ZoneHistory:
    """Prior probability that a zone holds a loose fastener now.

    The chance of at least one find in the runs since the last hand check.

    Parameters
    ----------
    zone : Zone
    record : ZoneRecord, optional
        The car's own log of this zone; without it the population's rate stands.
    """
    record = record or ZoneRecord()
    shape = _PRIOR_FINDS + record.finds
    exposure = _PRIOR_FINDS / population_rate_per_run(zone) + record.runs
    # A zone that was checked and not run since can still have been missed: half a run.
    since = 1.0 if record.runs_since_hand_check is None else record.runs_since_hand_check
    runs = max(float(since), 0.5)
    return ZoneHistory(
        prior=chance_of_a_find(shape, exposure, runs),
        runs_since_hand_check=record.runs_since_hand_check,
        finds=record.finds,
    )

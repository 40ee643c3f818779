"""How often a zone is found loose before anything is known of this car.

Finds per run for each kind of zone and locking: common practice, no source. The rate is the mean
of a Gamma prior worth half a find, so that a car's own log soon speaks. A zone's prior is shared
out over its kinds of fastener by how each is locked; the shares are independent Gammas of one
exposure, so that together they are the zone's prior again, exactly.
"""

from __future__ import annotations

from collections.abc import Sequence

from vibecheck.car.zones import WHEEL_ZONES, Fastener, Zone
from vibecheck.risk.gamma_poisson import GammaRate

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


def population_rate_per_run(zone: Zone) -> float:
    """Finds per run of a zone of this kind, before any history of the car."""
    rate = _RATE_PER_RUN.get(zone.name, _OTHER_RATE_PER_RUN)
    factors = [_LOCKING_FACTOR[fastener.locking] for fastener in zone.fasteners]
    return rate * max(factors, default=1.0)


def zone_prior(zone: Zone) -> GammaRate:
    """Return the prior of a zone's finds per run."""
    return GammaRate(_PRIOR_FINDS, _PRIOR_FINDS / population_rate_per_run(zone))


def kind_priors(zone: Zone, kinds: Sequence[Fastener] | None = None) -> dict[str, GammaRate]:
    """Return the prior of each kind of fastener; together they are the zone's prior.

    Parameters
    ----------
    zone : Zone
    kinds : sequence of Fastener, optional
        The zone's own where absent. A zone without fasteners gives an empty mapping.
    """
    whole = zone_prior(zone)
    shares = {
        kind.name: _LOCKING_FACTOR[kind.locking]
        for kind in (zone.fasteners if kinds is None else kinds)
    }
    total = sum(shares.values())
    return {
        name: GammaRate(whole.shape * share / total, whole.exposure)
        for name, share in shares.items()
    }

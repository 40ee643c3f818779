"""Put what the heads said of held-out checks into tables, for `vibecheck.training.cohere`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from vibecheck.car.zones import CENTRE_SPOT
from vibecheck.model.heads import (
    ANY_HEAD,
    STILL_WHEELS_HEAD,
    WHEELS_HEAD,
    WHICH_WHEEL_HEAD,
    driven_wheels,
    head_of,
)
from vibecheck.model.judgement import group_sizes
from vibecheck.training.cohere import Heard
from vibecheck.training.heldout import WheelWords, Words, combined_word, wheel_shares_of
from vibecheck.training.table import FeatureTable


def groups_of(zones: Sequence[str]) -> tuple[str, ...]:
    """Groups of zones that share a head: driven wheels, wheels at rest, every other zone."""
    others = tuple(zone for zone in zones if not zone.startswith("wheel_"))
    wheels = (WHEELS_HEAD, STILL_WHEELS_HEAD) if len(others) < len(zones) else ()
    return (*wheels, *others)


def gather(
    table: FeatureTable,
    said: Mapping[str, Sequence[Words | WheelWords]],
    dependence: Mapping[str, float],
    *,
    one_take: bool,
) -> Heard:
    """Gather the checks of which any head said something; mesh settings are left out.

    Parameters
    ----------
    table : FeatureTable
    said : mapping of head name to its words, one a kind of sensor
    dependence : mapping of head name to ρ
    one_take : bool
        True to gather one take of every check (at the centre where there is one) by itself.
    """
    zones = table.zones.tolist()
    groups = groups_of(zones)
    plain = {name: [one for one in ones if isinstance(one, Words)] for name, ones in said.items()}
    wheel_words = [one for one in said.get(WHICH_WHEEL_HEAD, ()) if isinstance(one, WheelWords)]
    spoken = {check for ones in plain.values() for one in ones for check in one.whole}
    # Only checks of which every zone was looked at tell what goes with what.
    checks = sorted(spoken & set(table.check[~table.is_mesh & table.is_labelled].tolist()))
    heard = {sha for ones in plain.values() for one in ones for sha in one.single}
    first_of = dict(zip(table.check[::-1].tolist(), range(table.n_takes - 1, -1, -1), strict=True))
    cars, anything, ratios, sizes, loose, places = [], [], [], [], [], []
    calm = ~table.loose.any(axis=1) & ~table.is_hard
    for check in checks:
        row = first_of[check]
        take = _one_take(table, check, heard) if one_take else None
        layout = str(table.layout[row])

        def word(name: str, check: str = check, take: str | None = take) -> float:
            return combined_word(plain.get(name, ()), dependence.get(name, 1.0), check, take)

        cars.append(table.car[row])
        anything.append(word(ANY_HEAD))
        ratios.append([word(group) for group in groups])
        size = group_sizes(groups, zones, layout)
        sizes.append(size)
        names = [head_of(zone, layout) for zone in zones]
        is_loose = [zone for zone, yes in zip(zones, table.loose[row], strict=True) if yes]
        loose.append([any(head_of(z, layout) == g for z in is_loose) for g in groups])
        wheels = driven_wheels(layout)
        rho = dependence.get(WHICH_WHEEL_HEAD, 1.0)
        share = wheel_shares_of(wheel_words, rho, check, wheels, take)
        places.append(
            [
                (
                    groups.index(names[zones.index(zone)]),
                    share.get(zone, 1.0 / size[groups.index(head_of(zone, layout))]),
                )
                for zone in is_loose
            ]
        )
    n = len(groups)
    return Heard(
        groups=groups,
        car=np.array(cars),
        anything=np.array(anything, dtype=np.float64),
        ratios=np.array(ratios, dtype=np.float64).reshape(-1, n),
        sizes=np.array(sizes, dtype=np.float64).reshape(-1, n),
        loose=np.array(loose, dtype=bool).reshape(-1, n),
        calm=np.array([calm[first_of[check]] for check in checks], dtype=bool),
        place_share=places,
    )


def _one_take(table: FeatureTable, check: str, heard: set[str]) -> str:
    """Hash of one take of a check: heard, by the centre's phone where there is one."""
    rows = np.flatnonzero(table.check == check)
    known: NDArray[np.intp] = np.array([k for k in rows if str(table.sha256[k]) in heard] or rows)
    best = min(
        known,
        key=lambda k: (table.spot[k] != CENTRE_SPOT, table.sensor[k] != "microphone", int(k)),
    )
    return str(table.sha256[best])

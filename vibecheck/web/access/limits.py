"""Web access: token buckets. `Buckets`."""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from collections.abc import Callable

MOST_CALLERS = 4096
"""Callers remembered; the one that was silent longest is forgotten first."""


class Buckets:
    """A bucket of tokens for each caller: one a request, refilled steadily.

    Parameters
    ----------
    burst : int
        Requests at once, > 0.
    per_s : float
        Requests a second in the long run, > 0.
    clock : callable
        Seconds that never run backwards.
    """

    def __init__(self, burst: int, per_s: float, clock: Callable[[], float]) -> None:
        self._burst = float(burst)
        self._per_s = per_s
        self._clock = clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, caller: str) -> float:
        """Take one token; return 0.0, or the seconds until there will be one."""
        now = self._clock()
        left, then = self._left.pop(caller, (self._burst, now))
        left = min(self._burst, left + (now - then) * self._per_s)
        taken = left >= 1.0
        self._left[caller] = (left - 1.0 if taken else left, now)
        while len(self._left) > MOST_CALLERS:
            self._left.popitem(last=False)
        return 0.0 if taken else (1.0 - left) / self._per_s


def caller_of(address: str) -> str:
    """Return what counts as one caller: an IPv4 address, or the /64 that an IPv6 host may roam."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if found.version == 4:
        return str(found)
    return str(ipaddress.ip_network((found, 64), strict=False))

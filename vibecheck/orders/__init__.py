"""Stage 3: ``Take`` + ``SpeedTrack`` → orders: what repeats with the turns of a shaft.

``order_spectrum`` averages over the take (or a phase of it), ``order_speed_map`` over each speed,
``order_cuts`` follows single orders with their phase, ``synchronous_average`` shows one turn of
one shaft, and ``residual`` is the take without its steady orders: what is left for impacts.

An order whose frequency lies above what the take can hold at that moment is masked: NaN in the
arrays, never drawn as data.
"""

from __future__ import annotations

from vibecheck.orders.cuts import OrderCuts, order_cuts
from vibecheck.orders.grid import AngularTake, angular_take
from vibecheck.orders.spectrum import OrderSpectrum, OrderSpeedMap, order_spectrum, order_speed_map
from vibecheck.orders.synchronous import (
    Residual,
    SynchronousAverage,
    prominent_orders,
    residual,
    synchronous_average,
)

__all__ = [
    "AngularTake",
    "OrderCuts",
    "OrderSpectrum",
    "OrderSpeedMap",
    "Residual",
    "SynchronousAverage",
    "angular_take",
    "order_cuts",
    "order_spectrum",
    "order_speed_map",
    "prominent_orders",
    "residual",
    "synchronous_average",
]

"""What the kinds of bench checks in a manifest mean for training and judging."""

from __future__ import annotations

BASELINE_KIND = "baseline"
"""Recorded right after a complete hand check that left everything snug."""
HARD_KINDS: tuple[str, ...] = (
    "out_of_balance",
    "worn_bearing",
    "stone_in_wheel",
    "rubbing_wire",
    "second_car",
    "second_motor",
    "speech",
)
"""Nothing loose, but it sounds as if: hard negatives."""
MESH_KINDS: tuple[str, ...] = ("mesh_tight", "mesh_loose")
"""A gear mesh set too tight or too loose: a condition of its own, nobody's loose fastener. It
counts neither as snug nor as loose nor as a hard negative, and is reported on its own."""

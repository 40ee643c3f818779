"""The manifest's vocabulary: its columns, and the words that may stand in them."""

from __future__ import annotations

from collections.abc import Sequence

from vibecheck.car.zones import ZONE_NAMES

LOOSE_PRELOAD = 0.6
"""A fastener that holds less than this share of its snug preload takes a turn in a hand check and
counts as loose, with or without play. Common practice, no source."""

MOST_PRELOAD = 2.0
MOST_TURNS = 20.0

HARD_NEGATIVES = (
    "out_of_balance",
    "worn_bearing",
    "stone_in_wheel",
    "rubbing_wire",
    "second_car",
    "second_motor",
    "speech",
)
"""Nothing is loose, and yet the take sounds odd."""

MESH_SETTINGS = ("mesh_tight", "mesh_loose")
"""The gears stand too near or too far: a condition of its own, and nobody's loose fastener."""

KINDS = ("baseline", "loose", *MESH_SETTINGS, *HARD_NEGATIVES)
"""What a bench check was: the words of the column ``kind``."""

PART_CHECKED = "part_checked"
"""A kind of own takes only: nothing was found, but not every zone was looked at."""

SENSORS = ("microphone", "accelerometer")
ORIGINS = ("simulated", "own")

PRELOAD = "_preload"
TURNS = "_turns"

NEEDED = (
    "file",
    "sha256",
    "car",
    "car_file",
    "bench_check",
    "kind",
    "sensor",
    "spot",
    "origin",
)
"""Columns that every manifest has, beside those of at least one zone."""

COLUMNS = {
    "file": "the take: path from the manifest's folder",
    "sha256": "hash of the file's bytes, 64 hexadecimal digits",
    "car": "name of the car; evaluation never splits a car",
    "car_file": "its car file: path from the manifest's folder",
    "bench_check": "one sitting: its takes share the car, the kind and all states",
    "kind": "baseline, loose, mesh_tight, mesh_loose, what made a snug car sound odd, or "
    "part_checked: nothing found where somebody looked, and not every zone was looked at",
    "sensor": "microphone or accelerometer",
    "spot": "where it sat: a zone of the car, or centre",
    "device": "which phone or sensor",
    "sample_rate_hz": "nominal samples per second",
    "duration_s": "length in seconds",
    "ZONE_preload": "share of the snug preload, 1 to 0; snug is 1, whatever its scatter. Empty, "
    "as turns then are, where nobody looked: such a zone is not labelled (own takes only)",
    "ZONE_turns": "turns backed off beyond zero preload; play = turns × thread pitch",
    "found": "own takes: what the hand check found, in its words",
    "original_sha256": "hash of the recording before the privacy pass changed the file",
    "motor_mount_share": "share of the motor's screws in that state; 0.5 is one of two",
    "wheel_unbalance": "factors on the wheels' unbalance: front left, front right, rear left, "
    "rear right",
    "backlash_factor": "factor on the gears' backlash",
    "disturbance": "what sounded beside the car or on it; empty where nothing did",
    "phases": "as driven, name:start-end in seconds",
    "top_motor_rpm": "true highest motor speed",
    "origin": "simulated (equations of motion) or own (a real car)",
    "seed": "seed of a simulated check",
    "licence": "under which terms the take may be used",
}
"""Every column with its meaning; ``ZONE`` stands for a zone's name. Others are kept as they are."""


def ordered_columns(zones: Sequence[str], others: Sequence[str] = ()) -> list[str]:
    """Return the columns of a manifest in their usual order.

    Parameters
    ----------
    zones : sequence of str
        Zones whose states are in the data.
    others : sequence of str
        Further columns; those of `COLUMNS` take their place, unknown ones come last.
    """
    always = {*NEEDED, "device", "sample_rate_hz", "duration_s", "seed", "licence"}
    known = [zone for zone in ZONE_NAMES if zone in zones]
    zones_in_order = [*known, *(zone for zone in zones if zone not in known)]
    columns: list[str] = []
    for name in COLUMNS:
        if name == f"ZONE{PRELOAD}":
            for zone in zones_in_order:
                columns += [zone + PRELOAD, zone + TURNS]
        elif name != f"ZONE{TURNS}" and (name in always or name in others):
            columns.append(name)
    return [*columns, *(name for name in others if name not in columns)]
